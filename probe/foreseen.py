"""Why a run that is planned will be skipped, as far as that is known before its moment.

What only its own moment tells (others' traffic, slots that thinning leaves out) is left open. Pure. Stands
beside runs, which decides at the moment itself. Imports store and what a run asks: safety, windows,
openings, allowance.
"""

from __future__ import annotations

from collections.abc import Sequence

from probe import allowance, safety, windows
from probe.allowance import Allowance
from probe.openings import Openings
from probe.schedule import run_ns
from store.clock import zone
from store.records import OpenKind, WindowOpened
from store.site import RunPlan, Site


def skipped(
    plan: RunPlan, start_ns: int, *, site: Site, openings: Openings, purses: Sequence[Allowance]
) -> str | None:
    """The sentence that would forbid a run at `start_ns` if nothing changed until then; None where it may go.

    `purses` say how its handoff stands now, with its test allowance and under its provider's cap.
    """
    handoff, ends_ns = site.handoff(plan.handoff), start_ns + run_ns(plan)
    for one in openings.all:
        if _lasts(one, start_ns) and one.handoff in ("", plan.handoff):
            if one.window is OpenKind.STOP:
                return f"all tests are stopped: {one.why}"
            if one in openings.shows(plan.handoff):
                return f"a show window is open: {one.why}"
    where = zone(site.timezone)
    if (why := safety.forbids(handoff, from_ns=start_ns, to_ns=ends_ns, where=where)) is not None:
        return why
    opening = windows.blocking(site, plan.handoff, from_ns=start_ns, to_ns=ends_ns)
    if opening is not None:
        return f"it would touch {opening.window.kind} window {opening.window.name!r}"
    return allowance.refused(handoff, plan, purses, at_ns=start_ns)


def _lasts(one: WindowOpened, unix_ns: int) -> bool:
    """Whether a window is open at an instant, by what is known now."""
    return one.ends_unix_ns is None or one.ends_unix_ns > unix_ns
