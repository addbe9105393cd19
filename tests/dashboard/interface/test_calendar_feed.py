"""/calendar.ics, read back by vobject, which shares no code with the library that writes it.

Sources: RFC 5545 (lines of 75 octets, CRLF, UID, DTSTAMP, DATE values); the European rule that clocks go
forward on the last Sunday of March at 01:00 UTC (from memory); dateutil and numpy for dates of a contract.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import numpy
import pytest
import vobject
from dateutil.relativedelta import relativedelta

from dashboard.interface import calendar_feed
from dashboard.judge.credits import Credit, Credits
from dashboard.past import Past
from dashboard.statements import MonthCount
from store.clock import NS_PER_S
from store.site import Site, Times, Window, WindowKind
from store.terms import CreditTerms, Money
from tests.dashboard import invented
from tests.dashboard.conftest import Client

NOW = datetime(2026, 3, 20, 12, tzinfo=UTC)
NOW_NS = int(NOW.timestamp()) * NS_PER_S


@pytest.fixture(scope="module")
def spring(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The invented site in a zone with summer time, with works and with a card that has dates."""
    site = invented.site(tmp_path_factory.mktemp("calendar"))
    night = Times(
        weekdays=frozenset(), dates=frozenset({date(2026, 3, 25)}), from_minute=23 * 60, to_minute=120
    )
    quiet = replace(night, from_minute=0, to_minute=60)
    windows = tuple(
        Window(name=name, kind=kind, times=times, handoffs=("A",), reference=reference)
        for name, kind, times, reference in (
            ("splicing", WindowKind.MAINTENANCE, night, "GC-W-17, node; 3"),
            ("sleep", WindowKind.QUIET, quiet, None),
        )
    )
    old, new = site.handoffs
    card = replace(new.card, handover=date(2026, 3, 16), deemed_working_days=10)
    return replace(site, timezone="Europe/Lisbon", windows=windows, handoffs=(old, replace(new, card=card)))


def _entries(site: Site, now_ns: int = NOW_NS) -> list[calendar_feed.Entry]:
    dates = [
        one
        for handoff in site.handoffs
        for one in calendar_feed.deadlines(site, handoff, now_ns=now_ns, decided=False)
    ]
    return [*calendar_feed.shows(site, now_ns=now_ns), *dates]


def _events(text: bytes) -> list[Any]:
    return list(vobject.readOne(text.decode()).vevent_list)


def test_shows_stand_in_local_time(spring: Site) -> None:
    """19:00 on the site's clocks on both sides of the night of 29 March, an hour apart in UTC."""
    events = _events(calendar_feed.text(_entries(spring), site=spring, now_ns=NOW_NS))
    starts = {one.dtstart.value for one in events if one.summary.value == "Evening class (invented)"}
    on = {at.astimezone(UTC) for at in starts if date(2026, 3, 26) <= at.date() <= date(2026, 3, 30)}
    assert on == {datetime(2026, 3, 26, 19, tzinfo=UTC), datetime(2026, 3, 30, 18, tzinfo=UTC)}
    (works,) = (one for one in events if one.summary.value.startswith("Provider's works"))
    assert works.dtend.value - works.dtstart.value == timedelta(hours=3)
    assert works.description.value == "On handoff A. Reference: GC-W-17, node; 3."
    assert not any("sleep" in one.summary.value for one in events)


def test_deadlines_are_whole_days(spring: Site) -> None:
    """Notice four months before the end, reminders before that, ten working days for a refusal."""
    events = _events(calendar_feed.text(_entries(spring), site=spring, now_ns=NOW_NS))
    days = {one.summary.value.removesuffix(" (invented)"): one for one in events}
    ends = date(2030, 6, 21)
    by = ends - relativedelta(months=4)
    assert days["Term ends: handoff A"].dtstart.value == ends
    assert days["Last day of notice: handoff A"].dtstart.value == by
    reminders = [one.dtstart.value for one in events if f"due by {by}" in one.summary.value]
    assert sorted(reminders) == [by - relativedelta(months=6), by - relativedelta(months=3)]
    refusal = days["Last day to refuse handoff A"]
    assert refusal.dtstart.value == numpy.busday_offset("2026-03-16", 10).astype(date)
    assert refusal.dtend.value - refusal.dtstart.value == timedelta(days=1)
    assert not isinstance(refusal.dtstart.value, datetime)


def test_uids_last_and_stamps_follow_the_clock(spring: Site) -> None:
    """A day later everything that was there has the UID it had; another site has others."""
    later_ns = NOW_NS + 86_400 * NS_PER_S
    first, second = (
        _events(calendar_feed.text(_entries(spring, ns), site=spring, now_ns=ns)) for ns in (NOW_NS, later_ns)
    )
    before, after = ({one.uid.value: one for one in each} for each in (first, second))
    assert len(before) == len(first)
    kept = before.keys() & after.keys()
    assert len(kept) >= len(before) - 2
    assert all(before[one].dtstart.value == after[one].dtstart.value for one in kept)
    assert {one.dtstamp.value for one in second} == {NOW + timedelta(days=1)}
    elsewhere = replace(spring, name="Another")
    assert calendar_feed.uid(_entries(spring)[0], elsewhere) not in before


def test_lines_are_as_the_standard_has_them(spring: Site) -> None:
    """CRLF ends each, none is longer than 75 octets (RFC 5545 section 3.1)."""
    text = calendar_feed.text(_entries(spring), site=spring, now_ns=NOW_NS)
    lines = text.split(b"\r\n")
    assert b"\n" not in b"".join(lines)
    assert max(map(len, lines)) <= 75
    assert text.count(b"BEGIN:VTIMEZONE") == 1


def test_a_credit_is_to_be_claimed(spring: Site) -> None:
    """A month just over that earned one stands with its last day; one without a credit does not."""
    money = Money(amount=Decimal("42.00"), unit="crowns")
    asked = []

    class Judged(Past):
        def month(self, reader: Any, site: Any, handoff: Any, month: Any, *, now_s: int) -> MonthCount:
            asked.append(month)
            share = Decimal("0.2") if month.first_day.month == 2 else Decimal(0)
            credit = Credit(
                down_s=1,
                period_s=10,
                available=Decimal("0.9"),
                ladder_share=share,
                repair_share=Decimal(0),
                share=share,
                amount=money,
                steps=(),
            )
            found = Credits(
                ours=credit,
                theirs=credit,
                most=credit,
                clauses=(),
                open_readings=(),
                repairs=(),
                claim_until=date(2026, 3, 30),
                days_left=10,
                because="By the ladder.",
            )
            return MonthCount(month=month, count=None, credits=found)  # type: ignore[arg-type]

    new = spring.handoffs[1]
    new = replace(new, card=replace(new.card, credits=CreditTerms(claim_days=30)))
    found = [*calendar_feed._claims(None, spring, new, Judged(), now_ns=NOW_NS)]  # type: ignore[arg-type]
    assert [(one.start, one.title) for one in found] == [
        (date(2026, 3, 30), "Last day to claim 42.00 crowns for February 2026: handoff A")
    ]
    assert [month.first_day for month in asked] == [date(2026, 2, 1)]


@pytest.mark.asyncio
async def test_the_address(client: Client) -> None:
    """Times of a site with a fixed offset are in UTC, and the type is a calendar's."""
    async with client.get("/calendar.ics") as response:
        assert response.status == 200
        assert response.headers["Content-Type"] == "text/calendar; charset=utf-8"
        body = await response.read()
    first = next(one for one in _events(body) if one.summary.value.startswith("Evening class"))
    assert first.dtstart.value.astimezone(UTC).hour == 18
    assert b"BEGIN:VTIMEZONE" not in body
