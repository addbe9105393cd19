"""What the daemon's tasks share: the record they write, the purse they spend from, and how mistakes end.

Also which windows are open, what is under way and how the clock stands, as one task must know it of
another. Stands below
trains and runs, above allowance, openings, shortage and board. Imports store, never a method.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

from probe.allowance import Purse
from probe.answering import Word
from probe.board import Board
from probe.claims import Claims
from probe.meter import Meter
from probe.openings import Openings
from probe.shortage import shortage
from probe.wall import Wall
from store.clock import Clock
from store.errors import StoreTrouble
from store.events import Event
from store.records import Failed, Owner, Record, Thinned, TrainSpan, WindowClosed, WindowOpened
from store.site import RunPlan, TrainPlan
from store.thinning import Due, Plan
from store.unfinished import Standing

Listener = Callable[[Record | Word], None]


class Store(Protocol):
    """What the daemon needs of `store.writer.Writer`."""

    @property
    def last_alive_unix_ns(self) -> int | None: ...
    @property
    def trouble(self) -> StoreTrouble | None: ...
    @property
    def waiting(self) -> int: ...
    def append(self, record: Record, *, ends: int | None = None) -> None: ...
    def begin(self, what: str, *, handoff: str, endpoint: str, started_unix_ns: int) -> int: ...
    def mark_alive(self, unix_ns: int) -> None: ...
    def stamp(self, head: int, token: bytes) -> None: ...
    def so_far(self, span: TrainSpan) -> None: ...
    def stands(self, train: Standing) -> None: ...
    async def let_go(self, due: Due, plan: Plan) -> Thinned | None: ...
    def drop_tens(self, before_ns: int) -> None: ...
    async def flush(self) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """One daemon's record, log and purse. `listeners` hear of every record kept, and of every word."""

    store: Store
    purse: Purse
    clock: Clock
    log: logging.Logger
    openings: Openings = field(default_factory=Openings)
    board: Board = field(default_factory=Board)
    claims: Claims = field(default_factory=Claims)
    meters: dict[str, Meter] = field(default_factory=dict)  # by handoff
    wall: Wall = field(default_factory=Wall)
    listeners: list[Listener] = field(default_factory=list)
    # how far the records of trains reach that do not go now, by handoff and endpoint
    reached: dict[tuple[str, str], int] = field(default_factory=dict)

    def begin(self, what: str, plan: TrainPlan | RunPlan, *, started_ns: int) -> int:
        """Note in the store that a run starts: if its record never comes, it is on record as failed."""
        return self.store.begin(
            what, handoff=plan.handoff, endpoint=plan.endpoint, started_unix_ns=started_ns
        )

    def keep(self, record: Record, *, ends: int | None = None) -> bool:
        """Put a record into the store, where it may end a run that was begun; whether the store took it.

        One that no column can hold is a mistake of ours, for the log.
        """
        stored = True
        try:
            self.store.append(record, ends=ends)
        except ValueError:
            self.log.exception("record not stored kind=%s", record.kind)
            stored = False
        self.tell(record)
        return stored

    def keep_event(self, event: Event) -> None:
        """Put an event on record and into the log."""
        values = (event.what, event.handoff or "all", event.endpoint or "-", event.owner, event.says)
        self.log.warning("event what=%s handoff=%s endpoint=%s owner=%s says=%s", *values)
        self.keep(event)

    def tell(self, what: Record | Word) -> None:
        """Let the listeners know; none of them may keep a record from the store, or a train from going."""
        for listener in tuple(self.listeners):
            try:
                listener(what)
            except Exception:
                self.log.exception("not taken in kind=%s", type(what).__name__)

    def charge(self, handoff: str, count_bytes: int, *, up_ratio: float = 0.5) -> None:
        """Count what a test moved on a handoff, and which part of it went up."""
        self.purse.charge(handoff, count_bytes, now_ns=self.clock.unix_ns(), up_ratio=up_ratio)

    async def until(self, unix_ns: int) -> None:
        """Wait for a moment by the wall's clock, which may be set meanwhile."""
        await self.wall.wait_until(unix_ns, clock=self.clock)

    def open_window(self, opened: WindowOpened) -> None:
        """Open a window, on record; whoever it concerns sees it at once."""
        self.openings.add(opened)
        self.keep(opened)
        values = (opened.window, opened.name, opened.handoff or "all", opened.opener, opened.why)
        self.log.info("window opened kind=%s name=%s handoff=%s by=%s why=%s", *values)

    def close_window(self, opened: WindowOpened, *, why: str, unix_ns: int | None = None) -> None:
        """Close a window, on record, as of now where no moment is given."""
        self.openings.remove(opened)
        closed = WindowClosed(
            started_unix_ns=self.clock.unix_ns() if unix_ns is None else unix_ns,
            opened_unix_ns=opened.started_unix_ns,
            name=opened.name,
            window=opened.window,
            opener=opened.opener,
            why=why,
            handoff=opened.handoff,
        )
        self.keep(closed)
        values = (opened.window, opened.name, opened.handoff or "all", why)
        self.log.info("window closed kind=%s name=%s handoff=%s why=%s", *values)

    def unexpected(self, error: Exception, *, what: str) -> Failed:
        """What nobody foresaw in a measurement, as its result; the log gets the traceback, unless this host
        has run out of something.
        """
        if (why := shortage(error)) is not None:
            return Failed(what=what, why=why, whose=Owner.HOUSE)
        self.log.error("unexpected what=%s", what, exc_info=error)
        return Failed(what=what, why=f"unexpected {type(error).__name__}: {error}", whose=Owner.UNKNOWN)


def placed(failed: Failed, plan: TrainPlan | RunPlan, *, started_ns: int) -> Failed:
    """The failure on its path, at `started_ns` where the method gave no time."""
    return replace(
        failed,
        handoff=plan.handoff,
        endpoint=plan.endpoint,
        started_unix_ns=failed.started_unix_ns or started_ns,
    )
