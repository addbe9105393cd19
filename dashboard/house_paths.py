"""The house's own ways judged for a site, with the runs that its handoffs saw. Imports store and judge."""

from __future__ import annotations

from collections.abc import Iterable

from dashboard.judge import evidence, house
from dashboard.judge.house import PathJudged
from store.clock import NS_PER_S
from store.reader import Reader
from store.records import RateRun
from store.site import Handoff, Site

SEEN_S = 30 * 86_400  # runs of the last month tell where they end and what the counters say


def judged(site: Site, handoff: Handoff, runs: Iterable[RateRun], *, now_ns: int) -> tuple[PathJudged, ...]:
    """Every way from one handoff by its card in force; `runs` are its own."""
    handoff = handoff.at(now_ns)
    kept = evidence.of_line(site, handoff.name, runs)
    needed_bps = house.needed_payload_bps(handoff)
    return tuple(
        house.judge(path, handoff, needed_bps=needed_bps, runs=kept)
        for path in site.house
        if handoff.name in path.handoffs
    )


def of_site(reader: Reader | None, site: Site, *, now_ns: int) -> tuple[PathJudged, ...]:
    """Every way from every handoff; without a reader there are no runs."""
    since_ns = now_ns - SEEN_S * NS_PER_S
    found: list[PathJudged] = []
    for handoff in site.handoffs:
        runs: list[RateRun] = []
        if reader is not None:
            runs = reader.rate_runs(handoff=handoff.name, since_ns=since_ns, until_ns=now_ns, bins=False)
        found += judged(site, handoff, runs, now_ns=now_ns)
    return tuple(found)
