"""Dates and sums of a term, against the contract of the practice site."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from dashboard.judge import renewal
from store.calendar_span import CalendarSpan
from store.card import Card
from store.terms import Money, Once

A = Card(
    fee_per_month="210 crowns a month",
    service_start=date(2026, 6, 22),
    term=CalendarSpan(months=48),
    renewal=CalendarSpan(months=12),
    index_from_month=25,
    index_most_ratio=0.03,
    notice="4 months",
)
B = Card(fee_per_month="375 crowns", service_start=date(2026, 6, 22), term=CalendarSpan(months=48))


def crowns(text: str) -> Money:
    return Money(amount=Decimal(text), unit="crowns")


def test_the_dates_of_the_contract() -> None:
    """48 months from 22 June 2026, notice 4 months, renews 12, price index from month 25."""
    found = renewal.dates(A, today=date(2027, 12, 1))
    assert (found.ends, found.notice_by) == (date(2030, 6, 21), date(2030, 2, 21))
    assert found.remind == (date(2029, 8, 21), date(2029, 11, 21))
    assert found.renews_until == date(2031, 6, 21)
    assert found.index_from == date(2028, 6, 22)
    assert found.days_to_notice == (date(2030, 2, 21) - date(2027, 12, 1)).days


def test_a_card_without_a_term_has_no_dates() -> None:
    found = renewal.dates(Card(), today=date(2027, 12, 1))
    assert (found.ends, found.notice_by, found.remind, found.index_from) == (None, None, (), None)


@pytest.mark.parametrize(
    ("until", "months"),
    [
        (date(2026, 6, 21), 0),
        (date(2026, 6, 22), 1),
        (date(2026, 7, 21), 1),
        (date(2026, 7, 22), 2),
        (date(2030, 6, 21), 48),
    ],
)
def test_a_month_is_paid_when_it_begins(until: date, months: int) -> None:
    assert renewal.begun(date(2026, 6, 22), until) == months


def test_a_start_on_the_31st_pays_on_the_last_day_of_february() -> None:
    assert renewal.begun(date(2026, 1, 31), date(2026, 2, 27)) == 1
    assert renewal.begun(date(2026, 1, 31), date(2026, 2, 28)) == 2


def test_the_whole_term_at_the_first_price() -> None:
    """Worked by hand: 48 x 585 = 28 080; 3 % a year from month 25 on is 24 + 12 x 1.03 + 12 x 1.0609."""
    found = [renewal.cost(lambda _, card=card: card, until=date(2031, 1, 1)) for card in (A, B)]  # type: ignore[misc]
    assert found[0] is not None
    assert found[1] is not None
    assert found[0].at_first.amount + found[1].at_first.amount == Decimal(28_080)
    exact = Decimal(210) * (24 + 12 * Decimal("1.03") + 12 * Decimal("1.0609"))
    assert found[0].at_most == crowns(str(exact.quantize(Decimal("0.01"))))
    assert found[1].at_most == found[1].at_first


def test_each_month_at_the_price_of_its_version() -> None:
    dearer = Card(fee_per_month="300 crowns", service_start=date(2026, 6, 22))
    found = renewal.cost(lambda day: A if day < date(2026, 8, 1) else dearer, until=date(2026, 8, 22))
    assert found is not None
    assert found.at_first == crowns("720.00")  # 210 + 210 + 300


def test_a_fee_in_words_has_no_sum() -> None:
    assert renewal.cost(lambda _: Card(service_start=date(2026, 1, 1)), until=date(2026, 5, 1)) is None


def test_what_is_paid_once() -> None:
    """The practice site's contract (trade.md 9.3): 1450 once beside 48 months of 585, 28 080 + 1450."""
    card = replace(
        A,
        once=(
            Once(what="installation", costs=crowns("1450"), on=date(2026, 6, 16)),
            Once(what="a second socket", costs=crowns("60")),
        ),
    )
    assert renewal.once(card, until=date(2026, 6, 15)) == ()
    assert [one.what for one in renewal.once(card, until=date(2026, 6, 21))] == ["installation"]
    assert renewal.once(card, until=date(2026, 6, 22)) == card.once
    assert renewal.with_once(crowns("28080"), card.once[:1]) == crowns("29530")
    assert renewal.with_once(None, card.once) is None
    assert renewal.with_once(Money(amount=Decimal(1), unit="shells"), card.once) is None


def test_what_a_megabit_costs() -> None:
    """Worked by hand: A carries 572.3 Mb/s of TCP payload at best: 210 / 572.3 = 0.367."""
    assert renewal.per_mbps(A, 572_300_000) == crowns("0.367")
    assert renewal.per_mbps(A, None) is None


def test_paying_for_both_lines() -> None:
    """The old line, 64 a month, from 22 June to 31 August 2026: 9/30 of June, and two months."""
    old = Card(fee_per_month="64 crowns")
    found = renewal.overlap(
        lambda _: old, lambda _: A, from_day=date(2026, 6, 22), until_day=date(2026, 8, 31)
    )
    assert found == (crowns("147.20"), crowns("483.00"))  # x (0.3 + 2)
    assert (
        renewal.overlap(
            lambda _: Card(), lambda _: A, from_day=date(2026, 6, 22), until_day=date(2026, 8, 31)
        )
        is None
    )
