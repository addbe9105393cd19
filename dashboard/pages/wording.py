"""How figures, times and spans are written for a reader.

Every page says a number the same way, because they all ask here. Units stand in headings, so most
functions give the number alone. Pure; imports store, and api for its periods.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import tzinfo

from dashboard.api import Period
from store.clock import local
from store.layers import Layer
from store.quantities import counted as counted
from store.quantities import grouped as grouped
from store.records import Direction

NO_BREAK = "\u00a0"
DASH = "–"  # stands where there is nothing to say; never 0

LAYERS = {
    Layer.PAYLOAD: "payload",
    Layer.IP: "IP layer",
    Layer.ETHERNET: "layer 2",
    Layer.WIRE: "layer 1",
    Layer.NOT_STATED: "not stated",
}

# The space between a number and its unit in a page's text: the next bracket opens a tag, and none that ends
# what a form sends or somebody copies.
_BEFORE_UNIT = re.compile(
    r"(?<=[0-9]) (?=(?:%|[kMGT]?B|[kMG]?b(?:it)?/s|[mu]?s|min|h|d)(?![A-Za-z0-9])"
    r"[^<>]*<(?!/(?:option|code|pre|textarea|style|script)>))"
)

PERIODS = {
    Period.HOUR: "the last hour",
    Period.DAY: "the last 24 hours",
    Period.WEEK: "the last 7 days",
    Period.MONTH: "the last 30 days",
}

DIRECTIONS = {Direction.UP: "up", Direction.DOWN: "down", Direction.BOTH: "both ways"}


def kept_together(html: str) -> str:
    """A page on which no line ends between a number and its unit; what its forms send stays as it is."""
    return _BEFORE_UNIT.sub(NO_BREAK, html)


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A time as a reader sees it and as a machine does (`iso`, with offset)."""

    text: str
    iso: str


def moment(unix_ns: int, where: tzinfo, *, form: str = "%a %d %b %H:%M:%S") -> Moment:
    """Local time at `where`, written by `form`."""
    at = local(unix_ns, where)
    return Moment(
        text=at.strftime(form), iso=at.isoformat(timespec="milliseconds" if at.microsecond else "seconds")
    )


def offset(unix_ns: int, where: tzinfo) -> str:
    """The zone's offset at that time, ``UTC+01:00``."""
    text = local(unix_ns, where).strftime("%z")
    return f"UTC{text[:3]}:{text[3:5]}"


def mbps(rate_bps: float | None) -> str:
    """Mb/s with four significant digits at most and two decimals at most."""
    if rate_bps is None:
        return DASH
    rate = rate_bps / 1e6
    if abs(rate) < 9.995:
        return f"{rate:.2f}"
    return f"{rate:.1f}" if abs(rate) < 999.95 else f"{rate:.0f}"


def stated_mbps(rate_bps: int) -> str:
    """A rate that somebody wrote down, without zeros that they did not write."""
    return f"{rate_bps / 1e6:.6f}".rstrip("0").rstrip(".")


def stated_percent(ratio: float) -> str:
    """A share that somebody wrote down, without zeros that they did not write."""
    return f"{ratio * 100:.6g} %"


def ms(delay_us: float | None) -> str:
    """Milliseconds: hundredths below 10, tenths below 100, whole above."""
    if delay_us is None:
        return DASH
    delay = delay_us / 1e3
    if delay < 9.995:
        return f"{delay:.2f}"
    return f"{delay:.1f}" if delay < 99.95 else f"{delay:.0f}"


def percent(ratio: float | None) -> str:
    """A share in per cent, with more digits the nearer it is to none or all, which it is never rounded to."""
    if ratio is None:
        return DASH
    share = ratio * 100
    if share in (0, 100):
        return f"{share:.0f} %"
    if share > 100:
        return f"{share:.4g} %"
    if share >= 99.99995:
        return "over 99.9999 %"
    for above, decimals in ((99.99, 4), (99, 2), (10, 1), (0.0995, 2), (0.00995, 3), (0.000995, 4)):
        if share >= above:
            return f"{share:.{decimals}f} %"
    return "under 0.001 %"


def span(seconds: float) -> str:
    """A length of time in the two largest units that matter: ``2.4 s``, ``4 min 10 s``, ``3 d 4 h``."""
    if seconds < 60:
        return f"{seconds:.1f} s" if seconds < 9.95 else f"{seconds:.0f} s"
    whole = round(seconds)
    for size, name, small, small_name in (
        (86400, "d", 3600, "h"),
        (3600, "h", 60, "min"),
        (60, "min", 1, "s"),
    ):
        if whole >= size:
            rest = whole % size // small
            return f"{whole // size} {name} {rest} {small_name}" if rest else f"{whole // size} {name}"
    raise AssertionError("a minute or more has a unit")


def path(handoff: str, endpoint: str) -> str:
    """A handoff and the endpoint it was measured to, kept on one line."""
    return f"{handoff}{NO_BREAK}–{NO_BREAK}{endpoint}"
