"""Evenings: a month of one handoff, the worst evening to send from first, then by hour of the week.

An evening is the site's busy hours of a day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from urllib.parse import urlencode

from dashboard.api import Json
from dashboard.judge import evidence, months
from dashboard.judge.evenings import ENOUGH_RUNS, Evening, evening, most_stalled, worst_first
from dashboard.pages import events, week_parts
from dashboard.pages.frame import Frame, Link, circuit_url, evenings_url
from dashboard.pages.ledger import Cell, Heading, Table, number
from dashboard.pages.week_parts import Way, WayPart
from dashboard.pages.wording import DASH, counted, grouped, mbps, span
from store.clock import NS_PER_S, local, rfc3339, unix_ns_of, zone
from store.reader import Reader
from store.records import Direction, Stall
from store.site import Handoff, Site, Where

_MOST_MONTHS = 24  # that are led to


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """The evenings of a month up to now, by day, and the months that have a record, newest first."""

    site: Site
    handoff: Handoff
    month: date
    evenings: tuple[Evening, ...]
    ways: tuple[Way, ...]
    recorded: tuple[date, ...]
    now_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class EveningsPage:
    """What evenings.html may use, and nothing else."""

    frame: Frame
    said: tuple[str, ...]
    log: Link | None
    months: tuple[Link, ...]
    evenings: Table | None
    ways: tuple[WayPart, ...]
    circuit: str


def url(handoff: str, month: date, *, suffix: str = "") -> str:
    return f"{evenings_url(handoff)}{suffix}?{urlencode({'month': f'{month:%Y-%m}'})}"


def find(reader: Reader, *, site: Site, handoff: Handoff, month: date, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread."""
    where = zone(site.timezone)
    today = local(now_ns, where).date()
    oldest_ns = reader.oldest_ns(handoff=handoff.name, since_ns=0)
    oldest = today if oldest_ns is None else local(oldest_ns, where).date()
    recorded: list[date] = []
    first = today.replace(day=1)
    while first >= oldest.replace(day=1) and len(recorded) < _MOST_MONTHS:
        recorded.append(first)
        first = months.months_before(first, 1)
    return Findings(
        site=site,
        handoff=handoff,
        month=month,
        evenings=tuple(_evenings(reader, site, handoff, month, now_ns=now_ns)),
        ways=_ways(reader, site, handoff, month, now_ns=now_ns),
        recorded=tuple(recorded),
        now_ns=now_ns,
    )


def _ways(reader: Reader, site: Site, handoff: Handoff, month: date, *, now_ns: int) -> tuple[Way, ...]:
    where = zone(site.timezone)
    whole = months.month(month, where)
    until_ns = min(whole.until_s * NS_PER_S, now_ns)
    runs = reader.rate_runs(
        handoff=handoff.name, since_ns=whole.from_s * NS_PER_S, until_ns=until_ns, bins=False
    )
    own = evidence.of_line(site, handoff.name, runs)
    return week_parts.find(own, handoff.card_at(until_ns), busy=site.busy, where=where)


def _evenings(reader: Reader, site: Site, handoff: Handoff, month: date, *, now_ns: int) -> list[Evening]:
    where, found = zone(site.timezone), []
    outside = [one.name for one in site.endpoints if one.where is Where.OUTSIDE]
    begin, over = site.busy.from_minute, site.busy.to_minute
    lasts = (over - begin) % (24 * 60) or 24 * 60
    day = month
    while day.month == month.month:
        since_ns = _at(day, begin, where)
        until_ns = min(_at(day, begin + lasts, where), now_ns)
        if since_ns >= until_ns:
            break
        if day.weekday() in site.busy.weekdays or not site.busy.weekdays:
            runs = reader.rate_runs(handoff=handoff.name, since_ns=since_ns, until_ns=until_ns, bins=False)
            kept, _ = evidence.counted(evidence.of_line(site, handoff.name, runs), Direction.UP)
            stalls = _stalls(reader, handoff.name, outside, since_ns=since_ns, until_ns=until_ns)
            found.append(evening(day, [side.rates.goodput_bps for _, side in kept], stalls))
        day += timedelta(days=1)
    return found


def _stalls(
    reader: Reader, handoff: str, outside: Sequence[str], *, since_ns: int, until_ns: int
) -> list[Stall] | None:
    """Those of an evening; None where no train to an endpoint outside went in it."""
    if not any(
        reader.train_counts(handoff=handoff, endpoint=name, since_ns=since_ns, until_ns=until_ns)
        for name in outside
    ):
        return None
    return reader.watched_stalls(handoff=handoff, endpoints=outside, within=[(since_ns, until_ns)])


def _at(day: date, minute: int, where: tzinfo) -> int:
    return unix_ns_of(datetime.combine(day, time()) + timedelta(minutes=minute), where)


def page(found: Findings, *, frame: Frame) -> EveningsPage:
    """The findings as the page says them."""
    ranked = worst_first(found.evenings)
    worst = ranked[0] if ranked and ranked[0].ranked else None
    name = found.handoff.name
    return EveningsPage(
        frame=frame,
        said=tuple(_said(found, ranked)),
        log=None
        if worst is None
        else Link(text=f"Fault log of {_day(worst)}", url=events.url(worst.day, name), here=False),
        months=tuple(
            Link(text=f"{each:%B %Y}", url=url(name, each), here=each == found.month)
            for each in found.recorded
        ),
        evenings=_table(found, ranked) if ranked else None,
        ways=week_parts.parts(found.ways, handoff=name, month=f"{found.month:%Y-%m}"),
        circuit=circuit_url(name),
    )


def _said(found: Findings, ranked: list[Evening]) -> list[str]:
    month = f"{found.month:%B %Y}"
    if not ranked or not ranked[0].ranked or ranked[0].middle_bps is None:
        return [
            f"No evening of {month} has {ENOUGH_RUNS} upload runs that count, "
            "so none can be called the worst."
        ]
    worst, rest = ranked[0], [one for one in ranked if one.ranked][1:]
    said = [
        f"The worst evening of {month} was {_day(worst)}: the middle one of "
        f"{counted(worst.runs, 'upload run')} carried {mbps(worst.middle_bps)} Mb/s, "
        f"the least {mbps(worst.least_bps)}."
    ]
    if rest:
        said.append(
            f"The next was {_day(rest[0])} with {mbps(rest[0].middle_bps)} Mb/s, the best {_day(rest[-1])} "
            f"with {mbps(rest[-1].middle_bps)}."
        )
    else:
        said.append("No other evening of it has enough runs to compare with.")
    stalled = most_stalled(found.evenings)
    if stalled is not None and stalled.stalls is not None and stalled.stalled_s is not None:
        said.append(
            f"Most stalls fell on {_day(stalled)}: {counted(stalled.stalls, 'stall')}, "
            f"{span(stalled.stalled_s)} together."
        )
    return said


def _day(one: Evening) -> str:
    return f"{one.day:%A} {one.day.day} {one.day:%B}"


def _table(found: Findings, ranked: list[Evening]) -> Table:
    return Table(
        caption=f"Evenings of {found.month:%B %Y}, {found.site.busy.said()}, worst first",
        headings=(
            Heading(text="Evening"),
            number("Middle upload", "Mb/s"),
            number("Least upload", "Mb/s"),
            number("Runs"),
            number("Stalls"),
            number("Stalled", "s"),
        ),
        rows=tuple(
            (
                Cell(text=f"{one.day:%a %d %b}", url=events.url(one.day, found.handoff.name)),
                Cell(text=mbps(one.middle_bps)),
                Cell(text=mbps(one.least_bps)),
                Cell(text=str(one.runs)),
                Cell(text=DASH if one.stalls is None else grouped(one.stalls)),
                Cell(text=DASH if one.stalled_s is None else f"{one.stalled_s:.1f}"),
            )
            for one in ranked
            if one.seen
        ),
        note=f"{_unseen(ranked)}Rates are of payload, where it arrived, of runs that count. Stalls are those "
        f"of the train that saw most, a dash where none watched. Evenings with fewer than {ENOUGH_RUNS} runs "
        "stand last, by day. Each leads to its log.",
    )


def _unseen(ranked: list[Evening]) -> str:
    """How many evenings are not listed, since nothing is known of them."""
    unseen = sum(not one.seen for one in ranked)
    return f"{counted(unseen, 'evening')} without a run and without a stall: not listed. " if unseen else ""


def figure(found: Findings, name: str) -> str | None:
    """The figure of this name as JSON text; None when there is none."""
    return week_parts.figure(found.ways, name)


def as_json(found: Findings) -> Json:
    """The same findings as one JSON object."""
    ranked = worst_first(found.evenings)
    return {
        "kind": "evenings",
        "schema": 1,
        "started": rfc3339(found.now_ns),
        "standing": "valid",
        "reasons": [],
        "site": found.site.name,
        "invented": found.site.invented,
        "handoff": found.handoff.name,
        "month": f"{found.month:%Y-%m}",
        "worst": str(ranked[0].day) if ranked and ranked[0].ranked else None,
        "evenings": [
            {
                "day": str(one.day),
                "runs": one.runs,
                "goodput_bps": None if one.middle_bps is None else round(one.middle_bps),
                "least_goodput_bps": one.least_bps,
                "stalls": one.stalls,
                "stalled_s": None if one.stalled_s is None else round(one.stalled_s, 3),
            }
            for one in found.evenings
        ],
        "ways": [week_parts.as_json(one) for one in found.ways],
    }
