"""The last rehearsal of a plan, on Today, beside the answer for its next show."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from store.records import Correction
from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import client_of
from tests.dashboard.reading import Element, read
from tests.store import samples

BEFORE = replace(samples.rehearsal(invented.NOW_NS - 3 * invented.HOUR_NS), plan="evening", seconds=600.0)
LAST = replace(BEFORE, started_unix_ns=invented.NOW_NS - invented.HOUR_NS, seconds=10.0)
VOID = replace(LAST, reasons=("aborted",))
OTHER = replace(LAST, plan="opening-night", started_unix_ns=LAST.started_unix_ns + 1)


def _written(folder: Path, *more: object) -> Site:
    site = invented.site(folder)
    writer = Writer.open(site.database, clock=invented.clock())
    for one in more:
        writer.append(one)  # type: ignore[arg-type]
    writer.close()
    return site


async def _told(site: Site) -> tuple[Element, dict[str, object]]:
    """The entry of the evening class, and its plan in the JSON."""
    async with client_of(site) as client:
        async with client.get("/") as response:
            entries = read(await response.text()).one("section", id="planned").all("li")
        async with client.get("/today.json") as response:
            plans = (await response.json())["plans"]
    (entry,) = (one for one in entries if "Evening class" in one.text)
    (plan,) = (one for one in plans if one["plan"] == "evening")
    return entry, plan


@pytest.mark.asyncio
async def test_the_newest_of_this_plan_by_seconds_dropped(tmp_path: Path) -> None:
    """30 of 300 frames did not fit and 45 could not be shown, at 30 a second: 1.0 and 1.5 s."""
    entry, plan = await _told(await asyncio.to_thread(_written, tmp_path, BEFORE, LAST, OTHER))
    assert "Last rehearsal" in [one.text for one in entry.all("dt")]
    (said,) = (one.text for one in entry.all("dd") if "dropped" in one.text)
    assert said == (
        "Wed 25 Nov 17:50:00, 10 s to north. class: 1.0 s dropped, 1.5 s not to be shown "
        "(30 frames dropped, 15 frames left out, 20 frames late)"
    )
    rehearsal = plan["rehearsal"]
    assert isinstance(rehearsal, dict)
    assert (rehearsal["kind"], rehearsal["seconds"], rehearsal["dropped_s"]) == ("rehearsal", 10.0, 1.0)
    assert [("seconds" in one, one["name"]) for one in rehearsal["destinations"]] == [(False, "class")]
    assert rehearsal["corrected"] == []


@pytest.mark.asyncio
async def test_where_nothing_was_amiss_it_says_so(tmp_path: Path) -> None:
    (one,) = LAST.destinations
    fine = replace(one, sent=300, dropped=0, waited=0, late=0, unseen=0, seconds=())
    site = await asyncio.to_thread(_written, tmp_path, replace(LAST, destinations=(fine,)))
    entry, _ = await _told(site)
    assert "10 s to north. class: all of it in time" in entry.text


@pytest.mark.asyncio
async def test_one_that_speaks_of_nothing_says_why_and_a_corrected_one_that_it_is(tmp_path: Path) -> None:
    correction = Correction(
        handoff="old",
        endpoint="north",
        corrects_seq=1,
        written_unix_ns=invented.NOW_NS,
        what="the encoder was plugged in as well",
        why="seen on the spot",
    )
    entry, plan = await _told(await asyncio.to_thread(_written, tmp_path, VOID, correction))
    assert "void: the run ended before its time" in entry.text
    assert "1 record behind this rehearsal has been corrected" in entry.text
    rehearsal = plan["rehearsal"]
    assert isinstance(rehearsal, dict)
    assert [one["what"] for one in rehearsal["corrected"]] == ["the encoder was plugged in as well"]


@pytest.mark.asyncio
async def test_a_plan_that_was_never_rehearsed_says_nothing_of_it(tmp_path: Path) -> None:
    entry, plan = await _told(await asyncio.to_thread(_written, tmp_path))
    assert "rehearsal" not in entry.text
    assert plan["rehearsal"] is None
