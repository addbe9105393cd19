"""What a running probe says of itself (`GET /status` of `store.door`), in sentences.

For Today and for `linebook status`, so that both say the same. Pure: the door's answer in, text out. Imports
clock and quantities.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Any

from store import before_show as stages
from store.before_show import Stage
from store.clock import zone
from store.quantities import percent, size_text

Json = Mapping[str, Any]

OPENERS = {"person": "Opened at once", "upload": "Opened by itself"}  # any other by the site file's hours

_WEEKDAY_SAYS_ALL = timedelta(days=6)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenWindow:
    """An open window: what kind it is, and the sentence about it."""

    kind: str
    text: str


def windows(status: Json, where: tzinfo) -> tuple[OpenWindow, ...]:
    """The windows that are open, each with since when, until when and why."""
    return tuple(
        OpenWindow(kind=one["window"], text=_window(one, status, where)) for one in status["windows"]
    )


def sentences(status: Json, where: tzinfo, *, runs: bool = True) -> Iterator[str]:
    """All the rest; what somebody must know first comes first. Without `runs`, not those under way."""
    if status["refused"]:
        yield f"A changed site file was refused, and the old one holds: {status['refused']}."
    if status["trouble"]:
        waiting = status["waiting"]
        kept = f", where {waiting} record{'s' * (waiting != 1)} wait{'s' * (waiting == 1)}" if waiting else ""
        yield f"Measuring goes on in memory{kept}: {status['trouble']}."
    if runs:
        yield from (run_sentence(run, status, where) for run in status["running"])
        yield from (check_sentence(one, status, where) for one in status.get("checks", ()))
    yield from not_begun(status)
    for one in status.get("soaks", ()):  # an older probe tells none
        since, until = (_clock(one[edge], status, where) for edge in ("started", "ends"))
        yield f"A soak of the train {_path(one)} goes since {since}, until {until}."
    yield from _trains(status, where)
    yield from _next(status, where)
    yield from (_allowance(one) for one in status.get("allowances", ()))  # an older probe tells none
    yield from (f"{one['said'][:1].upper()}{one['said'][1:]}." for one in status.get("caps", ()))


def run_sentence(run: Json, status: Json, where: tzinfo) -> str:
    """What is under way, since when, for how long, and who asked for it."""
    since = _clock(run["started"], status, where, form="%H:%M:%S")
    whose = f", {run['asked']}" if run.get("asked") else ""
    return f"A {_called(run)} {_way(run)} is under way since {since}{whose}; it takes {run['seconds']:g} s."


def check_sentence(check: Json, status: Json, where: tzinfo) -> str:
    """The check before a show that is under way, likewise."""
    since = _clock(check["started"], status, where, form="%H:%M:%S")
    said = stages.said(Stage(check["before"]))
    others = [one for one in check["handoffs"] if one != check["handoff"]]
    also = f" and {', '.join(others)}" if others else ""
    return (
        f"The check {said} {check['title']} is under way on handoff {check['handoff']}{also} since {since}, "
        f"{check['asked']}; it takes {check['seconds']:g} s at most."
    )


def not_begun(status: Json) -> Iterator[str]:
    """What somebody asked for and has not begun."""
    for run in status.get("asked", ()):  # an older probe tells none
        yield f"A {_called(run)} {_way(run)} waits for its turn, {run['why']}; it takes {run['seconds']:g} s."


def said(status: Json) -> str:
    """All of it for a terminal, a line each; hours are by the site's clocks."""
    where = zone(status["timezone"])
    since = _clock(status["started"], status, where)
    lines = [f"{status['site']}: the probe is running since {since} (Linebook {status['version']})."]
    opened = [
        one.text if one.kind == "stop" else f"{one.kind.capitalize()} window: {one.text}"
        for one in windows(status, where)
    ]
    lines += opened or ["No window is open."]
    return "\n".join([*lines, *sentences(status, where)])


def _window(one: Json, status: Json, where: tzinfo) -> str:
    until = f" until {_clock(one['ends'], status, where)}" if one["ends"] else ", until it is closed"
    since = f"since {_clock(one['opened'], status, where)}"
    if one["window"] == "stop":
        return f"All tests are stopped {since}{until}: {one['why']}."
    on = f"on handoff {one['handoff']}" if one["handoff"] else "on all handoffs"
    notice = f", {one['reference']}" if one["reference"] else ""
    what = OPENERS.get(one["opener"], one["name"])
    return f"{what} {on}, {since}{until}: {one['why']}{notice}."


def _trains(status: Json, where: tzinfo) -> Iterator[str]:
    """Those under way in one sentence, each of the others in one of its own."""
    trains = status["trains"]
    going = [one for one in trains if one["state"] in ("begun", "going")]
    verb = "are" if len(trains) != 1 else "is"
    listed = ", ".join(f"{_path(one)} since {_clock(one['since'], status, where)}" for one in going)
    yield f"{len(going)} of {len(trains)} train{'s' * (len(trains) != 1)} {verb} under way" + (
        f": {listed}." if listed else "."
    )
    for one in trains:
        if one not in going:
            since = _clock(one["since"], status, where)
            yield f"The train {_path(one)} stands still since {since}: {one['why']}."


def _next(status: Json, where: tzinfo) -> Iterator[str]:
    """The first run that is due on each handoff."""
    told: set[str] = set()
    for run in status["next"]:
        if run["handoff"] not in told:
            told.add(run["handoff"])
            held = f", and will be skipped as things stand: {run['held']}" if run.get("held") else ""
            at, way = _clock(run["planned"], status, where), _way(run, handoff=False)
            yield f"The next on handoff {run['handoff']} is a {_called(run)} at {at}, {way}{held}."
    if not told:
        yield "No run is due."


def _allowance(one: Json) -> str:
    if one["limit_bytes"] is None:
        return f"Handoff {one['handoff']} has no test allowance."
    thinned = {1: "no run is thinned", 0: "no more runs go, trains do"}.get(
        one["one_in"], f"one of {one['one_in']} slots has its run"
    )
    share = one["spent_bytes"] / one["limit_bytes"]
    return (
        f"Tests on handoff {one['handoff']} have spent {size_text(one['spent_bytes'])} of this month's test "
        f"allowance of {size_text(one['limit_bytes'])} ({percent(share)}); forecast to the month's end "
        f"{size_text(one['forecast_bytes'])}; {thinned}."
    )


def _called(run: Json) -> str:
    """A probe of a version before says of a run no more than its share."""
    return str(run.get("what", "light run" if run.get("share_ratio", 1) < 1 else "run"))


def _way(run: Json, *, handoff: bool = True) -> str:
    way = "both ways" if run["direction"] == "both" else run["direction"]
    on = f" on handoff {run['handoff']}" if handoff else ""
    return f"{way}{on} to {run['endpoint']}"


def _path(train: Json) -> str:
    return f"{train['handoff']} to {train['endpoint']}"


def _clock(moment: str, status: Json, where: tzinfo, *, form: str = "%H:%M") -> str:
    """An RFC 3339 moment on the site's clocks: with its weekday, or its date when that is far."""
    at, now = datetime.fromisoformat(moment), datetime.fromisoformat(status["now"])
    day = "%a" if abs(at - now) < _WEEKDAY_SAYS_ALL else "%a %d %b %Y"
    return f"{at.astimezone(where):{day} {form}}"
