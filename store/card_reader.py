"""Reads contract cards of a site file: ``[handoff.card]``, or a ``[[handoff.card]]`` for each version.

A later version is an amendment: it has the moment ``from`` which it is in force, and what it leaves out stays
as it was. Every key may say "not stated". Imports card, quantities, calendar_span and toml_table.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Collection
from dataclasses import replace
from datetime import date, datetime, tzinfo
from typing import Any, TypeVar

from store import terms_reader
from store.calendar_span import CalendarSpan, calendar_span, working_days
from store.card import Card, Commitment, Limiter
from store.clock import unix_ns_of
from store.layers import Layer
from store.quantities import duration_us, rate_bps, share, shown, size_bytes
from store.toml_table import (
    Reader,
    Table,
    count,
    day,
    list_of,
    name_among,
    one_of,
    text,
    whole_seconds,
    word_of,
)

T = TypeVar("T")

NOT_STATED = "not stated"
NONE = "none"

_LAYERS = {
    "payload": Layer.PAYLOAD,
    "layer 3": Layer.IP,
    "layer 2": Layer.ETHERNET,
    "layer 1": Layer.WIRE,
    NOT_STATED: Layer.NOT_STATED,
}
_YES_OR_NO: dict[str, bool | None] = {"yes": True, "no": False, NOT_STATED: None}

# What a contract should answer, in the order a person asks.
CONTRACT_KEYS = (
    *("rate_up", "rate_down", "layer", "commitment", "both_at_once", "excess"),
    *("burst_up", "burst_down", "limiter_up", "limiter_down", "reach"),
    *("medium", "connector", "port_rate", "auto_negotiation"),
    *("at_once_with", "total_rate", "shared_device", "shared_uplink", "shared_power", "shared_fibre"),
    *("mtu", "frame", "tags", "addresses", "routing", "reverse_dns"),
    *("delay", "delay_variation", "loss", "measured_to"),
    *("availability", "availability_rule", "maintenance_cap", "repair"),
    *("fee", "service_start", "term_end", "renewal", "index_from_month", "index_most", "notice"),
    *("handover", "deemed_acceptance", "acceptable_use", "cable_owner", "escalation"),
    *("upgrade_price", "move_price"),
)
_SHORT = {  # a key that answers for both directions
    "burst": ("burst_up", "burst_down"),
    "limiter": ("limiter_up", "limiter_down"),
}
_SHORT_FOR = {key: short for short, keys in _SHORT.items() for key in keys}
CARD_KEYS = (
    *("provider", "reference", "from", "met_ratio"),
    *(*_SHORT, "term"),
    *CONTRACT_KEYS,
    "credits",
    "once",
    "loss_interval",
    "pages",
)


def cards(handoff: Table, *, others: Collection[str], where: tzinfo) -> tuple[Card, ...]:
    """The versions of a handoff's card, oldest first; one that states nothing where the file has none.

    `others` are the names of the other handoffs, `where` the zone of a moment without an offset.
    Raises SiteMistake.
    """
    found = handoff.values.get("card", {})
    if not isinstance(found, list):
        return (_card(handoff.table("card"), others, where),)
    known: list[Card] = []
    before: dict[str, Any] = {}
    for table in handoff.tables("card"):
        if known and "from" not in table.values:
            table.refuse(
                "from", "missing; a later version needs the moment it is in force, such as 2027-03-01"
            )
        whole = Table(table.source, table.path, _amended(before, table.values))
        card = _card(whole, others, where)
        if known and (card.from_unix_ns or 0) <= (known[-1].from_unix_ns or 0):
            table.refuse("from", "is not after the version before it; put the oldest first")
        known.append(card)
        before = whole.values
    return tuple(known) or (Card(),)


def _amended(before: dict[str, Any], own: dict[str, Any]) -> dict[str, Any]:
    """The values of a version: its own over those of the one before; pages, too, key by key."""
    pages = [each["pages"] for each in (before, own) if isinstance(each.get("pages"), dict)]
    merged = {"pages": {key: value for each in pages for key, value in each.items()}} if pages else {}
    kept = dict(before)
    for short, keys in _SHORT.items():
        if short in own:
            kept = {key: value for key, value in kept.items() if key not in keys}
        elif short in kept and any(key in own for key in keys):
            value = kept.pop(short)
            kept |= {key: value for key in keys if key not in own}
    return kept | own | merged


def _card(table: Table, others: Collection[str], where: tzinfo) -> Card:
    table.only(*CARD_KEYS)
    pages = table.table("pages")
    pages.only(*(key for key in CARD_KEYS if key not in ("pages", "from")))
    for key, short in _SHORT_FOR.items():
        if key in table.values and short in table.values:
            table.refuse(key, f"stands beside {short}; keep one of them")
    handoffs = _none_or(list_of(name_among("other handoff", set(others))))
    repair_s = table.maybe("repair", _stated(whole_seconds(60, 366 * 86400)))
    availability_ratio, outages = terms_reader.availability(table)
    card = Card(
        provider=table.maybe("provider", _stated(text)),
        reference=table.maybe("reference", _stated(text)),
        from_unix_ns=table.maybe("from", _moment_in(where)),
        rate_up_bps=table.maybe("rate_up", _stated(rate_bps)),
        rate_down_bps=table.maybe("rate_down", _stated(rate_bps)),
        layer=table.ask("layer", one_of(_LAYERS), Layer.NOT_STATED),
        commitment=table.maybe("commitment", _stated(word_of(Commitment))),
        both_at_once=table.maybe("both_at_once", one_of(_YES_OR_NO)),
        excess_bps=table.maybe("excess", _stated(_rate_or_none)),
        burst_up_bytes=_either(table, "burst_up", size_bytes),
        burst_down_bytes=_either(table, "burst_down", size_bytes),
        limiter_up=_either(table, "limiter_up", word_of(Limiter)),
        limiter_down=_either(table, "limiter_down", word_of(Limiter)),
        met_ratio=table.ask("met_ratio", _met, 0.95),
        reach_ratio=_reach(table),
        medium=table.maybe("medium", _stated(text)),
        connector=table.maybe("connector", _stated(text)),
        port_rate_bps=table.maybe("port_rate", _stated(rate_bps)),
        auto_negotiation=table.maybe("auto_negotiation", one_of(_YES_OR_NO)),
        at_once_with=table.maybe("at_once_with", _stated(handoffs)),
        total_bps=table.maybe("total_rate", _stated(rate_bps)),
        shared_device=table.maybe("shared_device", _stated(handoffs)),
        shared_uplink=table.maybe("shared_uplink", _stated(handoffs)),
        shared_power=table.maybe("shared_power", _stated(handoffs)),
        shared_fibre=table.maybe("shared_fibre", _stated(handoffs)),
        mtu_bytes=table.maybe("mtu", _stated(count(576, 9216))),
        frame_bytes=table.maybe("frame", _stated(count(594, 9300))),
        vlan_tags=table.maybe("tags", _stated(_none_or(list_of(count(1, 4094))))),
        addresses=table.maybe("addresses", _stated(list_of(network))),
        routing=table.maybe("routing", _stated(text)),
        reverse_dns=table.maybe("reverse_dns", _stated(text)),
        rtt_p95_us=table.maybe("delay", _stated(duration_us)),
        pdv_p99_us=table.maybe("delay_variation", _stated(duration_us)),
        loss_ratio=table.maybe("loss", _stated(share)),
        measured_to=table.maybe("measured_to", _stated(text)),
        availability_ratio=availability_ratio,
        availability_rule=table.maybe("availability_rule", _stated(text)) or outages.rule,
        loss_interval=terms_reader.loss_interval(table),
        outages=outages,
        credits=terms_reader.credits(table, repair_s=repair_s),
        maintenance_cap_s=table.maybe("maintenance_cap", _stated(whole_seconds(60, 31 * 86400))),
        repair_s=repair_s,
        fee_per_month=table.maybe("fee", _stated(text)),
        service_start=table.maybe("service_start", _stated(day)),
        term=table.maybe("term", _stated(calendar_span)),
        term_end=table.maybe("term_end", _stated(day)),
        renewal=table.maybe("renewal", _stated(_span_or_none)),
        index_from_month=table.maybe("index_from_month", _stated(count(1, 600))),
        index_most_ratio=table.maybe("index_most", _stated(share)),
        notice=table.maybe("notice", _stated(text)),
        handover=table.maybe("handover", _stated(day)),
        deemed_working_days=table.maybe("deemed_acceptance", _stated(working_days)),
        acceptable_use=table.maybe("acceptable_use", _stated(text)),
        cable_owner=table.maybe("cable_owner", _stated(text)),
        escalation=table.maybe("escalation", _stated(text)),
        upgrade_price=table.maybe("upgrade_price", _stated(text)),
        move_price=table.maybe("move_price", _stated(text)),
        once=terms_reader.once(table),
        pages=tuple((key, pages.need(key, text, "text")) for key in pages.values),
        not_stated=tuple(key for key in CONTRACT_KEYS if not _says(table, key)),
    )
    _refuse_contradictions(table, card)
    return replace(card, term_end=card.ends())


def _refuse_contradictions(table: Table, card: Card) -> None:
    ends = card.ends()
    if card.service_start and ends and ends <= card.service_start:
        table.refuse("term_end", f"{ends} is not after service_start {card.service_start}")
    stated = [bps for bps in (card.rate_up_bps, card.rate_down_bps) if bps is not None]
    if card.total_bps is not None and stated and card.total_bps < max(stated):
        table.refuse("total_rate", "is less than this handoff's own rate; expected the sum of those together")
    if card.mtu_bytes is not None and card.frame_bytes is not None and card.frame_bytes < card.mtu_bytes + 18:
        table.refuse("frame", f"is too short for mtu {card.mtu_bytes}: a frame has 18 bytes more")


def _says(table: Table, key: str) -> bool:
    keys = (key, "term" if key == "term_end" else _SHORT_FOR.get(key, key))
    if key == "availability_rule" and "rule" in terms_reader.stated(table):
        return True
    if key == "availability" and isinstance(table.values.get(key), dict):
        return "target" in terms_reader.stated(table)
    return any(table.values.get(each, NOT_STATED) != NOT_STATED for each in keys)


def _either(table: Table, key: str, reader: Reader[T]) -> T | None:
    """What the key says, or the one that stands for both directions."""
    return table.maybe(key if key in table.values else _SHORT_FOR[key], _stated(reader))


def _stated(reader: Reader[T]) -> Reader[T | None]:
    return lambda value: None if value == NOT_STATED else reader(value)


def _none_or(reader: Reader[tuple[T, ...]]) -> Reader[tuple[T, ...]]:
    """A list, or ``"none"`` for an empty one."""
    return lambda value: () if value == NONE else reader(value)


def _rate_or_none(value: Any) -> int:
    return 0 if value == NONE else rate_bps(value)


def _span_or_none(value: Any) -> CalendarSpan:
    return CalendarSpan() if value == NONE else calendar_span(value)


def network(value: Any) -> str:
    """A network such as ``"203.0.113.8/29"``, in its shortest form."""
    try:
        return str(ipaddress.ip_network(text(value), strict=False))
    except ValueError:
        raise ValueError(f'{shown(value)} is no network such as "203.0.113.8/29"') from None


def _reach(table: Table) -> float:
    return 1.0 if table.values.get("reach") == NOT_STATED else table.ask("reach", _met, 1.0)


def _met(value: Any) -> float:
    found = share(value)
    if not 0.5 <= found <= 1:
        raise ValueError(f"{shown(value)} is no share from 50 % to 100 %")
    return found


def _moment_in(where: tzinfo) -> Reader[int]:
    """A date (its local midnight) or a moment, with or without an offset, in Unix nanoseconds."""

    def reader(value: Any) -> int:
        if isinstance(value, datetime):
            return unix_ns_of(value.replace(tzinfo=None), value.tzinfo or where)
        if isinstance(value, date):
            return unix_ns_of(datetime(value.year, value.month, value.day), where)  # noqa: DTZ001 - local
        raise ValueError(
            f"{shown(value)} is no moment; expected one without quotes, such as 2027-03-01 or "
            "2027-03-01T10:30:00"
        )

    return reader
