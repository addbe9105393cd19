"""A stream plan with its next show and its answer, the same wherever it is told.

The answer is that of comparable hours, lowered by what the last check before that very show found. Reads with
a `Reader`, so it runs in that reader's thread.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from dashboard import history
from dashboard.judge import before, hours, stream
from dashboard.judge.hours import Show
from dashboard.judge.stream import Check
from store.clock import local, zone
from store.reader import Reader
from store.shows import Forecast
from store.site import Site, StreamPlan

AHEAD_S = 31 * 86_400  # how far ahead a show is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A plan, its next show, the answer for it, and the last check before that show.

    `beside` are other plans whose shows are on meanwhile by the same handoff.
    """

    plan: StreamPlan
    show: Show | None
    check: Check
    looked: Forecast | None = None
    beside: tuple[StreamPlan, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """Sentences on what goes on beside the show, and on other ways to send it."""
        if not self.beside:
            return self.check.notes
        titles = " and ".join(one.title for one in self.beside)
        return (
            f"Planned meanwhile on the same handoff: {titles}. This answer is for this plan alone, not for "
            "all at once.",
            *self.check.notes,
        )


def planned(reader: Reader, site: Site, plan: StreamPlan, check: Check, *, now_ns: int) -> Planned:
    """A plan with the answer of comparable hours as `check`."""
    where = zone(site.timezone)
    show = hours.next_show(plan.times, where, now_unix_ns=now_ns, within_s=AHEAD_S)
    return told(site, plan, show, check, None if show is None else _looked(reader, plan, show))


def told(site: Site, plan: StreamPlan, show: Show | None, check: Check, looked: Forecast | None) -> Planned:
    """The same by the last check before that show, where there was one."""
    where = zone(site.timezone)
    when = "" if looked is None else f"{local(looked.started_unix_ns, where):%a %H:%M}"
    lowered = before.lowered(check, looked, plan, when=when)
    others = (one for one in site.plans if one is not plan and one.handoff == plan.handoff)
    beside = tuple(one for one in others if show is not None and _meanwhile(one, show, where))
    return Planned(plan=plan, show=show, check=lowered, looked=looked, beside=beside)


def of_plan(reader: Reader, site: Site, plan: StreamPlan, *, now_ns: int) -> Planned:
    """The same, with the answer read and judged, every change that helps looked for."""
    check = history.check_of(reader, site, plan, now_unix_ns=now_ns, thorough=True)
    return planned(reader, site, plan, check, now_ns=now_ns)


def as_json(found: Planned) -> dict[str, Any]:
    """The answer as the object that other programs may rely on."""
    return stream.as_json(found.check) | {"notes": list(found.notes)}


def next_first(found: Iterable[Planned]) -> tuple[Planned, ...]:
    """In the order of their shows; those without one last."""
    return tuple(sorted(found, key=lambda one: (one.show is None, one.show.start_unix_ns if one.show else 0)))


def _meanwhile(plan: StreamPlan, show: Show, where: tzinfo) -> bool:
    """Whether a show of another plan touches this one."""
    return any(hours.held(plan.times, where, from_ns=show.start_unix_ns, to_ns=show.end_unix_ns))


def _looked(reader: Reader, plan: StreamPlan, show: Show) -> Forecast | None:
    """The newest answer on record that was given for this very show, one that measured before others."""
    found = reader.documents(Forecast, handoff=plan.handoff, having=("plan", (plan.name,)))
    own = [one for one in found if one.show_start_unix_ns == show.start_unix_ns]
    return max(own, key=lambda one: (bool(one.rows), one.started_unix_ns), default=None)
