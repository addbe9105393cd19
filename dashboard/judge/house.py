"""The house's own way: the best that each hop can show, the weakest for each handoff, and the cheapest cure.

What a port shows at best is TCP payload in full frames: 1448 bytes of IPv4 with timestamps (1428 of IPv6) in
1538 on the wire (IEEE 802.3, RFC 7323). How far copper carries a rate is from memory of IEEE 802.3
(1000BASE-T, 802.3bz) and TIA TSB-155-A; the order of cures, wireless at 40 to 65 % of the rate that it
shows, and that older copper at house distances often carries multi-gigabit rates, are common practice, no
source. A cable is judged by error counters under load and not by the rate to which its ports settled. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from dashboard.judge import layers
from dashboard.judge.layers import rate_text
from store.house import Cable, HouseHop, HousePath
from store.layers import Layer, tcp_framing
from store.quantities import counted, port_rate
from store.records import Direction, RateRun
from store.site import Handoff

WIRELESS = 0.40, 0.65  # of the rate that is shown, at best
TOP_BAND = 0.01  # runs that end so near to what a hop shows at most end at that hop
LEAST_FLAT = 3  # runs at a top, for it to be one
MULTIGIG = (1_000_000_000, 2_500_000_000, 5_000_000_000, 10_000_000_000)

_V4 = tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True)
_V6 = tcp_framing(payload_bytes=1428, ip_version=6, timestamps=True)
_WIRE_BPS = 10**12  # large, so that what is rounded does not show

# Rate: the longest copper that surely carries it, and the longest that may where noise and neighbouring
# cables allow; in metres, by category. From memory of IEEE 802.3 and TIA, as the module says.
_REACH_M: dict[Cable, dict[int, tuple[float, float]]] = {
    Cable.CAT_3: {10_000_000: (100, 100)},
    Cable.CAT_5: {100_000_000: (100, 100), 1_000_000_000: (0, 100), 2_500_000_000: (0, 55)},
    Cable.CAT_5E: {
        1_000_000_000: (100, 100),
        2_500_000_000: (100, 100),
        5_000_000_000: (0, 100),
        10_000_000_000: (0, 37),
    },
    Cable.CAT_6: {5_000_000_000: (100, 100), 10_000_000_000: (37, 55)},
    Cable.CAT_6A: {10_000_000_000: (100, 100)},
}


class State(StrEnum):
    """What the error counters under load say of a cable."""

    CLEAN = "clean"
    SUSPECT = "suspect"
    NOT_SEEN = "not seen"


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """Damaged frames at one of this host's ports while runs filled it: `runs` of them, `with_errors` of
    these.
    """

    interface: str
    runs: int
    with_errors: int
    frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HopJudged:
    """One hop. `best_bps` is the most that it can show as payload over IPv4, `best_v6_bps` over IPv6.

    `surely_bps` and `perhaps_bps` are what its cable carries; None where that is not known.
    """

    hop: HouseHop
    best_bps: int
    best_v6_bps: int
    surely_bps: int | None
    perhaps_bps: int | None
    cable: State
    cable_because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PathJudged:
    """One way from one handoff. `needed_bps` is what its contract states, as payload; None where nothing is.

    `limits` says that the weakest hop shows less than that. `seen` is the sentence on runs that end at the
    weakest hop's top, `cures` are in order, the cheapest first.
    """

    path: HousePath
    handoff: str
    hops: tuple[HopJudged, ...]
    weakest: HopJudged
    needed_bps: int | None
    limits: bool
    because: str
    seen: str | None
    cures: tuple[str, ...]


def judge(
    path: HousePath, handoff: Handoff, *, needed_bps: int | None, runs: Iterable[RateRun]
) -> PathJudged:
    """A way from a handoff, with what the runs on it show."""
    kept = [*runs]
    errors = {one.interface: one for one in errors_of(kept)}
    hops = tuple(_hop(hop, errors) for hop in path.hops)
    weakest = min(hops, key=lambda one: one.best_bps)
    limits = needed_bps is not None and weakest.best_bps < needed_bps
    return PathJudged(
        path=path,
        handoff=handoff.name,
        hops=hops,
        weakest=weakest,
        needed_bps=needed_bps,
        limits=limits,
        because=_because(path, weakest, handoff.name, needed_bps),
        seen=_seen(weakest, kept),
        cures=tuple(_cures(weakest)) if limits else (),
    )


def port_shows_bps(port_rate_bps: int, *, ip_version: int = 4) -> int:
    """The most TCP payload that a port of this rate can show, in full frames of 1500 bytes."""
    rates = (_V4 if ip_version == 4 else _V6).rates(_WIRE_BPS)
    return round(port_rate_bps * rates.goodput_bps / rates.wire_bps)


def carries(cable: Cable, length_m: float | None) -> tuple[int | None, int | None]:
    """What copper of a category carries over a length: surely, and perhaps; None where nobody can say."""
    reach = _REACH_M.get(cable)
    if reach is None or length_m is None:
        return None, None
    surely = [rate for rate, (sure_m, _) in reach.items() if length_m <= sure_m]
    perhaps = [rate for rate, (_, maybe_m) in reach.items() if length_m <= maybe_m]
    return max(surely, default=None), max(perhaps, default=None)


def errors_of(runs: Iterable[RateRun]) -> tuple[Errors, ...]:
    """What each of this host's ports counted while runs filled it; light runs fill nothing and say
    nothing.
    """
    by: dict[str, list[int]] = {}
    for run in runs:
        known = run.circumstances
        count = known.frame_errors if known.frame_errors is not None else known.interface_errors
        if known.interface is not None and count is not None and not run.light:
            by.setdefault(known.interface, []).append(count)
    return tuple(
        Errors(
            interface=name,
            runs=len(counts),
            with_errors=sum(count > 0 for count in counts),
            frames=sum(counts),
        )
        for name, counts in sorted(by.items())
    )


def _hop(hop: HouseHop, errors: dict[str, Errors]) -> HopJudged:
    best, best_v6 = (port_shows_bps(hop.port_rate_bps, ip_version=version) for version in (4, 6))
    if hop.cable is Cable.WIRELESS:
        best = best_v6 = round(hop.port_rate_bps * WIRELESS[1])
    if hop.carries_bps is not None:
        best, best_v6 = min(best, hop.carries_bps), min(best_v6, hop.carries_bps)
    surely, perhaps = carries(hop.cable, hop.length_m)
    state, because = _cable(hop, errors.get(hop.interface or ""))
    return HopJudged(
        hop=hop,
        best_bps=best,
        best_v6_bps=best_v6,
        surely_bps=surely,
        perhaps_bps=perhaps,
        cable=state,
        cable_because=because,
    )


def _cable(hop: HouseHop, errors: Errors | None) -> tuple[State, str]:
    """What the counters under load say."""
    if hop.cable is Cable.WIRELESS:
        return State.NOT_SEEN, "wireless has no frame errors to count; it is never evidence"
    if errors is None:
        return State.NOT_SEEN, "no counters of this host stand on it; read those of its ports under load"
    if errors.with_errors:
        return State.SUSPECT, (
            f"{errors.frames} damaged frames in {errors.with_errors} of {errors.runs} runs that filled it: "
            f"swap the lead or the plugs, or take a lower rate"
        )
    return State.CLEAN, f"no damaged frame in {counted(errors.runs, 'run')} that filled it"


def _because(path: HousePath, weakest: HopJudged, handoff: str, needed_bps: int | None) -> str:
    hop = weakest.hop
    said = (
        f"{path.name} by handoff {handoff}: the weakest hop, {hop.title} ({_port_text(hop)}), shows "
        f"{_mbps(weakest.best_bps)} of payload at best"
    )
    if needed_bps is None:
        return f"{said}; the card states no rate to compare."
    if weakest.best_bps < needed_bps:
        return (
            f"{said}, less than the {_mbps(needed_bps)} that the contract comes to. What is measured from "
            "here is the house's, not the line's."
        )
    return f"{said}, enough for the {_mbps(needed_bps)} that the contract comes to."


def _seen(weakest: HopJudged, runs: Sequence[RateRun]) -> str | None:
    """Whether runs end where the weakest hop does."""
    tops = [
        (side.rates.goodput_bps, weakest.best_bps if side.ip_version == 4 else weakest.best_v6_bps)
        for run in runs
        for side in run.sides().values()
        if not run.light
    ]
    at_top = [rate for rate, top in tops if abs(rate - top) <= TOP_BAND * top]
    if len(at_top) < LEAST_FLAT:
        return None
    above = sum(rate > (1 + TOP_BAND) * top for rate, top in tops)
    if above:
        return None
    return (
        f"{len(at_top)} of {len(tops)} results end at {_mbps(max(at_top))}, within 1 % of what this hop "
        f"shows, and none above: that is this hop, and not the line. Owner: house."
    )


def _cures(weakest: HopJudged) -> Iterable[str]:
    """What helps, the cheapest first."""
    hop = weakest.hop
    if hop.carries_bps is not None and hop.carries_bps <= weakest.best_bps:
        yield (
            f"A device on {hop.title} carries {rate_text(hop.carries_bps)} at most: ask for its rate both "
            f"ways."
        )
        return
    if hop.cable is Cable.WIRELESS:
        yield f"{hop.title}: take a cable; wireless is shared and half duplex."
        return
    if weakest.cable is State.SUSPECT:
        yield f"{hop.title}: swap the lead and look at its plugs first; {weakest.cable_because}."
    yield from _faster_ports(weakest)
    yield from _turned_down(weakest)
    yield (
        f"Last: a short optical patch lead in place of {hop.title}, with optics at both ends. Laser light is "
        "invisible: never look into a fibre or an optic."
    )


def _faster_ports(weakest: HopJudged) -> Iterable[str]:
    """Whether the cable that is there carries more than its ports ask of it."""
    hop, sure, maybe = weakest.hop, weakest.surely_bps, weakest.perhaps_bps
    there = f"The {hop.cable} that is there" + ("" if hop.length_m is None else f", {hop.length_m:g} m,")
    if sure is not None and sure > hop.port_rate_bps:
        more = "" if maybe is None or maybe <= sure else f", and {rate_text(maybe)} where noise allows"
        yield (
            f"{there} carries {rate_text(sure)}{more}: {_settle(hop)}, and watch the error counters "
            "under load."
        )
    elif maybe is not None and maybe > hop.port_rate_bps:
        yield (
            f"{there} may carry {rate_text(maybe)}: older copper at house distances often does. Try faster "
            f"ports, and judge by the error counters under load."
        )
    elif sure is None and maybe is None and hop.cable not in (Cable.FIBRE, Cable.WIRELESS):
        yield (
            f"Find out category and length of {hop.title}: older copper at house distances often carries 2.5 "
            f"Gb/s and more."
        )


def _settle(hop: HouseHop) -> str:
    if hop.most_bps is not None and hop.most_bps > hop.port_rate_bps:
        return f"both ports of {hop.title} do {rate_text(hop.most_bps)}, so find out why they settled lower"
    return f"give {hop.title} ports of 2.5 or 5 Gb/s"


def _turned_down(weakest: HopJudged) -> Iterable[str]:
    """A 10G copper port on a cable that does not carry it can be turned down instead of falling to 1G."""
    hop, maybe = weakest.hop, weakest.perhaps_bps
    if hop.most_bps != MULTIGIG[-1] or hop.cable is Cable.FIBRE:
        return
    if maybe is None or maybe < MULTIGIG[-1]:
        least = min(maybe or MULTIGIG[2], MULTIGIG[2])
        yield (
            f"Turn the 10 Gb/s ports of {hop.title} down to {rate_text(max(least, MULTIGIG[1]))}, where they "
            f"settle lower than the cable allows because it does not carry 10."
        )


def _port_text(hop: HouseHop) -> str:
    length = "" if hop.length_m is None else f", {hop.length_m:g} m"
    return f"{port_rate(hop.port_rate_bps)} over {hop.cable}{length}"


def _mbps(rate_bps: int) -> str:
    return f"{rate_bps / 1e6:.0f} Mb/s" if rate_bps >= 100e6 else f"{rate_bps / 1e6:.1f} Mb/s"


def needed_payload_bps(handoff: Handoff) -> int | None:
    """The higher of the rates that a card states, as TCP payload over IPv4; at its layer (layer 2 where it
    names none), each tag counted there with 4 bytes (IEEE 802.1Q)."""
    card = handoff.card
    stated = [rate for one in (Direction.UP, Direction.DOWN) if (rate := card.rate_bps(one)) is not None]
    if not stated:
        return None
    layer = Layer.ETHERNET if card.layer is Layer.NOT_STATED else card.layer
    packet, tags = layers.packet_bytes(None), 4 * len(card.vlan_tags or ())
    tagged = {
        one: size + (tags if one in (Layer.ETHERNET, Layer.WIRE) else 0) for one, size in packet.items()
    }
    return layers.at_layers(max(stated), layer, tagged).goodput_bps
