"""Service credits of a month: ladder, slow repair, cap, the day by which to claim; every step is shown.

Money is exact: decimal numbers, rounded to the hundredth once, at the end of each credit, half up. The
provider's own counting is worked out beside ours, and the clauses are named by which the two differ. Pure.
Imports availability, works, months and store.terms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo
from decimal import ROUND_HALF_UP, Decimal

from dashboard.judge import availability, works
from dashboard.judge.months import day_at
from dashboard.judge.outages import Spans, within
from dashboard.judge.works import Counted, Ticket
from store.terms import CountsFrom, CreditTerms, Money

_CENT = Decimal("0.01")


@dataclass(frozen=True, slots=True, kw_only=True)
class Credit:
    """What `down_s` of outage in a period of `period_s` earns by the ladder and for slow repairs, capped.

    `steps` is the arithmetic line by line. The amounts are None where the card has no fee as a number.
    """

    down_s: int
    period_s: int
    available: Decimal
    ladder_share: Decimal
    repair_share: Decimal
    share: Decimal  # after the cap
    amount: Money | None
    steps: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clause:
    """A clause by which ours and the provider's counting differ, in our reading.

    `down_s` and `amount` are what the provider's counting becomes with this clause alone read our way;
    `decides` says that it alone then earns what ours does.
    """

    name: str
    says: str
    down_s: int
    amount: Money | None
    decides: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """How long an outage took to mend by the repair clause; `over_hours` were begun beyond it."""

    outage: Counted
    clock_from_s: float | None
    seconds: float | None
    over_hours: int
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeated:
    """The clause on repeated failure: the outages that count towards it, and whether they are enough."""

    needed: int
    longer_than_s: int
    days: int
    outages: Spans
    reached: bool
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Credits:
    """Credits of a period: ours, the provider's way of counting, and the clauses between the two.

    `most` is what would be earned if all that was not seen had been outage. `open_readings` names clauses
    that the card does not state and that would change the amount: then nothing is settled.
    """

    ours: Credit
    theirs: Credit
    most: Credit
    clauses: tuple[Clause, ...]
    open_readings: tuple[str, ...]
    repairs: tuple[Repair, ...]
    claim_until: date | None
    days_left: int | None
    because: str


def credit(
    down_s: int,
    period_s: int,
    terms: CreditTerms,
    fee: Money | None,
    *,
    over_hours: int = 0,
    leaves_s: int = 0,
) -> Credit:
    """The credit for so much outage, with every step."""
    whole_s = period_s - leaves_s
    available = Decimal(whole_s - down_s) / Decimal(whole_s) if whole_s > 0 else Decimal(1)
    steps = [
        f"({_minutes(whole_s)} - {_minutes(down_s)}) / {_minutes(whole_s)} min = {_percent(available)}",
    ]
    ladder = _of_ladder(whole_s - down_s, whole_s, terms, steps)
    repair = Decimal(0)
    if over_hours and terms.repair_credit is not None:
        repair = terms.repair_credit * over_hours
        steps.append(
            f"repair: {over_hours} started hours beyond x {_share(terms.repair_credit)} = {_share(repair)}"
        )
    share = ladder + repair
    if repair:
        steps.append(f"{_share(ladder)} + {_share(repair)} = {_share(share)}")
    if terms.cap_ratio is not None and share > terms.cap_ratio:
        steps.append(f"capped at {_share(terms.cap_ratio)}")
        share = terms.cap_ratio
    amount = None
    if fee is not None:
        sum_ = (fee.amount * share).quantize(_CENT, rounding=ROUND_HALF_UP)
        amount = Money(amount=sum_, unit=fee.unit)
        steps.append(f"{_share(share)} of {fee.said()} = {amount.said()}")
    else:
        steps.append(f"{_share(share)} of a fee that the card does not give as a number")
    return Credit(
        down_s=down_s,
        period_s=period_s,
        available=available,
        ladder_share=ladder,
        repair_share=repair,
        share=share,
        amount=amount,
        steps=tuple(steps),
    )


def _of_ladder(up_s: int, whole_s: int, terms: CreditTerms, steps: list[str]) -> Decimal:
    """The share of the lowest step that the time is below; compared without rounding."""
    reached = [step for step in terms.ladder if Decimal(up_s) < step.below * Decimal(whole_s)]
    if not terms.ladder:
        steps.append("the card states no ladder of credits")
        return Decimal(0)
    if not reached:
        steps.append(f"not below {_share(terms.ladder[0].below)}: no credit")
        return Decimal(0)
    last = reached[-1]
    steps.append(f"below {_share(last.below)}: {_share(last.credit)}")
    return last.credit


def judge(
    raw: Spans,
    *,
    sure_down_s: int,
    most_down_s: int,
    excused: Spans,
    tickets: Sequence[Ticket],
    terms: CreditTerms,
    counts_from: CountsFrom | None,
    overruns_count: bool | None,
    fee: Money | None,
    time: tuple[int, int],
    leaves_s: int,
    last_day: date,
    today: date,
) -> Credits:
    """The credits of a time (from, until) in which `raw` outages were seen.

    `counts_from` and `overruns_count` are as the card states them, None where it does not. `last_day` is the
    last of the period, from which the days to claim are counted.
    """
    mine = within(raw, *time)
    period_s = time[1] - time[0]
    ours_by = (counts_from or CountsFrom.DETECTION, overruns_count is not False)

    def counted(by: tuple[CountsFrom, bool]) -> tuple[Counted, ...]:
        return works.count(mine, excused=excused, tickets=tickets, counts_from=by[0], overruns_count=by[1])

    repairs = tuple(_repair(one, terms) for one in counted(ours_by) if one.counts)
    hours = sum(one.over_hours for one in repairs)

    def earned(down_s: int) -> Credit:
        return credit(down_s, period_s, terms, fee, over_hours=hours, leaves_s=leaves_s)

    def down_s(by: tuple[CountsFrom, bool]) -> int:
        return round(sum(one.seconds for one in counted(by)))

    ours = earned(sure_down_s)
    theirs_by = (CountsFrom.REPORT, False)
    theirs = earned(min(down_s(theirs_by), sure_down_s))
    clauses = tuple(
        _clause(name, says, down_s(by), earned(down_s(by)), ours, theirs)
        for name, says, by in (
            (
                "detection counts",
                "an outage counts from its detection in the record, not from the ticket",
                (ours_by[0], theirs_by[1]),
            ),
            (
                "overruns count",
                "works that go beyond what was agreed count as outage",
                (theirs_by[0], ours_by[1]),
            ),
        )
        if down_s(by) != down_s(theirs_by)
    )
    open_readings = _open(ours, theirs, clauses, counts_from, overruns_count)
    claim = None if terms.claim_days is None else last_day + timedelta(days=terms.claim_days)
    return Credits(
        ours=ours,
        theirs=theirs,
        most=earned(most_down_s),
        clauses=clauses,
        open_readings=open_readings,
        repairs=repairs,
        claim_until=claim,
        days_left=None if claim is None else (claim - today).days,
        because=_because(ours, theirs, clauses, open_readings, claim),
    )


def _clause(name: str, says: str, down_s: int, found: Credit, ours: Credit, theirs: Credit) -> Clause:
    decides = found.share == ours.share != theirs.share
    return Clause(name=name, says=says, down_s=down_s, amount=found.amount, decides=decides)


def _open(
    ours: Credit,
    theirs: Credit,
    clauses: Sequence[Clause],
    counts_from: CountsFrom | None,
    overruns_count: bool | None,
) -> tuple[str, ...]:
    """Clauses on which the card is silent and which matter to the amount."""
    if ours.share == theirs.share:
        return ()
    silent = {"detection counts": counts_from is None, "overruns count": overruns_count is None}
    return tuple(one.name for one in clauses if silent[one.name])


def _repair(outage: Counted, terms: CreditTerms) -> Repair:
    """The repair of one outage, from the moment that the clause says."""
    ticket = outage.ticket
    if terms.repair_s is None:
        return _no_repair(outage, "the card states no time to repair")
    if ticket is None:
        return _no_repair(outage, "no ticket is on record, and the clock starts with a report")
    ahead_s = ticket.opened_s - outage.from_s
    limit_s = terms.repair_reported_within_s
    from_detection = limit_s is not None and ahead_s <= limit_s
    start = outage.from_s if from_detection else max(ticket.opened_s, outage.from_s)
    took_s = max(0.0, outage.to_s - start)
    over = math.ceil(max(0.0, took_s - terms.repair_s) / 3600)
    reported = f"reported after {_minutes(ahead_s)} min" if ahead_s > 0 else "reported before"
    since = "from detection" if from_detection else "from the report"
    beyond = f", {over} started hours beyond" if over else ""
    return Repair(
        outage=outage,
        clock_from_s=start,
        seconds=took_s,
        over_hours=over,
        because=f"{reported}, so the clock runs {since}: {_minutes(took_s)} of "
        f"{_minutes(terms.repair_s)} min{beyond}",
    )


def _no_repair(outage: Counted, why: str) -> Repair:
    return Repair(outage=outage, clock_from_s=None, seconds=None, over_hours=0, because=why)


def repeated(
    counted: Sequence[Counted], terms: CreditTerms, *, until_s: int, where: tzinfo
) -> Repeated | None:
    """The clause on repeated failure at the end of a time; None when the card has none.

    What counts of an outage must be longer than the clause says. Its days are those before `until_s`.
    """
    if terms.repeat_count is None or terms.repeat_longer_than_s is None or terms.repeat_days is None:
        return None
    since_s = until_s - terms.repeat_days * 86_400
    long = [
        (one.from_s, one.to_s)
        for one in counted
        if one.seconds > terms.repeat_longer_than_s and one.from_s >= since_s and one.from_s < until_s
    ]
    reached = len(long) >= terms.repeat_count
    days = ", ".join(str(day_at(low, where)) for low, _ in long)
    clause = (
        f"{terms.repeat_count} outages of more than {_minutes(terms.repeat_longer_than_s)} min "
        f"in {terms.repeat_days} days"
    )
    return Repeated(
        needed=terms.repeat_count,
        longer_than_s=terms.repeat_longer_than_s,
        days=terms.repeat_days,
        outages=long,
        reached=reached,
        because=f"{clause}: {len(long)} so far{f' ({days})' if days else ''}, "
        f"{'reached' if reached else 'not reached'}.",
    )


def _because(
    ours: Credit, theirs: Credit, clauses: Sequence[Clause], open_: Sequence[str], claim: date | None
) -> str:
    due = "" if claim is None else f" Claim by {claim.day} {claim:%B %Y}."
    if not ours.share:
        return "No credit is due by what the record shows."
    mine = f"{_percent(ours.available)} earns {_sum(ours)}"
    if ours.share == theirs.share:
        return f"{mine}; the provider's own way of counting earns the same.{due}"
    deciding = [one for one in clauses if one.decides] or list(clauses)
    names = (" or " if any(one.decides for one in clauses) else " and ").join(one.name for one in deciding)
    theirs_ = f"the provider's own counting, {_percent(theirs.available)}, earns {_sum(theirs)}"
    silent = (
        f" The card does not state whether {' and '.join(open_)}, so this is to be settled first."
        if open_
        else ""
    )
    which = f"{'either alone' if len(deciding) > 1 and deciding[0].decides else 'this'} decides"
    return f"{mine}; {theirs_}. Clause: {names} ({which}).{silent}{due}"


def _sum(found: Credit) -> str:
    return found.amount.said() if found.amount is not None else f"{_share(found.share)} of the fee"


def _share(ratio: Decimal) -> str:
    text = f"{(ratio * 100).normalize():f}"
    return f"{text} %"


def _percent(ratio: Decimal) -> str:
    return availability.percent(float(ratio))


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:g}" if round(seconds / 60, 2) != seconds / 60 else f"{round(seconds / 60, 2):g}"
