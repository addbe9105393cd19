"""The signature of names that take long while transfers are fast. Pure.

Figures without a source beside them are common practice, no source.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median

from dashboard.judge import sampling
from dashboard.judge.finding import CHANCE, Finding, finding
from dashboard.judge.material import Material
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US
from store.histogram import Delays
from store.lookups import WAITED_S, Heard, Lookups, NameAsked
from store.quantities import percent
from store.records import Owner, Standing

SLOW_US = 500_000  # as long as a stall; a resolver that must ask far away takes 100 to 300 ms
USUAL_RATIO = 0.05  # of lookups may be slow: another server than the resolver may be
LEAST = 20  # that were fetched, beside fast transfers
_DAY_NS = 86_400 * NS_PER_S
_WEEK_NS = 7 * _DAY_NS
_LOST_RATIO, _RTT_US = 0.01, 300_000  # of the trains meanwhile: more, and transfers are not fast either


@dataclass(frozen=True, slots=True)
class _Lookup:
    resolver: str
    run_by: Owner | None
    unix_ns: int
    asked: NameAsked

    @property
    def slow(self) -> bool:
        return self.asked.told is Heard.SILENT or (self.asked.took_us or 0) >= SLOW_US


def find(material: Material) -> Iterator[Finding]:
    """29, for each resolver that was asked: over all of the time, and by weeks."""
    by_resolver: defaultdict[str, list[_Lookup]] = defaultdict(list)
    fine = _Fine(material)
    for one in _fetched(material):
        if fine.at(one.unix_ns):
            by_resolver[one.resolver].append(one)
    for resolver, lookups in by_resolver.items():
        worst, chance = _worst(lookups)
        if chance <= CHANCE:
            yield _slow_names(material, resolver, worst, [one for one in worst if one.slow], chance)


def _worst(lookups: list[_Lookup]) -> tuple[list[_Lookup], float]:
    """All of them or those of one week, whichever has the least chance, times how many were tried."""
    first_ns, last_ns = lookups[0].unix_ns, lookups[-1].unix_ns
    tries = [lookups]
    for start_ns in range(first_ns, last_ns - _WEEK_NS + _DAY_NS, _DAY_NS):
        tries.append([one for one in lookups if start_ns <= one.unix_ns < start_ns + _WEEK_NS])
    tested = [each for each in tries if len(each) >= LEAST] or [lookups]
    chances = [sampling.chance_of_as_many(_slow(each), len(each), USUAL_RATIO) for each in tested]
    least = min(range(len(tested)), key=lambda nth: chances[nth])
    chance = chances[least] if len(tested[least]) >= LEAST else 1.0
    return tested[least], min(1.0, chance * len(tested))


def _slow(lookups: list[_Lookup]) -> int:
    return sum(one.slow for one in lookups)


def _slow_names(
    material: Material, resolver: str, lookups: list[_Lookup], slow: list[_Lookup], chance: float
) -> Finding:
    silent = sum(one.asked.told is Heard.SILENT for one in slow)
    took_us = median(one.asked.took_us or WAITED_S * 1e6 for one in slow)
    run_by = lookups[-1].run_by
    return finding(
        29,
        handoff=material.handoff.name,
        seen=f"{len(slow)} of {len(lookups)} lookups that the resolver {resolver} did not answer out of its "
        f"memory took {SLOW_US / 1e6:g} s or more ({percent(len(slow) / len(lookups))}; median of these "
        f"{took_us / 1e6:.1f} s), {silent} of them without an answer in {WAITED_S:g} s, while trains in the "
        f"same ten minutes lost less than {percent(_LOST_RATIO)}.",
        owner=run_by or Owner.UNKNOWN,
        because="packets passed as usual meanwhile, and "
        + (
            "the record does not tell who runs the resolver, or whom it asks in turn"
            if run_by in (None, Owner.UNKNOWN)
            else f"by the site file the resolver is the {run_by}’s"
        ),
        decides="the same names asked of another resolver: linebook run lookup NAME --resolver ADDRESS",
        when=(slow[0].unix_ns, slow[-1].unix_ns),
        chance=chance,
        counts={
            "lookups": len(lookups),
            "slow": len(slow),
            "unanswered": silent,
            "slow_p50_ms": round(took_us / 1e3),
            "resolver": resolver,
        },
    )


def why_untested(material: Material) -> str | None:
    """Why 29 was not tested; None where it was."""
    every = material.of(Lookups)
    told = [one for one in every if one.asked]
    if not told:
        missed = every[-1].missed if every else None
        return missed or "no lookup of a name is on record in this time"
    if not [one for one in told if one.standing is Standing.VALID]:
        return "the resolver that was asked runs on this host, so its answers may come out of its own memory"
    fine = _Fine(material)
    count = sum(fine.at(one.unix_ns) for one in _fetched(material))
    if count >= LEAST:
        return None
    return (
        f"{count} lookups were fetched by the resolver beside trains that lost little; at least {LEAST} "
        "would be needed"
    )


def _fetched(material: Material) -> list[_Lookup]:
    """Lookups that went out and came, by their TTL, not out of the resolver's memory; oldest first.

    The highest TTL of a name is what its own servers give; one that never shows counts all of its answers.
    """
    every = [
        _Lookup(one.resolver, one.run_by, one.started_unix_ns + asked.at_ms * NS_PER_MS, asked)
        for one in material.of(Lookups)
        if one.standing is Standing.VALID
        for asked in one.asked
        if asked.told is not Heard.UNSENT
    ]
    highest: defaultdict[tuple[str, str], int] = defaultdict(int)
    for one in every:
        key = one.resolver, one.asked.name
        highest[key] = max(highest[key], one.asked.ttl_s or 0)
    return [
        one
        for one in every
        if one.asked.ttl_s is None or one.asked.ttl_s == highest[one.resolver, one.asked.name]
    ]


class _Fine:
    """When packets to an endpoint outside passed as they should, by cells and stalls of its trains."""

    def __init__(self, material: Material) -> None:
        self._cells = [
            [(one.started_unix_ns, one.ended_unix_ns, _is_fine(one.sent, one.lost, one.rtt)) for one in cells]
            for cells in (material.cells_of(name) for name in material.outside)
            if cells
        ]
        self._stalls = sorted(
            (one.started_unix_ns, one.started_unix_ns + one.duration_us * NS_PER_US)
            for one in material.stalls
        )

    def at(self, unix_ns: int) -> bool:
        """Whether some train passed then, and no stall was within what a lookup may take."""
        ended_ns = unix_ns + round(WAITED_S * NS_PER_S)
        at = bisect_right(self._stalls, (ended_ns, ended_ns))
        if any(end_ns >= unix_ns for _, end_ns in self._stalls[max(0, at - 20) : at]):
            return False
        return any(_covers(cells, unix_ns) for cells in self._cells)


def _covers(cells: list[tuple[int, int, bool]], unix_ns: int) -> bool:
    at = bisect_right(cells, unix_ns, key=lambda one: one[0]) - 1
    return at >= 0 and unix_ns < cells[at][1] and cells[at][2]


def _is_fine(sent: int, lost: int, rtt: Delays | None) -> bool:
    return sent > 0 and lost < _LOST_RATIO * sent and (rtt is None or rtt.p95 < _RTT_US)
