"""What a contract has cost, what it gave back, and the days by which somebody must decide.

A month is paid when it begins. From the month on in which the price may rise, a year's rise at most is put on
each twelve months, so the sum lies between the first price and that one. Money is exact. Pure. Imports
store.card and store.terms.
"""

from __future__ import annotations

import calendar
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal

from store.calendar_span import CalendarSpan
from store.card import Card
from store.terms import Money, Once
from store.terms_reader import money

_CENT = Decimal("0.01")
_REMIND = (CalendarSpan(months=6), CalendarSpan(months=3))


@dataclass(frozen=True, slots=True, kw_only=True)
class Dates:
    """When a term ends and what must be done before.

    `notice_by` is the last day of notice, None where the card states no span; `remind` are 6 and 3 months
    before it. `renews_until` is the last day of the term that follows without notice, `index_from` the day
    from which the price may rise.
    """

    ends: date | None
    notice_by: date | None
    remind: tuple[date, ...]
    days_to_notice: int | None
    renews_until: date | None
    index_from: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """The sum of so many months at the card's price, and with every rise that the card allows."""

    months: int
    at_first: Money
    at_most: Money


def dates(card: Card, *, today: date) -> Dates:
    """The dates of a card; None for what it does not state."""
    ends, notice = card.ends(), card.notice_span
    by = notice.before(ends) if ends and notice else None
    renews = card.renewal if card.renewal and (card.renewal.months or card.renewal.days) else None
    start = card.service_start
    index = None
    if start and card.index_from_month and card.index_most_ratio != 0:
        index = CalendarSpan(months=card.index_from_month - 1).after(start)
    return Dates(
        ends=ends,
        notice_by=by,
        remind=tuple(each.before(by) for each in _REMIND) if by else (),
        days_to_notice=(by - today).days if by else None,
        renews_until=renews.after(ends) if ends and renews else None,
        index_from=index,
    )


def begun(start: date, until: date) -> int:
    """How many months of service have begun by the end of the day `until`."""
    months = (until.year - start.year) * 12 + until.month - start.month
    last = calendar.monthrange(until.year, until.month)[1]
    return max(0, months + (until.day >= min(start.day, last)))


def cost(card_on: Callable[[date], Card], *, until: date) -> Cost | None:
    """What was paid from the start of service through `until`; `card_on` is the version in force on a day.

    None without a start, or where a month's fee is no number.
    """
    card = card_on(until)
    start, end = card.service_start, card.ends()
    if start is None:
        return None
    months = begun(start, min(until, end) if end else until)
    low = high = Decimal(0)
    unit = ""
    for month in range(1, months + 1):
        version = card_on(CalendarSpan(months=month - 1).after(start))
        fee = money(version.fee_per_month)
        if fee is None or unit not in ("", fee.unit):
            return None
        unit = fee.unit
        low += fee.amount
        high += fee.amount * _rise(version, month)
    if not unit:
        return None
    return Cost(
        months=months,
        at_first=Money(amount=low.quantize(_CENT), unit=unit),
        at_most=Money(amount=high.quantize(_CENT, rounding=ROUND_HALF_UP), unit=unit),
    )


def once(card: Card, *, until: date) -> tuple[Once, ...]:
    """What the card says was paid once by the end of a day; without a day, when service starts."""
    start = card.service_start
    return tuple(one for one in card.once if (one.on or start) is None or (one.on or start or until) <= until)


def with_once(paid: Money | None, paid_once: Sequence[Once]) -> Money | None:
    """Both together; None where there is nothing to add, or in different units."""
    if paid is None or not paid_once or any(one.costs.unit != paid.unit for one in paid_once):
        return None
    return Money(amount=paid.amount + sum(one.costs.amount for one in paid_once), unit=paid.unit)


def _rise(card: Card, month: int) -> Decimal:
    """The most that the price of a month may be over the first, as a factor."""
    if card.index_from_month is None or card.index_most_ratio is None or month < card.index_from_month:
        return Decimal(1)
    years = (month - card.index_from_month) // 12 + 1
    return (1 + Decimal(str(card.index_most_ratio))) ** years


def per_mbps(card: Card, delivered_bps: int | None) -> Money | None:
    """A month's fee for each Mb/s that was delivered; None where one of them is not known."""
    fee = money(card.fee_per_month)
    if fee is None or not delivered_bps:
        return None
    each = fee.amount / (Decimal(delivered_bps) / 1_000_000)
    return Money(amount=each.quantize(Decimal("0.001"), rounding=ROUND_HALF_UP), unit=fee.unit)


def overlap(
    first: Callable[[date], Card], second: Callable[[date], Card], *, from_day: date, until_day: date
) -> tuple[Money, Money] | None:
    """What both lines cost while both run, `until_day` included, by the card of each day: the share of each
    month's days.

    None where a fee is no number, or where the two are in different units.
    """
    sums = [_by_days(each, from_day, until_day) for each in (first, second)]
    if sums[0] is None or sums[1] is None or sums[0].unit != sums[1].unit:
        return None
    return sums[0], sums[1]


def _by_days(card_on: Callable[[date], Card], from_day: date, until_day: date) -> Money | None:
    total, units = Decimal(0), set()
    for nth in range((until_day - from_day).days + 1):
        day = from_day + timedelta(days=nth)
        fee = money(card_on(day).fee_per_month)
        if fee is None:
            return None
        total += fee.amount / calendar.monthrange(day.year, day.month)[1]
        units.add(fee.unit)
    if len(units) != 1:
        return None
    return Money(amount=total.quantize(_CENT, rounding=ROUND_HALF_UP), unit=units.pop())
