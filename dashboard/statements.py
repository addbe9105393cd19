"""A month of one handoff, judged: availability by every rule, credits, rates; what a statement says.

Reads with a `Reader`, so it runs in that reader's thread. The judges know no wording of papers; this puts
them together. Imports store, judge, seen and history.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta, tzinfo
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from dashboard import history, quality, seen
from dashboard.judge import availability, credits, months, outages, works
from dashboard.judge.availability import Availability, Count, Time
from dashboard.judge.credits import Credits, Repeated
from dashboard.judge.months import Span
from dashboard.judge.verdict import RateVerdict
from dashboard.judge.works import Counted
from dashboard.quality import Quality
from store.card import Card
from store.clock import NS_PER_S, rfc3339, zone
from store.reader import Reader
from store.site import Handoff, Site
from store.terms import AvailabilityPeriod, Money, OutageRule
from store.terms_reader import money
from store.tickets import TicketNote


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """What can be said of one handoff and month; `period` is the time that its contract counts over.

    Where the card changed within the month, `month` and `period` are what of them the newest version was in
    force, `earlier` has the parts before, oldest first, each by its own version, and all are `of_changed`.
    `fee` is the month's, for a part its share by time. `credits` is None where the card names no rule or
    counts over more than a month, and `no_credits` says so. `outside` says that no card was in force in the
    month, empty where one was: then nothing was promised, and what was measured is for information.
    """

    handoff: Handoff
    month: Span
    period: Span
    now_s: int
    availability: Availability
    fee: Money | None
    credits: Credits | None
    no_credits: str
    repeated: Repeated | None
    quality: tuple[Quality, ...]
    rates: tuple[RateVerdict, ...]
    of_changed: bool
    earlier: tuple[Statement, ...] = ()
    outside: str = ""

    @property
    def over(self) -> bool:
        """Whether the period has ended."""
        return self.now_s >= self.period.until_s

    @property
    def parts(self) -> tuple[Statement, ...]:
        """All parts of the month, oldest first; itself alone where the card did not change."""
        return (*self.earlier, self)

    def part_said(self, where: tzinfo) -> str:
        """Which part of the month it is: ``to 14 Nov 10:00``; empty for a whole one."""
        return months.part_said(self.month, where)


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthCount:
    """A month, or a part of it, under the contract's rule, or the first of trains where the card has none.

    Its `credits` say by when they must be claimed, and not how many days are left.
    """

    month: Span
    count: Count
    credits: Credits | None


def find(reader: Reader, site: Site, handoff: Handoff, *, day: date, now_ns: int) -> Statement:
    """Judge the month that `day` lies in, each version of the card for the time that it was in force."""
    where = zone(site.timezone)
    parts = [
        _part(reader, site, handoff, own, month, now_s=now_ns // NS_PER_S)
        for own, month in versions(handoff, months.month(day, where), where)
    ]
    return replace(parts[-1], earlier=tuple(parts[:-1]))


def _part(
    reader: Reader, site: Site, handoff: Handoff, own: Handoff, month: Span, *, now_s: int
) -> Statement:
    """A month, or what of it a version of the card was in force; `own` is the handoff with that one."""
    where, card = zone(site.timezone), own.card
    whole = months.period(card.outages.period, month.first_day, where)
    period = next((span for each, span in versions(handoff, whole, where) if each.card is card), month)
    excused_s = _excused_s(reader, site, handoff, period, now_s=now_s)
    found = judged(reader, site, own, period, now_s=now_s, excused_s=excused_s)
    outside = _outside(own, month, where)
    why_not = outside or _no_credits(own, found)
    return Statement(
        handoff=own,
        month=month,
        period=period,
        now_s=now_s,
        availability=found,
        fee=_fee(handoff, own, month, where),
        credits=None
        if why_not
        else _credits(reader, handoff, own, found, period, where, now_s=now_s, excused_s=excused_s),
        no_credits=why_not,
        repeated=_repeated(reader, site, handoff, own, period, now_s=now_s),
        quality=delay_and_loss(reader, site, own, month, found),
        rates=_rates(reader, site, own, month),
        of_changed=len(versions(handoff, months.month(month.first_day, where), where)) > 1,
        outside=outside,
    )


def versions(handoff: Handoff, span: Span, where: tzinfo) -> list[tuple[Handoff, Span]]:
    """A time cut where a version of the card begins: the handoff with each, and what lies in its term.

    What lies in no term is left out; a time of which nothing does has a card that promises nothing.
    """
    begins = [(card.from_unix_ns or 0) // NS_PER_S for card in handoff.cards[1:]]
    every = [
        (replace(handoff, card=handoff.card_at(piece.until_s * NS_PER_S - 1), earlier=()), piece)
        for piece in months.pieces(span, begins, where)
    ]
    found = [(own, mine) for own, piece in every if (mine := _in_term(piece, own, where)) is not None]
    if found:
        return found
    own, _ = every[-1]
    return [(replace(own, card=_unpromised(own.card)), span)]


def _unpromised(card: Card) -> Card:
    """The contract of this card in a time in which it was not in force: whose it is, and nothing promised."""
    return Card(
        provider=card.provider,
        reference=card.reference,
        from_unix_ns=card.from_unix_ns,
        layer=card.layer,
        service_start=card.service_start,
        term_end=card.term_end,
        measured_to=card.measured_to,
    )


def _outside(own: Handoff, month: Span, where: tzinfo) -> str:
    """The sentence that no card was in force in a month, if none was."""
    if _in_term(month, own, where) is not None:
        return ""
    start, end = own.card.service_start, own.card.term_end
    why = (
        f"the service starts on {start:%d %b %Y}"
        if start is not None and month.until_day <= start
        else f"the term ended on {end:%d %b %Y}"
        if end is not None
        else "it lies in no term"
    )
    return (
        f"No contract card was in force in {month.first_day:%B %Y}: {why}. Nothing was promised and nothing "
        "is owed; what was measured is for information."
    )


def _in_term(span: Span, handoff: Handoff, where: tzinfo) -> Span | None:
    """What of a time lies in the term of the contract."""
    first = max(span.first_day, handoff.card.service_start or span.first_day)
    last = handoff.card.term_end
    until = min(span.until_day, last + timedelta(days=1)) if last else span.until_day
    if first >= until:
        return None
    days = months.between(first, until, where)
    return replace(days, from_s=max(days.from_s, span.from_s), until_s=min(days.until_s, span.until_s))


def tickets(reader: Reader, handoff: Handoff) -> tuple[TicketNote, ...]:
    """The notes on tickets that concern a handoff."""
    return tuple(reader.documents(TicketNote, handoff=handoff.name))


def month_count(reader: Reader, site: Site, handoff: Handoff, month: Span, *, now_s: int) -> MonthCount:
    """A month, or a part of it, under the contract's rule, or severe seconds, and its credits if the card at
    its end has any."""
    where = zone(site.timezone)
    own = replace(handoff, card=handoff.card_at(month.until_s * NS_PER_S - 1), earlier=())
    if _in_term(month, own, where) is None:
        own = replace(own, card=_unpromised(own.card))
    excused_s = _excused_s(reader, site, handoff, month, now_s=now_s)
    found = judged(reader, site, own, month, now_s=now_s, alone=True, excused_s=excused_s)
    if _no_credits(own, found):
        return MonthCount(month=month, count=found.counts[0], credits=None)
    credits_ = _credits(reader, handoff, own, found, month, where, now_s=now_s, excused_s=excused_s)
    credits_ = replace(credits_, days_left=None)  # which is of today, and a month is kept for longer
    return MonthCount(month=month, count=found.counts[0], credits=credits_)


def judged(
    reader: Reader,
    site: Site,
    handoff: Handoff,
    span: Span,
    *,
    now_s: int,
    alone: bool = False,
    excused_s: float = 0,
) -> Availability:
    """Availability over a time by the handoff's newest card; `alone`: by the contract's rule, or severe
    seconds, only. So much of the first month's cap on works is gone already as `excused_s` says."""
    card = handoff.card
    only = (card.outages.rule or OutageRule.SEVERE_SECONDS) if alone else None
    return availability.judge(
        seen.read(reader, site, handoff, from_s=span.from_s, until_s=span.until_s, only=only),
        terms=card.outages,
        promised=card.availability_ratio,
        maintenance_cap_s=card.maintenance_cap_s,
        time=Time(from_s=span.from_s, until_s=span.until_s, now_s=now_s, excused_s=excused_s),
        where=zone(site.timezone),
        only=only,
    )


def _excused_s(reader: Reader, site: Site, handoff: Handoff, part: Span, *, now_s: int) -> float:
    """What was excused in a month before the part of it with which this version of the card began."""
    where = zone(site.timezone)
    before = replace(months.month(part.first_day, where), until_s=part.from_s)
    if before.from_s >= part.from_s or _begins(handoff, part) != part.from_s:
        return 0.0
    used_s = 0.0
    for own, span in versions(handoff, before, where):
        found = judged(reader, site, own, span, now_s=now_s, alone=True, excused_s=used_s)
        used_s += _excused(found, own.card, span, where, used_s)[1]
    return used_s


def _begins(handoff: Handoff, part: Span) -> int:
    """When the version in force at the end of a part began; the earliest of all began with the first."""
    card = handoff.card_at(part.until_s * NS_PER_S - 1)
    return 0 if card is handoff.cards[0] else (card.from_unix_ns or 0) // NS_PER_S


def _excused(
    found: Availability, card: Card, span: Span, where: tzinfo, used_s: float
) -> tuple[outages.Spans, float]:
    """What of the outages under the first rule works excuse, and how long that is."""
    mine = outages.within(found.counts[0].raw, span.from_s, span.until_s)
    excused = works.capped(
        mine, found.excuse.spans, cap_s=card.maintenance_cap_s, where=where, used=(span.from_s, used_s)
    )
    return excused, outages.total_s(excused)


def _no_credits(handoff: Handoff, found: Availability) -> str:
    if found.contract is None:
        return "The card does not name one of the rules for outages, so no credit can be worked out."
    if handoff.card.outages.period is not AvailabilityPeriod.MONTH:
        return (
            f"The card counts availability by the {handoff.card.outages.period}, and which fee a credit is a "
            "share of is then not stated."
        )
    if not handoff.card.credits.ladder and handoff.card.credits.repair_credit is None:
        return "The card states no credits."
    return ""


def _fee(handoff: Handoff, own: Handoff, month: Span, where: tzinfo) -> Money | None:
    """A month's fee; where another version was in force for a part of the month, the share of the time."""
    fee = money(own.card.fee_per_month)
    parts = versions(handoff, months.month(month.first_day, where), where)
    if fee is None or len(parts) < 2:
        return fee
    share = fee.amount * month.seconds / sum(span.seconds for _, span in parts)
    return Money(amount=share.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP), unit=fee.unit)


def _credits(
    reader: Reader,
    handoff: Handoff,
    own: Handoff,
    found: Availability,
    period: Span,
    where: tzinfo,
    *,
    now_s: int,
    excused_s: float = 0,
) -> Credits:
    """By `own`, the handoff with the card of the period; a claim is in time by the end of all of it."""
    count, card = found.contract, own.card
    assert count is not None  # noqa: S101 - `_no_credits`
    mine = (period.from_s, period.until_s)
    last = versions(handoff, months.month(period.first_day, where), where)[-1][1]
    return credits.judge(
        count.raw,
        sure_down_s=count.sure_down_s,
        most_down_s=count.most_down_s,
        excused=_excused(found, card, period, where, excused_s)[0],
        tickets=seen.tickets(
            reader, handoff, since_ns=period.from_s * NS_PER_S, until_ns=period.until_s * NS_PER_S
        ),
        terms=card.credits,
        counts_from=card.outages.counts_from,
        overruns_count=card.outages.overruns_count,
        fee=_fee(handoff, own, period, where),
        time=mine,
        leaves_s=count.leaves_s,
        last_day=last.until_day - timedelta(days=1),
        today=months.day_at(now_s, where),
    )


def _repeated(
    reader: Reader, site: Site, handoff: Handoff, own: Handoff, period: Span, *, now_s: int
) -> Repeated | None:
    """The clause of `own`'s card; each outage of the days before counts as the card of its time has it."""
    terms, where = own.card.credits, zone(site.timezone)
    if terms.repeat_days is None or own.card.outages.rule is None:
        return None
    until = min(period.until_day, months.day_at(now_s, where) + timedelta(days=1))
    back = months.between(until - timedelta(days=terms.repeat_days), until, where)
    back = replace(back, until_s=min(back.until_s, period.until_s))
    found: list[Counted] = []
    for each, span in versions(handoff, back, where):
        count = judged(reader, site, each, span, now_s=now_s, alone=True).contract
        found += count.outages if count else ()
    return credits.repeated(_joined(found), terms, until_s=back.until_s, where=where)


def _joined(found: Sequence[Counted]) -> list[Counted]:
    """The outages, those made one again that a change of the card cut in two."""
    joined: list[Counted] = []
    for one in found:
        if joined and joined[-1].to_s == one.from_s:
            last = joined.pop()
            one = replace(last, to_s=one.to_s, counts=last.counts + one.counts)
        joined.append(one)
    return joined


def delay_and_loss(
    reader: Reader, site: Site, handoff: Handoff, month: Span, found: Availability
) -> tuple[Quality, ...]:
    """Delay and loss in the available time of a span, by the contract's rule or the first of trains."""
    count = found.contract or found.counts[0]
    of_trains = count if count.rule.of_trains else next(one for one in found.counts if one.rule.of_trains)
    out = outages.merged([*of_trains.raw, *of_trains.unplaced])
    return quality.read(reader, site, handoff, from_s=month.from_s, until_s=month.until_s, without=out)


def _rates(reader: Reader, site: Site, handoff: Handoff, month: Span) -> tuple[RateVerdict, ...]:
    name, since_ns, until_ns = handoff.name, month.from_s * NS_PER_S, month.until_s * NS_PER_S
    records = [
        *reader.rate_runs(handoff=name, since_ns=since_ns, until_ns=until_ns, bins=False),
        *reader.troubles(handoff=name, since_ns=since_ns, until_ns=until_ns),
    ]
    return tuple(verdict for _, verdict in history.verdicts(site, handoff, records, now_unix_ns=until_ns - 1))


# JSON


def as_json(found: Statement) -> dict[str, Any]:
    """The statement as a program reads it; moments in RFC 3339, UTC.

    Where the card changed within the month it is of the last part, and `earlier` has the others.
    """
    contract, begun = found.availability.contract, found.handoff.card.from_unix_ns
    return {
        "handoff": found.handoff.name,
        "month": f"{found.month.first_day:%Y-%m}",
        "from": _moment(found.period.from_s),
        "to": _moment(found.period.until_s),
        "over": found.over,
        "card_from": None if begun is None else rfc3339(begun),
        "month_from": _moment(found.month.from_s),
        "month_to": _moment(found.month.until_s),
        "card_changed": found.of_changed,
        "fee": None if found.fee is None else plain(asdict(found.fee)),
        "promised_ratio": found.availability.promised,
        "contract_rule": None if contract is None else str(contract.rule.rule),
        "availability": [count_json(one) for one in found.availability.counts],
        "maintenance": {
            "excused": [_span(one) for one in found.availability.excuse.spans],
            "notes": list(found.availability.excuse.notes),
        },
        "credits": None if found.credits is None else _credits_json(found.credits),
        "no_credits": found.no_credits or None,
        "outside_term": found.outside or None,
        "repeated_failure": None if found.repeated is None else _repeated_json(found.repeated),
        "delay_and_loss": [plain(quality.as_json(one, found.handoff.card)) for one in found.quality],
        "rates": [plain(asdict(one)) for one in found.rates],
        "earlier": [as_json(one) for one in found.earlier],
    }


def count_json(count: Count) -> dict[str, Any]:
    """One rule's count."""
    rule = count.rule
    return {
        "rule": str(rule.rule),
        "says": rule.said(),
        "source": rule.source,
        "word": str(count.word),
        "because": count.because,
        "ratio": count.ratio,
        "best_ratio": count.best_ratio,
        "worst_ratio": count.worst_ratio,
        **{
            name: getattr(count, name)
            for name in (
                *("period_s", "watched_s", "unwatched_s", "unsure_s", "house_s", "unplaced_s"),
                *("down_s", "sure_down_s", "most_down_s", "excused_s", "floor_s", "bound_s"),
            )
        },
        "outages": [_counted_json(one) for one in count.outages],
        "unplaced": [_span(one) for one in count.unplaced],
    }


def _counted_json(one: Counted) -> dict[str, Any]:
    return {
        "from": _moment(one.from_s),
        "to": _moment(one.to_s),
        "counts_s": round(one.seconds, 3),
        "excused_s": round(one.excused_s, 3),
        "overrun_s": round(one.overrun_s, 3),
        "unreported_s": round(one.unreported_s, 3),
        "ticket": one.ticket and one.ticket.reference,
    }


def _credits_json(found: Credits) -> dict[str, Any]:
    return {
        "because": found.because,
        "ours": plain(asdict(found.ours)),
        "providers_counting": plain(asdict(found.theirs)),
        "if_unseen_were_outage": plain(asdict(found.most)),
        "clauses": [plain(asdict(one)) for one in found.clauses],
        "open_readings": list(found.open_readings),
        "repairs": [
            _counted_json(one.outage)
            | {"seconds": one.seconds, "over_hours": one.over_hours, "because": one.because}
            for one in found.repairs
        ],
        "claim_until": None if found.claim_until is None else found.claim_until.isoformat(),
        "days_left": found.days_left,
    }


def _repeated_json(found: Repeated) -> dict[str, Any]:
    return {
        "needed": found.needed,
        "longer_than_s": found.longer_than_s,
        "days": found.days,
        "reached": found.reached,
        "because": found.because,
        "outages": [_span(one) for one in found.outages],
    }


def plain(value: Any) -> Any:
    """A judge's value as JSON's own types: exact numbers and days as texts."""
    match value:
        case Decimal():
            return f"{value:f}"
        case Money():
            return {"amount": f"{value.amount:f}", "unit": value.unit}
        case date():
            return value.isoformat()
        case Mapping():
            return {name: plain(each) for name, each in value.items()}
        case tuple() | list():
            return [plain(each) for each in value]
    return value


def _moment(at_s: float) -> str:
    return rfc3339(round(at_s * NS_PER_S))


def _span(span: tuple[float, float]) -> dict[str, str]:
    return {"from": _moment(span[0]), "to": _moment(span[1])}
