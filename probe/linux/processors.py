"""How busy this host's processors are, all together: the first line of /proc/stat, proc(5).

Time that a virtual machine's host took for others counts as busy: this one could not have it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

_STAT = Path("/proc/stat")
_COUNTED = 8  # user, nice, system, idle, iowait, irq, softirq, steal; guests are in the first two
_IDLE = (3, 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticks:
    """Since the host started, summed over processors."""

    busy: int
    all: int


def read(stat: Path = _STAT) -> Ticks | None:
    """The ticks so far; None where the kernel does not tell them."""
    try:
        kind, *words = stat.read_text().split("\n", 1)[0].split()
        ticks = [int(word) for word in words[:_COUNTED]]
    except (OSError, ValueError):
        return None
    if kind != "cpu" or len(ticks) < _COUNTED:
        return None
    return Ticks(busy=sum(ticks) - sum(ticks[each] for each in _IDLE), all=sum(ticks))


def busy_ratio(before: Ticks | None, after: Ticks | None) -> float | None:
    """The share of the time between that was not idle; None where it is not known."""
    if before is None or after is None or after.all <= before.all:
        return None
    return round(min(1.0, max(0.0, (after.busy - before.busy) / (after.all - before.all))), 4)
