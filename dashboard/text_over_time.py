"""Two lines side by side, and a term's renewal sheet, as plain text for a terminal.

Pure: values in, text out. Imports store and the judges' values.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from dashboard.judge.change_points import LEAST_DAYS
from store.quantities import counted

if TYPE_CHECKING:  # only their values are looked at, and that would load scipy
    from dashboard.over_time import Compared, Figure, HourSide, Renewal
    from store.terms import Money

_DASH = "-"
_LEAST = 0.0001  # of a percent of packets: a smaller share is written as less than this
_HEADINGS = ("Hour", "Up Mb/s", "Down Mb/s", "RTT p50 ms", "RTT p95 ms", "Loss %", "Stalls/h")


def side_by_side(found: Compared) -> str:
    """A line an hour, old before new; the cost of the overlap last."""
    names, days = f"{found.old.name} / {found.new.name}", f"{found.first_day} to {found.last_day}"
    rows: list[tuple[str, ...]] = [_HEADINGS]
    for hour, (old, new) in enumerate(found.hours):
        pairs = zip(_cells(old), _cells(new), strict=True)
        rows.append((f"{hour:02d}-{(hour + 1) % 24:02d}", *(f"{a} / {b}" for a, b in pairs)))
    if not any(set(row[1:]) - {f"{_DASH} / {_DASH}"} for row in rows[1:]):
        return "\n".join([f"{names}, {days}: neither was measured in that time.", *overlap(found)])
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return "\n".join(
        [
            f"{names}, {days}, by hour of the local day; rates are medians of payload.",
            *("  ".join(map(str.rjust, row, widths)) for row in rows),
            *overlap(found),
        ]
    )


def _cells(side: HourSide) -> tuple[str, ...]:
    return (
        _number(side.up_bps, 1e6),
        _number(side.down_bps, 1e6),
        _number(side.rtt_p50_us, 1e3),
        _number(side.rtt_p95_us, 1e3),
        _DASH if side.loss_ratio is None else _loss(side.loss_ratio * 100),
        _number(side.stalls_per_hour, 1),
    )


def _loss(percent: float) -> str:
    return f"<{_LEAST:g}" if 0 < percent < _LEAST else f"{percent:.2g}"


def _number(value: float | None, unit: float) -> str:
    return _DASH if value is None else f"{value / unit:.3g}"


def overlap(found: Compared) -> Iterator[str]:
    """What paying for both cost."""
    if found.overlap is None:
        yield "When the new line's service began is not on its card, so the cost of the overlap is not known."
        return
    first, last = found.overlap
    if found.cost is None:
        yield f"Both were paid from {first} to {last}; a fee on a card is no number, so not how much."
        return
    old, new = found.cost
    yield (
        f"Both were paid from {first} to {last}, {(last - first).days + 1} days: {old.said()} for "
        f"{found.old.name} beside {new.said()} for {found.new.name}."
    )


def renewal(found: Renewal) -> str:
    """What the term came to: sentences, a figure a line."""
    return "\n".join(_renewal(found))


def _renewal(found: Renewal) -> Iterator[str]:
    yield f"Handoff {found.handoff.name}"
    yield from (f"  {line}" for line in money_lines(found))
    yield from (f"  {line}" for line in date_lines(found))
    for figure in found.figures:
        yield from (f"  {line}" for line in figure_lines(figure))


def money_lines(found: Renewal) -> Iterator[str]:
    """What was paid, came back, and bought."""
    if found.paid is None:
        yield "What was paid is not known: the card has no start of service, or no fee as a number."
    else:
        lasted = counted(found.paid.months, "month")
        yield f"Paid in {lasted}: {_range(found.paid.at_first, found.paid.at_most)}."
    if found.whole_term is not None:
        whole = found.whole_term
        yield f"The whole term, {whole.months} months: {_range(whole.at_first, whole.at_most)}."
    if found.once:
        listed = ", ".join(f"{one.what} {one.costs.said()}" for one in found.once)
        yield f"Paid once: {listed}{_with('; with the months', found.paid_with_once)}."
    if found.term_with_once is not None:
        yield f"The whole term with what is paid once, at the first price: {found.term_with_once.said()}."
    credits = "none is worked out" if found.credits is None else found.credits.said()
    over = (
        f"Of {counted(found.months, 'month')} over since the record began {found.failed or 'none'} fell "
        f"below the availability promised, {found.undecided or 'none'} stayed undecided, and "
        f"{found.untested or 'none'} not tested, for want of a record or of a promise"
    )
    yield f"{over if found.months else 'No month is over yet'}; credits by the card: {credits}."
    ways = (
        ("up", found.delivered_bps[0], found.per_mbps[0]),
        ("down", found.delivered_bps[1], found.per_mbps[1]),
    )
    for way, bps, cost in ways:
        if bps is not None:
            price = f", {cost.amount:f} {cost.unit} a month for each" if cost else ""
            yield f"Delivered {way}, last quarter: {bps / 1e6:.4g} Mb/s of payload in the median{price}."


def date_lines(found: Renewal) -> Iterator[str]:
    """The term's days."""
    dates = found.dates
    if dates.ends is None:
        yield "The card does not state when the term ends."
        return
    after = f"; without notice it goes on to {dates.renews_until}" if dates.renews_until else ""
    yield f"The term ends on {dates.ends}{after}."
    if dates.notice_by is None:
        yield "The card does not state the notice as a span of time."
    else:
        left = dates.days_to_notice or 0
        state = f"{left} days left" if left >= 0 else "that day is over"
        yield (
            f"Last day of notice: {dates.notice_by}, {state}; look at this sheet on "
            f"{' and '.join(str(day) for day in dates.remind)}."
        )
    if dates.index_from is not None:
        yield f"The price may rise from {dates.index_from} on."


def figure_lines(figure: Figure) -> Iterator[str]:
    """A figure's trend and its changes."""
    yield figure.trend.because
    yield from (f"  {line}" for line in _moves(figure))


def moved(figure: Figure) -> str:
    """Its changes, or that there is none, or too few days for one, as a table's cell."""
    known = figure.trend.days >= 2 * LEAST_DAYS
    return " ".join(_moves(figure)) or ("no" if known else "not known of so few days")


def _moves(figure: Figure) -> Iterator[str]:
    for day, change in figure.changes:
        ratio = f" ({100 * change.ratio:+.0f} %)" if change.ratio is not None else ""
        yield (
            f"{figure.name} moved on {day}: {change.before:.4g} to {change.after:.4g} {figure.unit}{ratio}."
        )


def _with(word: str, money: Money | None) -> str:
    return "" if money is None else f"{word} {money.said()}"


def _range(low: Money, high: Money) -> str:
    return (
        low.said() if low == high else f"{low.said()}, at most {high.said()} with every rise that is allowed"
    )
