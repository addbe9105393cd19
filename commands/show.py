"""`linebook show report`: what became of a show, with the encoder's drops joined and the forecast scored.

Imports store, dashboard.
"""

from __future__ import annotations

from contextlib import closing
from datetime import date, tzinfo
from pathlib import Path
from typing import Any

from commands import answering
from dashboard import show_reports, text_shows
from dashboard.judge import hours
from dashboard.judge.hours import Show
from store import drops as drops_
from store import site as sites
from store.clock import Clock, local, zone
from store.drops import Drop
from store.errors import UserMistake
from store.reader import Reader
from store.site import Site, StreamPlan


def command(options: Any) -> int:
    """`linebook show report SITE --plan NAME --date DAY [--drops FILE]`."""
    site = sites.load(options.site)
    plan = answering.stream_plan(site, options.plan)
    where, now_ns = zone(site.timezone), Clock().unix_ns()
    show = _show(site, plan, options.date, where, now_ns)
    noted = None if options.drops is None else _drops(options.drops, plan, show, where)
    with closing(Reader.open(site.database)) as reader:
        found = show_reports.report(reader, site, plan, show, drops=noted, now_ns=now_ns)
    answering.put_on_record(site, found)
    if options.paper:
        from dashboard.papers import files, shows

        made = shows.report(site, plan, found, now_ns=now_ns)
        files.write_all(made, text_shows.report_json(found), options.paper)
    if options.json:
        answering.print_json(text_shows.report_json(found))
    else:
        print(text_shows.report(found, plan, where))
    return 0


def _show(site: Site, plan: StreamPlan, day: date | None, where: tzinfo, now_ns: int) -> Show:
    """The show that began on a day, or the last one that is over."""
    if day is not None:
        found = hours.show_on(plan.times, where, day)
        if found is None:
            raise UserMistake(f"--date: plan {plan.name!r} in {site.file} has no show on {day}")
        if found.end_unix_ns > now_ns:
            raise UserMistake(f"--date: the show of {day} is not over yet; it ends at {_hour(found, where)}")
        return found
    last = hours.last_show(plan.times, where, now_unix_ns=now_ns, within_s=show_reports.WITHIN_S)
    if last is None:
        raise UserMistake(
            f"--date: plan {plan.name!r} in {site.file} had no show in the last two months; name its day"
        )
    return last


def _hour(show: Show, where: tzinfo) -> str:
    return f"{local(show.end_unix_ns, where):%H:%M}"


def _drops(file: Path, plan: StreamPlan, show: Show, where: tzinfo) -> tuple[Drop, ...]:
    """The drops of a file that lie within the show."""
    try:
        with file.open("rb") as opened:
            data = opened.read(drops_.BYTES_MAX + 1)
    except OSError as error:
        raise UserMistake(f"--drops: {file} cannot be read: {error.strerror}") from None
    found = drops_.parse(
        data,
        name=file.name,
        where=where,
        destinations=[one.name for one in plan.destinations],
        frames_per_second=max(one.frames_per_second for one in plan.destinations),
    )
    during = drops_.within(found, show.start_unix_ns, show.end_unix_ns)
    if found and not during:
        answering.say(f"None of the {len(found)} rows of {file.name} lies within the show.")
    return during
