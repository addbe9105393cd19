"""Allowance and schedule: what runs when, what tests spent and will come to, and what holds runs back.

What is due next and what a month's schedule costs is the running probe's to say; the rest is the site file's
and the record's, and is there without a probe too. Imports budget, doing and the pages' words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from dashboard.api import Json
from dashboard.pages import budget
from dashboard.pages.budget import Used
from dashboard.pages.frame import Frame
from dashboard.pages.ledger import Entry, Heading, Mark, Table, cells, number
from dashboard.pages.now import MARKS as WINDOW_MARKS
from dashboard.pages.now import Asked
from dashboard.pages.wording import DASH, counted, moment, span
from store.clock import NS_PER_S, rfc3339, zone
from store.quantities import percent, size_text
from store.reader import Reader
from store.records import Direction
from store.site import RunPlan, Site

_GOES, _HELD, _RARE = (
    Mark(word="Goes", look="firm"),
    Mark(word="Held back", look="bad"),
    Mark(word="Thinned", look="unsure"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is known just now: `asked` is the probe's status, `costs` its month or None."""

    site: Site
    now_ns: int
    used: tuple[Used, ...]
    asked: Asked
    costs: Mapping[str, Any] | None

    @property
    def zone(self) -> tzinfo:
        return zone(self.site.timezone)


@dataclass(frozen=True, slots=True, kw_only=True)
class SchedulePage:
    """What schedule.html may use, and nothing else."""

    frame: Frame
    lead: str
    answers: bool  # whether a probe does
    held: tuple[Entry, ...]
    due: Table | None
    spent: tuple[Entry, ...]
    no_limit: str
    costs: Table | None
    plans: Table
    windows: Table | None


def find(reader: Reader, *, site: Site, now_ns: int) -> tuple[Used, ...]:
    """What was used of each limit; runs in the reader's thread."""
    return tuple(budget.find(reader, site, one, now_ns=now_ns, spent=True) for one in site.handoffs)


def page(found: Findings, *, frame: Frame) -> SchedulePage:
    """The page."""
    due = found.asked.status["next"] if found.asked.status is not None else []
    held = [one for one in due if one.get("held")]
    spent = tuple(entry for one in found.used for entry in budget.entries(one, found.zone))
    free = [
        one.handoff.name
        for one in found.used
        if one.handoff.allowance_bytes is None and one.handoff.cap is None
    ]
    return SchedulePage(
        frame=frame,
        lead=_lead(found, due, held),
        answers=found.asked.status is not None,
        held=tuple(_holds(found)),
        due=_due(due, found.zone) if due else None,
        spent=spent,
        no_limit=f"The site file sets no limit for {', '.join(free)}." if free else "",
        costs=_costs(found.costs) if found.costs is not None else None,
        plans=_plans(found.site),
        windows=_windows(found.site),
    )


def as_json(found: Findings) -> Json:
    """The same for programs."""
    status = found.asked.status or {}
    return {
        "kind": "schedule",
        "schema": 1,
        "started": rfc3339(found.now_ns),
        "standing": "valid",
        "reasons": [],
        "probe": found.asked.status is not None,
        "next": status.get("next", []),
        "asked": status.get("asked", []),
        "windows": status.get("windows", []),
        "used": [budget.as_json(one) for one in found.used],
        "month": None if found.costs is None else found.costs["handoffs"],
        "plans": [
            {
                "handoff": plan.handoff,
                "endpoint": plan.endpoint,
                "what": plan.called,
                "direction": str(plan.direction),
                "seconds": plan.lasts_s,
                "every_s": plan.every_s,
                "hours": None if plan.times is None else plan.times.said(),
            }
            for plan in found.site.runs
        ],
        "trains": [
            {
                "handoff": train.handoff,
                "endpoint": train.endpoint,
                "per_second": train.per_second,
                "hours": None if train.times is None else train.times.said(),
            }
            for train in found.site.trains
        ],
    }


def _lead(found: Findings, due: Sequence[Json], held: Sequence[Json]) -> str:
    if found.asked.status is None:
        why = f"{found.asked.why[:1].upper()}{found.asked.why[1:]}"
        return f"{why}; what is due next is not known. Below is what the site file plans."
    if not due:
        return "No run is planned; trains alone go."
    if not held:
        return f"{counted(len(due), 'planned run')} will go as things stand."
    return f"Of {counted(len(due), 'planned run')}, {len(held)} will be skipped as things stand."


def _holds(found: Findings) -> list[Entry]:
    """What holds runs back just now, a sentence each: windows and stops, then limits, then open questions."""
    status, entries = found.asked.status, list[Entry]()
    for one in (status or {}).get("windows", ()):
        on = f"on handoff {one['handoff']}" if one["handoff"] else "on all handoffs"
        ends = one["ends"]
        until = (
            f", until {datetime.fromisoformat(ends).astimezone(found.zone):%a %d %b %H:%M}" if ends else ""
        )
        text = f"{str(one['window']).capitalize()} window {one['name']} {on}{until}: {one['why']}."
        entries.append(Entry(mark=WINDOW_MARKS[one["window"]], moment=None, text=text))
    for one in (status or {}).get("allowances", ()):
        if one["one_in"] == 0:
            text = f"No run fits into the allowance of handoff {one['handoff']} any more; trains go on."
            entries.append(Entry(mark=_HELD, moment=None, text=text))
        elif one["one_in"] is not None and one["one_in"] > 1:
            text = f"To spare the allowance, one of {one['one_in']} slots on {one['handoff']} has its run."
            entries.append(Entry(mark=_RARE, moment=None, text=text))
    for handoff in found.site.handoffs:
        safety = handoff.safety
        if None in (safety.emergency_calls, safety.alarms, safety.medical_devices):
            text = (
                f"Handoff {handoff.name}: [safety] is not answered whole (emergency_calls, alarms, "
                "medical_devices), so no run fills it."
            )
            entries.append(Entry(mark=_HELD, moment=None, text=text))
        elif safety.never:
            hours = ", ".join(one.said() for one in safety.never)
            text = f"Handoff {handoff.name} is never filled: {hours}."
            entries.append(Entry(mark=None, moment=None, text=text))
    return entries


def _due(due: Sequence[Json], where: tzinfo) -> Table:
    rows = []
    for one in due:
        at_ns = round(datetime.fromisoformat(one["planned"]).timestamp()) * NS_PER_S
        held = one.get("held")
        rows.append(
            cells(
                moment(at_ns, where, form="%a %d %b %H:%M:%S"),
                one["handoff"],
                str(one.get("what", "run")),
                _way(one["direction"]),
                f"{one['seconds']:g}",
                one["endpoint"],
                _HELD if held else _GOES,
                held or DASH,
            )
        )
    return Table(
        caption="What is due next, the first of each plan",
        headings=(
            Heading(text="When"),
            Heading(text="Handoff"),
            Heading(text="What"),
            Heading(text="Way"),
            number("Lasts", "s"),
            Heading(text="To"),
            Heading(text="As things stand"),
            Heading(text="Why not", kind="prose"),
        ),
        rows=tuple(rows),
        note="Each stands at a random moment of its slot, drawn beforehand, so that no hour is chosen.",
    )


def _costs(costs: Mapping[str, Any]) -> Table:
    rows = [
        cells(one["handoff"], line["what"], size_text(line["bytes"]))
        for one in costs["handoffs"]
        for line in one["costs"]
    ]
    rows += [
        cells(
            one["handoff"],
            "forecast to the month’s end, with what is spent",
            size_text(one["allowance"]["forecast_bytes"]),
        )
        for one in costs["handoffs"]
        if one["allowance"]["limit_bytes"] is not None
    ]
    return Table(
        caption="What it comes to: 30 days of the schedule when no window stops a run",
        headings=(Heading(text="Handoff"), Heading(text="What", kind="prose"), number("At most")),
        rows=tuple(rows),
    )


def _plans(site: Site) -> Table:
    rows = [
        cells(
            train.handoff,
            "train",
            "both ways",
            f"{train.per_second:g} packets a second",
            train.times.said() if train.times else "always",
            train.endpoint,
        )
        for train in site.trains
    ]
    rows += [
        cells(
            plan.handoff,
            _called(plan),
            _way(str(plan.direction)),
            f"{plan.lasts_s} s every {span(plan.every_s)}",
            plan.times.said() if plan.times else "any hour",
            plan.endpoint,
        )
        for plan in site.runs
    ]
    return Table(
        caption="What the site file plans"
        + (" by itself, as it names no run" if site.runs_by_default else ""),
        headings=(
            Heading(text="Handoff"),
            Heading(text="What"),
            Heading(text="Way"),
            Heading(text="How much"),
            Heading(text="Hours"),
            Heading(text="To"),
        ),
        rows=tuple(rows),
    )


def _called(plan: RunPlan) -> str:
    return f"{plan.called}, {percent(plan.share_ratio)} of the rate" if plan.light else plan.called


def _windows(site: Site) -> Table | None:
    if not site.windows and not site.plans:
        return None
    rows = [
        *(cells(plan.title, "show", plan.times.said(), plan.handoff) for plan in site.plans),
        *(
            cells(one.name, str(one.kind), one.times.said(), ", ".join(one.handoffs) or "all")
            for one in site.windows
        ),
    ]
    return Table(
        caption="Windows of the site file",
        headings=tuple(Heading(text=text) for text in ("Window", "Kind", "Hours", "Handoffs")),
        rows=tuple(rows),
    )


def _way(direction: str) -> str:
    return "both ways" if direction == Direction.BOTH else direction
