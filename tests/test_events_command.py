"""`linebook events`: the fault log as a person and a program get it, and mistakes in asking for it."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

import linebook
from store.clock import Clock
from store.events import Event, EventKind
from store.records import Owner
from store.writer import Writer
from tests.test_mistakes import SITE


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site whose old line fell silent five minutes ago, and whose port was slow in 2020."""
    path = tmp_path / "house.toml"
    path.write_text(SITE)
    writer = Writer.open(tmp_path / "line.db", clock=Clock())
    for started_ns, what, says in (
        (1_590_000_000 * 10**9, EventKind.PORT, "port eth0 runs at 100 Mb/s, before at 1 Gb/s"),
        (time.time_ns() - 300 * 10**9, EventKind.OUTAGE_START, "nothing came back from north"),
    ):
        writer.append(
            Event(
                handoff="old",
                endpoint="north",
                started_unix_ns=started_ns,
                what=what,
                says=says,
                owner=Owner.HOUSE,
            )
        )
    writer.close()
    return path


def test_what_happened_with_owner_and_next_step(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["events", str(site)]) == 0
    case, todo, event = capsys.readouterr().out.splitlines()
    assert case.endswith("  under way  Handoff old: outage, north silent.")
    assert todo == "  Owner: house. Next: Look at the house's own network first: router, switch, lead, power."
    assert event.endswith("outage start: nothing came back from north")


def test_days_of_the_past(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """20 May 2020 is when Unix time was 1.59 thousand million (date -u -d @1590000000)."""
    asked = ["events", str(site), "--from", "2020-05-20", "--to", "2020-05-20"]
    assert linebook.main(asked) == 0
    assert capsys.readouterr().out.startswith("2020-05-20 18:40:00  over  Handoff old: port eth0 runs at")
    assert linebook.main([*asked[:-1], "2020-05-21", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {"kind", "schema", "started", "standing", "reasons"} <= set(found)
    assert [each["says"] for case in found["cases"] for each in case["events"]] == [
        "port eth0 runs at 100 Mb/s, before at 1 Gb/s"
    ]


def test_a_time_without_events(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["events", str(site), "--from", "2021-01-01", "--to", "2021-01-02"]) == 0
    assert capsys.readouterr().out == "No event is on record from 2021-01-01 to 2021-01-02.\n"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--handoff", "ol"], "has no handoff 'ol'; did you mean 'old'?"),
        (["--from", "2021-01-02", "--to", "2021-01-01"], "--to: 2021-01-01 is before --from 2021-01-02"),
    ],
)
def test_mistakes(site: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    assert linebook.main(["events", str(site), *words]) == 2
    found = capsys.readouterr()
    assert (found.out, said in found.err, found.err.count("\n")) == ("", True, 1)


def test_a_probe_that_never_ran(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (site.parent / "line.db").unlink()
    assert linebook.main(["events", str(site)]) == 2
    assert "is not there; the probe makes it on its first start" in capsys.readouterr().err
