"""The windows that are open now: shows opened at once, hours of the site file, and a stop of everything.

A stop is the strictest of windows: nothing is sent while it is open. What stands here was put on record
when it opened (`store.records.WindowOpened`), so that the next start knows of it. Knows no store and no
clock: `probe.book` opens and closes, with the record and the log. Imports store and changing.
"""

from __future__ import annotations

from collections.abc import Iterable

from probe.changing import Changing
from store.records import Opener, OpenKind, WindowOpened


class Openings(Changing):
    """Which windows are open, in the order in which they opened."""

    def __init__(self, opened: Iterable[WindowOpened] = ()) -> None:
        super().__init__()
        self._open = list(opened)

    @property
    def all(self) -> tuple[WindowOpened, ...]:
        return tuple(self._open)

    def add(self, opened: WindowOpened) -> None:
        self._open.append(opened)
        self.changed()

    def remove(self, opened: WindowOpened) -> None:
        self._open.remove(opened)
        self.changed()

    def stop(self) -> WindowOpened | None:
        """The stop that is in force."""
        return next((one for one in self._open if one.window is OpenKind.STOP), None)

    def shows(self, handoff: str, *, opener: Opener | None = None) -> tuple[WindowOpened, ...]:
        """The shows that were opened at once and concern a handoff; an empty name asks for those of all."""
        return tuple(
            one
            for one in self._open
            if one.window is OpenKind.SHOW
            and one.opener in ((Opener.PERSON, Opener.UPLOAD) if opener is None else (opener,))
            and ("" in (handoff, one.handoff) or one.handoff == handoff)
        )

    def no_run(self, handoff: str) -> str | None:
        """The sentence that forbids a run on a handoff now, or None.

        Hours of the site file are judged by `probe.windows`, which knows them in advance.
        """
        if (why := self.no_traffic()) is not None:
            return why
        shows = self.shows(handoff)
        return f"a show window is open: {shows[0].why}" if shows else None

    def no_traffic(self) -> str | None:
        """The sentence that forbids trains as well, or None."""
        stop = self.stop()
        return None if stop is None else f"all tests are stopped: {stop.why}"

    def going(self) -> bool | None:
        """True when nothing stops trains; None, so that one can wait for it, when something does."""
        return True if self.stop() is None else None
