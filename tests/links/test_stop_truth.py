"""A stop of everything, held against the bytes that the kernel counts at the endpoint."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from store.clock import NS_PER_S
from store.reader import Reader
from store.records import Failed, Gap
from tests.links.house import LINEBOOK, House, house

pytestmark = [pytest.mark.namespace, pytest.mark.few]

PATIENCE_S = 30.0
QUIET_BYTES = 2_000  # what TCP and ARP may still say to each other in a second
SITE = """
name = "Namespaces (invented)"
invented = true
timezone = "UTC"
database = "line.db"
[safety]
emergency_calls = "no"
alarms = "no"
medical_devices = "no"
[[handoff]]
name = "A"
interface = "{interface}"
[[endpoint]]
name = "north"
invitation = "{invitation}"
[[train]]
handoff = "A"
endpoint = "north"
per_second = 100
span = "1 s"
[[run]]
handoff = "A"
endpoint = "north"
direction = "both"
seconds = 8
every = "9 s"
"""


@contextmanager
def probing(far: House, folder: Path) -> Iterator[Path]:
    """A probe in its namespace with a run mostly under way, as its slots leave no room; its site file."""
    file = folder / "site.toml"
    file.touch(mode=0o600)
    text = SITE.format(interface=far.line.probe_device, invitation=far.invitation)
    file.write_text(text)
    process = far.line.start("probe", sys.executable, LINEBOOK, "probe", str(file))
    assert process.stderr is not None
    assert "probe started" in process.stderr.readline()
    yield file
    process.terminate()
    process.communicate(timeout=PATIENCE_S)


def at_endpoint(far: House) -> int:
    """Bytes that its interface took in and gave out, by the kernel's own counters."""
    shown = far.line.run("endpoint", "ip", "-json", "-stats", "link", "show", "dev", far.line.endpoint_device)
    (found,) = json.loads(shown.stdout)
    return int(found["stats64"]["rx"]["bytes"] + found["stats64"]["tx"]["bytes"])


def test_all_traffic_at_the_endpoint_ends_within_two_seconds(tmp_path: Path) -> None:
    """While 50 Mb/s flow each way and 100 packets a second: 2 s after the command began nothing moves."""
    with house(tmp_path / "endpoint") as far:
        far.line.shape(50_000_000)
        with probing(far, tmp_path) as file:
            deadline = time.monotonic() + PATIENCE_S
            before = at_endpoint(far)
            while True:  # until the line is full
                time.sleep(0.5)
                now = at_endpoint(far)
                if now - before > 2_500_000:
                    break
                before = now
                assert time.monotonic() < deadline
            asked_at = time.monotonic()
            answer = far.linebook("stop", str(file))
            took_s = time.monotonic() - asked_at
            time.sleep(max(0.0, asked_at + 2 - time.monotonic()))
            after_two = at_endpoint(far)
            time.sleep(1)
            assert at_endpoint(far) - after_two < QUIET_BYTES
            assert took_s < 2
            assert (1, 1, []) == (len(answer["runs"]), answer["trains"], answer["unanswered"])
            far.linebook("stop", str(file), "--resume")
            time.sleep(1)
            assert at_endpoint(far) - after_two > 20 * 2 * 128  # the train goes again, both ways
        reader = Reader.open(tmp_path / "line.db")
        troubles = reader.troubles()
        reader.close()
    failed = [one.why for one in troubles if isinstance(one, Failed)]
    assert "aborted: all tests are stopped: asked for by command" == failed[0]
    (gap,) = (one for one in troubles if isinstance(one, Gap))
    assert 2 * NS_PER_S < gap.ended_unix_ns - gap.started_unix_ns < 8 * NS_PER_S
