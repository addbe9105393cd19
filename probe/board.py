"""What the daemon does at this moment: which run is under way, what is due next, how each train stands.

Written by the tasks that do it, read by whoever asks the daemon how it is. Imports store and changing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum

from probe.changing import Changing
from store.before_show import Stage
from store.site import RunPlan, TrainPlan


class TrainState(StrEnum):
    """BEGUN until its first record is there, which takes the length of a span."""

    BEGUN = "begun"
    GOING = "going"
    FAILED = "failed"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunNow:
    """A run under way."""

    plan: RunPlan
    started_unix_ns: int
    asked: str = ""  # where a person asked for it; empty for one of the schedule


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckNow:
    """A check before a show under way: of which stream plan, and on which handoffs it has runs."""

    plan: RunPlan  # of its own uplink
    stream: str
    title: str
    stage: Stage
    handoffs: tuple[str, ...]
    started_unix_ns: int
    asked: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainNow:
    """How a train stands, since when, and why when it does not go."""

    state: TrainState
    since_unix_ns: int
    why: str = ""


class Board(Changing):
    """`runs` by handoff, `due` the planned runs of each handoff, `trains` by handoff and endpoint,
    `progress` the newest sentence of the run under way on a handoff, `check` the check before a show that is
    under way, `check_said` its newest sentence.

    `turns` grows whenever a run begins or ends: whoever measured in between knows whether one was on.
    """

    def __init__(self) -> None:
        super().__init__()
        self.runs: dict[str, RunNow] = {}
        self.due: dict[str, list[tuple[int, RunPlan]]] = {}
        self.trains: dict[tuple[str, str], TrainNow] = {}
        self.progress: dict[str, str] = {}
        self.check: CheckNow | None = None
        self.check_said = ""
        self.turns = 0

    @contextmanager
    def running(self, plan: RunPlan, *, unix_ns: int, asked: str = "") -> Iterator[None]:
        """A run is under way as long as the body lasts."""
        self.runs[plan.handoff] = RunNow(plan=plan, started_unix_ns=unix_ns, asked=asked)
        self._turn()
        try:
            yield
        finally:
            del self.runs[plan.handoff]
            self.progress.pop(plan.handoff, None)
            self._turn()

    @contextmanager
    def checking(self, now: CheckNow) -> Iterator[None]:
        """A check is under way as long as the body lasts."""
        self.check, self.check_said = now, ""
        self._turn()
        try:
            yield
        finally:
            self.check = None
            self._turn()

    def checked(self, handoff: str) -> bool:
        """Whether the check under way has runs on a handoff; an empty name asks for any."""
        return self.check is not None and handoff in ("", *self.check.handoffs)

    def plan(self, handoff: str, due: Iterable[tuple[int, RunPlan]]) -> None:
        """What is due on a handoff, each with its moment in Unix nanoseconds."""
        self.due[handoff] = sorted(due, key=lambda one: one[0])
        self.changed()

    def train(self, plan: TrainPlan, now: TrainNow | None) -> None:
        """How a train stands; None when it is no longer planned."""
        path = (plan.handoff, plan.endpoint)
        if now is None:
            self.trains.pop(path, None)
        else:
            self.trains[path] = now
        self.changed()

    def idle(self) -> bool | None:
        """True when nothing is being sent; None, so that one can wait for it, otherwise."""
        return None if self.runs or self.check or self.trains_going() else True

    def trains_going(self) -> int:
        """How many trains send."""
        return sum(one.state in (TrainState.BEGUN, TrainState.GOING) for one in self.trains.values())

    def next_due(self) -> tuple[tuple[int, RunPlan], ...]:
        """The planned runs of all handoffs, the first one first."""
        return tuple(sorted((one for due in self.due.values() for one in due), key=lambda one: one[0]))

    def _turn(self) -> None:
        self.turns += 1
        self.changed()
