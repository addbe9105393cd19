"""Failover exercises on the Circuit pages of both uplinks, from records that a writer stored."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest
import pytest_asyncio

from dashboard import text_failover
from store.failovers import Failure
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import Client, client_of
from tests.dashboard.invented import NOW_NS
from tests.dashboard.reading import read
from tests.store import samples

EXERCISE = samples.failover(NOW_NS - 40 * 86_400 * 10**9)


@pytest_asyncio.fixture
async def client(tmp_path: Path) -> AsyncIterator[Client]:
    site = invented.site(tmp_path)

    def write() -> None:
        writer = Writer.open(site.database, clock=invented.clock())
        writer.append(EXERCISE)
        writer.close()

    await asyncio.to_thread(write)
    async with client_of(site) as made:
        yield made


@pytest.mark.asyncio
@pytest.mark.parametrize("handoff", ["old", "A"])
async def test_both_uplinks_show_it_however_long_ago(client: Client, handoff: str) -> None:
    async with client.get(f"/circuit/{handoff}") as response:
        page = read(await response.text())
    (row,) = page.table("Failover exercises")
    assert row["Failure"] == "silent"
    assert (row["Missing"], row["Missing on return"]) == ("81", "0")
    assert "Traffic moved to A: for 4.15 s nothing came back" in row["Because"]


@pytest.mark.asyncio
async def test_the_json_has_the_record(client: Client) -> None:
    async with client.get("/circuit/old.json") as response:
        (found,) = (await response.json())["failovers"]
    assert (found["kind"], found["without_ms"], found["backup"]) == ("failover", 4150, "A")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"failure": Failure.NONE}, "Nothing was exercised: old did not fail within 60 s."),
        ({"first_ms": None, "without_ms": None}, "Traffic stopped and did not come back"),
        ({"switched": False}, "Traffic did not move"),
        ({"switched": None}, "by which uplink could not be told"),
        (
            {"first_ms": None, "last_ms": None, "without_ms": None, "egress_before": "198.51.100.42"},
            "Traffic went by A already",
        ),
    ],
)
def test_what_became_of_the_traffic_in_a_sentence(change: dict[str, object], says: str) -> None:
    assert says in text_failover.outcome(replace(EXERCISE, **change))  # type: ignore[arg-type]


def test_a_terminal_has_the_stopwatch_from_the_failure_on() -> None:
    told = text_failover.failover(EXERCISE).splitlines()
    assert "      +4.11 s  first reply to it again, then from 198.51.100.42" in told
    assert "Detection, switch and first packet took 4.11 s together." in told
