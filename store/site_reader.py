"""Reads a site file: TOML in, the values of `store.site` out, every mistake with its key and line.

The keys are documented where a person looks for them, in deploy/site.example.toml. The text of an
invitation never appears in a mistake. Imports site's values, quantities and toml_table.
"""

from __future__ import annotations

import ipaddress
import re
import stat
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlsplit

from store import day_hours, default_schedule, demand, house_reader, notice_reader, pace, path_mtu
from store.bursts import BURST_BYTES
from store.bursts import LASTS_S as BURST_LASTS_S
from store.capacity import SECONDS as CAPACITY_SECONDS
from store.card import Card
from store.card_reader import cards, network
from store.clock import zone
from store.loaded_delay import LOAD_S_MIN, SERIES
from store.paced import OFFERED_BPS
from store.quantities import (
    did_you_mean,
    duration_s,
    rate_bps,
    share,
    shown,
    size_bytes,
    size_text,
)
from store.records import Direction, Owner
from store.site import (
    EVENINGS,
    CampaignPlan,
    Cap,
    CapCounts,
    Claim,
    Destination,
    EndpointRef,
    Evidence,
    Handoff,
    HopPlan,
    Keep,
    LookupPlan,
    Method,
    OwnLoad,
    Rules,
    RunPlan,
    Safety,
    Site,
    StreamPlan,
    Times,
    TrainPlan,
    Transport,
    Where,
    Window,
    WindowKind,
)
from store.soaks import SOAK_S
from store.steps import PERCENTS
from store.toml_table import (
    Table,
    count,
    day,
    flag,
    list_of,
    name_among,
    number,
    one_of,
    open_toml,
    refuse_twins,
    text,
    whole_seconds,
    word_of,
)

T = TypeVar("T")

DEFAULT_FLOWS = default_schedule.FLOWS

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
_LABEL = r"[A-Za-z0-9_](?:[A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?"
_HOST_NAME = re.compile(rf"(?=.{{1,253}}\Z){_LABEL}(?:\.{_LABEL})+")  # RFC 1123 section 2.1, with a dot
_INTERFACE = re.compile(r"[^\s/]{1,15}")  # a Linux interface name: 15 bytes at most, no slash, no space
_DAYS = re.compile(r"([0-9]{1,6})\s*days?")
_DAY_MINUTES = 24 * 60
KEEP_DAYS_MIN = 62  # what a monthly statement, and a claim on it, still look at

_SITE_KEYS = ("name", "invented", "timezone", "database", "secrets", "busy_hours", "holidays", "own_list")
_MORE_TABLES = ("rules", "safety", "campaign", "seal", "keep", "claim", "notice", "house", "own_load")
_TABLES = ("handoff", "endpoint", "train", "run", "plan", "window")
_RULES_KEYS = ("other_traffic", "show_upload", "show_after", "show_closes_after", "case_gap")
_EVIDENCE_KEYS = ("wireless", "tunnel", "half_duplex", "port_errors", "cpu", "port_band", "window", "ceiling")
_HANDOFF_KEYS = (
    *(
        "name",
        "title",
        "interface",
        "source",
        "addresses",
        "metered",
        "metered_runs",
        "allowance",
        "safety",
        "hops",
        "lookups",
        "card",
        "failover_only",
        "failover_within",
    ),
    *("cap", "cap_resets", "cap_counts"),
)
_LOOKUP_EVERY_S = 60.0, 3600.0
_RUN_BY = {"house": Owner.HOUSE, "provider": Owner.PROVIDER, "other": Owner.UNKNOWN}
_QUESTIONS = ("emergency_calls", "alarms", "medical_devices")
_RUN_KEYS = ("handoff", "endpoint", "direction", "seconds", "flows", "every", "share")
_METHOD_KEYS = ("method", "offered", "most")
_OF_METHODS = {  # which methods a key of [[run]] belongs to, and what to do instead
    "flows": ((Method.RATE, Method.LOADED_DELAY), "leave it out"),
    "share": ((Method.RATE,), "leave it out"),
    "offered": ((Method.PACED, Method.SIZES, Method.STEPS), "name the method, or leave it out"),
    "most": ((Method.BURST,), 'add method = "burst", or leave it out'),
    "seconds": (
        (Method.RATE, Method.PACED, Method.CAPACITY, Method.SIZES, Method.STEPS, Method.LOADED_DELAY),
        "leave it out: it ends by itself",
    ),
    "direction": (
        (
            Method.RATE,
            Method.PACED,
            Method.CAPACITY,
            Method.BURST,
            Method.SIZES,
            Method.STEPS,
            Method.LOADED_DELAY,
        ),
        "leave it out: it finds both",
    ),
}
_ONE_WAY = (Method.PACED, Method.CAPACITY, Method.BURST, Method.SIZES)
_CAMPAIGN_KEYS = ("name", "question", "from", "to", "count")
_TIMES_KEYS = ("days", "dates", "hours")
_DESTINATION_KEYS = (
    "name",
    "video",
    "audio",
    "transport",
    "buffer",
    "latency",
    "peak_factor",
    "repeats",
    "keyframe",
    "frames_per_second",
    "picture",
)


def read(file: Path, *, now_ns: int) -> Site:
    """The site that `file` describes, with a default schedule of `now_ns`.

    Raises SiteMistake for the first mistake found.
    """
    source = open_toml(file)
    top = Table(source, (), source.values)
    top.only(*_SITE_KEYS, *_TABLES, *_MORE_TABLES)
    timezone = top.need("timezone", _zone, 'a name such as "Europe/Lisbon" or "UTC+01:00"')
    handoffs = _handoffs(top, zone(timezone))
    endpoints = _endpoints(top)
    names = {each.name for each in handoffs}, {each.name for each in endpoints}
    busy = _busy_hours(top)
    plans = _plans(top, names[0])
    default = _Default(top, tuple(each.at(now_ns) for each in handoffs), endpoints, busy)
    site = Site(
        name=top.need("name", text, 'a name such as "Quillet Lane School of Ceramics"'),
        invented=top.ask("invented", flag, False),
        timezone=timezone,
        database=_database(top),
        file=file,
        handoffs=handoffs,
        endpoints=endpoints,
        trains=_trains(top, *names) if "train" in top.values else default.trains(),
        runs=_runs(top, handoffs, names[1], plans) if "run" in top.values else default.runs(),
        plans=plans,
        windows=_windows(top, names[0]),
        rules=_rules(top.table("rules")),
        busy=busy,
        holidays=top.ask("holidays", list_of(day), ()),
        campaigns=_campaigns(top, *names),
        keep=_keep(top.table("keep")),
        claims=_claims(top, names[0]),
        timestamp_url=_timestamp_url(top.table("seal")),
        house=house_reader.paths(top, names[0]),
        own_loads=_own_loads(top),
        own_list=_beside(top, "own_list"),
        notices=notice_reader.channels(top, _secrets(top, "notice"), handoffs=names[0], name=_name),
        runs_by_default="run" not in top.values,
    )
    return replace(site, soaks=_soaks(top, *names, site.trains))


def database(file: Path) -> Path:
    """The database that `file` names. Raises SiteMistake as `read` does, but looks at no other key."""
    source = open_toml(file)
    return _database(Table(source, (), source.values))


def _database(top: Table) -> Path:
    return top.source.file.parent / top.ask("database", text, "linebook.db")


def _handoffs(top: Table, where: tzinfo) -> tuple[Handoff, ...]:
    tables = top.tables("handoff")
    if not tables:
        top.refuse("handoff", "missing; expected at least one [[handoff]]")
    safety = _safety(top.table("safety"))
    names = tuple(table.need("name", _name, 'a short name such as "A"') for table in tables)
    refuse_twins(tables)
    return tuple(_handoff(table, names=names, where=where, safety=safety) for table in tables)


def _handoff(table: Table, *, names: Sequence[str], where: tzinfo, safety: Safety) -> Handoff:
    table.only(*_HANDOFF_KEYS)
    name = table.need("name", _name, 'a short name such as "A"')
    alone = len(names) == 1
    interface = table.maybe("interface", _interface)
    source = table.maybe("source", _address)
    if not (alone or interface or source):
        table.refuse("interface", 'missing; with several handoffs each needs its interface, such as "eth1"')
    *earlier, card = cards(table, others=[each for each in names if each != name], where=where)
    return Handoff(
        name=name,
        title=table.ask("title", text, name),
        interface=interface,
        source=source,
        metered=table.ask("metered", flag, False),
        metered_runs=table.ask("metered_runs", flag, False),
        allowance_bytes=table.maybe("allowance", size_bytes),
        cap=_cap(table),
        safety=_safety(table.table("safety")) if "safety" in table.values else safety,
        hops=_hops(table.table("hops")),
        lookups=_lookups(table.table("lookups")),
        addresses=table.ask("addresses", list_of(network), card.addresses or ()),
        card=card,
        earlier=tuple(earlier),
        failover_only=table.ask("failover_only", flag, False),
        failover_within_s=table.maybe("failover_within", duration_s),
    )


def _hops(table: Table) -> HopPlan:
    table.only("house", "most", "watch")
    usual = HopPlan()
    plan = HopPlan(
        house=table.ask("house", count(0, 4), usual.house),
        most=table.ask("most", count(1, 8), usual.most),
        watch=table.ask("watch", flag, usual.watch),
    )
    if plan.most <= plan.house:
        table.refuse("most", f"asks no router beyond the house's {plan.house}; expected a larger number")
    return plan


def _lookups(table: Table) -> LookupPlan:
    table.only("watch", "every", "names", "resolver", "run_by")
    usual = LookupPlan()
    plan = LookupPlan(
        watch=table.ask("watch", flag, usual.watch),
        every_s=table.ask("every", duration_s, usual.every_s),
        names=table.ask("names", list_of(_host_name), usual.names),
        resolver=table.maybe("resolver", _address),
        run_by=table.maybe("run_by", one_of(_RUN_BY)),
    )
    if not _LOOKUP_EVERY_S[0] <= plan.every_s <= _LOOKUP_EVERY_S[1]:
        table.refuse("every", "is no modest pace, or too seldom; expected 1 min to 1 h")
    return plan


def _cap(table: Table) -> Cap | None:
    limit_bytes = table.maybe("cap", size_bytes)
    if limit_bytes is None:
        for key in ("cap_resets", "cap_counts"):
            if key in table.values:
                table.refuse(key, 'stands without a cap; expected one beside it, such as cap = "1 TB"')
        return None
    usual = Cap(limit_bytes=limit_bytes)
    return Cap(
        limit_bytes=limit_bytes,
        resets_day=table.ask("cap_resets", count(1, 31), usual.resets_day),
        counts=table.ask("cap_counts", word_of(CapCounts), usual.counts),
    )


def _safety(table: Table) -> Safety:
    """An answer that is missing stays open: it is asked for where a run would fill the line."""
    table.only(*_QUESTIONS, "never")
    answers = {key: table.maybe(key, one_of({"yes": True, "no": False})) for key in _QUESTIONS}
    hours = table.tables("never")
    for each in hours:
        each.only(*_TIMES_KEYS)
    return Safety(**answers, never=tuple(_times(each) for each in hours))


def _busy_hours(top: Table) -> Times:
    hours = top.maybe("busy_hours", day_hours.hours)
    return EVENINGS if hours is None else replace(EVENINGS, from_minute=hours[0], to_minute=hours[1])


def _endpoints(top: Table) -> tuple[EndpointRef, ...]:
    tables = top.tables("endpoint")
    if not tables:
        top.refuse("endpoint", "missing; expected at least one [[endpoint]]")
    secrets = _secrets(top, "invitation")
    found = tuple(_endpoint(table, secrets) for table in tables)
    refuse_twins(tables)
    return found


def _endpoint(table: Table, secrets: Table | None) -> EndpointRef:
    table.only("name", "where", "invitation")
    name = table.need("name", _name, 'a short name such as "north"')
    where = table.ask("where", word_of(Where), Where.OUTSIDE)
    inline = table.maybe("invitation", _secret_text)
    kept = secrets.maybe(name, _secret_text) if secrets else None
    if inline and kept:
        table.refuse("invitation", "is given here and in the secrets file; keep one of them")
    invitation = inline or kept
    if not invitation and secrets:
        table.refuse(
            "invitation",
            f"missing; expected it here or as {name} under [invitation] in {secrets.source.file}"
            + did_you_mean(name, secrets.values),
        )
    if not invitation:
        table.refuse("invitation", "missing; expected the line that `linebook endpoint invite` printed")
    return EndpointRef(name=name, where=where, invitation=invitation)


def _secrets(top: Table, what: str) -> Table | None:
    """A table of the secrets file, ``[invitation]`` or ``[notice]``; None when the site names none."""
    name = top.maybe("secrets", text)
    if name is None:
        return None
    file = top.source.file.parent / name
    try:
        mode = stat.S_IMODE(file.stat().st_mode)
    except OSError as error:
        top.refuse("secrets", f"{file} cannot be read: {error.strerror}")
    if mode & stat.S_IRWXO:
        top.refuse("secrets", f"{file} holds keys and is open to every account; run: chmod o= {file}")
    source = open_toml(file)
    secrets = Table(source, (), source.values)
    secrets.only("invitation", "notice")
    return secrets.table(what)


def _trains(top: Table, handoffs: set[str], endpoints: set[str]) -> tuple[TrainPlan, ...]:
    found: dict[tuple[str, str], TrainPlan] = {}
    for table in top.tables("train"):
        table.only("handoff", "endpoint", "per_second", "span", *_TIMES_KEYS)
        plan = TrainPlan(
            handoff=table.need("handoff", name_among("handoff", handoffs), "the name of a handoff"),
            endpoint=table.need("endpoint", name_among("endpoint", endpoints), "the name of an endpoint"),
            per_second=table.need("per_second", number(1, 200), "packets a second, from 1 to 200"),
            span_s=table.ask("span", whole_seconds(1, 3600), 60),
            times=_times_or_always(table),
        )
        if (plan.handoff, plan.endpoint) in found:
            table.refuse("", f"there is a train from {plan.handoff} to {plan.endpoint} already")
        found[plan.handoff, plan.endpoint] = plan
    return tuple(found.values())


def _runs(
    top: Table, handoffs: Sequence[Handoff], endpoints: set[str], plans: Sequence[StreamPlan]
) -> tuple[RunPlan, ...]:
    cards = {each.name: each.cards for each in handoffs}
    found = []
    for table in top.tables("run"):
        if table.values.get("method") == Method.REHEARSAL:
            found.append(_rehearsal(table, plans, endpoints))
            continue
        if table.values.get("method") == Method.SOAK:
            continue
        table.only(*_RUN_KEYS, *_METHOD_KEYS, *_TIMES_KEYS)
        plan = replace(_run(table, set(cards), endpoints), share_ratio=table.ask("share", _some_share, 1.0))
        for card in cards[plan.handoff]:
            _check_share(table, plan, card)
        found.append(_by_method(table, plan))
    return tuple(found)


def _soaks(
    top: Table, handoffs: set[str], endpoints: set[str], trains: Sequence[TrainPlan]
) -> tuple[RunPlan, ...]:
    """Soaks are written as [[run]], but rest on the minutes of a train and send nothing."""
    tables = top.tables("run") if "run" in top.values else ()
    soaking = [table for table in tables if table.values.get("method") == Method.SOAK]
    return tuple(_soak(table, handoffs, endpoints, trains) for table in soaking)


def _soak(table: Table, handoffs: set[str], endpoints: set[str], trains: Sequence[TrainPlan]) -> RunPlan:
    table.only("method", "handoff", "endpoint", "seconds", "every")
    low, high = SOAK_S
    plan = RunPlan(
        handoff=table.need("handoff", name_among("handoff", handoffs), "the name of a handoff"),
        endpoint=table.need("endpoint", name_among("endpoint", endpoints), "the name of an endpoint"),
        direction=Direction.BOTH,
        seconds=table.need("seconds", count(low, high), f"a whole number from {low} to {high}, 86400 a day"),
        flows=1,
        every_s=table.need("every", whole_seconds(1, 31 * 86400), 'a time such as "168 h"'),
        method=Method.SOAK,
    )
    if all((one.handoff, one.endpoint) != (plan.handoff, plan.endpoint) for one in trains):
        table.refuse("endpoint", f"no train goes from {plan.handoff} to {plan.endpoint}; a soak rests on one")
    _check_slot(table, plan)
    return plan


def _rehearsal(table: Table, plans: Sequence[StreamPlan], endpoints: set[str]) -> RunPlan:
    """A rehearsal of a stream plan, which has its handoff; it goes up."""
    table.only("method", "plan", "endpoint", "seconds", "every", *_TIMES_KEYS)
    known = {each.name: each for each in plans}
    stream = known[table.need("plan", name_among("plan", set(known)), "the name of a [[plan]]")]
    needs_bps, _, _ = demand.together(stream.destinations)
    plan = RunPlan(
        handoff=stream.handoff,
        endpoint=table.need("endpoint", name_among("endpoint", endpoints), "the name of an endpoint"),
        direction=Direction.UP,
        seconds=table.need("seconds", count(1, 3600), "a whole number from 1 to 3600"),
        flows=len(stream.destinations),
        every_s=table.need("every", whole_seconds(1, 31 * 86400), 'a time such as "168 h"'),
        times=_times_or_always(table),
        method=Method.REHEARSAL,
        offered_bps=needs_bps,
        stream=stream,
    )
    _check_slot(table, plan)
    return plan


def _by_method(table: Table, plan: RunPlan) -> RunPlan:
    """The plan with its method, and what that one needs; refuses what belongs to another."""
    plan = replace(plan, method=table.ask("method", word_of(Method), Method.RATE))
    for key, (methods, instead) in _OF_METHODS.items():
        if key in table.values and plan.method not in methods:
            words = " or ".join(f'"{method}"' for method in methods)
            table.refuse(key, f"belongs to method {words}; {instead}")
    if plan.method in _ONE_WAY and plan.direction is Direction.BOTH:
        table.refuse("direction", f'a {plan.method} run has one; expected "up" or "down"')
    if plan.method is Method.BURST:
        return replace(plan, most_bytes=table.ask("most", _burst_bytes, BURST_BYTES[2]))
    if plan.method is Method.CAPACITY:
        low, high = CAPACITY_SECONDS
        if not low <= plan.seconds <= high:
            table.refuse("seconds", f"a capacity run takes {low} to {high} s")
    if plan.method is Method.LOADED_DELAY:
        return _loaded_delay(table, plan)
    if plan.method not in (Method.PACED, Method.SIZES, Method.STEPS):
        return plan
    plan = replace(
        plan, offered_bps=table.need("offered", rate_bps, 'a rate at the IP layer such as "20 Mb/s"')
    )
    percents = (PERCENTS[0], PERCENTS[-1]) if plan.method is Method.STEPS else (100, 100)
    low, high = ((plan.offered_bps or 0) * percent // 100 for percent in percents)
    if low < OFFERED_BPS[0] or high > OFFERED_BPS[1]:
        table.refuse("offered", "a paced run offers 100 kb/s to 10 Gb/s, and so does each step")
    if plan.method in (Method.SIZES, Method.STEPS) and plan.seconds < 2:
        table.refuse("seconds", "each size and step takes 2 or more")
    if plan.every_s <= plan.lasts_s:
        table.refuse("every", f"all of it takes {plan.lasts_s} s, which does not fit into {plan.every_s} s")
    return plan


def _burst_bytes(value: Any) -> int:
    found, (low, high, _) = size_bytes(value), BURST_BYTES
    if not low <= found <= high:
        raise ValueError(f"{size_text(found)} is not between {size_text(low)} and {size_text(high)}")
    return found


def _loaded_delay(table: Table, plan: RunPlan) -> RunPlan:
    """The plan with the load that it names, or with every one that there is."""
    if plan.seconds < LOAD_S_MIN:
        table.refuse("seconds", f"a load of a loaded-delay run takes {LOAD_S_MIN} s or more")
    made = replace(plan, loads=(plan.direction,) if "direction" in table.values else SERIES)
    if made.every_s <= made.lasts_s:
        why = f"a loaded-delay run takes about {made.lasts_s} s here, and a slot has {made.every_s} s"
        table.refuse("every", why)
    return made


def _check_share(table: Table, plan: RunPlan, card: Card) -> None:
    """Refuse a share of what the card does not state, or of so little that no flow can be held to it."""
    try:
        why = pace.too_little(pace.share_of(card, plan.share_ratio, plan.direction), flows=plan.flows)
    except KeyError as error:
        why = (
            f"the card of handoff {plan.handoff} states no {error.args[0]} to take a share of; state it, or "
            "leave share out for a full run"
        )
    if why is not None:
        table.refuse("share", why)


def _run(table: Table, handoffs: set[str], endpoints: set[str]) -> RunPlan:
    plan = RunPlan(
        handoff=table.need("handoff", name_among("handoff", handoffs), "the name of a handoff"),
        endpoint=table.need("endpoint", name_among("endpoint", endpoints), "the name of an endpoint"),
        direction=_run_direction(table),
        seconds=_run_seconds(table),
        flows=table.ask("flows", count(1, 16), DEFAULT_FLOWS),
        every_s=table.need("every", whole_seconds(1, 31 * 86400), 'a time such as "60 min"'),
        times=_times_or_always(table),
    )
    _check_slot(table, plan)
    return plan


def _check_slot(table: Table, plan: RunPlan) -> None:
    if plan.every_s <= plan.seconds:
        table.refuse("every", f"a run of {plan.seconds} s does not fit into a slot of {plan.every_s} s")
    if plan.times is not None and plan.every_s >= 86400:
        table.refuse(
            "every", "with hours, a slot is at most those hours; leave hours out, or make it shorter"
        )


def _run_direction(table: Table) -> Direction:
    if table.values.get("method") == Method.MTU:
        return Direction.BOTH
    if table.values.get("method") == Method.LOADED_DELAY:  # it goes every way, one after the other
        return table.ask("direction", word_of(Direction), Direction.BOTH)
    return table.need("direction", word_of(Direction), '"up", "down" or "both"')


def _run_seconds(table: Table) -> int:
    """How long a run sends; a burst run and a search for the path MTU end by themselves."""
    if table.values.get("method") == Method.BURST:
        return BURST_LASTS_S
    if table.values.get("method") == Method.MTU:
        return path_mtu.LASTS_S
    return table.need("seconds", count(1, 3600), "a whole number from 1 to 3600")


def _campaigns(top: Table, handoffs: set[str], endpoints: set[str]) -> tuple[CampaignPlan, ...]:
    tables = top.tables("campaign")
    found = tuple(_campaign(table, handoffs, endpoints) for table in tables)
    refuse_twins(tables)
    return found


def _campaign(table: Table, handoffs: set[str], endpoints: set[str]) -> CampaignPlan:
    table.only(*_CAMPAIGN_KEYS, *_RUN_KEYS, *_TIMES_KEYS)
    if "share" in table.values:
        table.refuse(
            "share", "a light run answers no question about the rate; leave it out, or make it a [[run]]"
        )
    plan = CampaignPlan(
        name=table.need("name", _name, 'a short name such as "spring-upload"'),
        question=table.need("question", text, "the question in words, as it will stand beside the answer"),
        run=_run(table, handoffs, endpoints),
        first_day=table.need("from", day, "a date without quotes, such as 2026-03-02"),
        last_day=table.maybe("to", day),
        count=table.maybe("count", count(1, 100_000)),
    )
    if (plan.last_day is None) == (plan.count is None):
        table.refuse("to", "a campaign ends with the day `to` or after `count` runs; expected one of them")
    if plan.last_day is not None and plan.last_day < plan.first_day:
        table.refuse("to", f"{plan.last_day} is before {plan.first_day}, when it begins")
    return plan


def _plans(top: Table, handoffs: set[str]) -> tuple[StreamPlan, ...]:
    tables = top.tables("plan")
    found = []
    for table in tables:
        table.only("name", "title", "handoff", *_TIMES_KEYS, "beside", "destination")
        name = table.need("name", _name, 'a short name such as "evening-class"')
        destinations = table.tables("destination")
        if not destinations:
            table.refuse("destination", "missing; expected at least one [[plan.destination]]")
        found.append(
            StreamPlan(
                name=name,
                title=table.ask("title", text, name),
                handoff=table.need("handoff", name_among("handoff", handoffs), "the name of a handoff"),
                times=_times(table),
                destinations=tuple(_destination(each) for each in destinations),
                beside_bps=table.ask("beside", rate_bps, 0),
            )
        )
        refuse_twins(destinations)
    refuse_twins(tables)
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Usual:
    """What a transport's destination is taken to be where the plan does not say."""

    peak_factor: float
    buffer_s: float | None
    repeat_ceiling: float


# Common practice, no source. A strict constant rate peaks at 1.1 times its mean; repeats are what
# makes an ARQ stream peak. A conversation shows every stall, which begins at half a second.
_USUAL = {
    Transport.TCP: _Usual(peak_factor=1.1, buffer_s=1.0, repeat_ceiling=0.0),
    Transport.ARQ: _Usual(peak_factor=1.0, buffer_s=None, repeat_ceiling=0.25),
    Transport.RTP: _Usual(peak_factor=1.1, buffer_s=0.5, repeat_ceiling=0.0),
}


def _destination(table: Table) -> Destination:
    table.only(*_DESTINATION_KEYS)
    transport = table.need("transport", word_of(Transport), '"tcp", "arq" or "rtp"')
    usual = _USUAL[transport]
    is_arq = transport is Transport.ARQ
    if is_arq and "buffer" in table.values:
        table.refuse(
            "buffer", 'an ARQ stream has no send buffer; expected its latency, such as latency = "1.5 s"'
        )
    if not is_arq:
        for key in ("latency", "repeats"):
            if key in table.values:
                table.refuse(key, f'belongs to transport "arq", not to "{transport}"')
    if usual.buffer_s is None:
        buffer_s = table.need("latency", duration_s, 'the latency set at both ends, such as "1.5 s"')
    else:
        buffer_s = table.ask("buffer", duration_s, usual.buffer_s)
    return Destination(
        name=table.need("name", _name, 'a short name such as "studio-channel"'),
        video_bps=table.need("video", rate_bps, 'a rate such as "4.5 Mb/s"'),
        audio_bps=table.need("audio", rate_bps, 'a rate such as "160 kb/s"'),
        transport=transport,
        buffer_s=buffer_s,
        peak_factor=table.ask("peak_factor", number(1, 10), usual.peak_factor),
        repeat_ceiling=table.ask("repeats", share, usual.repeat_ceiling),
        keyframe_s=table.ask("keyframe", duration_s, 2.0),
        frames_per_second=table.ask("frames_per_second", number(1, 300), 30.0),
        picture=table.maybe("picture", text),
    )


def _windows(top: Table, handoffs: set[str]) -> tuple[Window, ...]:
    tables = top.tables("window")
    found = []
    for table in tables:
        table.only("name", "kind", *_TIMES_KEYS, "handoffs", "reference", "announced")
        found.append(
            Window(
                name=table.need("name", _name, 'a short name such as "nights"'),
                kind=table.need(
                    "kind",
                    word_of(WindowKind),
                    '"show", "quiet" or "maintenance"',
                ),
                times=_times(table),
                handoffs=table.ask("handoffs", list_of(name_among("handoff", handoffs)), ()),
                reference=table.maybe("reference", text),
                announced=table.maybe("announced", day),
            )
        )
    refuse_twins(tables)
    return tuple(found)


def _rules(table: Table) -> Rules:
    table.only(*_RULES_KEYS, *_EVIDENCE_KEYS)
    usual = Rules()
    evidence = _evidence(table)
    return Rules(
        evidence=evidence,
        other_traffic_ratio=evidence.other_traffic_ratio,
        show_upload_bps=table.ask("show_upload", _rate_or_never, usual.show_upload_bps),
        show_after_s=table.ask("show_after", whole_seconds(10, 3600), usual.show_after_s),
        show_closes_after_s=table.ask(
            "show_closes_after", whole_seconds(10, 86400), usual.show_closes_after_s
        ),
        case_gap_s=table.ask("case_gap", whole_seconds(60, 86400), usual.case_gap_s),
    )


def _evidence(table: Table) -> Evidence:
    usual, allowed = Evidence(), one_of({"allow": True, "exclude": False})
    return Evidence(
        other_traffic_ratio=table.ask("other_traffic", share, usual.other_traffic_ratio),
        wireless=table.ask("wireless", allowed, usual.wireless),
        tunnel=table.ask("tunnel", allowed, usual.tunnel),
        half_duplex=table.ask("half_duplex", allowed, usual.half_duplex),
        port_errors=table.ask("port_errors", _count_or_any, usual.port_errors),
        cpu_ratio=table.ask("cpu", _above_nothing, usual.cpu_ratio),
        port_band_ratio=table.ask("port_band", _band, usual.port_band_ratio),
        window_ratio=table.ask("window", _above_nothing, usual.window_ratio),
        ceiling_factor=table.ask("ceiling", number(1, 10), usual.ceiling_factor),
    )


def _timestamp_url(table: Table) -> str | None:
    table.only("timestamp")
    return table.maybe("timestamp", _url)


def _keep(table: Table) -> Keep:
    table.only("minutes", "minute_counts", "bins", "samples")
    usual = Keep()
    found = Keep(
        minutes_days=table.ask("minutes", _days_or_ever, usual.minutes_days),
        minute_counts_days=table.ask("minute_counts", _days_or_ever, usual.minute_counts_days),
        bins_days=table.ask("bins", _days_or_ever, usual.bins_days),
        samples_days=table.ask("samples", _days_or_ever, usual.samples_days),
    )
    minutes, counts = found.minutes_days, found.minute_counts_days
    if counts is not None and (minutes is None or counts < minutes):
        table.refuse("minute_counts", "ends before minutes: a minute without counts has no histogram either")
    return found


def _claims(top: Table, handoffs: set[str]) -> tuple[Claim, ...]:
    tables = top.tables("claim")
    found = []
    for table in tables:
        table.only("name", "from", "to", "handoff")
        claim = Claim(
            name=table.need("name", _name, 'a short name such as "credit-november"'),
            first_day=table.need("from", day, "the first day, without quotes, such as 2026-11-01"),
            last_day=table.need("to", day, "the last day, without quotes, such as 2026-11-30"),
            handoff=table.maybe("handoff", name_among("handoff", handoffs)),
        )
        if claim.last_day < claim.first_day:
            table.refuse("to", f"{claim.last_day} is before {claim.first_day}, where the claim begins")
        found.append(claim)
    refuse_twins(tables)
    return tuple(found)


def _own_loads(top: Table) -> tuple[OwnLoad, ...]:
    tables = top.tables("own_load")
    found = []
    for table in tables:
        table.only("name", *_TIMES_KEYS)
        name = table.need("name", _name, 'a short name such as "kiln"')
        found.append(OwnLoad(name=name, times=_times(table)))
    refuse_twins(tables)
    return tuple(found)


def _beside(top: Table, key: str) -> Path | None:
    """A file that the site file names, from its own folder."""
    name = top.maybe(key, text)
    return None if name is None else top.source.file.parent / name


def _times_or_always(table: Table) -> Times | None:
    return _times(table) if any(key in table.values for key in _TIMES_KEYS) else None


def _times(table: Table) -> Times:
    """Days of the week or dates, and hours; every day when neither is said."""
    if "days" in table.values and "dates" in table.values:
        table.refuse("dates", "stands beside days; keep one of them")
    dates = table.maybe("dates", list_of(day)) or ()
    weekdays = table.maybe("days", list_of(day_hours.weekday)) or (() if dates else range(7))
    from_minute, to_minute = table.need("hours", day_hours.hours, 'hours such as "19:00-21:00"')
    return Times(
        weekdays=frozenset(weekdays), dates=frozenset(dates), from_minute=from_minute, to_minute=to_minute
    )


@dataclass(frozen=True, slots=True)
class _Default:
    """The schedule for who names none (`store.default_schedule`); it needs an endpoint outside."""

    top: Table
    handoffs: tuple[Handoff, ...]
    endpoints: tuple[EndpointRef, ...]
    busy: Times

    def trains(self) -> tuple[TrainPlan, ...]:
        self._check()
        return tuple(
            train
            for each in self.handoffs
            for train in default_schedule.trains(each, self.endpoints, busy=self.busy)
        )

    def runs(self) -> tuple[RunPlan, ...]:
        self._check()
        return tuple(run for each in self.handoffs for run in default_schedule.runs(each, self.endpoints))

    def _check(self) -> None:
        if all(each.where is Where.HOUSE for each in self.endpoints):
            self.top.refuse(
                "endpoint",
                "none stands outside, so the line cannot be measured to it; add one, or [[train]] "
                "and [[run]]",
            )


def _secret_text(value: Any) -> str:
    """Text that no sentence may repeat."""
    if not isinstance(value, str) or not value.strip():
        raise ValueError("expected the line that `linebook endpoint invite` printed, in quotes")
    return value


def _days_or_ever(value: Any) -> int | None:
    """``"400 days"``, or None for ``"for ever"``."""
    if value == "for ever":
        return None
    found = _DAYS.fullmatch(text(value).strip())
    if not found or int(found[1]) < KEEP_DAYS_MIN:
        raise ValueError(
            f'{shown(value)} is neither "for ever" nor a time such as "400 days", of {KEEP_DAYS_MIN} at least'
        )
    return int(found[1])


def _count_or_any(value: Any) -> int | None:
    """A whole number, or None for ``"any"``."""
    if value == "any":
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 1_000_000:
        raise ValueError(f'{shown(value)} is neither a number from 0 to 1000000, without quotes, nor "any"')
    return value


def _above_nothing(value: Any) -> float:
    found = share(value)
    if not found:
        raise ValueError(f"{shown(value)} is no share above 0 %")
    return found


def _band(value: Any) -> float:
    found = share(value)
    if found > 0.1:
        raise ValueError(f"{shown(value)} is no share from 0 % to 10 %")
    return found


def _rate_or_never(value: Any) -> int | None:
    return None if value == "never" else rate_bps(value)


def _name(value: Any) -> str:
    if not _NAME.fullmatch(text(value)):
        raise ValueError(
            f"{shown(value)} is no short name; expected up to 40 letters, digits, dots, dashes or underscores"
        )
    return str(value)


def _interface(value: Any) -> str:
    if not _INTERFACE.fullmatch(text(value)):
        raise ValueError(f'{shown(value)} is no interface name such as "eth0"')
    return str(value)


def _url(value: Any) -> str:
    parts = urlsplit(text(value))
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValueError(f'{shown(value)} is no address such as "https://stamps.example.net/tsa"')
    return str(value)


def _address(value: Any) -> str:
    try:
        return str(ipaddress.ip_address(text(value)))
    except ValueError:
        raise ValueError(f'{shown(value)} is no IP address such as "192.0.2.57"') from None


def _host_name(value: Any) -> str:
    if not _HOST_NAME.fullmatch(text(value)) or str(value).rpartition(".")[2].isdecimal():
        raise ValueError(f'{shown(value)} is no whole host name such as "north.example.net"')
    return str(value)


def _zone(value: Any) -> str:
    try:
        zone(text(value))
    except ValueError:
        raise ValueError(f'{shown(value)} is no time zone such as "Europe/Lisbon" or "UTC+01:00"') from None
    return str(value)


def _some_share(value: Any) -> float:
    found = share(value)
    if not found:
        raise ValueError(f"{shown(value)} is no share above 0 %; leave it out for a full run")
    return found
