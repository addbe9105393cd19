"""How a practice line behaves over time, as data: rates, delays, losses and stalls over a cycle that repeats.

Times are nanoseconds since the line began. Rates are payload, as the relay carries it: it sees neither
headers nor acknowledgements. Stands at the bottom of practice; `lane` plays one direction of it. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from store.clock import NS_PER_MS, NS_PER_S
from store.records import Direction

_UNLIMITED_BPS = 10_000_000_000  # far above what a relay in Python carries


class How(StrEnum):
    """What a stall does to datagrams that arrive in it. What already waits is held in either case."""

    HELD = "held"
    LOST = "lost"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """What holds from `start_ns` until the next spell. Jitter is uniform from 0 to `jitter_ns`, on top."""

    start_ns: int
    rate_bps: int
    delay_ns: int
    jitter_ns: int = 0
    loss_ratio: float = 0.0
    duplicate_ratio: float = 0.0
    late_ratio: float = 0.0  # share of datagrams that arrive `late_by_ns` late, behind their successors
    late_by_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStall:
    """A time without service."""

    start_ns: int
    length_ns: int
    how: How

    @property
    def end_ns(self) -> int:
        return self.start_ns + self.length_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneBehaviour:
    """One direction over one cycle: spells and stalls by time, the first spell at 0, stalls apart."""

    queue_bytes: int
    spells: tuple[Spell, ...]
    stalls: tuple[PlannedStall, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LineBehaviour:
    """Both directions over a cycle that repeats; equal seeds give equal fates to equal arrivals."""

    cycle_ns: int
    seed: int
    up: LaneBehaviour
    down: LaneBehaviour

    def lane(self, direction: Direction) -> LaneBehaviour:
        """One direction (UP or DOWN)."""
        return self.up if direction is Direction.UP else self.down


def as_json(behaviour: LineBehaviour) -> dict[str, Any]:
    """The behaviour as a JSON object; `from_json` undoes it."""
    return asdict(behaviour)


def from_json(data: dict[str, Any]) -> LineBehaviour:
    """A behaviour from what `as_json` made of it."""

    def lane(found: dict[str, Any]) -> LaneBehaviour:
        stalls = (PlannedStall(**{**stall, "how": How(stall["how"])}) for stall in found["stalls"])
        return LaneBehaviour(
            queue_bytes=found["queue_bytes"],
            spells=tuple(Spell(**spell) for spell in found["spells"]),
            stalls=tuple(stalls),
        )

    return LineBehaviour(
        cycle_ns=data["cycle_ns"], seed=data["seed"], up=lane(data["up"]), down=lane(data["down"])
    )


def fixed_line(
    *,
    delay_ms: float,
    jitter_ms: float = 0.0,
    rate_up_bps: int = _UNLIMITED_BPS,
    rate_down_bps: int = _UNLIMITED_BPS,
    queue_bytes: int = 1_400_000,
    loss_up: float = 0.0,
    loss_down: float = 0.0,
    duplicate: float = 0.0,
    reorder: float = 0.0,
    reorder_by_ms: float = 60.0,
    stalls_up: Sequence[PlannedStall] = (),
    stalls_down: Sequence[PlannedStall] = (),
    seed: int = 1,
) -> LineBehaviour:
    """A line that never changes but for the stalls given; the delay is that of each direction.

    `reorder` is the share of datagrams that come `reorder_by_ms` late; the spacing of a train must be
    shorter than that for one to be overtaken. Stalls count from the start of the line.
    """

    def lane(rate_bps: int, loss_ratio: float, stalls: Sequence[PlannedStall]) -> LaneBehaviour:
        spell = Spell(
            start_ns=0,
            rate_bps=rate_bps,
            delay_ns=round(delay_ms * NS_PER_MS),
            jitter_ns=round(jitter_ms * NS_PER_MS),
            loss_ratio=loss_ratio,
            duplicate_ratio=duplicate,
            late_ratio=reorder,
            late_by_ns=round(reorder_by_ms * NS_PER_MS),
        )
        return LaneBehaviour(queue_bytes=queue_bytes, spells=(spell,), stalls=tuple(stalls))

    return LineBehaviour(
        cycle_ns=86_400 * NS_PER_S,
        seed=seed,
        up=lane(rate_up_bps, loss_up, stalls_up),
        down=lane(rate_down_bps, loss_down, stalls_down),
    )


def stall_at(start_s: float, length_s: float, *, how: How = How.HELD) -> PlannedStall:
    """A stall by the second, for a `fixed_line`."""
    return PlannedStall(start_ns=round(start_s * NS_PER_S), length_ns=round(length_s * NS_PER_S), how=how)
