"""The last rehearsal of a stream plan, as a figure beside the answer for its next show."""

from __future__ import annotations

from datetime import tzinfo
from typing import Any

from dashboard.pages import corrected
from dashboard.pages.wording import grouped, moment
from store import jsonform
from store.corrections import Corrections
from store.reader import Reader
from store.records import REASONS
from store.rehearsals import Rehearsal, Rehearsed
from store.site import StreamPlan


def last(reader: Reader, plan: StreamPlan) -> Rehearsal | None:
    """The newest one on record; None when there was none."""
    found = reader.documents(Rehearsal, handoff=plan.handoff, limit=1, having=("plan", (plan.name,)))
    return found[-1] if found else None


def said(run: Rehearsal, *, where: tzinfo, corrections: Corrections) -> str:
    """When it was, and for each destination how many seconds were dropped and how many could not be shown."""
    parts = [f"{moment(run.started_unix_ns, where).text}, {run.seconds:g} s to {run.endpoint}"]
    parts += [_destination(one) for one in run.destinations]
    if run.reasons:
        why = "; ".join(REASONS[reason][1] for reason in run.reasons)
        parts.append(f"{run.standing}: {why}")
    behind = corrected.behind(corrections.of(run) is not None, "this rehearsal")
    return ". ".join([*parts, *([behind] if behind else [])])


def as_json(run: Rehearsal | None, corrections: Corrections) -> dict[str, Any] | None:
    """It as a program reads it, without its single seconds: `linebook run rehearsal --json` has those."""
    if run is None:
        return None
    found = jsonform.as_json(run)
    each = [
        {name: value for name, value in one.items() if name != "seconds"} for one in found["destinations"]
    ]
    return found | {"destinations": each, "corrected": jsonform.corrected_json(corrections.of(run))}


def _destination(one: Rehearsed) -> str:
    counts = {"dropped": one.dropped, "left out": one.waited, "lost": one.lost, "late": one.late}
    frames = ", ".join(f"{grouped(count)} frames {word}" for word, count in counts.items() if count)
    if not frames and not one.unseen:
        return f"{one.name}: all of it in time"
    told = f"{one.name}: {one.dropped_s:.1f} s dropped, {one.unseen_s:.1f} s not to be shown"
    return f"{told} ({frames})" if frames else told
