"""An upload plan made from the store: every uplink that may carry it, the receiver's ceiling, the hours kept
free.

Reads with a `Reader`, so it runs in that reader's thread. Imports store and judge.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from dashboard.judge import evidence, hours, upload
from dashboard.judge.upload import Ahead, Ceiling
from store.clock import NS_PER_S, local, unix_ns_of, zone
from store.reader import Reader
from store.receipts import Receipt
from store.records import Direction, RateRun, RateSide
from store.site import Handoff, Site, WindowKind

_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")
_YEARS = 2000, 2200
_AHEAD_S = 31 * 86_400


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is to be sent. `to` names a receiver, None for one of which nothing is known; `cap_bps` is what
    the user says that it takes, which counts before what was learned."""

    size_bytes: int
    start_ns: int
    deadline_ns: int | None = None
    to: str | None = None
    cap_bps: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """The plan on every uplink, the best of them first, and what is known of the receiver."""

    asked: Asked
    now_ns: int
    uplinks: tuple[Ahead, ...]
    best: Ahead | None
    ceiling: Ceiling | None
    kept_free_s: float


def moment(text: str, where: tzinfo, from_ns: int, *, past: bool = False) -> int:
    """``23:00``, the next one from an instant on (the last one before it, if `past`), or ``2026-03-09
    23:00``.

    By the clocks of `where`. ValueError for anything else.
    """
    if (clock := _CLOCK.fullmatch(text.strip())) is not None:
        now = local(from_ns, where).replace(tzinfo=None)
        found = now.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
        if past and found > now:
            found -= timedelta(days=1)
        if not past and found < now.replace(second=0, microsecond=0):
            found += timedelta(days=1)
        return unix_ns_of(found, where)
    try:
        found = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(
            f"{text[:40]!r} is no time; expected 23:00 or 2026-03-09 23:00, by the site's clocks"
        ) from None
    if not _YEARS[0] <= found.year < _YEARS[1]:
        raise ValueError(f"{text[:40]!r} is no time from {_YEARS[0]} to {_YEARS[1]}")
    return unix_ns_of(found, where)


def wrong(asked: Asked, now_ns: int) -> tuple[str, str] | None:
    """What makes no sense in a plan: the name of the field, and why; None where nothing does."""
    if asked.start_ns < now_ns - 60 * NS_PER_S:
        return "start", "lies in the past; expected a time from now on"
    if asked.start_ns > now_ns + _AHEAD_S * NS_PER_S:
        return "start", "lies more than a month ahead; the past days tell nothing of that"
    if asked.deadline_ns is not None and asked.deadline_ns <= asked.start_ns:
        return "deadline", "is not after the start"
    if asked.deadline_ns is not None and asked.deadline_ns > asked.start_ns + upload.LONGEST_S * NS_PER_S:
        return "deadline", "lies more than two weeks after the start, which is planned no further"
    return None


def find(reader: Reader, site: Site, asked: Asked, *, now_ns: int) -> Planned:
    """Read and judge. Metered uplinks carry no upload, nor do those that wait for a failover."""
    where = zone(site.timezone)
    ceiling = next((one for one in ceilings(reader) if one.to == asked.to), None)
    cap_bps = asked.cap_bps if asked.cap_bps is not None else ceiling.bps if ceiling else None
    found = [
        _ahead(reader, site, handoff, asked, cap_bps, where, now_ns)
        for handoff in site.handoffs
        if not handoff.metered and not handoff.failover_only
    ]
    best = upload.best(found)
    free = 0.0
    if best is not None and best.safe_ns is not None:
        until_ns = best.safe_ns
        spans = closed(site, best.handoff, where, from_ns=asked.start_ns, to_ns=until_ns)
        free = sum(min(b, until_ns) - max(a, asked.start_ns) for a, b in spans) / NS_PER_S
    return Planned(
        asked=asked,
        now_ns=now_ns,
        uplinks=tuple(sorted(found, key=lambda one: (one is not best, one.handoff))),
        best=best,
        ceiling=ceiling,
        kept_free_s=free,
    )


def ceilings(reader: Reader) -> tuple[Ceiling, ...]:
    """What each receiver takes, by all receipts on record."""
    return upload.ceilings(reader.documents(Receipt))


def line_median_bps(reader: Reader, site: Site, handoff: str, *, around_ns: int) -> int | None:
    """What a line carried up within half a day of a moment, median of its valid runs, as payload."""
    half_ns = 12 * 3600 * NS_PER_S
    rates = sorted(
        side.rates.goodput_bps
        for side in _sides(reader, site, handoff, around_ns - half_ns, around_ns + half_ns)
    )
    return rates[(len(rates) - 1) // 2] if rates else None


def closed(site: Site, handoff: str, where: tzinfo, *, from_ns: int, to_ns: int) -> list[tuple[int, int]]:
    """When nothing may be sent: shows on this handoff, and its show and quiet windows; joined, oldest
    first.
    """
    times = [plan.times for plan in site.plans if plan.handoff == handoff]
    times += [
        window.times
        for window in site.windows
        if window.kind is not WindowKind.MAINTENANCE and (not window.handoffs or handoff in window.handoffs)
    ]
    spans = sorted(span for one in times for span in hours.held(one, where, from_ns=from_ns, to_ns=to_ns))
    joined: list[tuple[int, int]] = []
    for start_ns, end_ns in spans:
        if joined and start_ns <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end_ns))
        else:
            joined.append((start_ns, end_ns))
    return joined


def _ahead(
    reader: Reader,
    site: Site,
    handoff: Handoff,
    asked: Asked,
    cap_bps: int | None,
    where: tzinfo,
    now_ns: int,
) -> Ahead:
    since_ns = now_ns - upload.HISTORY_S * NS_PER_S
    runs = reader.rate_runs(handoff=handoff.name, since_ns=since_ns, until_ns=now_ns, bins=False)
    own = evidence.of_line(site, handoff.name, runs)
    days = upload.days_of(own, start_ns=asked.start_ns, now_ns=now_ns, zone=where)
    until_ns = asked.start_ns + upload.LONGEST_S * NS_PER_S
    return upload.plan(
        handoff.name,
        days,
        size_bytes=asked.size_bytes,
        start_ns=asked.start_ns,
        deadline_ns=asked.deadline_ns,
        closed=closed(site, handoff.name, where, from_ns=asked.start_ns, to_ns=until_ns),
        ceiling_bps=cap_bps,
        zone=where,
    )


def _sides(reader: Reader, site: Site, handoff: str, since_ns: int, until_ns: int) -> Iterator[RateSide]:
    runs = reader.rate_runs(handoff=handoff, since_ns=since_ns, until_ns=until_ns, bins=False)
    own: Sequence[RateRun] = evidence.of_line(site, handoff, runs)
    yield from (side for _, side in evidence.counted(own, Direction.UP)[0])
