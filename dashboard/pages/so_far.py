"""What a circuit's availability comes to so far: this month's, and since the start, in a sentence each.

Reading is done by `dashboard.past`; the whole of it, month by month, is on Term.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from dashboard.judge import availability
from dashboard.judge.months import part_said
from dashboard.judge.verdict import Word
from dashboard.pages.contracts import MARKS
from dashboard.pages.ledger import Entry, Mark
from dashboard.pages.wording import counted, span
from dashboard.past import SoFar
from dashboard.statements import MonthCount

WAITS = Entry(
    mark=Mark(word="Being judged", look="none"),
    moment=None,
    text="What this month’s availability comes to is being judged; it stands here when you next look.",
)


@dataclass(frozen=True, slots=True)
class _Sum:
    down_s: int
    ratio: float | None
    below: int


def _sum(months: Sequence[MonthCount]) -> _Sum:
    down_s, watched_s = (sum(getattr(one.count, name) for one in months) for name in ("down_s", "watched_s"))
    below = {one.month.first_day.replace(day=1) for one in months if one.count.word is Word.NOT_MET}
    return _Sum(down_s, availability.ratio_of(down_s, watched_s), len(below))


def since(months: Sequence[MonthCount]) -> str:
    """All of the months, oldest first, in one sentence."""
    if not months:
        return "Nothing is on record yet."
    first, found = months[0].month.first_day, _sum(months)
    if found.ratio is None:
        return f"Since {first.day} {first:%B %Y} nothing was watched."
    watched_s = sum(one.count.watched_s for one in months)
    return (
        f"Since {first.day} {first:%B %Y}: {availability.percent(found.ratio)} available of "
        f"{span(watched_s)} watched, {availability.minutes(found.down_s)} of outage; "
        f"{counted(found.below, 'month') if found.below else 'no month'} below the promise."
    )


def entries(found: SoFar | None, where: tzinfo) -> Iterator[Entry]:
    """This month so far with its verdict, and all of it where every month before is judged already."""
    if found is None:
        return
    count, part = found.this.count, part_said(found.this.month, where)
    yield Entry(
        mark=MARKS[count.word],
        moment=None,
        text=f"Availability in {found.this.month.first_day:%B %Y}{f', {part}' if part else ''}, so far: "
        f"{count.because}",
        more=(since(found.months),) if found.months else (),
    )


def as_json(found: SoFar | None) -> dict[str, object] | None:
    """The same for programs."""
    if found is None:
        return None
    count, whole = found.this.count, _sum(found.months) if found.months else None
    return {
        "month": f"{found.this.month.first_day:%Y-%m}",
        "rule": str(count.rule.rule),
        "word": str(count.word),
        "ratio": count.ratio,
        "worst_ratio": count.worst_ratio,
        "best_ratio": count.best_ratio,
        "down_s": count.down_s,
        "since": found.months[0].month.first_day.isoformat() if found.months else None,
        "since_ratio": whole and whole.ratio,
        "since_down_s": whole and whole.down_s,
        "months_below": whole and whole.below,
    }
