"""When the frames of a stream arrived, by the receiver's monotonic clock, and what that makes of the picture.
Pure.

A frame's delay is counted from the moment at which it was due. The two clocks have no common zero, so the
least delay of all counts as none, along a line that allows for clocks which run apart by `APART_PPM` at most;
what grows faster is the line's doing. Imports histogram and units.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass

from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US
from store.histogram import Histogram

APART_PPM = 100  # two crystals of 50 ppm each. Common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Frames that arrived, and those of them that were late or could be shown, by the second they were due
    in."""

    arrived: tuple[int, ...]
    late: tuple[int, ...]
    shown: tuple[int, ...]
    worst_ms: tuple[int, ...]
    delay_us: Histogram


class FrameBook:
    """The frames of one stream. `late_s` of delay is late; with `in_time` a late frame cannot be shown."""

    def __init__(
        self, *, frames_per_second: float, group: int, frames: int, late_s: float, in_time: bool
    ) -> None:
        self._per_second = frames_per_second
        self._group = group
        self._late_ns = round(late_s * NS_PER_S)
        self._in_time = in_time
        self._arrived_ns = array("q", [-1]) * frames
        self.arrived = 0

    def note(self, frame: int, *, at_ns: int) -> None:
        """A frame is whole; one that was already, or that the stream does not have, changes nothing."""
        if not self.settled(frame):
            self._arrived_ns[frame] = at_ns
            self.arrived += 1

    def settled(self, frame: int) -> bool:
        """Whether nothing more is to be known of a frame: it is whole, or the stream does not have it."""
        return not 0 <= frame < len(self._arrived_ns) or self._arrived_ns[frame] >= 0

    def told(self) -> Told:
        """All of it, once nothing comes any more."""
        frames = len(self._arrived_ns)
        delays_ns = self._delays_ns()
        arrived, late, shown, worst_ms = ([0] * (self._second(frames - 1) + 1) for _ in range(4))
        delay_us = Histogram(max(0, delay // NS_PER_US) for delay in delays_ns if delay is not None)
        whole = False  # every frame from the keyframe on is there
        for frame, delay_ns in enumerate(delays_ns):
            at = self._second(frame)
            is_late = delay_ns is not None and delay_ns > self._late_ns
            is_there = delay_ns is not None and not (is_late and self._in_time)
            whole = is_there and (whole or frame % self._group == 0)
            shown[at] += whole
            if delay_ns is not None:
                arrived[at] += 1
                late[at] += is_late
                worst_ms[at] = max(worst_ms[at], delay_ns // NS_PER_MS)
        return Told(
            arrived=tuple(arrived),
            late=tuple(late),
            shown=tuple(shown),
            worst_ms=tuple(worst_ms),
            delay_us=delay_us,
        )

    def _second(self, frame: int) -> int:
        return int(frame / self._per_second + 1e-9)

    def _delays_ns(self) -> list[int | None]:
        """Delay over the least that the clocks allow, None for what never arrived."""
        raw = [
            None if at < 0 else at - round(frame * NS_PER_S / self._per_second)
            for frame, at in enumerate(self._arrived_ns)
        ]
        slope_ns = self._slope_ns(raw)
        level = [
            None if delay is None else delay - round(slope_ns * frame) for frame, delay in enumerate(raw)
        ]
        least = min((delay for delay in level if delay is not None), default=0)
        return [None if delay is None else delay - least for delay in level]

    def _slope_ns(self, delays_ns: Sequence[int | None]) -> float:
        """What the clocks gain on each other, a frame: between the least of the first and of the last
        third."""
        third = len(delays_ns) // 3
        ends = [
            min(
                ((delay, at) for at, delay in enumerate(part, first) if delay is not None),
                default=None,
            )
            for first, part in ((0, delays_ns[:third]), (len(delays_ns) - third, delays_ns[-third:]))
        ]
        if third == 0 or ends[0] is None or ends[1] is None:
            return 0.0
        (before_ns, first), (after_ns, last) = ends[0], ends[1]
        most_ns = APART_PPM / 1e6 * NS_PER_S / self._per_second
        return max(-most_ns, min(most_ns, (after_ns - before_ns) / max(1, last - first)))
