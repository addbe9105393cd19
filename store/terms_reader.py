"""Reads what a contract card says of outages and of credits: its tables ``availability`` and ``credits``.

Both may be left out, and `availability` may be a share alone. The keys are documented in
deploy/site.example.toml. Imports terms, quantities and toml_table.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

from store.day_hours import hours, weekday
from store.quantities import exact_share, share, shown
from store.terms import (
    AvailabilityPeriod,
    AvailabilityTerms,
    CountsFrom,
    CreditTerms,
    ExcludedTime,
    LossInterval,
    Money,
    Once,
    OutageRule,
    Step,
)
from store.toml_table import Table, count, day, flag, list_of, text, whole_seconds, word_of

NOT_STATED = "not stated"

_AVAILABILITY_KEYS = (
    *("target", "rule", "threshold", "interval", "intervals", "good_intervals", "period", "counts_from"),
    *("overruns_count", "excluded_time", "maintenance_days", "maintenance_hours", "maintenance_notice"),
)
_CREDIT_KEYS = (
    *("ladder", "cap", "claim", "repair_credit", "repair_reported_within"),
    *("repeat", "repeat_longer_than", "repeat_within"),
)
_DAYS = re.compile(r"([0-9]{1,4})\s*days?")
_MONEY = re.compile(r"\s*([0-9]+(?:\.[0-9]{1,2})?)\s+([^\s0-9]+)(?:\s.*)?")
_MONTH_S = 31 * 86_400


def stated(card: Table) -> frozenset[str]:
    """The keys of a card's table on availability; none where it has only a share."""
    value = card.values.get("availability")
    return frozenset(value) if isinstance(value, dict) else frozenset()


def availability(card: Table) -> tuple[float | None, AvailabilityTerms]:
    """The promised ratio, None where it is not stated, and how it is counted."""
    value = card.values.get("availability", NOT_STATED)
    if not isinstance(value, dict):
        return (None if value == NOT_STATED else card.maybe("availability", share)), _named(card)
    table = card.table("availability")
    table.only(*_AVAILABILITY_KEYS)
    return table.maybe("target", share), AvailabilityTerms(
        rule=table.maybe("rule", word_of(OutageRule)) or _named(card).rule,
        threshold_ratio=table.maybe("threshold", share),
        interval_s=table.maybe("interval", whole_seconds(1, 3600)),
        intervals=table.maybe("intervals", count(1, 3600)),
        good_intervals=table.maybe("good_intervals", count(1, 3600)),
        period=table.ask("period", word_of(AvailabilityPeriod), AvailabilityPeriod.MONTH),
        counts_from=table.maybe("counts_from", word_of(CountsFrom)),
        overruns_count=table.maybe("overruns_count", flag),
        excluded_time=table.maybe("excluded_time", word_of(ExcludedTime)),
        maintenance_weekdays=frozenset(table.maybe("maintenance_days", list_of(weekday)) or ()),
        maintenance_hours=table.maybe("maintenance_hours", hours),
        maintenance_notice_days=table.maybe("maintenance_notice", _days),
    )


def _named(card: Table) -> AvailabilityTerms:
    """The rule where `availability_rule` is the very name of one; other words are for people."""
    value = card.values.get("availability_rule")
    known = {str(rule): rule for rule in OutageRule}
    return AvailabilityTerms(rule=known.get(value) if isinstance(value, str) else None)


def credits(card: Table, *, repair_s: int | None) -> CreditTerms:
    """What the contract pays back; `repair_s` is the card's time to repair."""
    table = card.table("credits")
    table.only(*_CREDIT_KEYS)
    found = CreditTerms(
        ladder=_ladder(table),
        cap_ratio=table.maybe("cap", exact_share),
        claim_days=table.maybe("claim", _days),
        repair_s=repair_s,
        repair_credit=table.maybe("repair_credit", exact_share),
        repair_reported_within_s=table.maybe("repair_reported_within", whole_seconds(1, _MONTH_S)),
        repeat_count=table.maybe("repeat", count(1, 100)),
        repeat_longer_than_s=table.maybe("repeat_longer_than", whole_seconds(1, _MONTH_S)),
        repeat_days=table.maybe("repeat_within", _days),
    )
    repeat = ("repeat", "repeat_longer_than", "repeat_within")
    _together(table, repeat, "a clause on repeated failure needs all three")
    if "repair_credit" in table.values and repair_s is None:
        table.refuse("repair_credit", 'has no time to go beyond; expected repair = "5 h" on the card too')
    return found


def loss_interval(card: Table) -> LossInterval | None:
    """The promise on loss in any interval, None where there is none."""
    if "loss_interval" not in card.values:
        return None
    table = card.table("loss_interval")
    table.only("every", "loss")
    return LossInterval(
        every_s=table.need("every", whole_seconds(60, 86_400), 'a time such as "5 min"'),
        loss_ratio=table.need("loss", share, 'a share such as "1 %"'),
    )


def money(value: str | None) -> Money | None:
    """``"210 crowns a month"`` as an amount; None for other words, which no sum can be made of."""
    found = _MONEY.fullmatch(value or "")
    return Money(amount=Decimal(found[1]), unit=found[2]) if found else None


def once(table: Table) -> tuple[Once, ...]:
    """``[[handoff.card.once]]``: what is paid once."""
    return tuple(_once(each) for each in table.tables("once")) if "once" in table.values else ()


def _once(table: Table) -> Once:
    table.only("what", "costs", "on")
    return Once(
        what=table.need("what", text, 'what is paid for, such as "installation"'),
        costs=table.need("costs", _amount, 'an amount such as "1450 crowns"'),
        on=table.maybe("on", day),
    )


def _amount(value: Any) -> Money:
    found = money(value) if isinstance(value, str) else None
    if found is None:
        raise ValueError(f'{shown(value)} is no amount such as "1450 crowns"')
    return found


def _ladder(table: Table) -> tuple[Step, ...]:
    steps = []
    for each in table.tables("ladder"):
        each.only("below", "credit")
        steps.append(
            Step(
                below=each.need("below", exact_share, 'a share such as "99.93 %"'),
                credit=each.need("credit", exact_share, 'a share of the fee such as "8 %"'),
            )
        )
        if len(steps) > 1 and steps[-1].below >= steps[-2].below:
            each.refuse("below", "is not below the step before; expected the steps from the highest down")
        if len(steps) > 1 and steps[-1].credit <= steps[-2].credit:
            each.refuse("credit", "is not above that of the step before; expected a ladder that pays more")
    return tuple(steps)


def _together(table: Table, keys: tuple[str, ...], why: str) -> None:
    missing = [key for key in keys if key not in table.values]
    if missing and len(missing) < len(keys):
        table.refuse(missing[0], f"missing; {why}")


def _days(value: Any) -> int:
    found = _DAYS.fullmatch(text(value).strip())
    if not found or not int(found[1]):
        raise ValueError(f'{shown(value)} is no number of days such as "21 days"')
    return int(found[1])
