"""A record that has been corrected shows it wherever it shows, and no verdict follows what was written."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import linebook
from store.reader import Reader
from store.records import Stall, TrainSpan
from store.site import Site
from tests.dashboard import invented
from tests.dashboard.conftest import client_of
from tests.dashboard.reading import Element, read

LINEBOOK = Path(__file__).parents[3] / "linebook.py"
DAY_AGO_NS = invented.NOW_NS - 24 * invented.HOUR_NS
WHAT, WHY = "it was our own switch", "the log of the switch says so"
WHEN = {"since_ns": DAY_AGO_NS, "until_ns": invented.NOW_NS, "handoff": "old"}


@dataclass(frozen=True, kw_only=True)
class Two:
    """The invented site as it is, and a copy in whose record some have been corrected, by kind."""

    before: Site
    after: Site
    numbers: dict[str, int]
    minute: TrainSpan


@pytest.fixture(scope="module")
def two(site: Site, tmp_path_factory: pytest.TempPathFactory) -> Two:
    """The newest record of each kind that the page lists is corrected, by the command."""
    after = invented.site(tmp_path_factory.mktemp("corrected"))
    with closing(Reader.open(site.database)) as reader:
        reader.copy_to(after.database)
        kinds = ("rate", "stall", "gap", "skipped", "train")
        newest = {kind: list(reader.each(kind, **WHEN))[-1] for kind in kinds}
    for kind, (seq, _) in newest.items():
        words = ["correct", str(after.database), str(seq), "--what", WHAT, "--why", WHY]
        if kind == "rate":  # as a person does it; the others in this process, which is sooner done
            done = subprocess.run([sys.executable, str(LINEBOOK), *words], capture_output=True, check=False)
            assert (done.returncode, done.stderr) == (0, f"Record {seq} has a correction now.\n".encode())
        else:
            assert linebook.main(words) == 0
    minute = newest["train"][1]
    assert isinstance(minute, TrainSpan)
    return Two(
        before=site, after=after, numbers={kind: seq for kind, (seq, _) in newest.items()}, minute=minute
    )


async def _page(site: Site, path: str = "/circuit/old") -> Element:
    async with client_of(site) as client, client.get(path) as response:
        assert response.status == 200
        return read(await response.text())


async def _json(site: Site, path: str) -> Any:
    async with client_of(site) as client, client.get(path) as response:
        return await response.json()


def _under(page: Element, section: str) -> list[str]:
    """The sentences under the tables of a section."""
    found = page.one("section", **{"aria-labelledby": section})
    return [one.text for notes in found.all("ul", **{"class": "corrections"}) for one in notes.all("li")]


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("section", "caption", "kinds"),
    [
        ("rates", "Rate runs of", {"rate": "rate run up"}),
        ("stalls", "Stalls of", {"stall": "stall of"}),
        ("troubles", "Failed, skipped and not measured", {"gap": "gap", "skipped": "skipped"}),
    ],
)
async def test_the_row_is_marked_and_the_sentence_stands_below(
    two: Two, section: str, caption: str, kinds: dict[str, str]
) -> None:
    """Only that row; what, why and when, with the record's number; nothing where nothing was corrected."""
    numbers, page = two.numbers, await _page(two.after)
    column = "When" if section == "troubles" else "Started"
    marked = [row[column] for row in page.table(caption) if row[column].endswith("Corrected")]
    notes = _under(page, section)
    assert len(marked) == len(notes) == len(kinds)
    for kind, named in kinds.items():
        (note,) = (one for one in notes if f", record {numbers[kind]}: " in one)
        assert note.split(", ")[1].startswith(named)
        assert f"{WHAT}. How that is known: {WHY}. Written " in note
        started = note.removeprefix("Corrected ").split(",")[0]
        assert f"{started} Corrected" in marked
    plain = await _page(two.before)
    assert _under(plain, section) == []
    assert [row for row in plain.table(caption) if row[column].endswith("Corrected")] == []


@pytest.mark.asyncio
async def test_a_minute_stands_under_its_train(two: Two) -> None:
    """Its table sums minutes, so the sentence says how many of them are meant."""
    page = await _page(two.after)
    (place,) = (
        place
        for place in ("train-0", "train-1")
        if page.one("h2", id=place).text.startswith(f"Train to {two.minute.endpoint}")
    )
    section = page.one("section", **{"aria-labelledby": place})
    assert "1 record behind this train has been corrected; the figures still count it as measured." in (
        section.text
    )
    assert len(_under(page, place)) == 1


@pytest.mark.asyncio
async def test_no_verdict_follows_a_correction_and_each_says_so(two: Two) -> None:
    """The counts are those of the record without it; a verdict that looks at none of them says nothing."""
    first, second = [
        (await _page(one)).table("Counts behind the verdicts") for one in (two.before, two.after)
    ]
    assert first == second
    said = "2 records behind this verdict have been corrected; the figures still count them as measured."
    up, down, *_ = (await _page(two.after)).one("section", **{"aria-labelledby": "verdicts"}).all("li")
    assert [note.text for note in up.all("p", **{"class": "note"})].count(said) == 1
    assert "corrected" not in down.text  # no rate is stated, so it looks at no record
    for page in (await _page(two.before), await _page(two.after, "/circuit/A")):
        assert "corrected" not in page.one("section", **{"aria-labelledby": "verdicts"}).text
    assert len(_under(page, "troubles")) == 1  # the gap was every handoff's


@pytest.mark.asyncio
async def test_today_says_so_too(two: Two) -> None:
    """Each corrected record once, however many verdicts look at it."""
    page = await _page(two.after, "/")
    section = page.one("section", id="verdicts")
    assert "2 records behind these verdicts have been corrected; the figures still count" in section.text
    assert len(_under(page, "runs-title")) == 1
    assert "corrected" not in (await _page(two.before, "/")).one("main").text.lower()


@pytest.mark.asyncio
async def test_programs_find_it_beside_each_record(two: Two) -> None:
    """A list with every record, empty where nothing was corrected."""
    numbers = two.numbers
    found = await _json(two.after, "/circuit/old.json")

    def corrected() -> Iterator[dict[str, Any]]:
        for kind in ("runs", "stalls", "troubles"):
            for record in found[kind]:
                yield from record["corrected"]

    wanted = sorted(seq for kind, seq in numbers.items() if kind != "train")
    assert sorted(one["seq"] for one in corrected()) == wanted
    assert {(one["what"], one["why"]) for one in corrected()} == {(WHAT, WHY)}
    minutes = [one for train in found["trains"] for one in train["corrected"]]
    assert [one["seq"] for one in minutes] == [numbers["train"]]
    assert [one["corrected_records"] for one in found["verdicts"]] == [2, 0]
    plain = await _json(two.before, "/circuit/old.json")
    assert [record["corrected"] for kind in ("runs", "stalls", "troubles") for record in plain[kind]] == [
        [] for kind in ("runs", "stalls", "troubles") for _ in plain[kind]
    ]
    today = await _json(two.after, "/today.json")
    assert [one["seq"] for run in today["runs"] for one in run["corrected"]] == [numbers["rate"]]


def test_a_stall_is_still_the_stall_that_was_measured(two: Two) -> None:
    """The record itself is as it was, in every field."""
    stalls: list[list[Stall]] = []
    for site in (two.before, two.after):
        with closing(Reader.open(site.database)) as reader:
            stalls.append(reader.stalls())
    assert stalls[0] == stalls[1]
