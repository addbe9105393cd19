"""The runs that test a row of the acceptance sheet, at the rate of the contract card. Pure: no traffic."""

from __future__ import annotations

import math

from dashboard.judge import layers
from store.bursts import BURST_BYTES
from store.card import Card
from store.errors import UserMistake
from store.layers import Layer
from store.records import Direction
from store.site import Handoff, Method, RunPlan, Site, Where

_WAYS = (Direction.UP, Direction.DOWN)
_FLOWS = 8
_ROW_S = {"A6": 900, "A7": 900, "A8": 60, "A10": 60, "A12": 900, "A15": 900, "A16": 60}
_SWEEP_FACTOR = 1.05  # a sweep must show the limit

RUNNABLE = ("A3", *_ROW_S, "A9", "A11")

Groups = list[list[RunPlan]]  # one group after the other, those of a group at once


def plans(
    site: Site, handoff: Handoff, row: str, *, seconds: int | None, now_ns: int, one_each: bool = False
) -> Groups:
    """The runs of a row; with `one_each` a handoff has one at a time, as under a probe.

    Raises UserMistake for a row that no run tests, and for a card without its rate.
    """
    card = handoff.card_at(now_ns)
    lasts = seconds or _ROW_S.get(row, 60)
    if row == "A3":
        return [[_plan(site, handoff, Method.MTU, Direction.BOTH, lasts)]]
    if row not in (*_ROW_S, "A9", "A11"):
        raise UserMistake(f"--run: row {row} is not run by itself; `--row {row}` says how it is tested")
    ways = [way for way in _WAYS if card.rate_bps(way)]
    if not ways:
        raise UserMistake(f"--run: the contract card of {handoff.name} states no rate to run at")
    match row:
        case "A6":
            return [[_at_rate(site, handoff, Method.PACED, way, card, lasts)] for way in ways]
        case "A7":
            return [_both_ways(site, handoff, card, lasts, one_each=one_each)]
        case "A8" | "A9":
            return [[_at_rate(site, handoff, Method.STEPS, way, card, lasts)] for way in ways]
        case "A10":
            return [
                [_at_rate(site, handoff, Method.SIZES, way, card, lasts, factor=_SWEEP_FACTOR)]
                for way in ways
            ]
        case "A11":
            return [[_burst(site, handoff, way, card)] for way in ways]
        case "A12":
            return [[_plan(site, handoff, Method.LOADED_DELAY, Direction.BOTH, lasts, loads=_WAYS)]]
        case "A15":
            return [_all_at_once(site, handoff, card, lasts, now_ns, one_each=one_each)]
    return [
        [_plan(site, handoff, Method.RATE, way, lasts, flows=flows)] for way in ways for flows in (1, _FLOWS)
    ]


def _all_at_once(
    site: Site, handoff: Handoff, card: Card, seconds: int, now_ns: int, *, one_each: bool
) -> list[RunPlan]:
    """Both directions of every handoff of the contract, each to its own endpoint if there are enough."""
    mates = [each for each in site.handoffs if each is handoff or card.same_contract(each.card_at(now_ns))]
    if len(mates) == 1:
        raise UserMistake(f"--run: no other handoff has the contract of {handoff.name}; A15 does not apply")
    outside = _outside(site)
    return [
        plan
        for nth, each in enumerate(mates)
        for plan in _both_ways(
            site,
            each,
            each.card_at(now_ns),
            seconds,
            endpoint=outside[nth % len(outside)],
            one_each=one_each,
        )
    ]


def _both_ways(
    site: Site,
    handoff: Handoff,
    card: Card,
    seconds: int,
    *,
    one_each: bool,
    endpoint: str | None = None,
) -> list[RunPlan]:
    """A paced run each way, at once: TCP's acknowledgements would take some 2 % of the rate and not be seen.

    TCP where a handoff has one run at a time, or the card states one direction only.
    """
    ways = [way for way in _WAYS if card.rate_bps(way)]
    if one_each or len(ways) < len(_WAYS):
        return [_plan(site, handoff, Method.RATE, Direction.BOTH, seconds, endpoint=endpoint)]
    return [_at_rate(site, handoff, Method.PACED, way, card, seconds, endpoint=endpoint) for way in ways]


def _plan(
    site: Site,
    handoff: Handoff,
    method: Method,
    way: Direction,
    seconds: int,
    *,
    flows: int = _FLOWS,
    endpoint: str | None = None,
    loads: tuple[Direction, ...] = (),
    offered_bps: int | None = None,
    most_bytes: int | None = None,
) -> RunPlan:
    return RunPlan(
        handoff=handoff.name,
        endpoint=endpoint or _outside(site)[0],
        direction=way,
        seconds=seconds,
        flows=flows if method.by_tcp else 1,
        every_s=31 * 86_400,
        method=method,
        loads=loads,
        offered_bps=offered_bps,
        most_bytes=most_bytes,
    )


def _at_rate(
    site: Site,
    handoff: Handoff,
    method: Method,
    way: Direction,
    card: Card,
    seconds: int,
    *,
    factor: float = 1.0,
    endpoint: str | None = None,
) -> RunPlan:
    """A run that offers the committed rate, counted at the contract's layer in full packets of 1500 bytes."""
    rate_bps = card.rate_bps(way) or 0
    packet = layers.packet_bytes(None)
    if card.layer is not Layer.NOT_STATED:
        rate_bps = math.ceil(rate_bps * packet[Layer.IP] / packet[card.layer])
    offered_bps = round(rate_bps * factor)
    return _plan(site, handoff, method, way, seconds, offered_bps=offered_bps, endpoint=endpoint)


def _burst(site: Site, handoff: Handoff, way: Direction, card: Card) -> RunPlan:
    """Bursts up to twice what shows the stated size: M x (1 - rate / port rate) of it counts."""
    low, high, usual = BURST_BYTES
    share = 1 - (card.rate_bps(way) or 0) / card.port_rate_bps if card.port_rate_bps else 1.0
    wanted = 2 * (card.burst_bytes(way) or 0) / max(share, 0.1)
    most = min(high, max(low, usual, round(wanted)))
    return _plan(site, handoff, Method.BURST, way, 60, most_bytes=most)


def _outside(site: Site) -> list[str]:
    found = [one.name for one in site.endpoints if one.where is Where.OUTSIDE]
    if not found:
        raise UserMistake(f"{site.file}: endpoint: none stands outside, so no row can be run")
    return found
