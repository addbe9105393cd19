"""What measuring costs in bytes, and whether a run may still be paid from this month's test allowance.

A run costs rate x seconds / 8 in each direction it fills, with the rate that the contract card states: a
forecast, as the line may give more or less. A train costs its packets both ways at the IP layer. Spending
is counted per handoff and local calendar month; trains are counted and never stopped, runs are.

Pure: times are Unix nanoseconds that the caller hands in. Imports store and the schedule.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import NamedTuple

from probe.schedule import midnight_ns, runs_in
from store.clock import local
from store.layers import IP_BYTES, UDP_BYTES
from store.records import Direction
from store.site import Card, Handoff, RunPlan, Site, TrainPlan

TRAIN_PAYLOAD_BYTES = 128  # of a packet of the daemon's trains, as methods.train has it
MONTH_DAYS = 30  # what a forecast calls a month; spending goes by the calendar
_DAY_S = 86_400
_OVER_IP_BYTES = IP_BYTES[4] + UDP_BYTES


class CostLine(NamedTuple):
    """One plan's forecast in words and bytes; a run without a stated rate counts 0, and its words say so."""

    what: str
    bytes: int


@dataclass(slots=True, kw_only=True)
class Purse:
    """What each handoff's tests spent in a local month; empty again when another month begins."""

    where: tzinfo
    month_ns: int  # when the month of `spent` began
    spent: dict[str, int] = field(default_factory=dict)

    def charge(self, handoff: str, count_bytes: int, *, now_ns: int) -> None:
        """Add to what `handoff` spent."""
        self.spent[handoff] = self.spent_bytes(handoff, now_ns=now_ns) + count_bytes

    def spent_bytes(self, handoff: str, *, now_ns: int) -> int:
        """What `handoff` spent in the month of `now_ns`."""
        month_ns = month_start_ns(now_ns, where=self.where)
        if month_ns != self.month_ns:
            self.month_ns, self.spent = month_ns, {}
        return self.spent.get(handoff, 0)


def run_bytes(card: Card, *, direction: Direction, seconds: float) -> int | None:
    """What one run moves, both directions together; None when a direction's rate is not stated."""
    asked = (Direction.UP, Direction.DOWN) if direction is Direction.BOTH else (direction,)
    total = 0.0
    for one_way in asked:
        rate_bps = card.rate_bps(one_way)
        if rate_bps is None:
            return None
        total += rate_bps * seconds / 8
    return round(total)


def train_bytes(*, per_second: float, seconds: float, ip_packet_bytes: int) -> int:
    """What a train moves at the IP layer: each packet once up and, reflected at its own size, once down."""
    return round(per_second * seconds * ip_packet_bytes * 2)


def packet_at_ip(payload_bytes: int = TRAIN_PAYLOAD_BYTES) -> int:
    """A train packet at the IP layer: its UDP payload and 28 bytes of IPv4 and UDP headers."""
    return payload_bytes + _OVER_IP_BYTES


def monthly_cost(site: Site) -> dict[str, tuple[CostLine, ...]]:
    """Handoff by handoff, what the schedule moves in 30 days when no window stops a run."""
    return {handoff.name: tuple(_lines(site, handoff)) for handoff in site.handoffs}


def may_start(handoff: Handoff, *, spent_bytes: int, cost_bytes: int | None) -> str | None:
    """None when a rate run may start, else the sentence that says why not.

    `spent_bytes` is what this handoff's tests moved in this local month, `cost_bytes` what the run will.
    A run of unknown cost may start until the allowance is used up.
    """
    if handoff.metered:
        return f"handoff {handoff.name} is metered, so it gets no rate runs"
    if handoff.allowance_bytes is None:
        return None
    if spent_bytes + (cost_bytes or 0) <= handoff.allowance_bytes and spent_bytes < handoff.allowance_bytes:
        return None
    left_bytes = max(0, handoff.allowance_bytes - spent_bytes)
    needs = "" if cost_bytes is None else f" and the run needs about {megabytes(cost_bytes)}"
    return (
        f"{megabytes(left_bytes)} of this month's test allowance of {megabytes(handoff.allowance_bytes)}"
        f" are left{needs}"
    )


def month_start_ns(unix_ns: int, *, where: tzinfo) -> int:
    """The instant at which the local month of `unix_ns` began."""
    return midnight_ns(local(unix_ns, where).date().replace(day=1), where=where)


def megabytes(count: int) -> str:
    """Bytes as a person reads them: ``25 MB``, ``49.6 GB``, ``1.26 TB`` (powers of ten)."""
    for size, unit in ((10**12, "TB"), (10**9, "GB"), (10**6, "MB"), (10**3, "kB")):
        if count >= size:
            return f"{count / size:.3g} {unit}"
    return f"{count} bytes"


def _lines(site: Site, handoff: Handoff) -> Iterator[CostLine]:
    for train in site.trains:
        if train.handoff == handoff.name:
            yield CostLine(_train_words(train), _month_of(train))
    for run in site.runs:
        if run.handoff == handoff.name and not handoff.metered:
            once = run_bytes(handoff.card, direction=run.direction, seconds=run.seconds)
            count = runs_in(MONTH_DAYS, every_s=run.every_s)
            uncounted = ", not counted as the card states no rate" if once is None else ""
            yield CostLine(_run_words(run) + uncounted, (once or 0) * count)


def _month_of(train: TrainPlan) -> int:
    return train_bytes(
        per_second=train.per_second, seconds=MONTH_DAYS * _DAY_S, ip_packet_bytes=packet_at_ip()
    )


def _train_words(train: TrainPlan) -> str:
    return f"train to {train.endpoint}, {train.per_second:g} packets a second"


def _run_words(run: RunPlan) -> str:
    way = "both ways" if run.direction is Direction.BOTH else str(run.direction)
    return f"rate run to {run.endpoint}, {way}, {run.seconds} s every {_span(run.every_s)}"


def _span(seconds: int) -> str:
    for length, unit in ((_DAY_S, "day"), (3600, "hour"), (60, "minute")):
        if seconds % length == 0:
            count = seconds // length
            return unit if count == 1 else f"{count} {unit}s"
    return f"{seconds} s"
