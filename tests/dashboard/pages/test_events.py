"""The Events page and its part of Today: counts are checked by plain SQL, the command says the same."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime

import pytest

from dashboard.pages import events
from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import Client, client_of, sql
from tests.dashboard.reading import Element, read


async def page(client: Client, path: str = "/events") -> Element:
    async with client.get(path) as response:
        assert response.status == 200
        return read(await response.text())


@pytest.mark.asyncio
async def test_every_event_is_on_the_page_once(client: Client, site: Site) -> None:
    found = await page(client)
    rows = [row for told in found.all("ol", **{"class": "events"}) for row in told.all("li")]
    rows += [case for case in found.all("li", **{"class": "entry"}) if not case.all("details")]
    ((counted,),) = await sql(site, "SELECT count(*) FROM document WHERE kind = 'event'")
    assert len(rows) == counted


@pytest.mark.asyncio
async def test_cases_stand_under_the_day_on_which_they_began_newest_first(client: Client) -> None:
    found = await page(client)
    days = [one.text for one in found.all("h2") if one.all("time")]
    assert days == ["Wednesday 25 November 2026", "Monday 23 November 2026"]
    marks = [entry.all("b")[0].text for entry in found.all("li", **{"class": "entry"})]
    assert marks == ["Under way", "Over", "Over"]


@pytest.mark.asyncio
async def test_each_part_of_the_way_has_a_lane_and_a_row(client: Client, site: Site) -> None:
    """Stalls by train as SQL counts them over the page's week; its JSON and its CSV say the same."""
    since_ns = int(datetime(2026, 11, 18, 23, tzinfo=UTC).timestamp()) * 10**9  # midnight at UTC+01:00
    counted = dict(
        await sql(
            site,
            "SELECT endpoint, count(*) FROM stall JOIN path ON path.id = path WHERE handoff = 'old' "
            f"AND started_unix_ns >= {since_ns} GROUP BY endpoint",
        )
    )
    async with client.get("/events.json?handoff=old") as response:
        told = (await response.json())["segments"]
    assert {one["endpoint"]: one["silent"] for one in told if one["silent"]} == counted
    assert [one["segment"] for one in told] == sorted(one["segment"] for one in told)
    rows = (await page(client, "/events?handoff=old")).table("Parts of the way, from the house outwards")
    assert [int(row["Silent"]) for row in rows] == [one["silent"] for one in told]
    async with client.get("/figures/events/parts.json?handoff=old") as response:
        assert len((await response.json())["layout"]["yaxis"]["ticktext"]) == len(told)
    async with client.get("/events.csv?handoff=old&table=segments") as response:
        assert len((await response.text()).splitlines()) == 1 + len(told)


@pytest.mark.asyncio
async def test_each_case_has_an_owner_and_a_next_step(client: Client) -> None:
    for entry in (await page(client)).all("li", **{"class": "entry"}):
        owner, _, step = entry.one("p", **{"class": "todo"}).text.partition(" Next: ")
        assert owner.removeprefix("Owner: ").rstrip(" .") in {"house", "provider", "endpoint", "unknown"}
        assert step.endswith(".")


@pytest.mark.asyncio
async def test_a_port_that_came_back_slower_is_one_case_with_its_lost_carrier(client: Client) -> None:
    found = await page(client, "/events?handoff=old")
    entry = found.all("li", **{"class": "entry"})[0]
    assert entry.all("p")[0].text.startswith(
        "Handoff old: no carrier on port eth1, 42 s; port eth1 runs at 100 Mb/s full duplex, before at "
        "1 Gb/s full duplex. "
    )
    assert "Owner: house." in entry.all("p")[1].text
    assert entry.one("summary").text == "3 events"


@pytest.mark.asyncio
async def test_what_became_of_a_notice_stands_beside_its_case(client: Client) -> None:
    first, *others = (await page(client)).all("li", **{"class": "entry"})
    assert "Notice to lamp queued Wed 18:43:30, not delivered yet." in first.text
    assert "Notice to owner-mail delivered Wed 18:43:50." in first.text
    assert not any("Notice to" in other.text for other in others)


@pytest.mark.asyncio
async def test_a_handoff_has_its_own_cases(client: Client) -> None:
    async with client.get("/events.json", params={"handoff": "A"}) as response:
        found = await response.json()
    assert [(case["handoff"], case["under_way"]) for case in found["cases"]] == [("A", True)]
    assert found["handoff"] == "A"


@pytest.mark.asyncio
async def test_earlier_days_and_back(client: Client) -> None:
    found = await page(client)
    earlier = found.one("a", rel="prev").attributes["href"]
    assert earlier == "/events?day=2026-11-18"
    before = await page(client, earlier or "")
    assert before.one("a", rel="next").attributes["href"] == "/events?day=2026-11-25"
    assert "No event is on record from Thu 12 Nov to Wed 18 Nov 2026." in before.one("main").text


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ("day=yesterday", 400, "The parameter day cannot be 'yesterday'"),
        ("day=2030-01-01", 400, "The parameter day cannot be 2030-01-01"),
        ("day=2026-11-25&day=2026-11-24", 400, "stands more than once"),
        ("handoff=C", 404, "No handoff is called 'C'. This site has: old, A."),
        ("period=day", 400, "no parameter 'period'"),
    ],
)
async def test_what_cannot_be_asked(client: Client, query: str, status: int, words: str) -> None:
    async with client.get(f"/events.json?{query}") as response:
        assert response.status == status
        assert words in (await response.json())["why"]


@pytest.mark.asyncio
async def test_today_has_the_open_cases_and_those_of_the_last_day(client: Client) -> None:
    section = (await page(client, "/")).one("section", id="events")
    entries = section.all("li", **{"class": "entry"})
    assert [entry.all("b")[0].text for entry in entries] == ["Under way", "Over"]
    link = entries[0].one("a").attributes["href"] or ""
    there = await page(client, link.partition("#")[0])
    case = there.one("li", id=link.partition("#")[2])
    assert case.all("p")[0].text.startswith(entries[0].all("p")[0].text)
    assert case.all("details") == []  # of a single event
    async with client.get("/today.json") as response:
        assert [case["handoff"] for case in (await response.json())["cases"]] == ["old", "A"]


@pytest.mark.asyncio
async def test_a_site_without_events_says_so(nowhere: Site) -> None:
    await asyncio.to_thread(lambda: Writer.open(nowhere.database, clock=invented.clock()).close())
    async with client_of(nowhere) as client:
        assert "No event in the last 24 hours." in (await page(client, "/")).one("section", id="events").text
        assert (await page(client)).all("li", **{"class": "entry"}) == []


def test_an_address_keeps_a_name_whole() -> None:
    assert events.url(invented.NOW.date(), "A&B") == "/events?day=2026-11-25&handoff=A%26B"
