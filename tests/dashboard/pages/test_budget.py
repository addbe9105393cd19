"""The part of Today and Circuit that says what a month has used, on an invented site with a cap."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from store.site import Cap, Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import client_of
from tests.dashboard.reading import read
from tests.store import samples

GB = 10**9


@pytest.fixture
def capped(tmp_path: Path) -> Site:
    """November so far: 200 hours of 2 GB, on a line of 1 TB; an allowance of 50 GB for tests."""
    made = invented.site(tmp_path)
    old = replace(made.handoffs[0], cap=Cap(limit_bytes=1000 * GB), allowance_bytes=50 * GB)
    with closing(Writer.open(made.database, clock=invented.clock(), timezone=invented.ZONE)) as writer:
        for nth in range(200):
            hour = samples.traffic(invented.NOW_NS - (200 - nth) * invented.HOUR_NS)
            writer.append(replace(hour, up_bytes=GB, down_bytes=GB, missed="one break" if nth == 7 else None))
        writer.append(samples.run(invented.NOW_NS - invented.HOUR_NS))
    return replace(made, handoffs=(old, *made.handoffs[1:]))


@pytest.mark.asyncio
async def test_on_today(capped: Site) -> None:
    """400 GB are used; 7 GB are tests' by their ledger; 125 h 10 min of November are still to come."""
    async with client_of(capped) as client, client.get("/") as response:
        section = read(await response.text()).one("section", id="budget")
    (entry,) = section.all("li")
    assert entry.one("b").text == "Within"
    text = entry.all("p")[0].text
    assert "Handoff old: 400 GB of the provider’s cap of 1 TB, both ways, are used since 01 Nov, 40 %" in text
    assert "as this host’s interface eth0 counted; tests are 7 GB of that." in text
    assert "Forecast to 01 Dec: 650" in text
    assert "1 break in counting, the last: one break." in text
    assert "unless this host is its router" in entry.all("p")[1].text


@pytest.mark.asyncio
async def test_on_circuit(capped: Site) -> None:
    """The tests' ledger as well; a handoff without a limit says nothing."""
    async with client_of(capped) as client:
        async with client.get("/circuit/old") as response:
            section = read(await response.text()).one("section", **{"aria-labelledby": "budget"})
        async with client.get("/circuit/A") as response:
            other = read(await response.text())
        async with client.get("/circuit/old.json") as response:
            found = (await response.json())["budget"]
    first, second = section.all("li")
    assert "Tests on handoff old spent 4.22 MB of this month’s allowance of 50 GB, 0.00845 %." in first.text
    assert "400 GB of the provider’s cap" in second.text
    assert "the provider’s cap" not in other.text
    assert (found["spent_bytes"], found["cap"]["used_bytes"]) == (4_225_000, 400 * GB)


@pytest.mark.asyncio
async def test_near_and_over_are_said_in_words(capped: Site) -> None:
    for limit_gb, word in ((700, "Near"), (600, "Over"), (300, "Over")):
        old = replace(capped.handoffs[0], cap=Cap(limit_bytes=limit_gb * GB))
        async with client_of(replace(capped, handoffs=(old,))) as client, client.get("/") as response:
            section = read(await response.text()).one("section", id="budget")
        assert section.all("li")[0].one("b").text == word
