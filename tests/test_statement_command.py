"""`linebook statement` and `linebook ticket`: what a person and a program get, and mistakes in asking."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

import linebook
from dashboard import over_time
from store import site as sites
from store.clock import NS_PER_S, Clock
from store.histogram import Histogram
from store.papers import IssuedPaper
from store.reader import Reader
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


def test_an_issued_statement_is_frozen(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Issued once it stands; what becomes known later makes a second version; the first stays as it was."""
    asked = ["statement", str(site), "--month", "2026-10", "--issue"]
    page, table, figures = (tmp_path / f"october.{end}" for end in ("html", "csv", "json"))
    papers = [word for file in (page, table, figures) for word in ("--paper", str(file))]
    assert linebook.main([*asked, *papers]) == 0
    first = page.read_text()
    assert "A-2026-10 v1" in first
    assert "\r\nFrom,To,Lasted (min),Counts (min)" in table.read_bytes().decode()
    assert json.loads(figures.read_text())["month"] == "2026-10"
    assert linebook.main([*asked, "--paper", str(page), "--json"]) == 0
    (again,) = json.loads(capsys.readouterr().out.splitlines()[-1])["papers"]
    assert (again["version"], again["again"]) == (1, True)
    assert page.read_text() == first
    assert linebook.main(["ticket", str(site), "T-9", "--opened", "2026-10-06T09:20"]) == 0
    assert linebook.main([*asked, "--paper", str(page), "--json"]) == 0
    (second,) = json.loads(capsys.readouterr().out.splitlines()[-1])["papers"]
    assert (second["version"], second["again"]) == (2, False)
    assert any("availability by ticket" in one for one in second["changed"])
    with closing(Reader.open(site.parent / "line.db")) as reader:
        issued = reader.documents(IssuedPaper)
    assert [one.called for one in issued] == ["A-2026-10 v1", "A-2026-10 v2"]
    assert (issued[0].html, issued[0].sha256) == (first, hashlib.sha256(first.encode()).hexdigest())
    assert linebook.main(["verify", str(site.parent / "line.db")]) == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["statement", "SITE", "--month", "2099-01", "--issue"], "A-2099-01 is not over yet"),
        (
            ["statement", "SITE", "--month", "2999-01"],
            "not a month like 2026-11, in a year from 1970 to 2199",
        ),
        (["statement", "SITE", "--paper", "month.doc"], "--paper: month.doc has no ending of .html, .pdf"),
        (["statement", "SITE", "--month", "2026-13"], "not a month like 2026-11"),
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


NEWER = """
[[handoff.card]]
from = 2026-10-06T11:00:00
fee = "420 crowns a month"
[handoff.card.availability]
target = "99.93 %"
rule = "severe seconds"
[handoff.card.credits]
claim = "10 days"
[[handoff.card.credits.ladder]]
below = "99.93 %"
credit = "10 %"
"""


def test_what_is_paid_once_stands_on_the_sheet(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An amount that is none is refused by its key."""
    path, once = site.parent / "once.toml", '[[handoff.card.once]]\nwhat = "installation"\ncosts = "{}"\n'
    own, rest = SITE.split("[[endpoint]]", 1)
    path.write_text(f"{own}{once.format('1450 crowns')}[[endpoint]]{rest}")
    assert linebook.main(["renewal", str(path)]) == 0
    assert "Paid once: installation 1450.00 crowns." in capsys.readouterr().out
    path.write_text(f"{own}{once.format('much')}[[endpoint]]{rest}")
    assert linebook.main(["renewal", str(path)]) == 2
    assert "handoff[1].card.once[1].costs" in capsys.readouterr().err


def two_cards(site: Path) -> Path:
    """The same place and record, its card renewed within the fault."""
    own, rest = SITE.split("[[endpoint]]", 1)
    path = site.parent / "renewed.toml"
    path.write_text(own.replace("[handoff.card]", "[[handoff.card]]") + NEWER + "[[endpoint]]" + rest)
    return path


def test_each_part_of_a_month_is_counted_by_the_card_of_its_time(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By hand: 7860 min to 6 October 11:00 with 106 of the fault's 232, 36 780 after it with 126.

    (7860 - 106) / 7860 = 98.651 %, 20 % of 210 x 7860 / 44640; (36780 - 126) / 36780 = 99.657 %, 10 % of
    420 x 36780 / 44640. The claim runs from the month's end, by each card's own days.
    """
    path = two_cards(site)
    assert linebook.main(["statement", str(path), "--month", "2026-10"]) == 0
    text = capsys.readouterr().out
    first, second = text.split("\n\n")
    assert first.startswith("Handoff A, October 2026, to 06 Oct 11:00\n")
    assert second.startswith("Handoff A, October 2026, from 06 Oct 11:00\n")
    assert all("each part of it is counted over its own time" in part for part in (first, second))
    assert "(7860 - 106) / 7860 min = 98.651 %" in first
    assert "20 % of 36.98 crowns = 7.40 crowns" in first
    assert "(36780 - 126) / 36780 min = 99.657 %" in second
    assert "10 % of 346.05 crowns = 34.61 crowns" in second
    assert linebook.main(["statement", str(path), "--month", "2026-10", "--json"]) == 0
    [newer] = json.loads(capsys.readouterr().out)["handoffs"]
    [older] = newer["earlier"]
    assert older["month_to"] == newer["month_from"] == "2026-10-06T10:00:00.000Z"
    assert (older["credits"]["claim_until"], newer["credits"]["claim_until"]) == ("2026-11-21", "2026-11-10")


def test_the_term_lists_both_parts(site: Path) -> None:
    """One month, although two parts of it were judged; its credits together."""
    made = sites.load(two_cards(site))
    now_ns = ns(datetime.fromisoformat("2026-11-05T12:00"))
    with closing(Reader.open(made.database)) as reader:
        found = over_time.renewal_of(reader, made, made.handoff("A"), now_ns=now_ns)
    assert (found.months, found.failed) == (1, 1)
    assert found.credits is not None
    assert found.credits.said() == "42.01 crowns"
    with closing(Reader.open(made.database)) as reader:  # and November, of which nothing is on record
        later = over_time.renewal_of(reader, made, made.handoff("A"), now_ns=now_ns + 30 * 86_400 * NS_PER_S)
    assert (later.months, later.failed, later.undecided, later.untested) == (2, 1, 0, 1)


def test_a_month_outside_the_term_is_held_against_no_card(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The fault of October, 232 min, in a month before the service and in one after its end: nothing owed."""
    for dates, why in (
        ("service_start = 2026-11-01\n", "the service starts on 01 Nov 2026"),
        ("service_start = 2025-01-01\nterm_end = 2026-09-30\n", "the term ended on 30 Sep 2026"),
    ):
        path = site.parent / "outside.toml"
        path.write_text(SITE.replace("[handoff.card]\n", f"[handoff.card]\n{dates}"))
        assert linebook.main(["statement", str(path), "--month", "2026-10"]) == 0
        text = capsys.readouterr().out
        assert f"No contract card was in force in October 2026: {why}." in text
        assert "Contract, " not in text
        assert "crowns" not in text
        assert "232" in text  # measured all the same
        assert linebook.main(["statement", str(path), "--month", "2026-10", "--json"]) == 0
        [one] = json.loads(capsys.readouterr().out)["handoffs"]
        assert one["outside_term"].startswith("No contract card was in force")
        assert (one["contract_rule"], one["promised_ratio"], one["credits"], one["fee"]) == (None,) * 4
    assert linebook.main(["site", "check", str(two_cards(site)), "--json"]) == 0
    [card] = json.loads(capsys.readouterr().out)["handoffs"]
    older, newer = card["cards"]
    assert (older["from"], newer["from"]) == (None, "2026-10-06T10:00:00.000Z")
    assert "rate_up" in older["not_stated"]
