"""Round trips per minute by draft-ietf-ippm-responsiveness-09, as far as a load of plain TCP allows.

The draft combines foreign probes, each a new connection, with self probes on a loaded HTTP connection.
Linebook's load is no HTTP, so there is the foreign half alone, and nothing stands in for the other. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from store.histogram import rank_of
from store.loaded_delay import Foreign

TRIMMED = 0.95  # the draft's TMP: the share of values that a trimmed mean keeps


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """A foreign probe: when it began and ended, and what each of its steps took; None for one that failed."""

    began_ns: int
    ended_ns: int
    tcp_ns: int | None = None
    tls_ns: int | None = None
    http_ns: int | None = None


def trimmed_mean(values: Sequence[float]) -> float:
    """The mean of what is not above the 95th percentile (single-sided). ValueError for nothing."""
    kept = sorted(values)[: rank_of(TRIMMED, len(values))] if values else []
    if not kept:
        raise ValueError("no mean of nothing")
    return sum(kept) / len(kept)


def foreign_rpm(tcp_ms: Sequence[float], tls_ms: Sequence[float], http_ms: Sequence[float]) -> float:
    """Round trips per minute as foreign probes see them."""
    return 60_000 / (sum(trimmed_mean(times_ms) for times_ms in (tcp_ms, tls_ms, http_ms)) / 3)


def foreign(probes: Sequence[Probe], *, from_ns: int, to_ns: int) -> Foreign | None:
    """What the probes that began and ended in a part of a run say; None when none was answered there."""
    part = [each for each in probes if from_ns <= each.began_ns and each.ended_ns <= to_ns]
    times = [
        (each.tcp_ns / 1e6, each.tls_ns / 1e6, each.http_ns / 1e6)
        for each in part
        if each.tcp_ns is not None and each.tls_ns is not None and each.http_ns is not None
    ]
    if not times:
        return None
    tcp_ms, tls_ms, http_ms = zip(*times, strict=True)
    return Foreign(
        count=len(times),
        failed=len(part) - len(times),
        tcp_us=round(trimmed_mean(tcp_ms) * 1000),
        tls_us=round(trimmed_mean(tls_ms) * 1000),
        http_us=round(trimmed_mean(http_ms) * 1000),
        foreign_rpm=round(foreign_rpm(tcp_ms, tls_ms, http_ms), 1),
    )
