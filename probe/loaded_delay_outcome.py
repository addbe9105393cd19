"""What loads did to the delay of the train beside them. Pure.

A packet's two ways hold an unknown constant each, the distance of the two clocks, which changes as they
drift apart; a round trip holds neither. The drift is the line through the quiet parts of the run: there both
ways are as short as they get, and half the difference of the two is the clocks' distance and the half of what
the ways differ by. PDV is one-way delay over the least of the whole train (RFC 5481 section 4.2, one stream),
so that a queue which stands for all of a load is in it. Imports store only.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean, linear_regression, median

from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US
from store.histogram import Histogram, delays_of
from store.loaded_delay import Added, PartDelay

DRIFT_MAX_PPM = 500  # no clock drifts faster (RFC 5905, MAXFREQ; from memory): beyond, it was set
BACK_PACKETS = 10  # in a row; fewer could be a gap in a queue that still drains. Common practice, no source
BACK_OVER_NS = NS_PER_MS  # the idle p95 and this is no queue any more. Common practice, no source

_QUIETEST = 4  # of the packets of a quiet part, one of so many tells the clocks' distance


@dataclass(frozen=True, slots=True, kw_only=True)
class Packet:
    """A packet of the train. The ways are None for a lost one, and `lost` then says where."""

    at_ns: int
    up_ns: int | None = None
    down_ns: int | None = None
    lost: str | None = None

    @property
    def rtt_ns(self) -> int | None:
        return None if self.up_ns is None or self.down_ns is None else self.up_ns + self.down_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """From `from_ns` up to, not including, `to_ns` of the probe's monotonic clock."""

    from_ns: int
    to_ns: int

    @property
    def seconds(self) -> float:
        return (self.to_ns - self.from_ns) / NS_PER_S

    def of(self, packets: Iterable[Packet]) -> list[Packet]:
        """Those that were sent in here."""
        return [each for each in packets if self.from_ns <= each.at_ns < self.to_ns]


def drift_ppm(packets: Sequence[Packet], quiet: Sequence[Window]) -> float | None:
    """How much faster the endpoint's clock runs, from the quiet parts; None with fewer than two of them."""
    points = [point for each in quiet if (point := _distance(each.of(packets))) is not None]
    if len(points) < 2:
        return None
    at, distance = zip(*points, strict=True)
    return linear_regression(at, distance).slope * 1e6


def levelled(packets: Sequence[Packet], ppm: float) -> list[Packet]:
    """The same packets with such a drift taken out of their ways."""
    if not packets:
        return []
    first_ns = packets[0].at_ns

    def level(each: Packet) -> Packet:
        if each.up_ns is None or each.down_ns is None:
            return each
        ahead_ns = round((each.at_ns - first_ns) * ppm / 1e6)
        return Packet(at_ns=each.at_ns, up_ns=each.up_ns - ahead_ns, down_ns=each.down_ns + ahead_ns)

    return [level(each) for each in packets]


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """The delays of the answered packets of a part, in microseconds; the ways over the least of the train."""

    rtt_us: tuple[int, ...]
    up_us: tuple[int, ...]
    down_us: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Delays:
    """A whole train, its drift taken out; with `stepped` no way can be told, as the clock was set."""

    packets: tuple[Packet, ...]
    drift_ppm: float | None
    stepped: bool

    @classmethod
    def of(cls, packets: Sequence[Packet], quiet: Sequence[Window]) -> Delays:
        """`quiet` are the parts without load and without a queue that a load left."""
        ppm = drift_ppm(packets, quiet)
        stepped = ppm is not None and abs(ppm) > DRIFT_MAX_PPM
        even = packets if ppm is None or stepped else levelled(packets, ppm)
        return cls(packets=tuple(even), drift_ppm=None if stepped else ppm, stepped=stepped)

    def samples(self, window: Window) -> Samples:
        """The delays of a part."""
        part = window.of(self.packets)

        def over_least(way: Callable[[Packet], int | None]) -> tuple[int, ...]:
            found = [delay_ns for each in part if (delay_ns := way(each)) is not None]
            least_ns = min(
                (delay_ns for each in self.packets if (delay_ns := way(each)) is not None), default=0
            )
            return () if self.stepped else tuple((each - least_ns) // NS_PER_US for each in found)

        return Samples(
            rtt_us=tuple(max(0, rtt // NS_PER_US) for each in part if (rtt := each.rtt_ns) is not None),
            up_us=over_least(lambda each: each.up_ns),
            down_us=over_least(lambda each: each.down_ns),
        )

    def part(self, window: Window) -> PartDelay:
        """A part as the record has it."""
        fates = Counter(each.lost for each in window.of(self.packets))
        found = self.samples(window)
        return PartDelay(
            seconds=round(window.seconds, 3),
            sent=fates.total(),
            lost_up=fates["up"],
            lost_down=fates["down"],
            lost_unattributed=fates["unattributed"],
            rtt_us=Histogram(found.rtt_us),
            pdv_up_us=None if self.stepped else Histogram(found.up_us),
            pdv_down_us=None if self.stepped else Histogram(found.down_us),
        )


def added(idle_us: Sequence[int], loaded_us: Sequence[int]) -> Added | None:
    """Loaded p50 and p95 less the idle ones; None where one of the two has no sample."""
    idle, loaded = delays_of(idle_us), delays_of(loaded_us)
    if idle is None or loaded is None:
        return None
    return Added(p50_us=loaded.p50 - idle.p50, p95_us=loaded.p95 - idle.p95)


def buffer_delay_ratio(baseline_us: float, seconds_us: Sequence[Sequence[float]]) -> float | None:
    """RFC 6349 section 4.3: how much longer than the baseline RTT the mean of each second's mean RTT was.

    Seconds without a sample are left out; None without any, and for a baseline of nothing.
    """
    means = [fmean(each) for each in seconds_us if each]
    if not means or not baseline_us:
        return None
    return round((fmean(means) - baseline_us) / baseline_us, 4)


def by_second(packets: Iterable[Packet], load: Window) -> list[list[float]]:
    """The RTTs of a load in microseconds, by the second of it in which their packets were sent."""
    seconds: list[list[float]] = [[] for _ in range(max(1, int(load.seconds)))]
    for each in load.of(packets):
        nth = (each.at_ns - load.from_ns) // NS_PER_S
        if (rtt_ns := each.rtt_ns) is not None and nth < len(seconds):
            seconds[nth].append(rtt_ns / NS_PER_US)
    return seconds


def back_ns(packets: Sequence[Packet], after: Window, *, idle_p95_us: int) -> int | None:
    """When the RTT was back: the moment of the first of `BACK_PACKETS` in a row that are; None if never."""
    usual_ns = idle_p95_us * NS_PER_US + BACK_OVER_NS
    row: list[int] = []
    for each in after.of(packets):
        if (rtt_ns := each.rtt_ns) is None or rtt_ns > usual_ns:
            row = []
            continue
        row.append(each.at_ns)
        if len(row) == BACK_PACKETS:
            return row[0]
    return None


def _distance(packets: Sequence[Packet]) -> tuple[float, float] | None:
    """When, and how far the endpoint's clock was ahead in nanoseconds, by the packets that waited least."""
    known = [
        (each.up_ns + each.down_ns, each.at_ns, (each.up_ns - each.down_ns) / 2)
        for each in packets
        if each.up_ns is not None and each.down_ns is not None
    ]
    if not known:
        return None
    quietest = sorted(known)[: max(1, len(known) // _QUIETEST)]
    return median(at for _, at, _ in quietest), median(ahead for _, _, ahead in quietest)
