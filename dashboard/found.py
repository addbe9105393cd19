"""The record of one handoff as the detectors of signatures take it, and the house's own list of times.

A list is a CSV file with the columns what, from and to; times are ISO 8601, local to the site where they have
no offset. Reads with a `Reader`, so it runs in that reader's thread. Imports store and judge.
"""

from __future__ import annotations

import csv
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, time, timedelta, tzinfo
from pathlib import Path
from typing import Any

from dashboard.judge import findings
from dashboard.judge.findings import Examined
from dashboard.judge.incidents import Incident, incidents
from dashboard.judge.material import Cell, Mark, Material, cells_of
from store.bursts import BurstRun
from store.cells import Length
from store.clock import NS_PER_S, local, unix_ns_of, zone
from store.clock_change import ClockChange
from store.errors import UserMistake
from store.events import Event
from store.failovers import Failover
from store.light import Light
from store.loaded_delay import LoadedDelayRun
from store.lookups import Lookups
from store.path_mtu import PathMtu
from store.reader import Reader
from store.records import Document
from store.samples import Samples
from store.segments import Hops, Split, Witnesses
from store.site import Handoff, OwnLoad, Site, Where
from store.sizes import SizesRun

DAYS = 28  # four weeks hold every hour of the week four times
_LOOKED_AT: tuple[type[Document], ...] = (
    *(BurstRun, ClockChange, Event, Failover, Hops, Light, LoadedDelayRun, PathMtu, Samples, SizesRun, Split),
    *(Lookups, Witnesses),
)
_LONG_S = 20  # in shorter runs nobody looks at single seconds
_TEN_NS = 600 * NS_PER_S
_FIRST_LIGHTS = 168  # hourly readings of a week


def examined(
    reader: Reader,
    site: Site,
    handoff: Handoff,
    *,
    since_ns: int,
    until_ns: int,
    marks: Sequence[Mark] | None = None,
) -> Examined:
    """What the record of this time shows of one handoff, and cannot. `marks` are the site's unless given.

    Raises UserMistake where the site's list of them cannot be read.
    """
    if marks is None:
        marks = own_marks(site, since_ns=since_ns, until_ns=until_ns)
    return findings.examined(
        material(reader, site, handoff, since_ns=since_ns, until_ns=until_ns, marks=marks)
    )


def material(
    reader: Reader,
    site: Site,
    handoff: Handoff,
    *,
    since_ns: int,
    until_ns: int,
    marks: Sequence[Mark] = (),
) -> Material:
    """Everything of this time that a detector looks at."""
    name = handoff.name
    ends = {one.name: one.where for one in site.endpoints}
    trains = [endpoint for owner, endpoint in reader.paths() if owner == name and endpoint in ends]
    runs = reader.rate_runs(since_ns=since_ns, until_ns=until_ns, bins=False)
    if any(one.seconds >= _LONG_S and one.handoff == name for one in runs):
        runs = reader.rate_runs(since_ns=since_ns, until_ns=until_ns)
    documents = [
        one
        for kind in _LOOKED_AT
        for one in reader.documents(kind, handoff=name, since_ns=since_ns, until_ns=until_ns)
    ]
    keyframes = {one.keyframe_s for plan in site.plans if plan.handoff == name for one in plan.destinations}
    return Material(
        handoff=replace(handoff, card=handoff.card_at(until_ns), earlier=()),
        zone=zone(site.timezone),
        since_ns=since_ns,
        until_ns=until_ns,
        outside=tuple(one.name for one in site.endpoints if one.where is Where.OUTSIDE),
        house=tuple(one.name for one in site.endpoints if one.where is Where.HOUSE),
        reflectors=reflectors(site, handoff),
        busy=site.busy,
        keyframes_s=tuple(sorted(keyframes)) or (2.0,),
        runs=tuple(one for one in runs if one.handoff == name),
        others=tuple(one for one in runs if one.handoff != name),
        cells=tuple(
            cell
            for endpoint in trains
            for cell in _cells(reader, name, endpoint, since_ns=since_ns, until_ns=until_ns)
        ),
        stalls=tuple(reader.stalls(handoff=name, since_ns=since_ns, until_ns=until_ns)),
        troubles=tuple(reader.troubles(handoff=name, since_ns=since_ns, until_ns=until_ns)),
        documents=tuple(documents),
        windows=tuple(reader.windows(since_ns=since_ns, until_ns=until_ns)),
        marks=tuple(marks),
        first_light=_first_light(reader, name),
    )


def silences(reader: Reader, site: Site, handoff: Handoff, *, since_ns: int, until_ns: int) -> list[Incident]:
    """Every silence of the line in this time, with where it was."""
    name = handoff.name
    stalls = tuple(reader.stalls(handoff=name, since_ns=since_ns, until_ns=until_ns))
    if not stalls:
        return []
    ends = {one.name: one.where for one in site.endpoints}
    asked: dict[str, Any] = {"handoff": name, "since_ns": since_ns - _TEN_NS, "until_ns": until_ns}
    return incidents(
        Material(
            handoff=handoff,
            zone=zone(site.timezone),
            since_ns=since_ns,
            until_ns=until_ns,
            outside=tuple(one for one, where in ends.items() if where is Where.OUTSIDE),
            house=tuple(one for one, where in ends.items() if where is Where.HOUSE),
            cells=tuple(
                cell
                for owner, endpoint in sorted(reader.paths())
                if owner == name and endpoint in ends
                for cell in cells_of(
                    reader.train_sums(**asked, endpoint=endpoint, longest=Length.TEN, histograms=False)
                )
            ),
            stalls=stalls,
            documents=tuple(reader.documents(Witnesses, handoff=name, since_ns=since_ns, until_ns=until_ns)),
        )
    )


def _cells(reader: Reader, handoff: str, endpoint: str, *, since_ns: int, until_ns: int) -> Iterator[Cell]:
    """Ten minutes each, or single spans where those sums are no longer kept.

    Spans are read without their histograms, which takes most of the time, and have the delays of their hour.
    """
    asked = {"handoff": handoff, "endpoint": endpoint, "since_ns": since_ns, "until_ns": until_ns}
    hours = reader.train_sums(**asked, longest=Length.HOUR, histograms=False)  # type: ignore[arg-type]
    starts = [one.started_unix_ns for one in hours]
    for cell in cells_of(reader.train_sums(**asked, longest=Length.TEN, histograms=False)):  # type: ignore[arg-type]
        at = bisect_right(starts, cell.started_unix_ns) - 1
        if cell.rtt is None and cell.received and at >= 0:
            known = hours[at].delays
            yield replace(cell, rtt=known["rtt"], pdv_up=known["pdv_up"], pdv_down=known["pdv_down"])
        else:
            yield cell


def reflectors(site: Site, handoff: Handoff) -> tuple[str, ...]:
    """Endpoints that the card's promises are measured to, by their whole name or its first label."""
    promised = handoff.card.measured_to
    if promised is None:
        return ()
    return tuple(one.name for one in site.endpoints if one.name in (promised, promised.split(".")[0]))


def _first_light(reader: Reader, handoff: str) -> tuple[Light, ...]:
    found = []
    for _, one in reader.each(Light.kind, handoff=handoff):
        if isinstance(one, Light):
            found.append(one)
        if len(found) == _FIRST_LIGHTS:
            break
    return tuple(found)


def own_marks(site: Site, *, since_ns: int, until_ns: int) -> tuple[Mark, ...]:
    """When the house's other loads were on in this time, by the site file and the list that it names.

    Raises UserMistake for a list that cannot be read.
    """
    where = zone(site.timezone)
    found = [] if site.own_list is None else [*read_list(site.own_list, where)]
    for load in site.own_loads:
        found += _of_times(load, where, since_ns=since_ns, until_ns=until_ns)
    return tuple(one for one in found if one.ended_unix_ns > since_ns and one.started_unix_ns < until_ns)


def _of_times(load: OwnLoad, where: tzinfo, *, since_ns: int, until_ns: int) -> Iterator[Mark]:
    """Each day's, from the one before the time on, since hours may reach over midnight."""
    times, day = load.times, local(since_ns, where).date() - timedelta(days=1)
    ends = times.to_minute + (24 * 60 if times.to_minute <= times.from_minute else 0)
    while day <= local(until_ns, where).date():
        if day in times.dates or day.weekday() in times.weekdays:
            midnight = datetime.combine(day, time())
            low, high = (
                unix_ns_of(midnight + timedelta(minutes=each), where) for each in (times.from_minute, ends)
            )
            yield Mark(name=load.name, started_unix_ns=low, ended_unix_ns=high)
        day += timedelta(days=1)


def read_list(path: Path, where: tzinfo) -> tuple[Mark, ...]:
    """The house's own list. Raises UserMistake with the line that is wrong."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = csv.DictReader(file)
            missing = {"what", "from", "to"} - set(rows.fieldnames or ())
            if missing:
                raise UserMistake(
                    f"{path}: its first line must name the columns what, from and to; "
                    f"missing: {', '.join(sorted(missing))}"
                )
            return tuple(_mark(path, rows.line_num, row, where) for row in rows)
    except OSError as error:
        raise UserMistake(f"{path} cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise UserMistake(f"{path} is no UTF-8 text; save it as UTF-8") from None


def _mark(path: Path, line: int, row: dict[str, str | None], where: tzinfo) -> Mark:
    times = []
    for name in ("from", "to"):
        text = (row[name] or "").strip()
        try:
            times.append(unix_ns_of(datetime.fromisoformat(text), where))
        except ValueError:
            raise UserMistake(
                f"{path}, line {line}: {name} cannot be {text!r}; it is a time such as 2026-03-10T14:05"
            ) from None
    if not times[0] < times[1]:
        raise UserMistake(f"{path}, line {line}: to must be later than from")
    return Mark(
        name=(row["what"] or "").strip() or "something", started_unix_ns=times[0], ended_unix_ns=times[1]
    )
