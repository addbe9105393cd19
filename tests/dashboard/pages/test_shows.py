"""Shows, as a producer reads them before and after: the answer with all that helps, checks, reports,
scores.
"""

from __future__ import annotations

import asyncio
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from dashboard.judge import hours
from dashboard.judge.after import Seen
from dashboard.pages import shows
from dashboard.pages.frame import frame_of
from store.clock import NS_PER_S, Clock
from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import Client, client_of, sql
from tests.dashboard.judge.made import stall
from tests.dashboard.reading import Element, read
from tests.store import samples

pytestmark = pytest.mark.asyncio

HOUR_NS = 3600 * NS_PER_S
START_NS = invented.NOW_NS + 600 * NS_PER_S  # 19:00, in ten minutes


def told(site: Site, folder: Path) -> Site:
    """A copy of the site with a check of an hour ago and the reports of two shows."""
    shutil.copytree(site.database.parent, folder, dirs_exist_ok=True)
    copied = replace(site, database=folder / site.database.name)
    plan = site.plans[0]
    check = replace(
        samples.forecast(invented.NOW_NS - HOUR_NS, handoff=plan.handoff),
        plan=plan.name,
        show_start_unix_ns=START_NS,
    )
    report = replace(
        samples.show_report(invented.NOW_NS - 2 * HOUR_NS, handoff=plan.handoff),
        plan=plan.name,
        show_start_unix_ns=START_NS - 24 * HOUR_NS,
    )
    clean = replace(
        report,
        show_start_unix_ns=START_NS - 48 * HOUR_NS,
        line_clean=True,
        brier=0.36,
        drops=(),
    )
    older = replace(report, started_unix_ns=report.started_unix_ns - HOUR_NS, brier=0.9)  # told anew since
    writer = Writer.open(copied.database, clock=Clock(), timezone=site.timezone)
    for one in (check, older, clean, report):
        writer.append(one)
    writer.close()
    return copied


async def _page(client: Client) -> Element:
    async with client.get("/shows") as response:
        assert response.status == 200
        return read(await response.text())


async def test_each_plan_has_its_answer_and_all_that_helps(client: Client) -> None:
    """The same answer as Today's, the time until the show, each change on a line of its own."""
    entry = (await _page(client)).one("section", id="planned").all("li")[0]
    async with client.get("/today.json") as response:
        today = (await response.json())["plans"][0]
    async with client.get("/shows.json") as response:
        found = (await response.json())["plans"][0]
    assert found["answer"] == today["answer"]
    assert "in 10 min, until 21:00" in entry.text
    assert found["because"] in entry.text
    assert found["changes"][0]["text"] == found["smallest_change"] == today["smallest_change"]
    for change in found["changes"]:
        assert change["text"] in entry.text


async def test_what_was_looked_at_and_what_became_of_shows(site: Site, tmp_path: Path) -> None:
    """The check of an hour ago stands with its rows; of a show told twice the newer report counts; two scores
    of 0.16 and 0.36 have a mean of 0.26, and who always says one half gets 0.25."""
    copied = await asyncio.to_thread(told, site, tmp_path)
    async with client_of(copied) as client:
        page = await _page(client)
        async with client.get("/shows.json") as response:
            found = await response.json()
    assert "Looked at 1h before" in page.one("section", id="planned").text
    over = page.one("section", id="over")
    assert "2 forecasts scored: mean Brier score 0.260" in over.text
    assert len(over.all("table")[0].one("tbody").all("tr")) == 2
    assert "The trains stalled for 2.4 s just then." in over.all("table")[1].text
    assert found["score"] == {"n": 2, "brier": 0.26, "brier_of_the_share": 0.25}
    assert found["plans"][0]["forecast"]["before"] == "1h"
    assert [report["forecast"]["brier"] for report in found["reports"]] == [0.36, 0.16]


async def test_a_show_that_is_on_says_what_the_trains_saw(site: Site) -> None:
    """It began at 18:00: nothing fills the line, and the stalls since then are those of plain SQL."""
    on_air = replace(site.plans[0], times=replace(site.plans[0].times, from_minute=18 * 60))
    start_ns = invented.NOW_NS - 50 * 60 * NS_PER_S
    query = (
        "SELECT count(*) FROM stall JOIN path ON path.id = stall.path WHERE handoff = 'old' "
        f"AND endpoint = 'north' AND started_unix_ns >= {start_ns} AND direction != 'down'"
    )
    ((count,),) = await sql(site, query)
    async with client_of(replace(site, plans=(on_air,))) as client:
        entry = (await _page(client)).one("section", id="planned").all("li")[0]
    assert "on air until 21:00: no run fills the line" in entry.text
    assert f"Since it began: {count} stall{'' if count == 1 else 's'} to north" in entry.text


async def test_a_silence_of_two_trains_is_one_stall_of_a_show(site: Site) -> None:
    """And a show that was watched in part says so."""
    plan, show = site.plans[0], hours.Show(start_unix_ns=START_NS, end_unix_ns=START_NS + 2 * HOUR_NS)
    silence = stall(START_NS + 60 * NS_PER_S, seconds=2.0)
    watched = ((START_NS, START_NS + HOUR_NS),)
    both = tuple(
        Seen(endpoint=name, stalls=(replace(silence, endpoint=name),), watched=watched) for name in "ab"
    )
    sent = shows.Sent(plan=plan, show=show, seen=both, gaps=())
    found = shows.Findings(site=site, now_ns=START_NS, planned=(), on_air={}, reports=(), sent=(sent,))
    frame = frame_of(site, title="", here="/shows", json_url=None, now_ns=START_NS)
    (entry,) = shows.page(found, frame=frame).sent
    assert entry.message.startswith(
        "The trains saw 1 stall on the way up, 1 longer than the shortest buffer;"
    )
    assert entry.message.endswith("They watched 50.0 % of it.")
    assert entry.stalls is not None
    assert len(entry.stalls.rows) == 2


async def test_a_site_without_plans_says_so(site: Site) -> None:
    async with client_of(replace(site, plans=())) as client:
        assert "The site file has no stream plan." in (await _page(client)).one("main").text


async def test_a_score_needs_a_report() -> None:
    assert shows.score([]) == (0, None, None)
