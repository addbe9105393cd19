"""The Evenings page, its figures by another way: plain SQL and a median of one's own."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta

import pytest

from store.clock import NS_PER_S
from store.site import Site
from tests.dashboard import invented
from tests.dashboard.conftest import Client, sql
from tests.dashboard.reading import read

pytestmark = pytest.mark.asyncio


def _at(day: int, hour: int) -> int:
    """Unix ns of an hour of November 2026 on the site's clocks, one hour ahead of UTC."""
    return int(datetime(2026, 11, day, hour - 1, tzinfo=UTC).timestamp()) * NS_PER_S


async def _rates(site: Site, day: int) -> list[int]:
    """Payload rates up of the valid runs of that evening by SQL, 18:00 to 23:00, before the present."""
    rows = await sql(
        site,
        "SELECT s.goodput_bps FROM rate_run r JOIN rate_side s ON s.run = r.seq JOIN path p ON p.id = r.path "
        "WHERE p.handoff = 'old' AND p.endpoint = 'north' AND r.direction = 'up' AND r.standing = 'valid' "
        f"AND s.direction = 'up' AND r.started_unix_ns >= {_at(day, 18)} "
        f"AND r.started_unix_ns < {min(_at(day, 23), invented.NOW_NS)} ORDER BY s.goodput_bps",
    )
    return [rate for (rate,) in rows]


async def test_the_worst_evening_has_the_lowest_middle_run(client: Client, site: Site) -> None:
    """Each evening's middle run and least are those that SQL finds, and the worst is the lowest of them."""
    async with client.get("/evenings/old.json") as response:
        told = await response.json()
    middles = {}
    for one in told["evenings"]:
        rates = await _rates(site, int(one["day"][-2:]))
        assert one["runs"] == len(rates)
        if not rates:
            assert (one["goodput_bps"], one["least_goodput_bps"]) == (None, None)
            continue
        middle = rates[(len(rates) - 1) // 2]  # a median is the 50th percentile by nearest rank
        assert one["goodput_bps"] == middle
        assert one["least_goodput_bps"] == rates[0]
        if len(rates) >= 4:
            middles[one["day"]] = middle
    assert len(middles) >= 2
    assert told["worst"] == min(middles, key=lambda day: middles[day])


async def test_the_page_says_it_and_leads_on(client: Client) -> None:
    """Its first sentence names the worst evening, and the first row of its table leads to that fault log."""
    async with client.get("/evenings/old.json?month=2026-11") as response:
        worst = datetime.fromisoformat((await response.json())["worst"])
    async with client.get("/evenings/old?month=2026-11") as response:
        page = read(await response.text()).one("main")
    assert f"The worst evening of November 2026 was {worst:%A} {worst.day} November" in page.text
    first = page.all("tbody")[0].all("a")[0]
    assert first.attributes["href"] == f"/events?day={worst.date()}&handoff=old"


async def test_an_evening_that_no_train_watched_has_no_number_of_stalls(client: Client, site: Site) -> None:
    """A number exactly where SQL finds a span of a train to an endpoint outside."""
    async with client.get("/evenings/old.json?month=2026-11") as response:
        evenings = (await response.json())["evenings"]
    watched = {}
    for one in evenings:
        day = int(one["day"][-2:])
        rows = await sql(
            site,
            "SELECT COUNT(*) FROM train t JOIN path p ON p.id = t.path WHERE p.handoff = 'old' "
            f"AND p.endpoint IN ('north', 'south') AND t.started_unix_ns >= {_at(day, 18)} "
            f"AND t.started_unix_ns < {min(_at(day, 23), invented.NOW_NS)}",
        )
        watched[one["day"]] = rows[0][0] > 0
    assert {one["day"]: one["stalls"] is not None for one in evenings} == watched
    assert set(watched.values()) == {True, False}


async def test_a_month_with_no_run_names_no_worst(client: Client) -> None:
    async with client.get("/evenings/A?month=2026-10") as response:
        page = read(await response.text()).one("main")
    assert "so none can be called the worst" in page.text


async def test_hours_of_the_week_have_every_run_that_counts(client: Client, site: Site) -> None:
    """As many runs as SQL finds, each in its hour by the site's clocks; a mark on the chart for each hour."""
    async with client.get("/evenings/old.json?month=2026-11") as response:
        (way,) = [one for one in (await response.json())["ways"] if one["direction"] == "up"]
    rows = await sql(
        site,
        "SELECT r.started_unix_ns FROM rate_run r JOIN rate_side s ON s.run = r.seq "
        "JOIN path p ON p.id = r.path WHERE p.handoff = 'old' AND p.endpoint = 'north' "
        "AND r.direction = 'up' AND r.standing = 'valid' "
        f"AND s.direction = 'up' AND r.started_unix_ns >= {_at(1, 1)} AND r.at_most_up_goodput_bps IS NULL",
    )
    local = [datetime.fromtimestamp(ns // NS_PER_S, UTC) + timedelta(hours=1) for (ns,) in rows]
    expected = Counter((f"{one:%a}", one.hour) for one in local)
    assert {(one["weekday"], one["hour"]): one["runs"] for one in way["hours"]} == dict(expected)
    async with client.get("/figures/evenings/old/week-up.json?month=2026-11") as response:
        traces = (await response.json())["data"]
    assert sum(len(trace["x"]) for trace in traces) == len(expected)
    looks = {(trace["marker"]["symbol"], trace["marker"]["size"]) for trace in traces}
    assert len(looks) == len(traces)


async def test_what_is_not_known_is_not_listed(client: Client) -> None:
    """Evenings without a run and without a stall are counted in the note and have no row."""
    async with client.get("/evenings/old.json?month=2026-11") as response:
        evenings = (await response.json())["evenings"]
    async with client.get("/evenings/old?month=2026-11") as response:
        page = read(await response.text()).one("main")
    unseen = sum(not one["runs"] and not one["stalls"] for one in evenings)
    assert unseen > 0
    assert len(page.all("tbody")[0].all("tr")) == len(evenings) - unseen
    assert f"{unseen} evenings without a run and without a stall: not listed." in page.text
