"""The house's own ways as text for a terminal, and as JSON. Loads no numerics."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from store.clock import rfc3339
from store.house import HouseHop
from store.jsonform import SCHEMA
from store.quantities import port_rate

if TYPE_CHECKING:
    from dashboard.judge.house import HopJudged, PathJudged

CAUTION = (
    "Mains, earthing, ladders, drilling and outdoor cable are for licensed people and the rules of the "
    "place. Laser light is invisible: never look into a fibre or an optic."
)


def house(found: Sequence[PathJudged]) -> str:
    """Each way with its hops, its sentence and its cures."""
    if not found:
        return "The site file describes no way through the house: [[house]] and [[house.hop]] do."
    lines = []
    for one in found:
        lines.append(one.because)
        lines += [f"  {hop_line(hop)}" for hop in one.hops]
        if one.seen:
            lines.append(f"  {one.seen}")
        lines += [f"  {place}. {cure}" for place, cure in enumerate(one.cures, 1)]
    return "\n".join([*lines, CAUTION])


def hop_line(found: HopJudged) -> str:
    """One hop in a line."""
    return (
        f"{found.hop.title}: {port(found.hop)}, {mbps(found.best_bps)} of payload at best "
        f"(IPv6 {mbps(found.best_v6_bps)}); cable {found.cable}: {found.cable_because}"
    )


def port(hop: HouseHop) -> str:
    """The port's rate and the cable: ``1 Gb/s, Cat 5e, 62 m``."""
    rate = port_rate(hop.port_rate_bps)
    return f"{rate}, {hop.cable}" + ("" if hop.length_m is None else f", {hop.length_m:g} m")


def mbps(rate_bps: int) -> str:
    return f"{rate_bps / 1e6:.0f} Mb/s" if rate_bps >= 100e6 else f"{rate_bps / 1e6:.1f} Mb/s"


def house_json(found: Sequence[PathJudged], *, now_ns: int) -> dict[str, Any]:
    """The object that other programs may rely on; rates in bit/s of TCP payload."""
    return {
        "kind": "house",
        "schema": SCHEMA,
        "started": rfc3339(now_ns),
        "standing": "valid",
        "reasons": [],
        "paths": [path_json(one) for one in found],
    }


def path_json(one: PathJudged) -> dict[str, Any]:
    """One way from one handoff."""
    return {
        "name": one.path.name,
        "handoff": one.handoff,
        "needed_bps": one.needed_bps,
        "best_bps": one.weakest.best_bps,
        "weakest": one.weakest.hop.title,
        "limits": one.limits,
        "because": one.because,
        "seen": one.seen,
        "cures": list(one.cures),
        "hops": [
            {
                "from": hop.hop.from_,
                "to": hop.hop.to,
                "port_rate_bps": hop.hop.port_rate_bps,
                "cable": str(hop.hop.cable),
                "length_m": hop.hop.length_m,
                "best_bps": hop.best_bps,
                "best_v6_bps": hop.best_v6_bps,
                "cable_carries_bps": hop.surely_bps,
                "cable_may_carry_bps": hop.perhaps_bps,
                "cable_state": str(hop.cable),
                "cable_because": hop.cable_because,
            }
            for hop in one.hops
        ],
    }
