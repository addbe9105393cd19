"""What a contract says of outages and of money: the parts of a contract card with several fields each.

Nothing here is guessed: a field that is None, or empty, is one that the contract does not state. Shares
and money are exact decimal numbers, since a credit is argued about to the last coin. Imports nothing of
the project.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import Any


class OutageRule(StrEnum):
    """What counts as an outage; trade practice knows six ways."""

    SEVERE_SECONDS = "severe seconds"  # as ITU-T Y.1563 has it for Ethernet
    SLIDING_WINDOW = "sliding window"  # as MEF 10.2.1 has it
    INTERVAL_LOSS = "interval loss"  # as ITU-T Y.1540 has it for IP
    TICKET = "ticket"
    SIGNAL_LOSS = "signal loss"
    RATE = "rate"


class AvailabilityPeriod(StrEnum):
    """Over which time the promise is counted, in calendar time of the site."""

    MONTH = "month"
    QUARTER = "quarter"
    YEAR = "year"


class CountsFrom(StrEnum):
    """When an outage begins to count: when it is seen in the record, or when it was reported."""

    DETECTION = "detection"
    REPORT = "report"


class ExcludedTime(StrEnum):
    """What becomes of an outage that is excused: it counts as available, or its time leaves the period."""

    AVAILABLE = "available"
    LEAVES = "leaves"


@dataclass(frozen=True, slots=True, kw_only=True)
class AvailabilityTerms:
    """How a contract counts availability.

    With `threshold_ratio`, `interval_s`, `intervals` and `good_intervals` None a rule has its usual
    values (`dashboard.judge.outages`). Maintenance excuses an outage on its weekdays (0 = Monday) and hours,
    announced `maintenance_notice_days` before; `maintenance_hours` are minutes of the day. None of these
    stated means that every announced window does, but for the card's cap on its time a month.
    """

    rule: OutageRule | None = None
    threshold_ratio: float | None = None
    interval_s: int | None = None
    intervals: int | None = None
    good_intervals: int | None = None
    period: AvailabilityPeriod = AvailabilityPeriod.MONTH
    counts_from: CountsFrom | None = None
    overruns_count: bool | None = None
    excluded_time: ExcludedTime | None = None
    maintenance_weekdays: frozenset[int] = frozenset()
    maintenance_hours: tuple[int, int] | None = None
    maintenance_notice_days: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """An availability below `below` earns `credit` of the monthly fee; both are ratios."""

    below: Decimal
    credit: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Money:
    """An amount, and the word that the contract has for its unit."""

    amount: Decimal
    unit: str

    def said(self) -> str:
        return f"{self.amount:.2f} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Once:
    """What is paid once, such as an installation; `on` is the day, None for that on which service starts."""

    what: str
    costs: Money
    on: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CreditTerms:
    """What a month below the promise, a slow repair and repeated failure earn.

    `ladder` has its lowest step last. A repair that takes more than `repair_s` earns `repair_credit` of the
    fee for each hour over it that was begun; its clock runs from detection where the outage was reported
    within `repair_reported_within_s`, else from the report. `repeat_count` outages of more than
    `repeat_longer_than_s` within `repeat_days` let the customer leave.
    """

    ladder: tuple[Step, ...] = ()
    cap_ratio: Decimal | None = None
    claim_days: int | None = None
    repair_s: int | None = None
    repair_credit: Decimal | None = None
    repair_reported_within_s: int | None = None
    repeat_count: int | None = None
    repeat_longer_than_s: int | None = None
    repeat_days: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LossInterval:
    """A promise that no more than `loss_ratio` is lost in any interval of `every_s`."""

    every_s: int
    loss_ratio: float


NO_TERMS = AvailabilityTerms()
NO_CREDITS = CreditTerms()


def as_json(terms: AvailabilityTerms | CreditTerms | LossInterval) -> dict[str, Any]:
    """The terms as a program reads them; null is what is not stated, exact shares are texts."""
    return {name: _plain(value) for name, value in asdict(terms).items()}


def _plain(value: Any) -> Any:
    match value:
        case Decimal():
            return f"{value:f}"
        case frozenset():
            return sorted(value)
        case dict():
            return {name: _plain(each) for name, each in value.items()}
        case tuple() | list():
            return [_plain(each) for each in value]
    return value
