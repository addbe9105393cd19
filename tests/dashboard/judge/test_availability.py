"""Availability under six rules, works, gaps and months, recomputed by another way."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.judge import availability, credits, months, outages, works
from dashboard.judge.availability import Availability, Count, Seen, Time
from dashboard.judge.credits import Credits
from dashboard.judge.loss_grid import Piece
from dashboard.judge.verdict import Word
from dashboard.judge.works import Ticket, Works
from store.terms import (
    AvailabilityPeriod,
    AvailabilityTerms,
    CountsFrom,
    CreditTerms,
    ExcludedTime,
    Money,
    OutageRule,
    Step,
)

HERE: tzinfo = timezone(timedelta(hours=1))
NOVEMBER = months.month(date(2026, 11, 1), HERE)

# Contract GC-40417 of the practice site (invented)
TERMS = AvailabilityTerms(
    rule=OutageRule.SEVERE_SECONDS,
    counts_from=CountsFrom.DETECTION,
    overruns_count=True,
    maintenance_weekdays=frozenset({1, 3}),
    maintenance_hours=(120, 300),
    maintenance_notice_days=10,
)
CAP_S = 4 * 3600
LADDER = tuple(
    Step(below=Decimal(below), credit=Decimal(credit))
    for below, credit in (("0.9993", "0.08"), ("0.9950", "0.20"), ("0.9800", "0.40"))
)
CREDITS = CreditTerms(
    ladder=LADDER,
    cap_ratio=Decimal("0.45"),
    claim_days=21,
    repair_s=5 * 3600,
    repair_credit=Decimal("0.03"),
    repair_reported_within_s=30 * 60,
    repeat_count=3,
    repeat_longer_than_s=4 * 3600,
    repeat_days=90,
)
FEE = Money(amount=Decimal(210), unit="crowns")


def at(day: int, hour: int, minute: int = 0) -> float:
    return datetime(2026, 11, day, hour, minute, tzinfo=HERE).timestamp()


def train(
    outages: list[tuple[float, float]], *, gaps: list[tuple[float, float]] | None = None
) -> list[Piece]:
    """20 packets a second over November, all lost in the outages, nothing sent in the gaps."""
    edges = sorted([*outages, *(gaps or [])])
    found, low = [], NOVEMBER.from_s - 7200.0
    for from_s, to_s in [*edges, (NOVEMBER.until_s, NOVEMBER.until_s)]:
        if from_s > low:
            found.append(Piece(from_s=low, to_s=from_s, sent=20 * (from_s - low)))
        if (from_s, to_s) in outages:
            n = 20 * (to_s - from_s)
            found.append(Piece(from_s=from_s, to_s=to_s, sent=n, lost_up=n))
        low = to_s
    return found


def seen(
    outages: list[tuple[float, float]],
    *,
    gaps: list[tuple[float, float]] | None = None,
    tickets: list[Ticket] | None = None,
    planned: list[Works] | None = None,
    house: bool = True,
) -> Seen:
    lost = train(outages, gaps=gaps)
    return Seen(
        outside={"north": lost, "south": lost},
        house={"lan": train([], gaps=gaps)} if house else {},
        spacing_s=0.05,
        tickets=tickets or [],
        works=planned or [],
    )


def judged(found: Seen, terms: AvailabilityTerms = TERMS, *, cap_s: int | None = CAP_S) -> Availability:
    return availability.judge(
        found,
        terms=terms,
        promised=0.9993,
        maintenance_cap_s=cap_s,
        time=Time(from_s=NOVEMBER.from_s, until_s=NOVEMBER.until_s, now_s=NOVEMBER.until_s),
        where=HERE,
        only=terms.rule,
    )


def of(found: Seen, terms: AvailabilityTerms = TERMS, *, cap_s: int | None = CAP_S) -> Count:
    count = judged(found, terms, cap_s=cap_s).contract
    assert count is not None
    return count


def test_what_was_excused_before_counts_towards_the_months_cap() -> None:
    """Two parts of one month share its cap: of 90 min of works 60 are used, so 30 are left."""
    second = NOVEMBER.from_s + 15 * 86_400
    spans = [(second + 3600.0, second + 3600.0 + 4000.0)]
    left = works.capped(spans, spans, cap_s=5400, where=HERE, used=(second, 3600))
    assert left == [(second + 3600.0, second + 3600.0 + 1800.0)]
    others = works.capped(spans, spans, cap_s=5400, where=HERE, used=(NOVEMBER.from_s - 86_400.0, 3600))
    assert others == spans


def credited(found: Seen, terms: AvailabilityTerms = TERMS) -> Credits:
    all_ = judged(found, terms)
    count = all_.contract
    assert count is not None
    return credits.judge(
        count.raw,
        sure_down_s=count.sure_down_s,
        most_down_s=count.most_down_s,
        excused=works.capped(count.raw, all_.excuse.spans, cap_s=CAP_S, where=HERE),
        tickets=found.tickets,
        terms=CREDITS,
        counts_from=terms.counts_from,
        overruns_count=terms.overruns_count,
        fee=FEE,
        time=(NOVEMBER.from_s, NOVEMBER.until_s),
        leaves_s=count.leaves_s,
        last_day=date(2026, 11, 30),
        today=date(2026, 12, 3),
    )


FAULT = (at(10, 9, 14), at(10, 13, 6))
WORKS = Works(name="nights", reference="W-7", from_s=at(19, 2), to_s=at(19, 5), announced=date(2026, 11, 5))
OVERRUN = (at(19, 2, 20), at(19, 5, 40))
TICKET = Ticket(reference="T-1", opened_s=at(10, 9, 39), closed_s=at(10, 13, 30))
G5 = seen([FAULT, OVERRUN], tickets=[TICKET], planned=[WORKS])


def test_worked_example_of_a_month() -> None:
    """Worked by hand: 232 + 40 = 272 min of 43 200 is 99.370 %, so 42.00; the provider has 207 min,
    99.521 %, 16.80, and what decides is that detection counts."""
    count, found = of(G5), credited(G5)
    assert (count.down_s, count.period_s) == (272 * 60, 43_200 * 60)
    assert f"{100 * (count.ratio or 0):.3f}" == "99.370"
    assert count.word is Word.NOT_MET
    assert (found.ours.down_s, found.ours.amount) == (272 * 60, Money(amount=Decimal("42.00"), unit="crowns"))
    assert (found.theirs.down_s, found.theirs.amount) == (
        207 * 60,
        Money(amount=Decimal("16.80"), unit="crowns"),
    )
    assert f"{found.theirs.available * 100:.3f}" == "99.521"
    assert next(one.name for one in found.clauses if one.decides) == "detection counts"
    assert found.claim_until == date(2026, 12, 21)
    assert found.days_left == 18
    assert "(43200 - 272) / 43200 min = 99.370 %" in found.ours.steps


def test_a_card_that_does_not_say_when_the_clock_starts_settles_nothing() -> None:
    silent = AvailabilityTerms(rule=OutageRule.SEVERE_SECONDS)
    found = credited(G5, silent)
    assert found.open_readings == ("detection counts", "overruns count")
    assert "The card does not state" in found.because


def test_a_clock_that_starts_with_the_report() -> None:
    """From 09:39 on 207 min count, and the overrun, which nobody has to report, 40."""
    reported = replace(TERMS, counts_from=CountsFrom.REPORT)
    assert of(G5, reported).down_s == 247 * 60
    assert of(seen([FAULT]), reported).down_s == 0  # nobody reported it


def test_excluded_time_may_leave_the_period() -> None:
    """(43200 - 160 - 272) / (43200 - 160), by hand; contracts have it in both places."""
    terms = AvailabilityTerms(
        rule=OutageRule.SEVERE_SECONDS,
        excluded_time=ExcludedTime.LEAVES,
        maintenance_weekdays=TERMS.maintenance_weekdays,
        maintenance_hours=TERMS.maintenance_hours,
    )
    count = of(G5, terms)
    assert count.excused_s == 160 * 60
    assert Fraction(count.ratio or 0).limit_denominator(50_000) == Fraction(43_040 - 272, 43_040)
    assert "which allows 30 min 8 s" in count.because  # 0.07 % of 43 040 min


@pytest.mark.parametrize(
    ("announced", "cap_s", "down_min"),
    [
        (date(2026, 11, 5), CAP_S, 40),
        (date(2026, 11, 10), CAP_S, 200),  # nine days before: excuses nothing
        (None, CAP_S, 40),
        (date(2026, 11, 5), 3600, 140),  # an hour a month is all that is excused
    ],
)
def test_works_excuse_as_agreed_and_no_further(announced: date | None, cap_s: int, down_min: int) -> None:
    planned = [Works(name="n", reference=None, from_s=at(19, 2), to_s=at(19, 5), announced=announced)]
    assert of(seen([OVERRUN], planned=planned), cap_s=cap_s).down_s == down_min * 60


def test_works_beyond_the_agreed_hours_excuse_nothing_there() -> None:
    """Announced until 06:00, agreed until 05:00: 40 minutes of the outage lie beyond."""
    planned = [Works(name="n", reference=None, from_s=at(19, 2), to_s=at(19, 6), announced=date(2026, 11, 1))]
    found = judged(seen([OVERRUN], planned=planned))
    assert found.contract is not None
    assert found.contract.down_s == 40 * 60
    assert "60 min outside" in found.excuse.notes[0]


def test_a_gap_is_neither_and_says_what_it_allows() -> None:
    """20 min of outage, 60 min not measured: between 20 and 80 min, and 30.24 are allowed."""
    gap = (at(20, 8), at(20, 9))
    count = of(seen([(at(3, 12), at(3, 12, 20))], gaps=[gap]))
    assert (count.sure_down_s, count.down_s, count.most_down_s) == (1200, 1200, 4800)
    assert count.unwatched_s == 3600
    assert count.ratio == pytest.approx(1 - 20 / (43_200 - 60))
    assert count.word is Word.UNDECIDED


def test_without_a_house_endpoint_an_outage_is_not_placed() -> None:
    count = of(seen([FAULT], house=False))
    assert (count.down_s, count.unplaced_s) == (0, 232 * 60)
    assert count.unplaced == [FAULT]
    assert count.word is Word.UNDECIDED


def test_one_endpoint_alone_is_no_outage_of_the_circuit() -> None:
    lost, fine = train([FAULT]), train([])
    count = of(Seen(outside={"north": lost, "south": fine}, house={"lan": fine}, spacing_s=0.05))
    assert (count.down_s, count.unplaced_s, count.word) == (0, 0, Word.MET)


def test_six_lengths_of_one_event() -> None:
    """An hour at 60 % loss, then 12 min at 15 %; the ticket is opened late and closed later; 20 min dark."""
    edges = [(at(3, 12), at(3, 13), 0.6), (at(3, 13), at(3, 13, 12), 0.15)]
    before, after = NOVEMBER.from_s - 7200.0, float(NOVEMBER.until_s)
    lossy = [Piece(from_s=before, to_s=at(3, 12), sent=20 * (at(3, 12) - before))]
    for low, high, ratio in edges:
        lossy += [
            Piece(from_s=at_s, to_s=at_s + 1, sent=100, lost_up=100 * ratio)
            for at_s in range(int(low), int(high))
        ]
    lossy.append(Piece(from_s=at(3, 13, 12), to_s=after, sent=20 * (after - at(3, 13, 12))))
    found = Seen(
        outside={"north": lossy, "south": lossy},
        house={"lan": train([])},
        spacing_s=0.05,
        tickets=[Ticket(reference="T", opened_s=at(3, 12, 30), closed_s=at(3, 14))],
        carrier=[(at(3, 12), True), (at(3, 12, 20), False)],
        rates=[(at(3, 11), 0.99), (at(3, 12, 5), 0.4), (at(3, 12, 35), 0.4), (at(3, 13, 20), 0.99)],
    )
    all_ = availability.judge(
        found,
        terms=TERMS,
        promised=0.9993,
        maintenance_cap_s=CAP_S,
        time=Time(from_s=NOVEMBER.from_s, until_s=NOVEMBER.until_s, now_s=NOVEMBER.until_s),
        where=HERE,
    )
    assert {str(one.rule.rule): one.down_s // 60 for one in all_.counts} == {
        "severe seconds": 60,
        "sliding window": 72,
        "interval loss": 60,
        "ticket": 90,
        "signal loss": 20,
        "rate": 75,
    }
    assert all_.contract is all_.counts[0]


def test_a_month_under_way_is_undecided_until_it_is_lost() -> None:
    """On the 11th: 20 min down leave 10 to lose; 40 min down are more than November allows."""
    for down_min, word in ((20, Word.UNDECIDED), (40, Word.NOT_MET)):
        found = availability.judge(
            seen([(at(3, 12), at(3, 12, down_min))]),
            terms=TERMS,
            promised=0.9993,
            maintenance_cap_s=None,
            time=Time(from_s=NOVEMBER.from_s, until_s=NOVEMBER.until_s, now_s=int(at(11, 0))),
            where=HERE,
        )
        assert found.contract is not None
        assert found.contract.word is word


# Months, and what an availability allows


@pytest.mark.parametrize(
    ("day", "minutes"),
    [  # Lisbon changes its clocks on the last Sundays of March and October (EU directive 2000/84/EC)
        (date(2026, 2, 10), 28 * 1440),
        (date(2028, 2, 10), 29 * 1440),
        (date(2026, 3, 31), 31 * 1440 - 60),
        (date(2026, 6, 1), 30 * 1440),
        (date(2026, 10, 1), 31 * 1440 + 60),
    ],
)
def test_months_have_their_own_length(day: date, minutes: int) -> None:
    assert months.month(day, ZoneInfo("Europe/Lisbon")).seconds == minutes * 60


def test_quarters_and_years_contain_their_day() -> None:
    found = months.period(AvailabilityPeriod.QUARTER, date(2026, 11, 30), UTC)
    assert (found.first_day, found.until_day) == (date(2026, 10, 1), date(2027, 1, 1))
    found = months.period(AvailabilityPeriod.YEAR, date(2026, 11, 30), UTC)
    assert found.seconds == 365 * 86_400


TABLE = {  # minutes for 28, 30, 31, 91 days; hours for 365, but minutes in the last two
    "99": ("403.2", "432.0", "446.4", "1310", "87.6"),
    "99.5": ("201.6", "216.0", "223.2", "655", "43.8"),
    "99.9": ("40.3", "43.2", "44.6", "131", "8.76"),
    "99.93": ("28.2", "30.2", "31.2", "91.7", "6.13"),
    "99.95": ("20.2", "21.6", "22.3", "65.5", "4.38"),
    "99.99": ("4.0", "4.3", "4.5", "13.1", "52.6 min"),
    "99.999": ("0.4", "0.4", "0.4", "1.3", "5.3 min"),
}


@pytest.mark.parametrize("percent", TABLE)
def test_minutes_that_an_availability_allows(percent: str) -> None:
    """Every cell, by exact fractions beside the judge's own sum."""
    for days, cell in zip((28, 30, 31, 91, 365), TABLE[percent], strict=True):
        exact_s = (1 - Fraction(percent) / 100) * days * 86_400
        assert availability.allowed_s(float(percent) / 100, days * 86_400) == pytest.approx(float(exact_s))
        text = cell.removesuffix(" min")
        unit_s = 3600 if days == 365 and text == cell else 60
        decimals = len(text.partition(".")[2])
        # a figure is rounded, so it lies within half of its last digit of the truth
        assert abs(exact_s / unit_s - Fraction(text)) <= Fraction(5, 10 ** (decimals + 1))


def test_an_eight_hour_outage_in_a_month_and_a_year() -> None:
    """Worked by hand: 98.9 % of a month (30 days), 99.91 % of a year."""
    assert f"{100 * (availability.ratio_of(8 * 3600, 30 * 86_400) or 0):.1f}" == "98.9"
    assert f"{100 * (availability.ratio_of(8 * 3600, 365 * 86_400) or 0):.2f}" == "99.91"


# Credits


@pytest.mark.parametrize(
    ("down_min", "amount"),
    [(30, "0.00"), (31, "16.80"), (216, "16.80"), (217, "42.00"), (864, "42.00"), (865, "84.00")],
)
def test_the_ladder_at_its_edges(down_min: int, amount: str) -> None:
    """Worked by hand over 43 200 min: 99.93 % is 30.24 min, 99.50 % is 216, 98.00 % is 864 exactly."""
    found = credits.credit(down_min * 60, NOVEMBER.seconds, CREDITS, FEE)
    assert found.amount is not None
    assert str(found.amount.amount) == amount


@pytest.mark.parametrize(("over_hours", "share"), [(0, "0.40"), (1, "0.43"), (2, "0.45"), (9, "0.45")])
def test_the_cap_holds_over_ladder_and_repair(over_hours: int, share: str) -> None:
    found = credits.credit(900 * 60, NOVEMBER.seconds, CREDITS, FEE, over_hours=over_hours)
    assert found.share == Decimal(share)


@pytest.mark.parametrize(
    ("reported_min", "over_hours"),
    [
        (20, 2),  # within 30 min, so from detection: 6 h 15 are 1 h 15 beyond, two begun
        (40, 1),  # later, so from the report: 5 h 35 are 35 min beyond
        (80, 0),
    ],
)
def test_the_repair_clock(reported_min: int, over_hours: int) -> None:
    """Worked by hand: 5 h from detection if reported within 30 min, else from the report."""
    ticket = Ticket(reference="T", opened_s=at(10, 9) + 60 * reported_min, closed_s=None)
    found = credited(seen([(at(10, 9), at(10, 15, 15))], tickets=[ticket]))
    assert [one.over_hours for one in found.repairs] == [over_hours]


def test_no_ticket_no_repair_clock() -> None:
    found = credited(seen([(at(10, 9), at(10, 15, 15))]))
    assert found.repairs[0].clock_from_s is None
    assert found.theirs.down_s == 0


def test_repeated_failure_counts_long_outages_of_ninety_days() -> None:
    """3 outages of more than 4 h in 90 days; one of 4 h sharp is not more."""
    spans = [(at(2, 0), at(2, 4, 1)), (at(9, 0), at(9, 5)), (at(16, 0), at(16, 4)), (at(23, 0), at(23, 6))]
    for count, reached in ((2, False), (3, False), (4, True)):
        found = credits.repeated(
            of(seen(spans[:count])).outages, CREDITS, until_s=NOVEMBER.until_s, where=HERE
        )
        assert found is not None
        assert found.reached is reached
    late = credits.repeated(of(seen(spans)).outages, CREDITS, until_s=int(at(2, 3)) + 90 * 86_400, where=HERE)
    assert late is not None
    assert len(late.outages) == 2  # the first began before the 90 days


def credits_of(outage: tuple[float, float], *, reported_s: float, today: date) -> Credits:
    """What one outage of November earns, seen whole, with a ticket opened so long after it began."""
    return credits.judge(
        [outage],
        sure_down_s=round(outage[1] - outage[0]),
        most_down_s=round(outage[1] - outage[0]),
        excused=[],
        tickets=[Ticket(reference="T", opened_s=at(10, 9) + reported_s, closed_s=None)],
        terms=CREDITS,
        counts_from=CountsFrom.DETECTION,
        overruns_count=True,
        fee=FEE,
        time=(NOVEMBER.from_s, NOVEMBER.until_s),
        leaves_s=0,
        last_day=date(2026, 11, 30),
        today=today,
    )


@given(st.integers(1, 60 * 3600), st.integers(0, 60 * 3600), st.integers(0, 2 * 3600))
def test_a_shorter_outage_never_raises_credits(seconds: int, less_s: int, reported_s: int) -> None:
    """By our counting, by the provider's, and at the most; the hours of repair with it."""
    low, day = at(10, 9), date(2026, 12, 3)
    long = credits_of((low, low + seconds), reported_s=reported_s, today=day)
    short = credits_of((low, low + max(1, seconds - less_s)), reported_s=reported_s, today=day)
    for name in ("ours", "theirs", "most"):
        assert getattr(short, name).share <= getattr(long, name).share
    assert sum(one.over_hours for one in short.repairs) <= sum(one.over_hours for one in long.repairs)


@given(st.integers(0, 60), st.integers(0, 60))
def test_a_later_day_never_becomes_in_time(days: int, more: int) -> None:
    """21 days from the last of November: 21 December is in time, and no day after it."""
    found = [
        credits_of(FAULT, reported_s=0, today=date(2026, 12, 1) + timedelta(days=each)).days_left
        for each in (days, days + more)
    ]
    assert [left is not None and left >= 0 for left in found] == [days <= 20, days + more <= 20]


@settings(max_examples=20, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 3000), st.integers(1, 300)), min_size=1, max_size=4),
    st.integers(1, 300),
)
def test_more_outage_is_never_better(starts: list[tuple[int, int]], longer: int) -> None:
    """In an hour, by the second: a longer outage never raises availability, and no credit falls with it."""
    apart = outages.merged((1000.0 + low, 1000.0 + low + n) for low, n in starts)
    more = outages.merged([*apart, (apart[0][0], apart[0][1] + longer)])
    time, down_s = Time(from_s=1000, until_s=4600, now_s=4600), []
    for spans in (apart, more):
        edges = [0.0, *(edge for span in spans for edge in span), 8000.0]
        lost = [
            Piece(from_s=low, to_s=high, sent=20 * (high - low), lost_up=20 * (high - low) * (nth % 2))
            for nth, (low, high) in enumerate(pairwise(edges))
        ]
        found = Seen(outside={"north": lost, "south": lost}, house={"lan": [GOOD_HOURS]}, spacing_s=0.05)
        count = availability.judge(
            found,
            terms=TERMS,
            promised=0.9993,
            maintenance_cap_s=None,
            time=time,
            where=HERE,
            only=OutageRule.SEVERE_SECONDS,
        ).counts[0]
        down_s.append(count.sure_down_s)
    assert down_s[0] <= down_s[1]
    less, most = (credits.credit(each, 3600, CREDITS, FEE).share for each in down_s)
    assert less <= most


GOOD_HOURS = Piece(from_s=0.0, to_s=8000.0, sent=160_000)


@pytest.mark.parametrize(
    ("ratio", "promised", "text"),
    [
        (1.0, 0.9993, "100.000 %"),
        (1 - 1 / 2_678_400, 0.9993, "99.99996 %"),  # one second of a month of 31 days is not none
        (0.9993, 0.9993, "99.930 %"),
        (0.9992999, 0.9993, "99.92999 %"),
    ],
)
def test_a_share_is_not_rounded_to_what_it_is_not(ratio: float, promised: float, text: str) -> None:
    """Neither to the promise nor to all of the time."""
    assert availability.percent(ratio, promised) == text


@pytest.mark.parametrize(
    ("days", "word", "unwatched_days"),
    [
        (range(1, 31), Word.MET, 0),
        (range(1, 31, 2), Word.MET, 0),  # two days apart at most
        (range(1, 8), Word.UNDECIDED, 23.5),  # from the 7th at noon on nothing is known
        ((1, 2, 28, 29, 30), Word.UNDECIDED, 26),
    ],
)
def test_a_rule_of_rates_says_nothing_of_weeks_without_a_run(
    days: Iterable[int], word: Word, unwatched_days: float
) -> None:
    """Good runs at noon of some days of November; a low one before a gap makes no outage of the gap."""
    time = Time(from_s=NOVEMBER.from_s, until_s=NOVEMBER.until_s, now_s=NOVEMBER.until_s)
    asked = {"terms": replace(TERMS, rule=OutageRule.RATE), "promised": 0.995, "maintenance_cap_s": None}
    nothing, rates = Seen(outside={}, house={}, spacing_s=None), [(at(day, 12), 0.99) for day in days]
    found = availability.judge(replace(nothing, rates=rates), **asked, time=time, where=HERE).contract
    assert found is not None
    assert (found.word, found.unwatched_s) == (word, unwatched_days * 86_400)
    low = [*rates[:-1], (rates[-1][0], 0.1)] if unwatched_days == 23.5 else rates
    again = availability.judge(replace(nothing, rates=low), **asked, time=time, where=HERE).contract
    assert again is not None
    assert again.down_s == 0
