"""What comparable hours saw of a line: the floor of its runs, and its trains with their stalls.

What a stream plan is judged by. Only records that count enter, of the last four weeks, and the floor
is taken at the IP layer, where demand is counted too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from dashboard.judge import evidence, hours
from dashboard.judge.evidence import Span
from dashboard.judge.floor import Floor, assured_floor
from store.clock import NS_PER_S
from store.histogram import Histogram
from store.records import Direction, RateRun, RateSide, Stall, Standing
from store.site import StreamPlan

HISTORY_S = 28 * 86_400  # four weeks hold the same weekday and hour four times; older runs are another line


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """`hours` in words; `goodput_bps` the floor as payload; `trains` each train's stalls, oldest first.

    `loss_ratio` is of packets on the way up or somewhere, `rtt_s` the median round trip.
    """

    hours: str
    floor: Floor
    goodput_bps: int | None
    trains: tuple[tuple[Stall, ...], ...]
    train_s: float
    loss_ratio: float
    rtt_s: float

    @property
    def stalls(self) -> int:
        return sum(len(train) for train in self.trains)

    def per_hour(self, count: float) -> float:
        return count * 3600 / self.train_s


def gather(
    plan: StreamPlan,
    runs: Iterable[RateRun],
    spans: Iterable[Span],
    stalls: Iterable[Stall],
    *,
    now_unix_ns: int,
    zone: tzinfo,
) -> History:
    """The history of `plan`'s handoff up to `now_unix_ns`, from records of endpoints outside the house."""
    alike = hours.comparable(plan.times, zone)
    oldest = now_unix_ns - HISTORY_S * NS_PER_S

    def enters(record: RateRun | Span | Stall) -> bool:
        started = record.started_unix_ns
        return record.handoff == plan.handoff and oldest <= started <= now_unix_ns and alike(started)

    sides = [side for _, side in evidence.counted(filter(enters, runs), Direction.UP)[0]]
    kept = [span for span in spans if span.standing is Standing.VALID and enters(span)]
    rtt = Histogram()
    for span in kept:
        rtt.merge(span.rtt)
    sent = sum(span.sent for span in kept)
    lost = sum(span.lost_up + span.lost_unattributed for span in kept)
    return History(
        hours=hours.describe(plan.times),
        floor=assured_floor([_at_ip(side) for side in sides]),
        goodput_bps=assured_floor([side.lowest_second_bps for side in sides]).bps,
        trains=_trains(kept, filter(enters, stalls)),
        train_s=sum(span.seconds for span in kept),
        loss_ratio=lost / sent if sent else 0.0,
        rtt_s=(rtt.percentile(0.5) or 0) / 1e6,
    )


def _at_ip(side: RateSide) -> int:
    """A run's slowest second at the IP layer, where demand is counted too."""
    if not side.rates.goodput_bps:
        return 0
    return side.lowest_second_bps * side.rates.ip_bps // side.rates.goodput_bps


def _trains(spans: Sequence[Span], stalls: Iterable[Stall]) -> tuple[tuple[Stall, ...], ...]:
    """Each endpoint's stalls that may have hit the way up, where a counted span saw them; oldest first."""
    watched = evidence.Watched(spans)
    found: dict[str, list[Stall]] = {endpoint: [] for endpoint in watched.endpoints}
    for stall in sorted(stalls, key=lambda one: (one.started_unix_ns, one.duration_us, one.how)):
        if stall in watched and stall.direction is not Direction.DOWN:
            found[stall.endpoint].append(stall)
    return tuple(tuple(train) for train in found.values())
