"""An encoder without pictures: how large each frame is and when it is due, and what its send buffer takes.
Pure.

Frames come in groups of one keyframe and ordinary ones, a keyframe as large as `KEYFRAME_SIZE_RATIO` of these
(`store.demand`, which has the sums). Sound is spread evenly over the frames. A frame belongs to a
destination's buffer from the moment it is due until the line has taken all of it; the buffer holds so many
seconds of frames, and one that does not fit is dropped. After a drop nothing can be shown until the next
keyframe, so what would be sent meanwhile is not sent either: it waits. Imports store alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from store.clock import NS_PER_S
from store.demand import KEYFRAME_SIZE_RATIO


class Fate(StrEnum):
    """What becomes of a frame at the moment it is due."""

    SENT = "sent"
    DROPPED = "dropped"  # it did not fit the buffer
    WAITED = "waited"  # it fitted, but a frame that it builds on was dropped


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """The frames of one stream. Rates are the encoder's means; `group` frames from one keyframe to the
    next."""

    video_bps: int
    audio_bps: int
    frames_per_second: float
    group: int

    def due_ns(self, frame: int) -> int:
        """When a frame is ready, from the first one on."""
        return round(frame * NS_PER_S / self.frames_per_second)

    def frames_in(self, seconds: float) -> int:
        """How many frames are due within so many seconds."""
        return max(1, round(seconds * self.frames_per_second))

    def is_key(self, frame: int) -> bool:
        return frame % self.group == 0

    def size_bytes(self, frame: int) -> int:
        """A frame's picture and sound; roundings are carried on, so that the mean stays exact."""
        return self._before_bytes(frame + 1) - self._before_bytes(frame)

    def _before_bytes(self, frame: int) -> int:
        """All frames before this one together."""
        groups, rest = divmod(frame, self.group)
        whole_bits = self.video_bps * self.group / self.frames_per_second
        ordinary_bits = whole_bits / (self.group - 1 + KEYFRAME_SIZE_RATIO)
        begun_bits = (rest - 1 + KEYFRAME_SIZE_RATIO) * ordinary_bits if rest else 0.0
        sound_bits = self.audio_bps * frame / self.frames_per_second
        return int((groups * whole_bits + begun_bits + sound_bits) / 8)


class SendBuffer:
    """The send buffer of one stream, which holds `window_s` of frames."""

    def __init__(self, pattern: Pattern, *, window_s: float) -> None:
        self._pattern = pattern
        self._most = max(1, int(window_s * pattern.frames_per_second + 1e-9))
        self._waits = False

    def offer(self, frame: int, *, held: int) -> Fate:
        """What becomes of the next frame while the buffer still holds `held` of those before it."""
        if held >= self._most:
            self._waits = True
            return Fate.DROPPED
        if self._waits and not self._pattern.is_key(frame):
            return Fate.WAITED
        self._waits = False
        return Fate.SENT

    def held_ms(self, held: int) -> int:
        """So many frames as time."""
        return round(held * 1000 / self._pattern.frames_per_second)
