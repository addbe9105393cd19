"""What became of a show, for its report on paper: from what is on record, or judged anew.

Reads with a `Reader`, so it runs in that reader's thread. Imports history, the judges and store.
"""

from __future__ import annotations

from dashboard import history
from dashboard.judge import after, hours
from dashboard.judge.hours import Show
from store.clock import zone
from store.drops import Drop
from store.reader import Reader
from store.shows import Forecast, ShowReport
from store.site import Site, StreamPlan

WITHIN_S = 62 * 86_400  # how far back a last show is looked for


def last(reader: Reader, site: Site, plan: StreamPlan, *, now_ns: int) -> ShowReport | None:
    """The report of a plan's last show: the newest on record, else judged now; None without such a show."""
    show = hours.last_show(plan.times, zone(site.timezone), now_unix_ns=now_ns, within_s=WITHIN_S)
    if show is None:
        return None
    known = reader.documents(ShowReport, handoff=plan.handoff, having=("plan", (plan.name,)))
    of_it = [one for one in known if one.show_start_unix_ns == show.start_unix_ns]
    return of_it[-1] if of_it else report(reader, site, plan, show, drops=None, now_ns=now_ns)


def report(
    reader: Reader,
    site: Site,
    plan: StreamPlan,
    show: Show,
    *,
    drops: tuple[Drop, ...] | None,
    now_ns: int,
) -> ShowReport:
    """What became of a show, from the record; it is not on record itself yet."""
    line, house = history.trains_in(reader, site, plan, show)
    compared = history.compared(reader, site, plan, now_unix_ns=show.start_unix_ns)
    found = after.outcome(plan, show, line=line, house=house, drops=drops, history=compared)
    forecast = after.scored(
        reader.documents(Forecast, handoff=plan.handoff, having=("plan", (plan.name,))), show
    )
    chance = None if forecast is None else forecast.chance
    scored = chance is not None and found.line_clean is not None
    return ShowReport(
        handoff=plan.handoff,
        started_unix_ns=now_ns,
        plan=plan.name,
        show_start_unix_ns=show.start_unix_ns,
        show_end_unix_ns=show.end_unix_ns,
        watched_ratio=found.watched_ratio,
        stalls=found.stalls,
        stalled_s=found.stalled_s,
        freezes=found.freezes,
        drops=found.drops,
        drops_known=drops is not None,
        line_clean=found.line_clean,
        because=found.because,
        forecast_before=None if forecast is None else forecast.before,
        forecast_unix_ns=None if forecast is None else forecast.started_unix_ns,
        answer=None if forecast is None else forecast.answer,
        chance=chance,
        brier=after.brier(chance or 0.0, bool(found.line_clean)) if scored else None,
    )
