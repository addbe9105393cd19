"""What somebody wants started on a page: the form's fields in, what the probe's door is asked out.

Pure. Whether it may run now is the probe's to say; whether it fills the line is said here too, so that the
page can ask before. Imports store and the acceptance plans.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dashboard import acceptance_plans
from dashboard.judge.acceptance_rows import BY_ID
from dashboard.judge.layers import rate_text
from store.before_show import STINTS, Stage, needs_bps, said, uplinks
from store.before_show import asked_bps as asked_bps_of
from store.default_schedule import LIGHT_RATIO
from store.door import Act
from store.errors import UserMistake
from store.records import Direction
from store.site import Method, RunPlan, Site, StreamPlan

CAUTION = (
    "While it runs, an emergency call, an alarm or a medical device on this line may not get through. Ask "
    "who depends on it first, and keep to the rules of the place."
)
PAGES = {
    "check": "Shows",
    "run": "Circuit",
    "train": "Circuit",
    "try": "Shows",
    "rehearsal": "Shows",
    "row": "Acceptance",
}
_FIELDS = {
    "run": ("handoff", "kind", "direction", "seconds", "endpoint"),
    "train": ("handoff", "seconds", "endpoint"),
    "try": ("plan",),
    "check": ("plan", "before"),
    "rehearsal": ("plan", "seconds"),
    "row": ("handoff", "row", "seconds"),
}
_KINDS = ("rate", "light", "capacity", "loaded-delay")
_SPARE = 1.25  # of a plan's demand: what a check tries, so that what arrives is not just enough
_TRY_S = 10

Json = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """What is wanted: `act` with `asked` goes to the door; `what` says it to the person who must confirm what
    `fills`, and `lead` what it does to the line.
    """

    page: str
    what: tuple[str, ...]
    fills: bool
    runs: tuple[Json, ...] = ()
    check: Json | None = None
    lead: str = "This fills the line."
    cautions: tuple[str, ...] = (CAUTION,)
    back: str = "/"

    @property
    def asked(self) -> tuple[Act, Json]:
        """What the door is asked."""
        return (Act.RUN, {"runs": list(self.runs)}) if self.check is None else (Act.CHECK, self.check)


def wanted(form: Mapping[str, str], site: Site, *, now_ns: int) -> Start:
    """What the form wants. Raises UserMistake that names the field."""
    what = form.get("what", "")
    if what not in _FIELDS:
        raise UserMistake("what: this form starts nothing that is known here")
    for key in form:
        if key not in (*_FIELDS[what], "what", "confirmed"):
            raise UserMistake(f"{key}: this form has no such field")
    match what:
        case "try":
            return _try(_plan(form, site), site, now_ns)
        case "check":
            return _check(_plan(form, site), form, site)
        case "rehearsal":
            plan = _plan(form, site)
            seconds = _seconds(form, 10, 3600)
            run = {"handoff": plan.handoff, "method": "rehearsal", "plan": plan.name, "seconds": seconds}
            text = f"Rehearsal of {plan.title} on handoff {plan.handoff}: its own frames for {seconds} s."
            return Start(page="Shows", runs=(run,), what=(text,), fills=True, back="/shows")
        case "row":
            return _row(form, site, now_ns)
        case "train":
            run = {
                "handoff": _handoff(form, site),
                "method": "train",
                "endpoint": form.get("endpoint", ""),
                "seconds": _seconds(form, 60, 3600),
            }
            return Start(page="Circuit", runs=(run,), what=("A train.",), fills=False)
    return _run(form, site)


def _run(form: Mapping[str, str], site: Site) -> Start:
    handoff, kind, seconds = _handoff(form, site), form.get("kind", ""), _seconds(form, 2, 60)
    direction = form.get("direction", "")
    if kind not in _KINDS:
        raise UserMistake(f"kind: expected one of {', '.join(_KINDS)}")
    if direction not in list(Direction):
        raise UserMistake("direction: expected up, down or both")
    run: Json = {
        "handoff": handoff,
        "method": "rate" if kind == "light" else kind,
        "direction": direction,
        "seconds": seconds,
        "endpoint": form.get("endpoint", ""),
    }
    if kind == "light":
        run["share_ratio"] = LIGHT_RATIO
    if kind == "loaded-delay":
        run["loads"] = [direction]
    each = [run]
    if kind == "capacity" and direction == Direction.BOTH:  # it goes one way at a time
        each = [run | {"direction": "up"}, run | {"direction": "down"}]
    way = "both ways" if direction == Direction.BOTH else direction
    text = f"A {kind} run {way} on handoff {handoff}, {seconds} s, to {run['endpoint']}."
    return Start(
        page="Circuit", runs=tuple(each), what=(text,), fills=kind != "light", back=f"/circuit/{handoff}"
    )


def _try(plan: StreamPlan, site: Site, now_ns: int) -> Start:
    """A light run at somewhat more than the plan needs: it shows that the line carries it just now."""
    stated_bps = site.handoff(plan.handoff).card_at(now_ns).rate_bps(Direction.UP)
    if not stated_bps:
        raise UserMistake(
            f"plan: the contract card of {plan.handoff} states no rate up, of which a light run would be "
            "a share; rehearse the plan instead"
        )
    share = max(0.01, round(_SPARE * needs_bps(plan) / stated_bps, 3))
    if share >= 1:
        raise UserMistake(
            f"plan: {plan.name} needs so much of what the contract states that no light run shows it"
        )
    run = {
        "handoff": plan.handoff,
        "method": "rate",
        "direction": "up",
        "seconds": _TRY_S,
        "share_ratio": share,
    }
    return Start(page="Shows", runs=(run,), what=("A light run.",), fills=False, back="/shows")


def _check(plan: StreamPlan, form: Mapping[str, str], site: Site) -> Start:
    """The whole check before a show, of one stage."""
    if form.get("before") not in list(Stage):
        raise UserMistake(f"before: expected one of {', '.join(Stage)}")
    stage = Stage(form["before"])
    stint, asked_bps = STINTS[stage], asked_bps_of(needs_bps(plan), stage)
    first, *others = (one.name for one in uplinks(site, plan, stage))
    if asked_bps is None:
        does = "takes all that the line gives"
        lead = "This fills the line."
        then = "then likewise on"
    else:
        does = f"asks for {rate_text(asked_bps)}, {stint.factor:g} times what the plan needs"
        lead = "This fills the line wherever it carries no more than it asks for."
        then = "at the same time likewise on"
    what = [
        f"The check {said(stage)} {plan.title}: {stint.within_s:g} s at most. Its answer stands on Shows.",
        f"On handoff {first} a run up of {stint.run_s:g} s, which {does}.",
        *(f"{then[:1].upper()}{then[1:]} handoff {name}." for name in others),
        "Beside it a thin train to the house endpoint, where there is one; the rest is read from the record.",
    ]
    check = {"plan": plan.name, "before": str(stage)}
    return Start(page="Shows", check=check, what=tuple(what), fills=True, lead=lead, back="/shows")


def _row(form: Mapping[str, str], site: Site, now_ns: int) -> Start:
    handoff, row = _handoff(form, site), form.get("row", "")
    if row not in acceptance_plans.RUNNABLE:
        raise UserMistake(f"row: expected one of {', '.join(acceptance_plans.RUNNABLE)}")
    seconds = _seconds(form, 2, 3600) if form.get("seconds") else None
    groups = acceptance_plans.plans(
        site, site.handoff(handoff), row, seconds=seconds, now_ns=now_ns, one_each=True
    )
    plans = [plan for group in groups for plan in group]
    return Start(
        page="Acceptance",
        runs=tuple(_as_asked(plan) for plan in plans),
        what=(f"Row {row}: {BY_ID[row].what}.", *map(_said, plans)),
        fills=any(plan.method is not Method.MTU for plan in plans),
        cautions=(*BY_ID[row].cautions, CAUTION),
        back=f"/acceptance/{handoff}",
    )


def _as_asked(plan: RunPlan) -> Json:
    made: Json = {
        "handoff": plan.handoff,
        "endpoint": plan.endpoint,
        "method": str(plan.method),
        "direction": str(plan.direction),
        "seconds": plan.seconds,
        "flows": plan.flows,
    }
    if plan.offered_bps is not None:
        made["offered_bps"] = plan.offered_bps
    if plan.most_bytes is not None:
        made["most_bytes"] = plan.most_bytes
    if plan.loads:
        made["loads"] = [str(one) for one in plan.loads]
    return made


def _said(plan: RunPlan) -> str:
    way = "both ways" if plan.direction is Direction.BOTH else str(plan.direction)
    return f"A {plan.called} {way} on handoff {plan.handoff} to {plan.endpoint}, {plan.lasts_s} s."


def _plan(form: Mapping[str, str], site: Site) -> StreamPlan:
    plans = {plan.name: plan for plan in site.plans}
    if form.get("plan") not in plans:
        raise UserMistake(
            f"plan: expected one of {', '.join(plans) or 'none, for the site file has no plan'}"
        )
    return plans[form["plan"]]


def _handoff(form: Mapping[str, str], site: Site) -> str:
    names = [one.name for one in site.handoffs]
    if form.get("handoff") not in names:
        raise UserMistake(f"handoff: expected one of {', '.join(names)}")
    return form["handoff"]


def _seconds(form: Mapping[str, str], low: int, high: int) -> int:
    text = form.get("seconds", "")
    if not (text.isascii() and text.isdecimal() and len(text) < 6) or not low <= int(text) <= high:
        raise UserMistake(f"seconds: expected a whole number from {low} to {high}")
    return int(text)
