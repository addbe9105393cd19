"""Whether the least delay of a path moved to another level and stayed there.

The least delay of a minute is what the way itself takes; queues come on top of it. When it lies elsewhere
for ten minutes on end, and for ten spans at least, packets take another way, or another equipment. Pure; the
figures are common practice, no source.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from statistics import median_low

STAY_S = 600.0
STAY_SPANS = 10
_APART_US, _APART_SHARE = 1_000, 10  # another level is further off than 1 ms and a tenth of the old one
_KEPT = 30  # spans that say what the level is


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The level went from `before_us` to `after_us` with the span that began at `started_unix_ns`."""

    started_unix_ns: int
    before_us: int
    after_us: int


@dataclass(slots=True, kw_only=True)
class Levels:
    """The level of one path. Give it the spans in their order, those without a reply left out."""

    stay_s: float = STAY_S
    stay_spans: int = STAY_SPANS
    _known: deque[int] = field(default_factory=lambda: deque(maxlen=_KEPT), init=False)
    _off: list[tuple[int, float, int]] = field(default_factory=list, init=False)  # start, seconds, least

    @property
    def level_us(self) -> int | None:
        """The least delay that is usual now; None until it is known."""
        return median_low(self._known) if self._known else None

    def take(self, *, started_unix_ns: int, seconds: float, least_us: int) -> Step | None:
        """Follow one more span; the step that it completes."""
        level_us = self.level_us
        if level_us is not None and not _apart(least_us, level_us):
            self._off.clear()
            self._known.append(least_us)
            return None
        if self._off and _apart(least_us, median_low(least for _, _, least in self._off)):
            self._off.clear()
        self._off.append((started_unix_ns, seconds, least_us))
        if len(self._off) < self.stay_spans or sum(each[1] for each in self._off) < self.stay_s:
            return None
        began_ns, leasts = self._off[0][0], [least for _, _, least in self._off]
        self._off.clear()
        self._known.clear()
        self._known.extend(leasts)
        if level_us is None:
            return None
        return Step(started_unix_ns=began_ns, before_us=level_us, after_us=median_low(leasts))


def _apart(one_us: int, other_us: int) -> bool:
    return abs(one_us - other_us) > max(_APART_US, other_us // _APART_SHARE)
