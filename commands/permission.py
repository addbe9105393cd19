"""Whether a run that a command wants to make may be made now, by the rules that hold the schedule back too.

Imports probe and store.
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass

from commands.answering import finish
from probe import allowance, budget, foreseen, metering
from probe.budget import Budget
from probe.openings import Openings
from store.clock import zone
from store.reader import Reader
from store.records import WindowOpened
from store.site import Handoff, RunPlan, Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How a handoff stands at a moment: what tests may still cost, and which windows are open."""

    budget: Budget
    opened: tuple[WindowOpened, ...]

    def why_not(self, site: Site, asked: RunPlan, *, now_ns: int) -> str | None:
        """The sentence of the rule that forbids a run: safety, a window, the allowance, a stop."""
        purses, openings = self.budget.purses, Openings([*self.opened])
        return foreseen.skipped(asked, now_ns, site=site, openings=openings, purses=purses)


def standing(site: Site, handoff: Handoff, *, now_ns: int) -> Standing:
    """How it stands, read from the store. Not to be called from an event loop."""
    spent_bytes, opened, state = 0, list[WindowOpened](), None
    if site.database.exists():
        month_ns = allowance.month_start_ns(now_ns, where=zone(site.timezone))
        with closing(Reader.open(site.database)) as reader:
            spent_bytes, opened = reader.spent_bytes(handoff.name, month_ns), list(reader.open_windows())
        if handoff.cap is not None:
            meters = finish(lambda: metering.restored(site, [handoff], now_ns=now_ns))
            state = meters[handoff.name].state(handoff.cap, now_ns=now_ns)
    found = budget.of(site, handoff, spent_bytes=spent_bytes, state=state, now_ns=now_ns)
    return Standing(budget=found, opened=tuple(opened))
