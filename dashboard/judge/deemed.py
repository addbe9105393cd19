"""When silence counts as acceptance: working days from handover, as the contract card states them. Pure."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from store.calendar_span import working_days_after, working_days_between
from store.card import Card
from store.quantities import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Deemed:
    """When silence counts as acceptance. `last_day` is the last on which a refusal is in time.

    `working_days_left` counts those after today, the last day included; below 0 is never: 0 on that day and
    after it, when `over` tells. None for what the card does not state.
    """

    handover: date | None
    working_days: int | None
    last_day: date | None
    working_days_left: int | None
    over: bool
    because: str


def deemed(card: Card, *, today: date, holidays: Collection[date] = ()) -> Deemed:
    """Until when a refusal is in time, in working days after handover (Monday to Friday, no holiday)."""
    days, handover = card.deemed_working_days, card.handover
    if days is None or handover is None:
        missing = "when it counts as accepted" if days is None else "the day of handover"
        because = f"The contract card does not state {missing}, so the time for a refusal cannot be counted."
        return _deemed(card, None, None, over=False, because=because)
    last_day = working_days_after(handover, days, holidays)
    left = working_days_between(today, last_day, holidays)
    over = today > last_day
    if over:
        because = f"It counted as accepted after {last_day}, unless it was refused in time."
    else:
        days_left = f"{counted(left, 'working day')} after today" if left else "today is the last day"
        because = f"It counts as accepted after {last_day} unless it is refused before: {days_left}."
    return _deemed(card, last_day, left, over=over, because=because)


def _deemed(card: Card, last_day: date | None, left: int | None, *, over: bool, because: str) -> Deemed:
    return Deemed(
        handover=card.handover,
        working_days=card.deemed_working_days,
        last_day=last_day,
        working_days_left=left,
        over=over,
        because=because,
    )
