"""A month of one handoff, judged: availability by every rule, credits, rates; what a statement says.

Reads with a `Reader`, so it runs in that reader's thread. The judges know no wording of papers; this puts
them together. Imports store, judge, seen and history.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta, tzinfo
from decimal import Decimal
from typing import Any

from dashboard import history, quality, seen
from dashboard.judge import availability, credits, months, outages, works
from dashboard.judge.availability import Availability, Count, Time
from dashboard.judge.credits import Credits, Repeated
from dashboard.judge.months import Span
from dashboard.judge.verdict import RateVerdict
from dashboard.judge.works import Counted
from dashboard.quality import Quality
from store.clock import NS_PER_S, rfc3339, zone
from store.reader import Reader
from store.site import Handoff, Site
from store.terms import AvailabilityPeriod, Money, OutageRule
from store.terms_reader import money
from store.tickets import TicketNote


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """What can be said of one handoff and month; `period` is the time that its contract counts over.

    With `card_changed` the card had another version earlier in the month; the one at its end is used.
    `credits` is None where the card names no rule or counts over more than a month, and `no_credits` says so.
    """

    handoff: Handoff
    month: Span
    card_changed: bool
    period: Span
    now_s: int
    availability: Availability
    credits: Credits | None
    no_credits: str
    repeated: Repeated | None
    quality: tuple[Quality, ...]
    rates: tuple[RateVerdict, ...]

    @property
    def over(self) -> bool:
        """Whether the period has ended."""
        return self.now_s >= self.period.until_s


def find(reader: Reader, site: Site, handoff: Handoff, *, day: date, now_ns: int) -> Statement:
    """Judge the month that `day` lies in."""
    where, now_s = zone(site.timezone), now_ns // NS_PER_S
    last_ns = months.month(day, where).until_s * NS_PER_S - 1
    changed = len({handoff.card_at(at_ns).from_unix_ns for at_ns in (last_ns, _first_ns(day, where))}) > 1
    handoff = replace(handoff, card=handoff.card_at(last_ns), earlier=())
    card = handoff.card
    month = in_term(months.month(day, where), handoff, where)
    period = in_term(months.period(card.outages.period, day, where), handoff, where)
    found = judged(reader, site, handoff, period, now_s=now_s)
    why_not = _no_credits(handoff, found)
    return Statement(
        handoff=handoff,
        month=month,
        card_changed=changed,
        period=period,
        now_s=now_s,
        availability=found,
        credits=None if why_not else _credits(reader, handoff, found, period, where, now_s=now_s),
        no_credits=why_not,
        repeated=_repeated(reader, site, handoff, period, now_s=now_s),
        quality=delay_and_loss(reader, site, handoff, month, found),
        rates=_rates(reader, site, handoff, month),
    )


def tickets(reader: Reader, handoff: Handoff) -> tuple[TicketNote, ...]:
    """The notes on tickets that concern a handoff."""
    return tuple(reader.documents(TicketNote, handoff=handoff.name))


def _first_ns(day: date, where: tzinfo) -> int:
    return months.month(day, where).from_s * NS_PER_S


def month_credits(
    reader: Reader, site: Site, handoff: Handoff, month: Span, *, now_s: int
) -> tuple[Count, Credits | None]:
    """A month under the contract's rule, or severe seconds, and its credits if the card has any."""
    where = zone(site.timezone)
    last_ns = month.until_s * NS_PER_S - 1
    handoff = replace(handoff, card=handoff.card_at(last_ns), earlier=())
    found = judged(reader, site, handoff, month, now_s=now_s, alone=True)
    if _no_credits(handoff, found):
        return found.counts[0], None
    return found.counts[0], _credits(reader, handoff, found, month, where, now_s=now_s)


def judged(
    reader: Reader, site: Site, handoff: Handoff, span: Span, *, now_s: int, alone: bool = False
) -> Availability:
    """Availability over a time; `alone`: by the contract's rule, or severe seconds, only."""
    card = handoff.card
    return availability.judge(
        seen.read(reader, site, handoff, from_s=span.from_s, until_s=span.until_s),
        terms=card.outages,
        promised=card.availability_ratio,
        maintenance_cap_s=card.maintenance_cap_s,
        time=Time(from_s=span.from_s, until_s=span.until_s, now_s=now_s),
        where=zone(site.timezone),
        only=(card.outages.rule or OutageRule.SEVERE_SECONDS) if alone else None,
    )


def in_term(span: Span, handoff: Handoff, where: tzinfo) -> Span:
    """What of a time lies in the term of the contract; the time itself where nothing does."""
    first = max(span.first_day, handoff.card.service_start or span.first_day)
    last = handoff.card.term_end
    until = min(span.until_day, last + timedelta(days=1)) if last else span.until_day
    return months.between(first, until, where) if first < until else span


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


def _credits(
    reader: Reader, handoff: Handoff, found: Availability, period: Span, where: tzinfo, *, now_s: int
) -> Credits:
    count, card = found.contract, handoff.card
    assert count is not None  # noqa: S101 - `_no_credits`
    mine = (period.from_s, period.until_s)
    return credits.judge(
        count.raw,
        sure_down_s=count.sure_down_s,
        most_down_s=count.most_down_s,
        excused=works.capped(count.raw, found.excuse.spans, cap_s=card.maintenance_cap_s, where=where),
        tickets=seen.tickets(
            reader, handoff, since_ns=period.from_s * NS_PER_S, until_ns=period.until_s * NS_PER_S
        ),
        terms=card.credits,
        counts_from=card.outages.counts_from,
        overruns_count=card.outages.overruns_count,
        fee=money(card.fee_per_month),
        time=mine,
        leaves_s=count.leaves_s,
        last_day=period.until_day - timedelta(days=1),
        today=months.day_at(now_s, where),
    )


def _repeated(reader: Reader, site: Site, handoff: Handoff, period: Span, *, now_s: int) -> Repeated | None:
    terms, where = handoff.card.credits, zone(site.timezone)
    if terms.repeat_days is None or handoff.card.outages.rule is None:
        return None
    until = min(period.until_day, months.day_at(now_s, where) + timedelta(days=1))
    back = in_term(months.between(until - timedelta(days=terms.repeat_days), until, where), handoff, where)
    count = judged(reader, site, handoff, back, now_s=now_s, alone=True).contract
    if count is None:
        return None
    return credits.repeated(count.outages, terms, until_s=back.until_s, where=where)


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
    """The statement as a program reads it; moments in RFC 3339, UTC."""
    contract = found.availability.contract
    return {
        "handoff": found.handoff.name,
        "month": f"{found.month.first_day:%Y-%m}",
        "from": _moment(found.period.from_s),
        "to": _moment(found.period.until_s),
        "over": found.over,
        "card_changed": found.card_changed,
        "promised_ratio": found.availability.promised,
        "contract_rule": None if contract is None else str(contract.rule.rule),
        "availability": [count_json(one) for one in found.availability.counts],
        "maintenance": {
            "excused": [_span(one) for one in found.availability.excuse.spans],
            "notes": list(found.availability.excuse.notes),
        },
        "credits": None if found.credits is None else _credits_json(found.credits),
        "no_credits": found.no_credits or None,
        "repeated_failure": None if found.repeated is None else _repeated_json(found.repeated),
        "delay_and_loss": [plain(quality.as_json(one, found.handoff.card)) for one in found.quality],
        "rates": [plain(asdict(one)) for one in found.rates],
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
