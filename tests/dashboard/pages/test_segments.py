"""Splits and the places of stalls on the Circuit page, from records that a writer stored."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest
import pytest_asyncio

from dashboard.judge import segments
from store.records import Direction, Record, Stall
from store.segments import Seen, Station, Witnesses
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import Client, client_of
from tests.dashboard.invented import NOW_NS
from tests.dashboard.reading import read
from tests.store import samples

pytestmark = pytest.mark.asyncio

MINUTE_NS = 60 * 10**9
AT_NS = NOW_NS - 20 * MINUTE_NS


def hop(ttl: int, *, answered: bool) -> Seen:
    """Asked each 1.25 s, once within the stall."""
    usual = tuple(range(-15_000, -1_000, 1_250))
    return Seen(
        station=Station.HOP,
        name=f"198.51.100.{ttl}",
        ttl=ttl,
        shared=True,
        sent=len(usual) + 1,
        answered_ms=(*usual, 600) if answered else usual,
        rtts_us=(900,) * (len(usual) + answered),
        missed_ms=() if answered else (600,),
    )


def stall(start_ns: int) -> Stall:
    return Stall(
        handoff="old",
        endpoint="north",
        started_unix_ns=start_ns,
        duration_us=1_400_000,
        direction=Direction.UP,
        how="lost",
        lost=28,
        held=0,
    )


def witnesses(start_ns: int, *, near: bool, far: bool) -> Witnesses:
    return Witnesses(
        handoff="old",
        endpoint="north",
        started_unix_ns=start_ns,
        duration_us=1_400_000,
        house_hops=1,
        seen=(hop(1, answered=near), hop(2, answered=far)),
        sent_before=(200, 200),
        answered_before=(200, 200),
    )


SPLIT = replace(samples.split(AT_NS), handoff="old")
RECORDS: tuple[Record, ...] = (
    invented.span(AT_NS, "old", "north", rtt_us=20_000, lost_up=84),
    invented.span(AT_NS, "old", "lan", rtt_us=400),
    *(stall(AT_NS + seconds * 10**9) for seconds in (10, 20, 30)),
    witnesses(AT_NS + 10 * 10**9, near=True, far=False),
    witnesses(AT_NS + 20 * 10**9, near=False, far=False),
    SPLIT,
    replace(
        SPLIT,
        started_unix_ns=AT_NS + MINUTE_NS,
        seen=(*SPLIT.seen[:3], replace(SPLIT.seen[3], lost=0, stalls=(), missed_ms=())),
    ),
)


@pytest_asyncio.fixture
async def split_client(tmp_path: Path) -> AsyncIterator[Client]:
    site = invented.site(tmp_path)

    def write() -> None:
        writer = Writer.open(site.database, clock=invented.clock())
        for record in RECORDS:
            writer.append(record)
        writer.close()

    await asyncio.to_thread(write)
    async with client_of(site) as client:
        yield client


async def test_each_stall_says_where_it_was(split_client: Client) -> None:
    """By its hops and the house's train; one that nobody of the way watched is undecided."""
    async with split_client.get("/circuit/old") as response:
        page = read(await response.text())
    rows = page.table("Stalls of the last 24 hours")  # newest first
    assert [row["Where"] for row in rows] == ["undecided", "house, 3 witnesses", "provider, 3 witnesses"]


async def test_splits_stand_in_a_table_with_the_segments_of_the_newest(split_client: Client) -> None:
    async with split_client.get("/circuit/old") as response:
        page = read(await response.text())
    rows = page.table("Splits, ")
    assert [row["Owner"] for row in rows] == ["nothing wrong", "undecided"]
    assert "Would decide: an endpoint on the provider's side of the router" in rows[1]["Because"]
    segments_ = page.table("Segments of the split of ")
    assert [row["Segment"] for row in segments_] == ["S1", "S2", "S3", "S4"]
    assert segments_[2]["Note"] == "does not answer, which is no evidence"
    section = page.one("section", **{"aria-labelledby": "splits"})
    assert "Nothing wrong was seen in 10 s" in section.text


async def test_json_has_the_finding_beside_the_record(split_client: Client) -> None:
    """The same judge as the page's; `place` stands with each stall."""
    async with split_client.get("/circuit/old.json") as response:
        found = await response.json()
    first, second = found["splits"]
    assert (first["kind"], first["word"], first["owner"]) == ("split", "undecided", None)
    assert second["word"] == "clear"
    assert first["segments"] == segments.as_json(segments.judge(SPLIT))["segments"]
    assert [one["place"]["part"] for one in found["stalls"]] == ["provider", "house", "undecided"]
    assert found["stalls"][0]["place"]["owner"] == "provider"


async def test_a_handoff_without_a_split_has_no_such_section(split_client: Client) -> None:
    async with split_client.get("/circuit/A") as response:
        page = read(await response.text())
    assert page.all("section", **{"aria-labelledby": "splits"}) == []
