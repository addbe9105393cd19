"""`linebook statement` and `linebook ticket`: what a person and a program get, and mistakes in asking."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

import linebook
from store.clock import NS_PER_S, Clock
from store.histogram import Histogram
from store.records import Record, TrainSpan
from store.writer import Writer
from tests.dashboard.judge.made import span
from tests.test_mistakes import INVITATION

SITE = f"""
name = "Quillet Lane School of Ceramics"
invented = true
timezone = "UTC+01:00"
database = "line.db"

[[handoff]]
name = "A"
[handoff.card]
fee = "210 crowns a month"
[handoff.card.availability]
target = "99.93 %"
rule = "severe seconds"
counts_from = "detection"
overruns_count = true
[handoff.card.credits]
claim = "21 days"
[[handoff.card.credits.ladder]]
below = "99.93 %"
credit = "8 %"
[[handoff.card.credits.ladder]]
below = "99.50 %"
credit = "20 %"

[[endpoint]]
name = "north"
invitation = "{INVITATION}"
[[endpoint]]
name = "south"
invitation = "{INVITATION}"
[[endpoint]]
name = "lan"
where = "house"
invitation = "{INVITATION}"
"""
EMPTY = Histogram()
HERE = timedelta(hours=1)
EIGHT = datetime.fromisoformat("2026-10-06T08:00")
FAULT = (EIGHT + timedelta(minutes=74), EIGHT + timedelta(minutes=306))  # 09:14 to 13:06, 232 min


def ns(moment: datetime) -> int:
    """Unix nanoseconds of a moment on the site's clocks."""
    return int((moment - HERE).replace(tzinfo=UTC).timestamp()) * NS_PER_S


def minutes() -> Iterator[Record]:
    """Three trains from 08:00 to 15:00, of which the two to outside lost all in the fault."""
    clean = replace(span(), rtt=EMPTY, pdv_up=EMPTY, pdv_down=EMPTY, handoff="A")
    lost = replace(clean, lost_up=1200, received=0)
    for nth in range(7 * 60):
        started = EIGHT + timedelta(minutes=nth)
        for endpoint in ("north", "south", "lan"):
            made: TrainSpan = lost if FAULT[0] <= started < FAULT[1] and endpoint != "lan" else clean
            yield replace(made, endpoint=endpoint, started_unix_ns=ns(started))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("statement")
    path = folder / "house.toml"
    path.write_text(SITE)
    writer = Writer.open(folder / "line.db", clock=Clock(), timezone="UTC+01:00")
    for record in minutes():
        writer.append(record)
    writer.close()
    return path


def test_a_month_with_credits_and_the_clause_that_decides(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Worked by hand: 232 min without the works; 31 days have 44 640, so 99.480 %, below 99.5 %."""
    words = ["ticket", str(site), "T-1", "--opened", "2026-10-06T09:39", "--closed", "2026-10-06T13:30"]
    assert linebook.main(words) == 0
    assert "Ticket T-1 is on record." in capsys.readouterr().err
    assert linebook.main(["statement", str(site), "--month", "2026-10"]) == 0
    text = capsys.readouterr().out
    assert "Contract, severe seconds: " in text
    assert "2026-10-06 09:14:00 to 2026-10-06 13:06:00: counts 232 min; ticket T-1 opened" in text
    assert "(44640 - 232) / 44640 min = 99.480 %" in text
    assert "20 % of 210.00 crowns = 42.00 crowns" in text
    assert "Clause: detection counts (this decides)" in text
    assert linebook.main(["statement", str(site), "--month", "2026-10", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {"kind", "schema", "started", "standing", "reasons"} <= set(found)
    [one] = found["handoffs"]
    assert one["credits"]["ours"]["amount"] == {"amount": "42.00", "unit": "crowns"}
    assert one["credits"]["providers_counting"]["down_s"] == 207 * 60
    assert one["credits"]["claim_until"] == "2026-11-21"
    contract = one["availability"][0]
    assert contract["sure_down_s"] == 232 * 60
    assert contract["word"] == "not met"  # sure, although most of the month was not watched
    assert contract["unwatched_s"] == (31 * 24 - 7) * 3600
    ticket = next(each for each in one["availability"] if each["rule"] == "ticket")
    assert ticket["down_s"] == 231 * 60


def test_a_month_without_a_record_says_so(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["statement", str(site), "--month", "2025-01"]) == 0
    assert "severe seconds: Nothing on record says anything by this rule." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["statement", "SITE", "--month", "2026-13"], "no month such as 2026-11"),
        (["statement", "SITE", "--handoff", "B"], "has no handoff 'B'"),
        (["ticket", "SITE", "T"], "nothing to note"),
        (["ticket", "SITE", "T", "--opened", "soon"], "not a moment"),
        (
            ["ticket", "SITE", "T", "--opened", "2026-11-10T09:39", "--closed", "2026-11-09T09:39"],
            "is before --opened",
        ),
    ],
)
def test_mistakes_in_asking(
    site: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    try:
        code = linebook.main([str(site) if word == "SITE" else word for word in words])
    except SystemExit as end:
        code = int(end.code or 0)
    assert code == 2
    assert says in capsys.readouterr().err
