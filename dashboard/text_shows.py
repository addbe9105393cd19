"""Forecasts and reports of shows as text for a terminal, and as JSON. Imports store only."""

from __future__ import annotations

from datetime import tzinfo
from typing import Any

from store.clock import local, rfc3339
from store.jsonform import SCHEMA
from store.shows import Forecast, ShowReport
from store.site import StreamPlan


def forecast(found: Forecast, plan: StreamPlan, where: tzinfo) -> str:
    """The answer, its reason, and everything that was looked at."""
    start, end = local(found.show_start_unix_ns, where), local(found.show_end_unix_ns, where)
    lines = [
        f"{found.answer.capitalize()}: {found.because}",
        f"{plan.title}, {start:%a %d %b %H:%M} to {end:%H:%M} on handoff {found.handoff}; looked at in "
        f"{found.took_ms / 1000:.1f} s:",
        *(f"  {row.found:<8}  {row.what}: {row.said}" for row in found.rows),
    ]
    if found.smallest_change:
        lines.append(f"Smallest change that helps: {found.smallest_change}")
    if found.chance is not None and found.chance_low is not None and found.chance_high is not None:
        lines.append(
            f"Clean from start to end with a chance of {found.chance_low * 100:.0f} to "
            f"{found.chance_high * 100:.0f} %, by {found.days} comparable days."
        )
    return "\n".join(lines)


def forecast_json(found: Forecast) -> dict[str, Any]:
    """A forecast as the object that other programs may rely on."""
    return {
        "kind": "forecast",
        "schema": SCHEMA,
        "started": rfc3339(found.started_unix_ns),
        "standing": "void" if found.answer == "unknown" else "valid",
        "reasons": [],
        "plan": found.plan,
        "handoff": found.handoff,
        "before": found.before,
        "show_start": rfc3339(found.show_start_unix_ns),
        "show_end": rfc3339(found.show_end_unix_ns),
        "answer": found.answer,
        "because": found.because,
        "smallest_change": found.smallest_change,
        "chance": _rounded(found.chance),
        "chance_low": _rounded(found.chance_low),
        "chance_high": _rounded(found.chance_high),
        "days": found.days,
        "demand_bps": found.demand_bps,
        "peak_bps": found.peak_bps,
        "floor_bps": found.floor_bps,
        "rows": [{"what": row.what, "found": row.found, "said": row.said} for row in found.rows],
        "took_ms": found.took_ms,
    }


def report(found: ShowReport, plan: StreamPlan, where: tzinfo) -> str:
    """What became of a show, each drop with its owner, and the forecast's score."""
    start, end = local(found.show_start_unix_ns, where), local(found.show_end_unix_ns, where)
    lines = [
        f"{plan.title}, {start:%a %d %b %H:%M} to {end:%H:%M} on handoff {found.handoff}: {found.because}"
    ]
    for drop in found.drops:
        at = local(drop.at_unix_ns, where)
        which = f" {drop.destination}" if drop.destination else ""
        lines.append(f"  {at:%H:%M:%S}{which}, {drop.seconds:g} s: {drop.owner}. {drop.why}")
    lines.append(_scored(found))
    return "\n".join(lines)


def _scored(found: ShowReport) -> str:
    if found.forecast_before is None:
        return "No forecast was on record before it: linebook check --keep or --before puts one there."
    given = f"Forecast ({found.forecast_before} before): {found.answer}"
    if found.chance is None:
        return f"{given}, without a chance to score."
    given += f", clean with a chance of {found.chance * 100:.0f} %"
    if found.brier is None:
        return f"{given}; not scored, since it is not known whether the line was clean."
    return f"{given}; Brier score {found.brier:.3f} (0 is best, 0.25 what a coin gets)."


def report_json(found: ShowReport) -> dict[str, Any]:
    """A report as the object that other programs may rely on."""
    return {
        "kind": "show report",
        "schema": SCHEMA,
        "started": rfc3339(found.started_unix_ns),
        "standing": "valid",
        "reasons": [],
        "plan": found.plan,
        "handoff": found.handoff,
        "show_start": rfc3339(found.show_start_unix_ns),
        "show_end": rfc3339(found.show_end_unix_ns),
        "because": found.because,
        "watched_ratio": _rounded(found.watched_ratio),
        "stalls": found.stalls,
        "stalled_s": _rounded(found.stalled_s),
        "freezes": found.freezes,
        "line_clean": found.line_clean,
        "drops_known": found.drops_known,
        "drops": [
            {
                "at": rfc3339(drop.at_unix_ns),
                "seconds": drop.seconds,
                "destination": drop.destination or None,
                "owner": drop.owner,
                "why": drop.why,
            }
            for drop in found.drops
        ],
        "forecast": None
        if found.forecast_before is None or found.forecast_unix_ns is None
        else {
            "before": found.forecast_before,
            "given": rfc3339(found.forecast_unix_ns),
            "answer": found.answer,
            "chance": _rounded(found.chance),
            "brier": _rounded(found.brier),
        },
    }


def _rounded(figure: float | None) -> float | None:
    return None if figure is None else round(figure, 4)
