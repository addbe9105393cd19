"""Contract cards in time: versions, spans of the calendar, working days, and how they are written."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.calendar_span import (
    CalendarSpan,
    calendar_span,
    working_days,
    working_days_after,
    working_days_between,
    works,
)
from store.card import Limiter
from store.errors import SiteMistake
from store.site import Handoff
from tests.store.test_site import SMALL, small

VERSIONS = """
[[handoff.card]]
rate_up = "600 Mb/s"
burst = "2.0 MB"
layer = "layer 2"
[handoff.card.pages]
rate_up = "page 2"
layer = "page 3"

[[handoff.card]]
from = 2027-03-01T10:30:00
rate_up = "800 Mb/s"
burst_up = "3.0 MB"
layer = "not stated"
[handoff.card.pages]
rate_up = "amendment 1"
"""


def versions(folder: Path, text: str = VERSIONS) -> Handoff:
    (found,) = small(folder, SMALL.replace('[handoff.card]\nrate_up = "15 Mb/s"\n', text)).handoffs
    return found


def test_a_later_version_changes_what_it_says(tmp_path: Path) -> None:
    """The rest stays; "not stated" withdraws; pages go key by key. 10:30 in Lisbon in winter is 10:30 UTC."""
    handoff = versions(tmp_path)
    (first,), second = handoff.earlier, handoff.card
    assert (first.rate_up_bps, second.rate_up_bps) == (600_000_000, 800_000_000)
    assert (second.burst_up_bytes, second.burst_down_bytes) == (3_000_000, 2_000_000)
    assert "layer" in second.not_stated
    assert dict(second.pages) == {"rate_up": "amendment 1", "layer": "page 3"}
    moment_ns = 1_803_897_000 * 10**9  # date -u -d 2027-03-01T10:30 +%s
    assert second.from_unix_ns == moment_ns
    assert handoff.card_at(moment_ns - 1) is first
    assert handoff.card_at(moment_ns) is second
    assert (handoff.at(moment_ns - 1).cards, handoff.at(moment_ns).cards) == ((first,), (first, second))


@pytest.mark.parametrize(("begins", "hourly"), [("2001-01-01", 0), ("2999-01-01", 1)])
def test_a_schedule_is_that_of_the_card_in_force(tmp_path: Path, begins: str, hourly: int) -> None:
    """600 Mb/s ask for a light run an hour; from a version that begins later nothing is taken yet."""
    text = VERSIONS.replace("2027-03-01T10:30:00", begins).replace("800 Mb/s", "200 Mb/s")
    site = small(tmp_path, SMALL.replace('[handoff.card]\nrate_up = "15 Mb/s"\n', text))
    assert len([run for run in site.runs if run.light]) == hourly


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            "from = 2027-03-01T10:30:00\n",
            "",
            r"handoff\[1\]\.card\[2\]\.from: missing; a later version needs",
        ),
        ("from = 2027-03-01T10:30:00", "from = 1969-03-01", r"from: is not after the version before it"),
        ("from = 2027-03-01T10:30:00", 'from = "March"', r'from: "March" is no moment'),
        ('burst = "2.0 MB"', 'burst = "2.0 MB"\nburst_up = "1 MB"', r"burst_up: stands beside burst"),
        ('layer = "not stated"', "notice = 5", r"notice: 5 is no text"),
        ('layer = "not stated"', 'term = "4"', r'term: "4" is no span such as "60 days"'),
        ('layer = "not stated"', 'deemed_acceptance = "10 days"', r'"10 days" is no number of working days'),
        ('layer = "not stated"', 'shared_power = ["B"]', r'shared_power: there is no other handoff "B"'),
        (
            'layer = "not stated"',
            'total_rate = "1 Mb/s"',
            r"total_rate: is less than this handoff's own rate",
        ),
        ('layer = "not stated"', "mtu = 1500\nframe = 1500", r"frame: is too short for mtu 1500"),
        ('layer = "not stated"', 'limiter = "shaping"', r'limiter: "shaping" is none of "policer", "shaper"'),
    ],
)
def test_mistakes(tmp_path: Path, old: str, new: str, says: str) -> None:
    """Each names its key and what would be right."""
    with pytest.raises(SiteMistake, match=says):
        versions(tmp_path, VERSIONS.replace(old, new))


def test_not_stated_and_none_differ(tmp_path: Path) -> None:
    """ "none" is an answer."""
    text = (
        '[handoff.card]\nexcess = "none"\ntags = "none"\nrenewal = "none"\nshared_power = "none"\n'
        'limiter = "shaper"\nboth_at_once = "not stated"\nreach = "not stated"\n'
    )
    card = versions(tmp_path, text).card
    assert (card.excess_bps, card.vlan_tags, card.renewal, card.shared_power) == (0, (), CalendarSpan(), ())
    assert (card.limiter_up, card.limiter_down) == (Limiter.SHAPER, Limiter.SHAPER)
    assert {"both_at_once", "reach", "shared_fibre"} <= set(card.not_stated)
    assert {"excess", "tags", "renewal", "shared_power", "limiter_up"}.isdisjoint(card.not_stated)


def test_a_card_names_the_addresses_of_its_handoff(tmp_path: Path) -> None:
    """What the contract assigns is what the endpoint should see, unless the handoff says otherwise."""
    card = '[handoff.card]\naddresses = ["198.51.100.44/29"]\n'
    assert versions(tmp_path, card).addresses == ("198.51.100.40/29",)
    own = 'addresses = ["203.0.113.64/28"]\n' + card
    assert versions(tmp_path, own).addresses == ("203.0.113.64/28",)


def test_spans() -> None:
    """48 months from 22 June 2026 end with 21 June 2030 (the practice contract); short months end early."""
    assert CalendarSpan(months=48).after(date(2026, 6, 22)) == date(2030, 6, 22)
    assert CalendarSpan(months=1).after(date(2027, 1, 31)) == date(2027, 2, 28)
    assert CalendarSpan(months=4).before(date(2030, 6, 21)) == date(2030, 2, 21)
    assert CalendarSpan(months=1).before(date(2028, 3, 31)) == date(2028, 2, 29)
    assert calendar_span("12 weeks") == CalendarSpan(days=84)
    assert (calendar_span("2 years").said(), CalendarSpan().said()) == ("24 months", "none")
    assert CalendarSpan(months=1, days=1).said() == "1 month and 1 day"


def test_working_days() -> None:
    """Ten working days after Tuesday 16 June 2026 is Tuesday 30 June; a holiday moves it by a day."""
    handover = date(2026, 6, 16)
    assert working_days("10 working days") == 10
    assert working_days_after(handover, 10) == date(2026, 6, 30)
    assert working_days_after(handover, 10, [date(2026, 6, 29)]) == date(2026, 7, 1)
    assert working_days_after(date(2026, 6, 19), 1) == date(2026, 6, 22)  # a Friday, then Monday
    assert working_days_between(handover, date(2026, 6, 15)) == 0


@given(
    day=st.dates(date(2020, 1, 1), date(2040, 1, 1)),
    count=st.integers(0, 30),
    holidays=st.lists(st.integers(-5, 60), max_size=5),
)
def test_counting_there_and_back(day: date, count: int, holidays: list[int]) -> None:
    """So many working days lie between a day and the last of them, and that one is worked."""
    off = {day + timedelta(days=each) for each in holidays}
    last = working_days_after(day, count, off)
    assert working_days_between(day, last, off) == count
    assert count == 0 or works(last, off)
