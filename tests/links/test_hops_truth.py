"""Stalls of the daemon's trains, placed by the hops it asks beside them, against where they were planted."""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from dashboard.judge.stall_places import Part
from dashboard.pages import segments
from store import site as sites
from store.reader import Reader
from store.records import Stall
from store.segments import Hops, Witnesses
from tests.links.faults import FAULTS, NOBODY, Served, served, switched
from tests.links.house import LINEBOOK
from tests.links.routed import HOPS

pytestmark = [pytest.mark.namespace, pytest.mark.few]

PATIENCE_S = 60.0
STALLS = 2  # to wait for
WATCHED = """
[handoff.hops]
watch = true
"""
TRAINS = "".join(
    f'\n[[train]]\nhandoff = "A"\nendpoint = "{name}"\nper_second = 20\nspan = "5 s"\n'
    for name in ("lan", "north", "south")
)
(BACKBONE,) = (fault for fault in FAULTS if fault.name == "backbone stalls")


@contextmanager
def probing(far: Served) -> Iterator[None]:
    """A probe without privileges that goes by the site file; stopped afterwards."""
    probe = [sys.executable, LINEBOOK, "probe", str(far.site)]
    process = far.line.start("probe", "setpriv", f"--reuid={NOBODY}", "--clear-groups", *probe)
    assert process.stderr is not None
    assert "probe started" in process.stderr.readline()
    yield
    process.terminate()
    process.communicate(timeout=PATIENCE_S)


def on_record(database: Path) -> int:
    """How many stalls have their witnesses."""
    with closing(Reader.open(database)) as reader:
        return len(reader.documents(Witnesses))


@pytest.mark.long
def test_stalls_behind_the_first_hop_are_the_provider_s() -> None:
    """What is dropped between its two routers: both trains outside stall, and every stall is placed right."""
    with tempfile.TemporaryDirectory() as made:
        os.chmod(made, 0o755)  # the probe runs as another account
        with served(Path(made) / "line") as far:
            text = far.site.read_text()
            text = text.replace("[[endpoint]]", f"{WATCHED}[[endpoint]]", 1) + TRAINS
            far.site.write_text(text)
            database = far.site.parent / "line.db"
            with probing(far):
                time.sleep(5)  # until each hop has answered some packets: what is usual
                with switched(BACKBONE, far.line):
                    deadline = time.monotonic() + PATIENCE_S
                    while on_record(database) < 2 * STALLS:
                        assert time.monotonic() < deadline
                        time.sleep(0.5)
            with closing(Reader.open(database)) as reader:
                site = sites.load(far.site)
                stalls = reader.stalls()
                told = {(one.endpoint, one.started_unix_ns) for one in reader.documents(Witnesses)}
                watched = [one for one in stalls if (one.endpoint, one.started_unix_ns) in told]
                places = segments.places(reader, watched, site=site, handoff=site.handoff("A"))
                counts = reader.documents(Hops)
    assert {stall.endpoint for stall in stalls} == {"north", "south"}
    _placed_right(watched, [places[one.endpoint, one.started_unix_ns].part for one in watched])
    assert [one.names for one in counts[-1].counts][:3] == [(name,) for name in HOPS]


def _placed_right(watched: list[Stall], parts: list[Part]) -> None:
    """None is blamed on another part; an early one may have too few answers before it to be placed."""
    assert len(watched) >= 2 * STALLS
    assert set(parts) <= {Part.PROVIDER, Part.UNDECIDED}, parts
    assert parts.count(Part.PROVIDER) >= len(parts) // 2, parts
