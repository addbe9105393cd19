"""How the daemon is, as one JSON object for programs and one line for the service manager.

Pure: a snapshot in, values out. Imports store and what the snapshot is made of.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from probe import budget
from probe.allowance import Allowance
from probe.board import CheckNow, RunNow, TrainNow
from probe.budget import Budget
from probe.linux.clock_state import ClockState
from store.before_show import STINTS
from store.clock import local, rfc3339, zone
from store.records import OpenKind, WindowOpened
from store.site import RunPlan
from store.soaks import SoakBegun

SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """Everything at one moment. `refused` is what was wrong with a site file that was not taken over.

    `held` says of each run in `due` why it will be skipped as things stand, None where it may go.
    """

    version: str
    site: str
    timezone: str
    now_ns: int
    started_ns: int
    runs: tuple[RunNow, ...]
    progress: Mapping[str, str]  # by handoff, of the run under way there
    check: tuple[CheckNow, str] | None  # before a show, under way, and its newest sentence
    asked: tuple[tuple[RunPlan, str], ...]  # what a person asked for and has not begun, and where
    due: tuple[tuple[int, RunPlan], ...]
    held: tuple[str | None, ...]
    soaks: tuple[SoakBegun, ...]  # under way
    trains: Mapping[tuple[str, str], TrainNow]
    windows: tuple[WindowOpened, ...]
    budgets: tuple[Budget, ...]  # a handoff each
    waiting: int  # records that are not on disk yet
    trouble: str | None
    refused: str | None
    clock: ClockState


def as_json(found: Status) -> dict[str, Any]:
    """The object that GET /status answers; the first of `next` comes first."""
    return {
        "kind": "status",
        "schema": SCHEMA,
        "version": found.version,
        "site": found.site,
        "timezone": found.timezone,
        "now": rfc3339(found.now_ns),
        "started": rfc3339(found.started_ns),
        "running": [
            _plan(run.plan)
            | {
                "started": rfc3339(run.started_unix_ns),
                "asked": run.asked or None,
                "progress": found.progress.get(run.plan.handoff),
            }
            for run in found.runs
        ],
        "checks": [] if found.check is None else [_check(*found.check)],
        "asked": [_plan(plan) | {"why": why} for plan, why in found.asked],
        "next": [
            _plan(plan) | {"planned": rfc3339(start_ns), "held": held}
            for (start_ns, plan), held in zip(found.due, found.held, strict=True)
        ],
        "soaks": [
            {
                "handoff": one.handoff,
                "endpoint": one.endpoint,
                "started": rfc3339(one.started_unix_ns),
                "ends": rfc3339(one.ends_unix_ns),
            }
            for one in found.soaks
        ],
        "trains": [
            {
                "handoff": handoff,
                "endpoint": endpoint,
                "state": str(train.state),
                "since": rfc3339(train.since_unix_ns),
                "why": train.why or None,
            }
            for (handoff, endpoint), train in sorted(found.trains.items())
        ],
        "windows": [window_json(one) for one in found.windows],
        "allowances": [_allowance(one.allowance) for one in found.budgets],
        "caps": [told for one in found.budgets if (told := budget.cap_json(one)) is not None],
        "waiting": found.waiting,
        "trouble": found.trouble,
        "refused": found.refused,
        "clock": {"synchronised": found.clock.synchronised, "error_us": found.clock.error_us},
    }


def window_json(opened: WindowOpened) -> dict[str, Any]:
    """An open window; `handoff` is null when all are concerned, `ends` when nobody knows."""
    return {
        "window": str(opened.window),
        "name": opened.name,
        "opener": str(opened.opener),
        "handoff": opened.handoff or None,
        "why": opened.why,
        "reference": opened.reference,
        "opened": rfc3339(opened.started_unix_ns),
        "ends": None if opened.ends_unix_ns is None else rfc3339(opened.ends_unix_ns),
    }


def _allowance(found: Allowance) -> dict[str, Any]:
    """A month's test allowance; without one, all but the name is null.

    One of every `one_in` slots has its run, none when it is 0.
    """
    limited = found.limit_bytes is not None
    return {
        "handoff": found.handoff,
        "limit_bytes": found.limit_bytes,
        "spent_bytes": found.spent_bytes if limited else None,
        "forecast_bytes": found.forecast_bytes if limited else None,
        "one_in": found.thin.one_in if limited else None,
    }


def one_line(found: Status) -> str:
    """The same in a line; what somebody must know first comes first."""
    parts = [f"site file refused: {found.refused}"] if found.refused else []
    if found.trouble:
        parts.append(found.trouble)
    if found.clock.synchronised is False:
        parts.append("the clock is not synchronised")
    for one in found.windows:
        until = "" if one.ends_unix_ns is None else f" until {_hour(one.ends_unix_ns, found)}"
        what = "all tests stopped" if one.window is OpenKind.STOP else f"{one.window} window {one.name} open"
        parts.append(f"{what}{until}")
    counted = Counter(str(train.state) for train in found.trains.values())
    trains = [f"{count} train{'s' * (count > 1)} {state}" for state, count in sorted(counted.items())]
    parts.append(", ".join(trains) or "no train")
    parts += [f"{_words(run.plan)} on {run.plan.handoff} under way" for run in found.runs]
    if found.check is not None:
        parts.append(f"check before {found.check[0].title} under way")
    if found.due and not found.runs:
        start_ns, plan = found.due[0]
        parts.append(f"next {_words(plan)} on {plan.handoff} at {_hour(start_ns, found)}")
    return "; ".join(parts)


def _plan(plan: RunPlan) -> dict[str, Any]:
    return {
        "handoff": plan.handoff,
        "endpoint": plan.endpoint,
        "what": plan.called,
        "direction": str(plan.direction),
        "seconds": plan.lasts_s,
        "share_ratio": plan.share_ratio,
    }


def _check(now: CheckNow, said: str) -> dict[str, Any]:
    return {
        "plan": now.stream,
        "title": now.title,
        "before": str(now.stage),
        "handoff": now.plan.handoff,
        "handoffs": list(now.handoffs),
        "seconds": STINTS[now.stage].within_s,
        "started": rfc3339(now.started_unix_ns),
        "asked": now.asked,
        "progress": said or None,
    }


def _words(plan: RunPlan) -> str:
    return f"{plan.called} {plan.direction}"


def _hour(unix_ns: int, found: Status) -> str:
    return f"{local(unix_ns, zone(found.timezone)):%H:%M}"
