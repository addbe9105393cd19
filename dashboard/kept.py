"""Findings kept for a while, so that reading and judging never take more than a twentieth of a core.

A page, its JSON and its figures ask for the same findings within a second, and an open page asks
again every ten. What took long to make is kept longer: twenty times as long as making it took. Used
from the reader's thread only, so there is no lock. Imports nothing but the clock.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any, TypeVar, cast

from store.clock import Clock

T = TypeVar("T")

TIMES = 20  # so reading and judging take a twentieth of a core at most
_MOST = 16  # pages with their periods that several readers look at; a month's findings take some megabytes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    value: Any
    until_ns: int  # by the monotonic clock


class Kept:
    """The latest findings by what was asked."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._found: dict[Hashable, _Found] = {}

    def forget(self) -> None:
        """Make everything anew. The one thing that may be called from elsewhere: it takes one step."""
        self._found = {}

    def get(self, asked: Hashable, make: Callable[[], T]) -> T:
        """What `make` returns, or what it returned not long ago for the same `asked`."""
        started_ns = self._clock.monotonic_ns()
        found = self._found.get(asked)
        if found is not None and started_ns < found.until_ns:
            return cast(T, found.value)
        value = make()
        ended_ns = self._clock.monotonic_ns()
        self._found.pop(asked, None)
        self._found[asked] = _Found(value=value, until_ns=ended_ns + TIMES * (ended_ns - started_ns))
        if len(self._found) > _MOST:
            del self._found[next(iter(self._found))]
        return value
