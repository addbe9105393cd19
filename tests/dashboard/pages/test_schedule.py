"""Allowance and schedule, with a probe and without one."""

from __future__ import annotations

import pytest

from probe import allowance
from store.site import Site
from tests.dashboard.conftest import Client
from tests.dashboard.reading import Element, read
from tests.dashboard.test_acts import probing

pytestmark = pytest.mark.asyncio


async def _page(client: Client) -> Element:
    async with client.get("/allowance") as response:
        assert response.status == 200
        return read(await response.text()).one("main")


async def test_without_a_probe_the_plan_is_there(client: Client, site: Site) -> None:
    """What the file says, each plan a row; nothing is said of what is due."""
    page = await _page(client)
    assert "No probe is running on" in page.text
    assert "what is due next is not known" in page.text
    tables = page.all("table")
    planned = next(one for one in tables if one.one("caption").text.startswith("What the site file plans"))
    assert len(planned.all("tr")) - 1 == len(site.runs) + len(site.trains)
    async with client.get("/allowance.json") as response:
        found = await response.json()
    assert (found["probe"], found["month"], len(found["plans"])) == (False, None, len(site.runs))


async def test_with_a_probe_it_says_what_holds_back_and_what_it_comes_to(client: Client, site: Site) -> None:
    """A stop with its reason; the month as the probe counts it, to the byte, as `allowance` has it."""
    async with probing(site) as one:
        await one.daemon.stop(minutes=5, why="asked for by anna")
        page = await _page(client)
        assert "Stop window stop on all handoffs, until" in page.text
        assert "asked for by anna." in page.text
        async with client.get("/allowance.json") as response:
            found = await response.json()
        costs = allowance.monthly_cost(one.daemon.site)
        assert {
            each["handoff"]: [(line["what"], line["bytes"]) for line in each["costs"]]
            for each in found["month"]
        } == {name: [(line.what, line.bytes) for line in lines] for name, lines in costs.items()}
