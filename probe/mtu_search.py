"""The search for the largest size that passes: bisection that asks a router's word first. Pure.

RFC 8899 section 5.3 leaves the order of sizes open. The largest that the interface takes comes first, since
most ways carry it; then what a router said would fit, which is believed only once it has passed and one octet
more has not (section 4.6.2); then halves.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True, kw_only=True)
class Search:
    """Between `passes`, known to pass, and `fails`, known to fail; both move until nothing lies between."""

    passes: int
    fails: int
    _hint: int | None = field(default=None, init=False)
    _top: bool = field(default=True, init=False)

    def next(self) -> int | None:
        """The size to try, None once the search is over: then `passes` is the answer."""
        if self.fails - self.passes <= 1:
            return None
        if self._top:
            return self.fails - 1
        if self._hint is not None and self.passes <= self._hint < self.fails:
            return self._hint if self._hint > self.passes else self.passes + 1
        return (self.passes + self.fails) // 2

    def passed(self, size: int) -> None:
        """This size was carried whole."""
        self._top = False
        self.passes = max(self.passes, size)

    def failed(self, size: int, *, told: int | None = None) -> None:
        """This size was not; `told` is what a router said that would fit."""
        self._top = False
        self.fails = min(self.fails, size)
        if told is not None and self.passes < told < self.fails:
            self._hint = told
        elif self._hint is not None and not self.passes <= self._hint < self.fails:
            self._hint = None
