"""`linebook accept`: safety first, answers kept as records, mistakes in one sentence, what a row sends."""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

import linebook
from commands import accept_run
from store.acceptance import AcceptanceNote
from store.errors import UserMistake
from store.reader import Reader
from store.records import Direction
from store.site import Method, Site, load
from tests.store.test_site import INVITATION

SITE = f"""
name = "Quillet Lane School of Ceramics"
invented = true
timezone = "UTC+01:00"
holidays = [2026-06-19]
[safety]
emergency_calls = "no"
alarms = "no"
medical_devices = "no"
[[handoff]]
name = "A"
interface = "lo"
[handoff.card]
provider = "Greyfell Circuits"
reference = "GC-40417"
rate_up = "600 Mb/s"
rate_down = "600 Mb/s"
layer = "layer 2"
port_rate = "1 Gb/s"
burst = "2 MB"
handover = 2026-06-16
deemed_acceptance = "10 working days"
[[handoff]]
name = "B"
interface = "lo"
[handoff.card]
provider = "Greyfell Circuits"
reference = "GC-40417"
rate_up = "1.4 Gb/s"
rate_down = "1.4 Gb/s"
[[endpoint]]
name = "north"
invitation = "{INVITATION}"
[[endpoint]]
name = "south"
invitation = "{INVITATION}"
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    return path


def accept(file: Path, *more: str) -> int:
    return linebook.main(["accept", str(file), "--handoff", "A", *more])


def told(file: Path, capsys: pytest.CaptureFixture[str], *more: str) -> dict[str, Any]:
    assert accept(file, *more, "--json") == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_before_anything_is_on_record(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every row that applies is not tested, safety is next, and a holiday moves the last day to 1 July."""
    found = told(file, capsys)
    assert (found["kind"], found["handoff"], len(found["rows"])) == ("acceptance", "A", 20)
    assert {row["word"] for row in found["rows"]} == {"not tested"}
    assert found["next_step"].startswith("Safety first: S1")
    assert found["deemed"]["last_day"] == "2026-07-01"
    assert not load(file).database.exists()  # asking writes nothing


def test_it_is_taken_up_where_it_was_left(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Answers, defects and the decision are records, and the sheet has them the next time."""
    for nth in range(1, 7):
        assert accept(file, "--row", f"S{nth}", "--answer", "yes") == 0
    assert accept(file, "--row", "a4", "--answer", "not-met", "--says", "tag 831 passes as well") == 0
    assert accept(file, "--defect", "label on the wrong port") == 0
    assert accept(file, "--mended", "D1", "--says", "label moved") == 0
    assert accept(file, "--decide", "accepted-with-defects", "--says", "A4 to be mended") == 0
    capsys.readouterr()
    found = told(file, capsys)
    assert [one["holds"] for one in found["safety"]] == [False] * 6
    rows = {row["row"]: row for row in found["rows"]}
    assert (rows["A4"]["word"], rows["A4"]["typed"]) == ("not met", True)
    assert [(one["name"], one["mended"]) for one in found["defects"]] == [("A4", False), ("D1", True)]
    assert found["decision"]["word"] == "accepted with defects"
    assert found["next_row"] == "A1"
    with closing(Reader.open(load(file).database)) as reader:
        assert len(reader.documents(AcceptanceNote, handoff="A")) == 10
    assert accept(file) == 0
    text = capsys.readouterr().out
    assert "A4   NOT MET" in text
    assert "For the provider: ____" in text


def test_all_handoffs_at_a_glance(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without --handoff: where each stands; to write something, one has to be named."""
    assert linebook.main(["accept", str(file)]) == 0
    text = capsys.readouterr().out
    assert "Handoff A, A: no decision yet; 0 met, 0 not met, 0 undecided, 20 not tested." in text
    assert "Handoff B, B: no decision yet" in text
    assert linebook.main(["accept", str(file), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["kind"], [one["handoff"] for one in found["handoffs"]]) == ("acceptances", ["A", "B"])
    assert linebook.main(["accept", str(file), "--row", "S1", "--answer", "yes"]) == 2
    assert "--handoff: " in capsys.readouterr().err


def test_one_row_says_how_it_is_run(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What, how long, when it passes, the caution and the command; of a row by hand, how to type it in."""
    assert accept(file, "--row", "A6") == 0
    text = capsys.readouterr().out
    assert text.startswith("Safety first: S1 is not answered.")
    assert f"Run it: linebook accept {file} --handoff A --row A6 --run" in text
    assert "Caution: It fills the line" in text
    assert accept(file, "--row", "A5") == 0
    assert '--row A5 --answer met --says "what you saw"' in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--row", "A21"], "--row: there is no row 'A21'; expected A1 to A20, or S1 to S6"),
        (["--answer", "met"], "--answer: says nothing by itself; expected --row beside it"),
        (["--row", "A4", "--answer", "fine"], "--answer: 'fine' is not known"),
        (["--row", "S1", "--answer", "met"], "--answer: 'met' is not known; it has yes, no"),
        (["--decide", "acepted"], "--decide: 'acepted' is not known; did you mean 'accepted'?"),
        (["--decide", "refused", "--defect", "x"], "--decide: stands beside --defect; one thing at a time"),
        (["--says", "hello"], "--says: stands alone"),
        (["--mended", "D1"], "--mended: no defect 'D1' was noted"),
        (["--run"], "--run: runs one row; expected --row beside it"),
        (["--row", "A6", "--run"], "--run: Safety first: S1 is not answered"),
    ],
)
def test_mistakes(file: Path, capsys: pytest.CaptureFixture[str], options: list[str], says: str) -> None:
    """One sentence, exit code 2, and nothing on record."""
    assert accept(file, *options) == 2
    assert says in capsys.readouterr().err
    assert not load(file).database.exists()


class TestPlans:
    """What a row sends, by the card: nothing is sent here."""

    @pytest.fixture
    def site(self, file: Path) -> Site:
        return load(file)

    def plans(self, site: Site, row: str, handoff: str = "A", **how: bool) -> accept_run.Groups:
        return accept_run.plans(site, site.handoff(handoff), row, seconds=None, now_ns=0, **how)

    def test_a6_offers_the_committed_rate_at_its_layer(self, site: Site) -> None:
        """600 Mb/s at layer 2 are 592.885 at IP (1500/1518), rounded up, one way after the other."""
        groups = self.plans(site, "A6")
        assert [[(one.direction, one.method, one.seconds) for one in group] for group in groups] == [
            [(Direction.UP, Method.PACED, 900)],
            [(Direction.DOWN, Method.PACED, 900)],
        ]
        assert {one.offered_bps for group in groups for one in group} == {592_885_376}

    def test_a10_offers_more_than_the_limit(self, site: Site) -> None:
        offered = {one.offered_bps for group in self.plans(site, "A10") for one in group}
        assert offered == {round(592_885_376 * 1.05)}

    def test_a11_sends_bursts_that_show_the_stated_size(self, site: Site) -> None:
        """2 MB at 600 Mb/s on a port of 1 Gb/s take bursts of 5 MB, M x (1 - 0.6); twice that is sent."""
        assert {one.most_bytes for group in self.plans(site, "A11") for one in group} == {10_000_000}

    def test_a15_fills_both_handoffs_at_once(self, site: Site) -> None:
        """Each to an endpoint of its own: packets up and down, or TCP both ways under a probe."""
        (group,) = self.plans(site, "A15")
        up, down = Direction.UP, Direction.DOWN
        assert [(one.handoff, one.endpoint, one.direction) for one in group] == [
            *(("A", "north", up), ("A", "north", down), ("B", "south", up), ("B", "south", down)),
        ]
        assert {one.method for one in group} == {Method.PACED}
        (group,) = self.plans(site, "A15", one_each=True)
        assert [(one.handoff, one.method, one.direction) for one in group] == [
            ("A", Method.RATE, Direction.BOTH),
            ("B", Method.RATE, Direction.BOTH),
        ]

    def test_a16_is_one_flow_and_then_eight(self, site: Site) -> None:
        assert [one.flows for group in self.plans(site, "A16") for one in group] == [1, 8, 1, 8]

    def test_rows_that_nobody_runs_by_themselves(self, site: Site) -> None:
        with pytest.raises(UserMistake, match="row A14 is not run by itself"):
            self.plans(site, "A14")
