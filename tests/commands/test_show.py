"""A show from forecast to score, through a real store; and mistakes of a person in one sentence."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from commands import before_show
from dashboard import planned, show_reports, text_shows
from dashboard.judge import hours
from dashboard.judge.hours import Show
from store.clock import NS_PER_S, Clock, zone
from store.drops import Drop
from store.reader import Reader
from store.site import Site, StreamPlan
from store.writer import Writer
from tests.dashboard.judge import made
from tests.dashboard.judge.made import at, destination, run, span, stall

WHERE = zone("Europe/Lisbon")
DAYS = [at(f"2026-03-{day:02d} 18:00") for day in (2, 3, 4, 5, 6, 9, 10)]  # Monday to Friday, Monday, Tuesday
BEFORE = at("2026-03-10 17:00")
SHOW = Show(start_unix_ns=at("2026-03-10 19:00"), end_unix_ns=at("2026-03-10 21:00"))
STALLED = at("2026-03-10 19:31:00")
PLAN = made.plan(destination(4_500_000))


@pytest.fixture
def site(tmp_path: Path) -> Site:
    """Seven evenings in hours of train and a run each; a stall of 2.4 s on the second and on the last."""
    found = replace(made.site(PLAN), database=tmp_path / "line.db")
    writer = Writer.open(found.database, clock=Clock(), timezone=found.timezone)
    for day in DAYS:
        writer.append(run(18_000_000, started_unix_ns=day + 90 * 60 * NS_PER_S))
        for hour in range(3):
            start_ns = day + hour * 3600 * NS_PER_S
            for endpoint in ("north", "lan"):
                writer.append(span(start_ns, seconds=3600.0, endpoint=endpoint))
    for moment in (at("2026-03-03 20:00:00"), STALLED):
        writer.append(stall(moment, seconds=2.4))
    writer.close()
    return found


def forecast(site: Site, plan: StreamPlan) -> None:
    """As it is given two hours before, and kept."""
    with closing(Reader.open(site.database)) as reader:
        found = planned.of_plan(reader, site, plan, now_ns=BEFORE)
    before_show.keep(site, found)


def test_from_forecast_to_score(site: Site) -> None:
    """Five of six comparable evenings were clean, so 0.833; the seventh was not: 0.694. The drop is the
    line's, since the train to outside stalled and the one in the house did not."""
    forecast(site, PLAN)
    drops = (Drop(at_unix_ns=STALLED + 2 * NS_PER_S, seconds=1.4, destination="class"),)
    with closing(Reader.open(site.database)) as reader:
        found = show_reports.report(reader, site, PLAN, SHOW, drops=drops, now_ns=SHOW.end_unix_ns + NS_PER_S)
    assert [drop.owner for drop in found.drops] == ["line"]
    assert (found.stalls, found.freezes, found.line_clean, found.forecast_before) == (1, 1, False, "any")
    assert found.watched_ratio == 1.0
    assert found.chance == pytest.approx(5 / 6)
    assert found.brier == pytest.approx(25 / 36)
    text = text_shows.report(found, PLAN, WHERE)
    assert "1 drop of 1 came with a stall of the line." in text
    assert "Brier score 0.694" in text
    told = text_shows.report_json(found)
    assert told["forecast"]["brier"] == pytest.approx(0.6944)
    assert (told["kind"], told["line_clean"]) == ("show report", False)


def test_without_a_forecast_or_a_list(site: Site) -> None:
    """The trains tell whether the line was clean, and nothing is scored."""
    early = hours.show_on(PLAN.times, WHERE, date(2026, 3, 9))
    assert early is not None
    with closing(Reader.open(site.database)) as reader:
        found = show_reports.report(reader, site, PLAN, early, drops=None, now_ns=BEFORE)
    assert (found.line_clean, found.brier, found.drops_known) == (True, None, False)
    assert "No forecast was on record before it" in text_shows.report(found, PLAN, WHERE)


def test_the_last_show_that_is_over() -> None:
    """On Tuesday at 20:00 it is Monday's; Thursday's on Sunday; none where there was none."""
    last = hours.last_show(PLAN.times, WHERE, now_unix_ns=at("2026-03-10 20:00"), within_s=7 * 86_400)
    assert last is not None
    assert last.start_unix_ns == at("2026-03-09 19:00")
    sunday = hours.last_show(PLAN.times, WHERE, now_unix_ns=at("2026-03-08 20:00"), within_s=7 * 86_400)
    assert sunday is not None
    assert sunday.start_unix_ns == at("2026-03-05 19:00")
    assert hours.last_show(PLAN.times, WHERE, now_unix_ns=at("2026-03-08 20:00"), within_s=2 * 86_400) is None
