"""The day sheet: what it names as plan B, and which works, card and offset it shows for the show's day."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from dashboard.judge import stream
from dashboard.judge.hours import Show
from dashboard.judge.stream import Answer
from dashboard.papers import shows
from dashboard.papers.paper import Paper, Part
from dashboard.planned import Planned
from store.site import Card, Site, Times, Window, WindowKind
from tests.dashboard.judge import made
from tests.dashboard.judge.made import NOON, ZONE, at

PLAN = made.plan()
SHOW = Show(start_unix_ns=at("2026-03-09 19:00"), end_unix_ns=at("2026-03-09 21:00"))


def house(*windows: Window) -> Site:
    """Uplinks old and A, and a metered one."""
    site = made.site(PLAN)
    (old,) = site.handoffs
    mobile = replace(old, name="mobile", metered=True)
    return replace(site, handoffs=(old, replace(old, name="A"), mobile), windows=windows)


def sheet(site: Site, elsewhere: tuple[tuple[str, Answer], ...] = ()) -> Paper:
    check = stream.check(PLAN, runs=[], spans=[], stalls=[], now_unix_ns=NOON, zone=ZONE)
    found = Planned(plan=PLAN, show=SHOW, check=replace(check, elsewhere=elsewhere))
    return shows.day_sheet(site, found, now_ns=NOON)


def part(paper: Paper, heading: str) -> Part:
    return next(one for one in paper.parts if one.heading == heading)


@pytest.mark.parametrize(
    ("answer", "said", "none"),
    [
        (Answer.GO, "Handoff A: Go by its own", False),
        (Answer.HOLD, "Handoff A: Hold. By its own comparable hours it would not carry", True),
        (Answer.UNKNOWN, "Handoff A: Unknown. Too little was measured", True),
    ],
)
def test_plan_b_says_each_uplinks_own_answer(answer: Answer, said: str, none: bool) -> None:
    """One that would not hold is no way out, and where none would the sheet says so."""
    points = part(sheet(house(), (("A", answer),)), "Plan B").points
    assert points[0].startswith(said)
    assert points[1].startswith("Handoff mobile is metered")
    assert any("No other uplink is known to carry this plan" in one for one in points) is none


def test_works_of_that_day_alone_are_announced() -> None:
    """Those that touch the day up to the show's end, with the handoff they are of; not those of a Tuesday."""
    night = Times(
        weekdays=frozenset(), dates=frozenset({date(2026, 3, 8)}), from_minute=23 * 60, to_minute=300
    )
    tuesdays = Times(weekdays=frozenset({1}), dates=frozenset(), from_minute=0, to_minute=300)
    works = [
        Window(name=name, kind=WindowKind.MAINTENANCE, times=times, handoffs=("A",), reference="M-7")
        for name, times in (("splice", night), ("weekly", tuesdays))
    ]
    assert part(sheet(house(*works)), "Whom to call").points == (
        "Announced works on handoff A: splice, Sun 08 Mar 23:00 to 05:00, reference M-7",
    )
    assert part(sheet(house()), "Whom to call").points == ("No works are announced for that day.",)


def test_the_card_is_that_of_the_show() -> None:
    """A version that begins after the show is not whom to call tonight."""
    site = house()
    later = Card(provider="New Example", from_unix_ns=at("2026-04-01 00:00"))
    old = replace(site.handoffs[0], card=later, earlier=(Card(provider="Old Example"),))
    found = part(sheet(replace(site, handoffs=(old, *site.handoffs[1:]))), "Whom to call")
    assert found.tables[0].rows[0][1].text == "Old Example"


@pytest.mark.parametrize(
    ("start", "end", "said"),
    [
        ("2026-03-09 19:00", "2026-03-09 21:00", "Monday 09 March 2026, 19:00 UTC+00:00 to 21:00"),
        ("2026-03-30 19:00", "2026-03-30 21:00", "Monday 30 March 2026, 19:00 UTC+01:00 to 21:00"),
        (
            "2026-03-28 23:00",
            "2026-03-29 03:00",
            "Saturday 28 March 2026, 23:00 UTC+00:00 to 03:00 UTC+01:00",
        ),
    ],
)
def test_a_show_has_the_offset_of_its_own_time(start: str, end: str, said: str) -> None:
    """Written on 9 March; the clocks change on the 29th at one."""
    check = stream.check(PLAN, runs=[], spans=[], stalls=[], now_unix_ns=NOON, zone=ZONE)
    found = Planned(plan=PLAN, show=Show(start_unix_ns=at(start), end_unix_ns=at(end)), check=check)
    made_ = shows.day_sheet(house(), found, now_ns=NOON)
    assert next(one.value for one in made_.facts if one.name == "Show") == said
