"""A month's statement as plain text for a terminal: sentences first, the arithmetic line by line.

Pure: values in, text out. Imports store and the judges' values.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import tzinfo
from typing import TYPE_CHECKING

from store.clock import NS_PER_S, local
from store.quantities import grouped

if TYPE_CHECKING:  # only their values are looked at, and that would load numpy
    from dashboard.judge.availability import Count
    from dashboard.judge.credits import Credits
    from dashboard.judge.works import Counted
    from dashboard.quality import Quality
    from dashboard.statements import Statement


def statements(found: Iterable[Statement], where: tzinfo) -> str:
    """The statements one after the other; times are local at `where`."""
    return "\n\n".join("\n".join(_statement(part, where)) for one in found for part in one.parts)


def _statement(one: Statement, where: tzinfo) -> Iterator[str]:
    part = one.part_said(where)
    yield f"Handoff {one.handoff.name}, {one.month.first_day:%B %Y}{f', {part}' if part else ''}"
    if not one.over:
        yield "  The time is not over yet; what is still to come is neither good nor bad."
    if one.of_changed:
        yield f"  {changed_said(one)}"
    if one.outside:
        yield f"  {one.outside}"
    contract = one.availability.contract
    for count in one.availability.counts:
        first = count is contract
        yield f"  {'Contract' if first else 'For information'}, {count.rule.rule}: {count.because}"
        yield f"    Rule: {count.rule.said()} ({count.rule.source})."
        if first:
            yield from _details(count, where)
    yield from (f"  {note}" for note in one.availability.excuse.notes)
    if contract is None and not one.outside:
        yield "  The card names none of these rules, so none is the contract's."
    if not one.outside:
        yield f"  Credits: {one.credits.because if one.credits else one.no_credits}"
    if one.credits:
        yield from _credits(one.credits)
    if one.repeated:
        yield f"  Repeated failure: {one.repeated.because}"
    for quality in one.quality:
        yield from _quality(quality)
    yield from (f"  Rate {verdict.direction}: {verdict.because}" for verdict in one.rates)


def changed_said(one: Statement) -> str:
    """What to know of a part of a month in which the card changed."""
    fee = f", with its share of the month's fee, {one.fee.said()}" if one.fee else ""
    return (
        "The card changed within this month: each part of it is counted over its own time, by the version "
        f"that was in force then{fee}."
    )


def _details(count: Count, where: tzinfo) -> Iterator[str]:
    """What is known and not known, and the outages."""
    parts = (
        (count.unwatched_s, "not measured"),
        (count.unsure_s, "either way"),
        (count.house_s, "with the house's own network down"),
        (count.unplaced_s, "bad, and nothing tells whether it was the line"),
    )
    unseen = ", ".join(f"{_time(seconds)} {what}" for seconds, what in parts if seconds)
    yield f"    Watched {_time(count.watched_s)} of {_time(count.period_s)}{f'; {unseen}' if unseen else ''}."
    if count.floor_s is not None and count.bound_s is not None:
        yield (
            f"    Shorter than {count.floor_s:g} s is no outage by this rule; each end is known "
            f"to {count.bound_s:.2f} s."
        )
    yield from (f"    {_outage(one, where)}" for one in count.outages)
    for low, high in count.unplaced:
        yield f"    {_at(low, where)} to {_at(high, where)}: lost, but not placed; not counted"


def _outage(one: Counted, where: tzinfo) -> str:
    more = [f"counts {_time(one.seconds)}"]
    if one.excused_s:
        more.append(f"{_time(one.excused_s)} excused by announced works")
    if one.overrun_s:
        more.append(f"of it {_time(one.overrun_s)} beyond the works")
    if one.unreported_s:
        more.append(f"{_time(one.unreported_s)} before a ticket")
    if one.ticket:
        more.append(f"ticket {one.ticket.reference} opened {_at(one.ticket.opened_s, where)}")
    return f"{_at(one.from_s, where)} to {_at(one.to_s, where)}: {'; '.join(more)}"


def _credits(found: Credits) -> Iterator[str]:
    yield from (f"    {step}" for step in found.ours.steps)
    if found.theirs.share != found.ours.share:
        yield "    The provider's own counting, from the ticket and without overruns:"
        yield from (f"      {step}" for step in found.theirs.steps)
        for clause in found.clauses:
            amount = f" -> {clause.amount.said()}" if clause.amount else ""
            decides = "; this alone decides" if clause.decides else ""
            yield f"      + {clause.name}: {_time(clause.down_s)}{amount}{decides} ({clause.says})"
    if found.most.share != found.ours.share and found.most.amount:
        yield f"    If all that was not seen had been outage: {found.most.amount.said()}."
    yield from (
        f"    Repair of {_time(one.outage.to_s - one.outage.from_s)}: {one.because}" for one in found.repairs
    )
    if found.claim_until and found.ours.share:
        left = found.days_left or 0
        yield f"    Claim by {found.claim_until}: {f'{left} days left' if left >= 0 else 'that day is over'}."


def _quality(found: Quality) -> Iterator[str]:
    """Delay and loss to one endpoint, in the time that was available."""
    out = f", {_time(found.left_out_s)} of outage left out" if found.left_out_s else ""
    yield f"  Delay and loss to {found.endpoint}, {_time(found.seconds)} watched{out}:"
    for part in found.promises:
        yield f"    {part.because}"
    if found.note:
        yield f"    {found.note}"
    shape = found.shape
    if shape and shape.bursts.bursts:
        density, gap = shape.bursts.burst_density or 0, shape.bursts.gap_density or 0
        mean_s = shape.bursts.mean_burst_s(shape.spacing_s) or 0
        yield (
            f"    Around stalls ({grouped(shape.packets)} packets): {shape.bursts.bursts} bursts by RFC "
            "3611, of "
            f"{mean_s:.2f} s in the mean, {100 * density:.1f} % lost in them and {100 * gap:.2f} % between; "
            f"{shape.periods} losses in a row, the longest {shape.longest_period} packets."
        )
    if found.classes is not None:
        listed = ", ".join(map(str, found.classes))
        yield f"    For information: meets the bounds of ITU-T Y.1541 classes {listed}."


def _time(seconds: float) -> str:
    whole, rest = divmod(round(seconds), 60)
    if not whole:
        return f"{rest} s"
    return f"{whole} min {rest} s" if rest else f"{whole} min"


def _at(at_s: float, where: tzinfo) -> str:
    return f"{local(round(at_s * NS_PER_S), where):%Y-%m-%d %H:%M:%S}"
