"""One handoff's rate promises over a stretch of the record: details, exclusions, versions of the card.

Reads with a `Reader`, so it runs in that reader's thread; what is found is shown by pages, JSON and commands
alike. Imports store, judge and history.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

from dashboard import history
from dashboard.judge import evidence, exclusions, rate_detail
from dashboard.judge.contract import Sample
from dashboard.judge.exclusions import Ledger
from dashboard.judge.rate_detail import RateDetail
from dashboard.judge.together import Part, Together, together
from store.card import Card
from store.clock import NS_PER_S, zone
from store.reader import Reader
from store.records import Direction, Failed, RateRun, Skipped
from store.site import Handoff, Site

DIRECTIONS = (Direction.UP, Direction.DOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """One version of a card within a stretch, from when until when it was in force, and its verdicts."""

    card: Card
    from_unix_ns: int
    until_unix_ns: int
    details: tuple[RateDetail, ...]
    ledgers: tuple[Ledger, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """What was found of one handoff: the version in force at the end, then those before it."""

    handoff: Handoff
    from_unix_ns: int
    until_unix_ns: int
    versions: tuple[Version, ...]

    @property
    def newest(self) -> Version:
        """The version in force at the end of the stretch."""
        return self.versions[0]


def read(
    reader: Reader,
    site: Site,
    handoff: Handoff,
    *,
    now_unix_ns: int,
    seconds: int = history.VERDICT_S,
    runs: Sequence[RateRun] | None = None,
) -> Rates:
    """The last `seconds` before `now_unix_ns`; `runs` are the handoff's of that time or more, if at hand."""
    since_ns = now_unix_ns - seconds * NS_PER_S
    if runs is None:
        runs = reader.rate_runs(handoff=handoff.name, since_ns=since_ns, until_ns=now_unix_ns, bins=False)
    troubles = reader.troubles(handoff=handoff.name, since_ns=since_ns, until_ns=now_unix_ns)
    return Rates(
        handoff=handoff,
        from_unix_ns=since_ns,
        until_unix_ns=now_unix_ns,
        versions=tuple(
            _version(site, handoff, card, runs, troubles, from_ns, until_ns)
            for card, from_ns, until_ns in _in_force(handoff, since_ns, now_unix_ns)
        ),
    )


def read_together(reader: Reader, site: Site, handoff: Handoff, *, now_unix_ns: int) -> Together | None:
    """The handoffs of this one's contract as one, over the last 30 days; None where it has no other."""
    card = handoff.card_at(now_unix_ns)
    since_ns = max(now_unix_ns - history.VERDICT_S * NS_PER_S, card.from_unix_ns or 0)
    mates = [
        each for each in site.handoffs if each is handoff or card.same_contract(each.card_at(now_unix_ns))
    ]
    if len(mates) < 2:
        return None
    parts = []
    for each in mates:
        runs = reader.rate_runs(handoff=each.name, since_ns=since_ns, until_ns=now_unix_ns, bins=False)
        parts.append(
            Part(
                name=each.name,
                card=each.card_at(now_unix_ns),
                runs=evidence.of_line(site, each.name, runs),
                failover_only=each.failover_only,
            )
        )
    return together(parts)


def _in_force(handoff: Handoff, since_ns: int, until_ns: int) -> list[tuple[Card, int, int]]:
    """The versions of the card that were in force between the two, and when; the newest first."""
    found = []
    end_ns = until_ns
    for card in reversed(handoff.cards):
        begin_ns = since_ns if card is handoff.cards[0] else max(since_ns, card.from_unix_ns or 0)
        if begin_ns < end_ns:
            found.append((card, begin_ns, end_ns))
            end_ns = begin_ns
    return found or [(handoff.card_at(until_ns), since_ns, until_ns)]


def _version(
    site: Site,
    handoff: Handoff,
    card: Card,
    runs: Sequence[RateRun],
    troubles: Sequence[object],
    from_ns: int,
    until_ns: int,
) -> Version:
    own = evidence.of_line(
        site, handoff.name, [run for run in runs if from_ns <= run.started_unix_ns < until_ns]
    )
    skipped = evidence.of_line(
        site,
        handoff.name,
        [one for one in troubles if isinstance(one, Skipped) and from_ns <= one.planned_unix_ns < until_ns],
    )
    failed = evidence.of_line(
        site,
        handoff.name,
        [one for one in troubles if isinstance(one, Failed) and from_ns <= one.started_unix_ns < until_ns],
    )
    details, ledgers = _judged(site, own, card, tuple(skipped), tuple(failed))
    return Version(card=card, from_unix_ns=from_ns, until_unix_ns=until_ns, details=details, ledgers=ledgers)


_Judged = tuple[tuple[RateDetail, ...], tuple[Ledger, ...]]
_MOST_JUDGED = 12
_JUDGED: OrderedDict[Hashable, tuple[_Judged, object]] = OrderedDict()


def _judged(
    site: Site, own: list[RateRun], card: Card, skipped: tuple[Skipped, ...], failed: tuple[Failed, ...]
) -> _Judged:
    """The verdicts and ledgers of these very runs and this very card, judged once while they are the same.

    A reader hands out the same objects, and none of them ever changes; they are kept beside what was judged,
    so that no other object has the number of one of them.
    """
    where = zone(site.timezone)
    key = (*map(id, own), id(card), skipped, failed, site.busy, site.timezone)
    known = _JUDGED.get(key)
    if known is not None:
        return known[0]

    samples = [Sample.look(own, card, way, zone=where) for way in DIRECTIONS]
    ledgers = tuple(exclusions.ledger(one, skipped=skipped, failed=failed) for one in samples)
    details = tuple(
        rate_detail.detail(one, busy=site.busy, zone=where, whole=ledger.verdict)
        for one, ledger in zip(samples, ledgers, strict=True)
    )
    found = details, ledgers
    _JUDGED[key] = found, (own, card)
    while len(_JUDGED) > _MOST_JUDGED:
        _JUDGED.popitem(last=False)
    return found
