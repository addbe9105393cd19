"""Today, as a producer meets it ten minutes before a show. Counts are checked by plain SQL."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from datetime import datetime

import pytest

from dashboard.judge.today import Notice
from dashboard.pages import now, today
from dashboard.pages.frame import frame_of
from dashboard.pages.wording import path
from store.clock import NS_PER_S, Clock
from store.reader import Reader
from store.records import Owner
from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import Client, client_of, sql
from tests.dashboard.reading import Element, read


async def _page(client: Client) -> Element:
    async with client.get("/") as response:
        assert response.status == 200
        return read(await response.text())


@pytest.mark.asyncio
async def test_the_answer_for_the_next_show_comes_first(client: Client) -> None:
    """The first paragraph names the answer, the plan, its handoff and how soon it begins."""
    page = await _page(client)
    first = page.one("main").all("p")[0]
    word = first.one("b").text
    assert word in {"Go", "Tight", "Hold", "Unknown"}
    assert first.text.startswith(
        f"{word} Evening class on handoff old, Wed 25 Nov 19:00, in 10 min, until 21:00."
    )
    entry = page.one("section", id="planned").all("li")[0]
    assert entry.one("b", **{"class": entry.all("b")[0].attributes["class"] or ""}).text == word


@pytest.mark.asyncio
async def test_every_notice_has_an_owner_and_a_next_step(client: Client) -> None:
    """What needs attention says who must act and what comes next; the section announces news."""
    section = (await _page(client)).one("section", id="attention")
    assert section.attributes["aria-live"] == "polite"
    entries = section.all("li")
    assert entries
    for entry in entries:
        owner, _, step = entry.one("p", **{"class": "todo"}).text.partition(" Next: ")
        assert owner.removeprefix("Owner: ").rstrip(" .") in {
            "house",
            "provider",
            "endpoint",
            "unknown",
            "nobody yet",
        }
        assert step


@pytest.mark.asyncio
async def test_a_failed_run_is_told_with_its_reason(client: Client) -> None:
    section = (await _page(client)).one("section", id="attention")
    assert "north.example.net did not answer on port 8443 within 5 s" in section.text


@pytest.mark.asyncio
async def test_invented_data_is_marked_as_such(client: Client) -> None:
    """A page of invented data says so above everything else, and its JSON does."""
    page = await _page(client)
    assert page.one("aside").text.startswith("Practice site: all invented.")
    async with client.get("/today.json") as response:
        assert (await response.json())["invented"] is True


@pytest.mark.asyncio
async def test_a_real_site_has_no_such_mark(site: Site) -> None:
    async with client_of(replace(site, invented=False)) as client:
        page = await _page(client)
    assert page.all("p", role="note") == []


@pytest.mark.asyncio
async def test_age_of_the_record_and_life_of_the_probe(client: Client) -> None:
    """The newest record began a minute ago; the probe gave a sign of life 4 s ago."""
    state = (await _page(client)).one("p", id="state").text
    assert state.startswith("The newest record began 1 min ago, at 18:49:00. The probe is running.")


@pytest.mark.asyncio
async def test_a_silent_probe_is_not_said_to_run(site: Site) -> None:
    """Half an hour later nothing is being measured, and the page says since when."""
    later = invented.NOW_NS + 1800 * NS_PER_S
    async with client_of(site, clock=Clock(monotonic_ns=lambda: 0, unix_ns=lambda: later)) as client:
        state = (await _page(client)).one("p", id="state").text
        async with client.get("/today.json") as response:
            found = await response.json()
    assert "last sign of life 30 min 4 s ago, at 18:49:56: nothing is being measured" in state
    assert found["running"] is False


@pytest.mark.asyncio
async def test_verdicts_for_each_handoff_and_direction(client: Client) -> None:
    """A row for each, with its layer named; a direction without a stated rate is not tested."""
    rows = (await _page(client)).table("Counts behind the verdicts")
    assert [(row["Handoff"], row["Direction"]) for row in rows] == [
        ("old", "up"),
        ("old", "down"),
        ("A", "up"),
        ("A", "down"),
    ]
    assert [row["Stated"] for row in rows] == ["15", "–", "600", "600"]
    assert [row["Layer"] for row in rows] == ["not stated", "not stated", "layer 2", "layer 2"]
    assert rows[1]["Verdict"] == "Not tested"


@pytest.mark.asyncio
async def test_the_verdict_counts_valid_runs_only(site: Site, client: Client) -> None:
    """As many runs as plain SQL finds without a reason that excludes; three sat behind a slow port."""
    runs = (await _page(client)).table("Counts behind the verdicts")[0]
    ((valid,),) = await sql(
        site,
        "SELECT count(*) FROM rate_run JOIN path ON path.id = path WHERE handoff = 'old' "
        "AND reasons NOT LIKE '%port_limit%'",
    )
    assert int(runs["Valid runs"]) == valid
    assert int(runs["Reached"]) + int(runs["Missed"]) + int(runs["Open"]) == valid


@pytest.mark.asyncio
async def test_the_last_hour_counts_what_the_record_counts(site: Site, client: Client) -> None:
    """Sent and lost are the sums of the hour's records, by plain SQL."""
    rows = {row["Handoff – endpoint"]: row for row in (await _page(client)).table("Trains, the last hour")}
    assert rows.keys() == {path("A", "north"), path("old", "lan"), path("old", "north")}
    ((sent, lost),) = await sql(
        site,
        "SELECT sum(sent), sum(lost_up) FROM train JOIN path ON path.id = path WHERE handoff = 'old' "
        f"AND endpoint = 'north' AND started_unix_ns >= {invented.NOW_NS - invented.HOUR_NS}",
    )
    row = rows[path("old", "north")]
    assert int(row["Sent"].replace("\u202f", "")) == sent
    assert int(row["Lost up"].split()[0]) == lost
    assert lost > 0


@pytest.mark.asyncio
async def test_saturating_runs_come_with_a_caution(client: Client) -> None:
    """Who reads of runs that fill the line reads who else may need it."""
    text = (await _page(client)).one("main").text
    assert all(word in text for word in ("Emergency calls", "alarms", "medical devices", "licensed people"))


@pytest.mark.asyncio
async def test_json_says_what_the_page_says(client: Client) -> None:
    """Announced by the page; answers, verdicts and counts are the same, rates in bit/s."""
    page = await _page(client)
    assert page.one("link", rel="alternate").attributes["href"] == "/today.json"
    async with client.get("/today.json") as response:
        found = await response.json()
    assert (found["kind"], found["schema"], found["written"]) == ("today", 1, "2026-11-25T17:50:00.000Z")
    words = [row["Verdict"].lower() for row in page.table("Counts behind the verdicts")]
    assert [verdict["word"] for verdict in found["verdicts"]] == words
    evening = found["plans"][0]
    assert evening["answer"] == page.one("p", id="lead").one("b").text.lower()
    assert (evening["show_start"], evening["show_end"]) == (
        "2026-11-25T18:00:00.000Z",
        "2026-11-25T20:00:00.000Z",
    )
    assert {train["endpoint"] for train in found["trains"]} == {"north", "lan"}
    assert all("bins" not in run for run in found["runs"])


@pytest.mark.asyncio
async def test_an_empty_record_is_said_to_be_empty(nowhere: Site) -> None:
    """A database without a record gives a page that says so, and no verdict but Not tested and Unknown."""
    await asyncio.to_thread(lambda: Writer.open(nowhere.database, clock=invented.clock()).close())
    async with client_of(nowhere) as client:
        page = await _page(client)
    assert (
        "No record has been kept yet. The probe has never run on this database"
        in page.one("p", id="state").text
    )
    assert {row["Verdict"] for row in page.table("Counts behind the verdicts")} == {"Not tested"}
    assert page.one("p", id="lead").one("b").text == "Unknown"
    assert "No train ran in the last hour." in page.one("main").text
    assert page.all("figure") == []


@pytest.mark.asyncio
async def test_every_time_has_its_offset(client: Client) -> None:
    """Times are local to the site (UTC+1 here), and a machine reads them with offset."""
    times = [one.attributes["datetime"] for one in (await _page(client)).all("time")]
    assert times
    for text in times:
        assert text is not None
        offset = datetime.fromisoformat(text).utcoffset()
        assert offset is not None
        assert offset.total_seconds() == 3600


@pytest.fixture
def found(site: Site) -> today.Findings:
    reader = Reader.open(site.database)
    try:
        return today.find(reader, site=site, now_ns=invented.NOW_NS)
    finally:
        reader.close()


def _made(found: today.Findings) -> today.TodayPage:
    frame = frame_of(found.site, title="Today", here="/", json_url=None, now_ns=found.now_ns)
    silent = now.part(now.Asked(status=None, why="no probe"), handoffs=(), visitor=None, where=found.zone)
    return today.page(found, frame=frame, now=silent)


def test_notices_that_ask_nothing_are_left_to_their_sections(found: today.Findings) -> None:
    """Met and Go are no news; they stand with the other verdicts and answers."""
    calm = tuple(
        Notice(owner=None, text=text, next_step="Nothing to do.", weight=weight)
        for text, weight in (("met", 10), ("go", 20))
    )
    alarm = Notice(owner=Owner.PROVIDER, text="gone", next_step="Call.", weight=95)
    page = _made(replace(found, notices=(alarm, *calm)))
    assert [notice.text for notice in page.notices] == ["gone"]
    assert len(page.verdicts) == len(found.verdicts)
    assert all(entry.because for entry in page.planned)


def test_nothing_is_said_twice(found: today.Findings) -> None:
    """A reason that stands among the notices does not stand below them again, unless it is another's."""
    page = _made(found)
    said = "\n".join(notice.text for notice in page.notices)
    below = [entry.text.partition(": ") for entry in page.verdicts]
    assert [because for title, _, because in below if because in said and title in said] == []
    assert [entry.because for entry in page.planned if entry.because and entry.because in said] == []
    plan = found.planned[0]
    twin = replace(plan, plan=replace(plan.plan, name="twin", title="Twin"))
    page = _made(replace(found, planned=(plan, twin), rehearsals={**found.rehearsals, "twin": None}))
    assert [entry.because for entry in page.planned] == ["", plan.check.because]


def test_each_verdict_below_names_its_handoff(found: today.Findings) -> None:
    """Handoffs that all meet their cards have the same sentence."""
    page = _made(replace(found, notices=()))
    titles = [handoff.title for handoff, _ in found.verdicts]
    assert len(set(titles)) == 2
    assert [
        entry.text.startswith(f"{title}: ") for entry, title in zip(page.verdicts, titles, strict=True)
    ] == [True] * len(titles)


def test_a_record_of_a_clock_ahead_is_not_of_now(found: today.Findings) -> None:
    page = _made(replace(found, newest_ns=found.now_ns + 3600 * NS_PER_S))
    assert page.state[0] == "The newest record began at 19:50:00, by a clock 1 h ahead of this one."


def test_a_show_on_air_says_until_when(found: today.Findings) -> None:
    """At 19:30 the class is on air until 21:00."""
    later = found.now_ns + 40 * 60 * NS_PER_S
    page = _made(replace(found, stretch=replace(found.stretch, to_ns=later)))
    assert page.planned[0].when == "on air until 21:00"
