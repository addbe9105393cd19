"""Which layer a limit counts, from how many packets of each size it let pass. Pure.

A limit of R that counts o bytes beside each IP packet of s bytes lets one pass in (s + o) x 8 / R, so the
time a packet takes is a straight line over its size, and o is where it begins over its slope. Weighted least
squares with equal relative errors; the bound is Student's t for 95 % (percentage points from memory, held
against scipy in the tests) times the standard error, by the errors of the figures or by how far the sizes
lie off the line, whichever is more. Imports store.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from store.layers import ETHERNET_BYTES, IP_BYTES, WIRE_BYTES
from store.sizes import Counted

FCS_BYTES = 4
T95 = {1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776}  # two-sided, by degrees of freedom
SIZES_LEAST = 3  # two draw a line through anything

_ERROR_LEAST = 0.0002  # of a rate: what paced runs come to beside a shaper's own counter (measured)
_NEAR_BYTES = 0.5  # closer than this a figure is that of a layer, however small its bound


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """Packets of one size that passed a second, with the standard error of that as a ratio."""

    ip_bytes: int
    per_second: float
    error_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """`overhead_bytes` beside the IP packet, to `bound_bytes`; the limit counted so."""

    overhead_bytes: float
    bound_bytes: float
    limit_bps: int


def overheads(ip_version: int) -> Mapping[Counted, int]:
    """What each layer counts beside the IP packet, without tags."""
    return {
        Counted.IP_PAYLOAD: -IP_BYTES[ip_version],
        Counted.IP: 0,
        Counted.NO_FCS: ETHERNET_BYTES - FCS_BYTES,
        Counted.ETHERNET: ETHERNET_BYTES,
        Counted.WIRE: ETHERNET_BYTES + WIRE_BYTES,
    }


def fit(passed: Sequence[Passed]) -> Fit | None:
    """None for fewer than `SIZES_LEAST` sizes, and where larger packets do not take longer."""
    if len(passed) < SIZES_LEAST:
        return None
    taken = [1 / one.per_second for one in passed]
    errors = [time * max(one.error_ratio, _ERROR_LEAST) for one, time in zip(passed, taken, strict=True)]
    weights = [1 / error**2 for error in errors]
    sizes = [one.ip_bytes for one in passed]
    total = sum(weights)
    mean_size = sum(w * x for w, x in zip(weights, sizes, strict=True)) / total
    mean_time = sum(w * y for w, y in zip(weights, taken, strict=True)) / total
    square = sum(w * (x - mean_size) ** 2 for w, x in zip(weights, sizes, strict=True))
    if not square:
        return None
    slope = sum(w * (x - mean_size) * y for w, x, y in zip(weights, sizes, taken, strict=True)) / square
    if slope <= 0:
        return None
    overhead = mean_time / slope - mean_size
    rest = sum(w * (y - slope * (x + overhead)) ** 2 for w, x, y in zip(weights, sizes, taken, strict=True))
    freedom = len(passed) - 2
    # the line goes through the weighted mean, whose error and that of the slope are independent
    variance = 1 / total / slope**2 + (mean_time / slope**2) ** 2 / square
    bound = T95[min(freedom, max(T95))] * (variance * max(1.0, rest / freedom)) ** 0.5
    return Fit(overhead_bytes=overhead, bound_bytes=bound, limit_bps=round(8 / slope))


def counted(found: Fit | None, *, ip_version: int) -> tuple[Counted, str]:
    """The layer, and why; undecided where the bound leaves more than one, or there is no line."""
    if found is None:
        return Counted.UNDECIDED, (
            f"the limit showed at fewer than {SIZES_LEAST} sizes; offer 5 % more than it lets pass"
        )
    known = overheads(ip_version)
    within = max(found.bound_bytes, _NEAR_BYTES)
    near = [layer for layer, bytes_ in known.items() if abs(found.overhead_bytes - bytes_) <= within]
    said = (
        f"each packet costs {found.overhead_bytes:.1f} bytes beside its IP packet, give or take "
        f"{found.bound_bytes:.1f}"
    )
    if len(near) == 1:
        return near[0], f"{said}; counted so it would be {known[near[0]]}"
    if not near:
        return Counted.OTHER, f"{said}, which is no layer of an untagged Ethernet"
    words = " and ".join(str(layer) for layer in near)
    return Counted.UNDECIDED, f"{said}, which does not separate {words}"
