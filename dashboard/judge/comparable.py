"""What comparable hours saw of a line: the floor of its runs, and its trains with their stalls.

What a stream plan is judged by. Only records that count enter, of the last four weeks, and the floor
is taken at the IP layer, where demand is counted too.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from dashboard.judge import evidence, hours
from dashboard.judge.evidence import Span
from dashboard.judge.floor import Floor, assured_floor
from dashboard.judge.hours import Show
from store.clock import NS_PER_S
from store.histogram import Histogram
from store.records import Direction, RateRun, RateSide, Stall, Standing, TrainSpan
from store.site import StreamPlan

HISTORY_S = 28 * 86_400  # four weeks hold the same weekday and hour four times; older runs are another line


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowSeen:
    """A show's hours on one comparable day: `watched_s` by each train, in the order of `History.trains`, and
    the mean rate (IP layer) and length of each run in them."""

    start_unix_ns: int
    end_unix_ns: int
    watched_s: tuple[float, ...]
    runs: tuple[tuple[int, float], ...]

    @property
    def seconds(self) -> float:
        return (self.end_unix_ns - self.start_unix_ns) / NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """`hours` in words; `goodput_bps` the floor as payload; `trains` each train's stalls, oldest first.

    `loss_ratio` is of packets on the way up or somewhere, those of stalls left out, `rtt_s` the median round
    trip, `rtt_p99_s` what 99 % of packets stay within. `shows` are this plan's own hours on comparable days,
    `beside_bps` what else the house sends meanwhile (IP layer), which no stream can have.
    """

    hours: str
    floor: Floor
    goodput_bps: int | None
    trains: tuple[tuple[Stall, ...], ...]
    train_s: float
    loss_ratio: float
    rtt_s: float
    rtt_p99_s: float = 0.0
    shows: tuple[ShowSeen, ...] = ()
    beside_bps: int = 0

    @property
    def free_bps(self) -> int:
        """What of the floor is left for the streams, at the IP layer."""
        return max(0, (self.floor.bps or 0) - self.beside_bps)

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
    handoff: str | None = None,
    ignoring: Collection[str] = (),
) -> History:
    """The history of `plan`'s handoff, or of another one in the plan's hours, up to `now_unix_ns`.

    From records of endpoints outside the house. Rules in `ignoring` leave none out, to show what they do.
    """
    name = plan.handoff if handoff is None else handoff
    alike = hours.comparable(plan.times, zone)
    oldest = now_unix_ns - HISTORY_S * NS_PER_S

    def enters(record: RateRun | Span | Stall) -> bool:
        started = record.started_unix_ns
        return record.handoff == name and oldest <= started <= now_unix_ns and alike(started)

    counted = evidence.counted(filter(enters, runs), Direction.UP, ignoring=ignoring)[0]
    sides = [side for _, side in counted]
    kept = [span for span in spans if _counts(span, ignoring) and enters(span)]
    rtt = Histogram()
    for span in kept:
        rtt.merge(span.rtt)
    sent = sum(span.sent for span in kept)
    trains = _trains(kept, filter(enters, stalls))
    lost = sum(span.lost_up + span.lost_unattributed for span in kept)
    lost -= sum(stall.lost for train in trains.values() for stall in train)  # those are judged as stalls
    on_air = hours.past_shows(plan.times, zone, since_unix_ns=oldest, until_unix_ns=now_unix_ns)
    return History(
        hours=hours.describe(plan.times),
        floor=assured_floor([_at_ip(side) for side in sides]),
        goodput_bps=assured_floor([side.lowest_second_bps for side in sides]).bps,
        trains=tuple(trains.values()),
        train_s=sum(span.seconds for span in kept),
        loss_ratio=max(0, lost) / sent if sent else 0.0,
        rtt_s=(rtt.percentile(0.5) or 0) / 1e6,
        rtt_p99_s=(rtt.percentile(0.99) or 0) / 1e6,
        shows=tuple(_seen([*on_air], [*trains], kept, counted)),
        beside_bps=plan.beside_bps if name == plan.handoff else 0,  # the office stays where it is
    )


def _seen(
    shows: Sequence[Show],
    endpoints: Sequence[str],
    spans: Iterable[Span],
    runs: Sequence[tuple[RateRun, RateSide]],
) -> Iterator[ShowSeen]:
    """What was looked at while each show would have been on; a sum of spans counts by its share in there.

    Shows and runs come oldest first.
    """
    watched = [dict.fromkeys(endpoints, 0.0) for _ in shows]
    ends = [show.end_unix_ns for show in shows]
    for span in spans:
        began, ended = span.started_unix_ns, evidence.ended_ns(span)
        for place in range(bisect_right(ends, began), len(shows)):
            inside = min(ended, ends[place]) - max(began, shows[place].start_unix_ns)
            if inside <= 0:
                break
            watched[place][span.endpoint] += span.seconds * inside / (ended - began)
    starts = [run.started_unix_ns for run, _ in runs]
    for show, each in zip(shows, watched, strict=True):
        within = slice(bisect_left(starts, show.start_unix_ns), bisect_left(starts, show.end_unix_ns))
        yield ShowSeen(
            start_unix_ns=show.start_unix_ns,
            end_unix_ns=show.end_unix_ns,
            watched_s=tuple(each[endpoint] for endpoint in endpoints),
            runs=tuple((side.rates.ip_bps, run.seconds) for run, side in runs[within]),
        )


def _counts(span: Span, ignoring: Collection[str]) -> bool:
    if isinstance(span, TrainSpan) and ignoring:
        return not set(evidence.why_not(span.reasons)).difference(ignoring)
    return span.standing is Standing.VALID


def _at_ip(side: RateSide) -> int:
    """A run's slowest second at the IP layer, where demand is counted too."""
    if not side.rates.goodput_bps:
        return 0
    return side.lowest_second_bps * side.rates.ip_bps // side.rates.goodput_bps


def _trains(spans: Sequence[Span], stalls: Iterable[Stall]) -> dict[str, tuple[Stall, ...]]:
    """Each endpoint's stalls that may have hit the way up, where a counted span saw them; oldest first."""
    watched = evidence.Watched(spans)
    found: dict[str, list[Stall]] = {endpoint: [] for endpoint in watched.endpoints}
    for stall in sorted(stalls, key=lambda one: (one.started_unix_ns, one.duration_us, one.how)):
        if stall in watched and stall.direction is not Direction.DOWN:
            found[stall.endpoint].append(stall)
    return {endpoint: tuple(train) for endpoint, train in found.items()}
