"""The cases of a time with their owners judged, as every page, paper and command tells them.

Reads with a `Reader`, so it runs in that reader's thread. Imports found, history and the judges.
"""

from __future__ import annotations

from collections.abc import Sequence

from dashboard import found, history
from dashboard.judge import case_owner, segments
from dashboard.judge.incidents import Incident
from dashboard.judge.segments import Judged
from store import fault_log
from store.cases import Case
from store.reader import Reader
from store.segments import Split
from store.site import Site


def read(
    reader: Reader, site: Site, *, since_ns: int, until_ns: int, now_ns: int, handoff: str | None = None
) -> tuple[Case, ...]:
    """The cases that touch the time, oldest first, as `store.fault_log.read` has them."""
    cases = fault_log.read(
        reader,
        gap_s=site.rules.case_gap_s,
        since_ns=since_ns,
        until_ns=until_ns,
        now_ns=now_ns,
        handoff=handoff,
    )
    known = {one.name for one in site.handoffs}
    asked = [one for one in cases if one.handoff in known and case_owner.placeable(one)]
    judged: dict[int, Case] = {}
    for name in dict.fromkeys(one.handoff for one in asked):
        own = [one for one in asked if one.handoff == name]
        judged |= {id(case): made for case, made in zip(own, _judged(reader, site, name, own), strict=True)}
    return tuple(judged.get(id(one), one) for one in cases)


def _judged(reader: Reader, site: Site, name: str, cases: Sequence[Case]) -> list[Case]:
    """The cases of one handoff: what lies in their time is read once for all of them."""
    since_ns = min(one.started_unix_ns for one in cases) - case_owner.MARGIN_NS
    until_ns = max(one.last_unix_ns for one in cases) + case_owner.MARGIN_NS
    silences = found.silences(reader, site, site.handoff(name), since_ns=since_ns, until_ns=until_ns)
    splits = [
        (one, segments.judge(one, answered_before=history.hops_usual(reader, name, before_ns=began)))
        for one in reader.documents(Split, handoff=name, since_ns=since_ns, until_ns=until_ns)
        if any(_within(case, began := one.started_unix_ns) for case in cases)
    ]
    return [case_owner.placed(case, _of(case, silences), _splits(case, splits)) for case in cases]


def _of(case: Case, silences: Sequence[Incident]) -> list[Incident]:
    return [one for one in silences if _within(case, one.started_unix_ns)]


def _splits(case: Case, splits: Sequence[tuple[Split, Judged]]) -> list[Judged]:
    return [judged for one, judged in splits if _within(case, one.started_unix_ns)]


def _within(case: Case, moment_ns: int) -> bool:
    margin_ns = case_owner.MARGIN_NS
    return case.started_unix_ns - margin_ns <= moment_ns <= case.last_unix_ns + margin_ns
