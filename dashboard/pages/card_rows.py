"""The contract card as a page and its JSON show it, field by field; nothing is guessed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import date, tzinfo
from itertools import pairwise
from typing import Any, TypeVar

from dashboard.judge.card_check import Trouble, Warned
from dashboard.pages.ledger import Entry, Heading, Mark, Table, cells
from dashboard.pages.wording import LAYERS, grouped, moment, span, stated_mbps, stated_percent
from store import terms
from store.calendar_span import CalendarSpan
from store.card import Card
from store.clock import rfc3339
from store.day_hours import WEEKDAYS
from store.layers import Layer
from store.terms import AvailabilityTerms, CreditTerms, LossInterval, Once

NOT_STATED = "not stated"
_FROM = "In force from"
_ALWAYS = (  # what stands in the card even where the contract is silent
    *("provider", "reference", "rate_up", "rate_down", "layer", "commitment", "port_rate", "mtu"),
    *("delay", "delay_variation", "loss", "measured_to", "availability", "availability_rule", "repair"),
    *("fee", "service_start", "term_end", "notice", "handover", "deemed_acceptance"),
)
_MARKS = {
    Trouble.UNMEETABLE: Mark(word="Cannot be met", look="bad"),
    Trouble.VAGUE: Mark(word="Vague", look="unsure"),
}
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class CardRow:
    """A line of the contract card."""

    key: str
    name: str
    value: str
    where: str

    @property
    def folded(self) -> bool:
        """Whether it is left to the sentence of what is not stated: not stated, and of less weight."""
        return self.value == NOT_STATED and self.key not in _ALWAYS


def card_rows(card: Card, where: tzinfo) -> tuple[CardRow, ...]:
    """The card field by field; what it does not say reads so, and is never guessed."""
    pages = dict(card.pages)
    fields = (
        *_in_force(card, where),
        *_rates(card),
        *_port(card),
        *_carried(card),
        *_kept(card),
        *_term(card),
        *_owed(card),
    )
    return tuple(
        CardRow(key=key, name=name, value=NOT_STATED if value is None else value, where=pages.get(key, ""))
        for key, name, value in fields
    )


def table(card: Card, where: tzinfo) -> Table:
    """The card's lines, without those that are folded."""
    return Table(
        caption="What the contract says, field by field; nothing here is guessed",
        headings=tuple(Heading(text=each, kind="prose") for each in ("Field", "As stated", "Where")),
        rows=tuple(cells(row.name, row.value, row.where) for row in card_rows(card, where) if not row.folded),
    )


def card_json(card: Card) -> dict[str, Any]:
    """The card as a program reads it: null is what it does not state, `not_stated` names those keys."""
    started = None if card.from_unix_ns is None else rfc3339(card.from_unix_ns)
    plain = {name: _plain(value, getattr(card, name)) for name, value in asdict(card).items()}
    del plain["from_unix_ns"]
    plain |= {"outages": terms.as_json(card.outages), "credits": terms.as_json(card.credits)}
    return plain | {"from": started, "pages": dict(card.pages), "not_stated": list(card.not_stated)}


def versions(cards: Sequence[Card], where: tzinfo) -> Table | None:
    """When each version of a card is in force and what it changed; None where there is only one."""
    if len(cards) < 2:
        return None
    rows = []
    for before, card in pairwise(cards):
        old = {row.name: row.value for row in card_rows(before, where)}
        changed = [
            f"{row.name}: {old.get(row.name, NOT_STATED)} → {row.value}"
            for row in card_rows(card, where)
            if row.name != _FROM and old.get(row.name) != row.value
        ]
        since = moment(card.from_unix_ns or 0, where, form="%a %d %b %Y, %H:%M")
        rows.append(cells(since, "; ".join(changed) or "nothing"))
    return Table(
        caption="Versions of the contract card after the first, oldest first",
        headings=(Heading(text="In force from"), Heading(text="What changed", kind="prose")),
        rows=tuple(rows),
        note="What was measured before such a moment is judged by the version that was in force then.",
    )


def warning(warned: Warned) -> Entry:
    """A warning as a page shows it."""
    return Entry(
        mark=_MARKS[warned.trouble],
        moment=None,
        text=warned.because,
        more=(f"To ask the provider: {warned.question}",),
    )


Field = tuple[str, str, str | None]


def _in_force(card: Card, where: tzinfo) -> list[Field]:
    if card.from_unix_ns is None:
        return []
    since = moment(card.from_unix_ns, where, form="%a %d %b %Y, %H:%M")
    return [("from", _FROM, since.text)]


def _rates(card: Card) -> tuple[Field, ...]:
    return (
        ("provider", "Provider", card.provider),
        ("reference", "Contract reference", card.reference),
        ("rate_up", "Rate up", _if(card.rate_up_bps, _rate)),
        ("rate_down", "Rate down", _if(card.rate_down_bps, _rate)),
        ("layer", "Layer of the rates", None if card.layer is Layer.NOT_STATED else LAYERS[card.layer]),
        ("commitment", "Committed, or up to", _if(card.commitment, str)),
        ("both_at_once", "Both directions at once", _if(card.both_at_once, _yes)),
        ("excess", "Above the rate", _if(card.excess_bps, lambda bps: _rate(bps) if bps else "nothing")),
        ("burst_up", "Burst size (CBS) up", _if(card.burst_up_bytes, _bytes)),
        ("burst_down", "Burst size (CBS) down", _if(card.burst_down_bytes, _bytes)),
        ("limiter_up", "Limit up", _if(card.limiter_up, str)),
        ("limiter_down", "Limit down", _if(card.limiter_down, str)),
        ("reach", "Share of a rate that counts as reached", stated_percent(card.reach_ratio)),
        ("met_ratio", "Share of runs that must reach them", stated_percent(card.met_ratio)),
    )


def _port(card: Card) -> tuple[Field, ...]:
    shared = dict(card.shared())
    return (
        ("medium", "Medium", card.medium),
        ("connector", "Connector", card.connector),
        ("port_rate", "Port rate", _if(card.port_rate_bps, _rate)),
        ("auto_negotiation", "Auto-negotiation", _if(card.auto_negotiation, _yes)),
        ("at_once_with", "Full at the same time as", _if(card.at_once_with, _listed)),
        ("total_rate", "All of them together", _if(card.total_bps, _rate)),
        ("shared_device", "Shares the device with", _if(shared["device"], _listed)),
        ("shared_uplink", "Shares its uplink with", _if(shared["uplink"], _listed)),
        ("shared_power", "Shares the power with", _if(shared["power"], _listed)),
        ("shared_fibre", "Shares the fibre with", _if(shared["fibre"], _listed)),
    )


def _carried(card: Card) -> tuple[Field, ...]:
    return (
        ("mtu", "Largest IP packet", _if(card.mtu_bytes, _bytes)),
        ("frame", "Largest frame", _if(card.frame_bytes, _bytes)),
        ("tags", "VLAN tags", _if(card.vlan_tags, lambda tags: _listed(tuple(map(str, tags))))),
        ("addresses", "Addresses", _if(card.addresses, _listed)),
        ("routing", "Routing", card.routing),
        ("reverse_dns", "Reverse DNS", card.reverse_dns),
    )


def _kept(card: Card) -> tuple[Field, ...]:
    return (
        ("delay", "RTT, p95", _if(card.rtt_p95_us, _ms)),
        ("delay_variation", "PDV, p99", _if(card.pdv_p99_us, _ms)),
        ("loss", "Packet loss", _if(card.loss_ratio, stated_percent)),
        ("loss_interval", "Packet loss in any interval", _if(card.loss_interval, _loss_interval)),
        ("measured_to", "Delay and loss are measured to", card.measured_to),
        ("availability", "Availability", _if(card.availability_ratio, stated_percent)),
        ("availability_rule", "What counts as an outage", card.availability_rule),
        ("maintenance_cap", "Provider's works, at most a month", _if(card.maintenance_cap_s, span)),
        ("repair", "Repair within", _if(card.repair_s, span)),
    )


def _term(card: Card) -> tuple[Field, ...]:
    return (
        ("fee", "Fee a month", card.fee_per_month),
        ("service_start", "Service start", _if(card.service_start, _date)),
        ("term", "Term", _if(card.term, CalendarSpan.said)),
        ("term_end", "Term end", _if(card.ends(), _date)),
        ("renewal", "Renews by", _if(card.renewal, CalendarSpan.said)),
        ("index_from_month", "Price may rise from month", _if(card.index_from_month, str)),
        ("index_most", "By at most, a year", _if(card.index_most_ratio, stated_percent)),
        ("notice", "Notice", card.notice),
        ("handover", "Handover", _if(card.handover, _date)),
        (
            "deemed_acceptance",
            "Counts as accepted after",
            _if(card.deemed_working_days, lambda days: f"{days} working days"),
        ),
        ("acceptable_use", "Limits on test traffic", card.acceptable_use),
        ("cable_owner", "Owner of the cable in the building", card.cable_owner),
        ("escalation", "Escalation", card.escalation),
        ("upgrade_price", "Price of an upgrade", card.upgrade_price),
        ("move_price", "Price of a move", card.move_price),
        ("once", "Paid once", ", ".join(_once(one) for one in card.once) or None),
    )


def _once(one: Once) -> str:
    return f"{one.what} {one.costs.said()}{f' on {_date(one.on)}' if one.on else ''}"


def _if(value: T | None, said: Callable[[T], str]) -> str | None:
    return None if value is None else said(value)


def _rate(bps: int) -> str:
    return f"{stated_mbps(bps)} Mb/s"


def _bytes(count: int) -> str:
    return f"{grouped(count)} bytes"


def _ms(delay_us: int) -> str:
    return f"{delay_us / 1000:g} ms"


def _owed(card: Card) -> tuple[Field, ...]:
    """How outages count and what they earn; only what the card states, since few contracts have all of it."""
    out, owed = card.outages, card.credits
    clauses = (
        ("availability", "Availability is counted by the", str(out.period) if out.rule else None),
        ("availability", "An outage counts from", _if(out.counts_from, str)),
        ("availability", "Works beyond what was agreed count", _if(out.overruns_count, _yes)),
        ("availability", "Works excuse an outage", _works(out)),
        ("credits", "Credits", _ladder(owed)),
        ("credits", "All credits at most", _if(owed.cap_ratio, lambda ratio: stated_percent(float(ratio)))),
        ("credits", "To claim within", _if(owed.claim_days, lambda days: f"{days} days")),
        ("credits", "Repeated failure", _repeated(owed)),
    )
    return tuple(each for each in clauses if each[2] is not None)


def _works(terms: AvailabilityTerms) -> str | None:
    if not terms.maintenance_weekdays and terms.maintenance_hours is None:
        return None
    days = " ".join(WEEKDAYS[day] for day in sorted(terms.maintenance_weekdays)) or "every day"
    low, high = terms.maintenance_hours or (0, 24 * 60)
    hours = f"{low // 60:02d}:{low % 60:02d}-{high // 60:02d}:{high % 60:02d}"
    notice = terms.maintenance_notice_days
    return f"{days} {hours}" + (f", announced {notice} days before" if notice else "")


def _ladder(terms: CreditTerms) -> str | None:
    steps = (
        f"{stated_percent(float(step.credit))} below {stated_percent(float(step.below))}"
        for step in terms.ladder
    )
    return ", ".join(steps) or None


def _repeated(terms: CreditTerms) -> str | None:
    if terms.repeat_count is None or terms.repeat_longer_than_s is None:
        return None
    return f"{terms.repeat_count} outages over {span(terms.repeat_longer_than_s)} in {terms.repeat_days} days"


def _loss_interval(promise: LossInterval) -> str:
    return f"{stated_percent(promise.loss_ratio)} in {span(promise.every_s)}"


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(names) or "none"


def _date(day: date) -> str:
    return day.isoformat()


def _plain(value: Any, itself: Any) -> Any:
    if isinstance(itself, CalendarSpan):
        return itself.said()
    return value.isoformat() if isinstance(value, date) else value
