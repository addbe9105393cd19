"""Cases as lanes and days as a calendar: what is drawn is what the page says, told by signs as well."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from dashboard.figures import days, lanes
from dashboard.figures.days import DayMark, DayState
from dashboard.figures.pooling import Stretch
from store.cases import Case, Subject
from store.clock import NS_PER_S
from store.events import Event, EventKind
from store.records import Gap, Owner

NOW = datetime(2026, 5, 20, 12, tzinfo=UTC)
NOW_NS = int(NOW.timestamp()) * NS_PER_S
STRETCH = Stretch(from_ns=NOW_NS - 86_400 * NS_PER_S, to_ns=NOW_NS, zone=UTC)


def _case(ago_s: int, seconds: float, *, handoff: str, owner: Owner, open_: bool = False) -> Case:
    event = Event(
        handoff=handoff,
        endpoint="north",
        started_unix_ns=NOW_NS - ago_s * NS_PER_S,
        what=EventKind.STALL,
        says="a stall",
        owner=owner,
        seconds=seconds,
        count=1,
    )
    ended_ns = None if open_ else event.started_unix_ns + round(seconds * NS_PER_S)
    return Case(
        handoff=handoff,
        subject=Subject.LINE,
        events=(event,),
        under_way=open_,
        ended_unix_ns=ended_ns,
        owner=owner,
    )


def test_each_case_is_a_bar_in_its_owners_lane() -> None:
    """Lanes by handoff and owner; a bar from first to last, one that is open up to now with an arrow."""
    cases = [
        _case(7200, 60, handoff="old", owner=Owner.PROVIDER),
        _case(3600, 30, handoff="old", owner=Owner.HOUSE),
        _case(600, 5, handoff="A", owner=Owner.PROVIDER, open_=True),
    ]
    gap = Gap(started_unix_ns=NOW_NS - 9000 * NS_PER_S, ended_unix_ns=NOW_NS - 8000 * NS_PER_S, why="off")
    figure = json.loads(lanes.figure(cases, gaps=[gap], stretch=STRETCH))
    assert figure["layout"]["yaxis"]["ticktext"] == ["A: provider", "old: house", "old: provider"]
    traces = {trace["name"]: trace for trace in figure["data"]}
    provider = traces["Provider"]
    assert provider["y"] == [2, 2, None, 0, 0, None]
    assert provider["x"][:2] == ["2026-05-20T10:00:00.000", "2026-05-20T10:01:00.000"]
    assert provider["x"][4] == "2026-05-20T12:00:00.000"
    assert provider["marker"]["symbol"][4] == "arrow-right"
    symbols = {str(trace["marker"]["symbol"]) for trace in figure["data"]}
    assert len(symbols) == len(figure["data"])
    assert [shape["name"] for shape in figure["layout"]["shapes"]] == ["gap"]


def test_a_month_is_weeks_of_squares() -> None:
    """Monday is the first column by ISO 8601; each state has a sign of its own; every day stands once."""
    first = date(2026, 5, 1)
    clean = DayMark(day=first, state=DayState.CLEAN, said="")
    marks = [replace(clean, day=first + timedelta(days=nth)) for nth in range(31)]
    marks[4] = replace(marks[4], state=DayState.OUTAGE)
    marks[9] = replace(marks[9], state=DayState.UNSEEN)
    figure = json.loads(days.figure(marks))
    traces = {trace["name"]: trace for trace in figure["data"]}
    assert len({trace["marker"]["symbol"] for trace in figure["data"]}) == 3
    drawn = [
        (trace["x"][nth], date.fromordinal(trace["y"][nth]), int(text))
        for trace in figure["data"]
        for nth, text in enumerate(trace["text"])
    ]
    assert sorted(day for _, _, day in drawn) == [*range(1, 32)]
    for weekday, monday, number in drawn:
        day = first.replace(day=number)
        assert monday == date.fromisocalendar(*day.isocalendar()[:2], 1)
        assert weekday == f"{day:%a}"
    assert traces[DayState.OUTAGE]["text"] == ["5"]
    assert "10 May" not in figure["layout"]["yaxis"]["ticktext"]
