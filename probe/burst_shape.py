"""What one burst says of the limit that it met, from the moments at which its packets arrived. Pure.

A limit of rate r and bucket B lets B + r t pass in the time t after a silence, whether it drops the excess or
holds it back (the token bucket of RFC 2697 section 3). Sent faster than r, the burst arrives at the line's
rate until the bucket is empty: that is the knee, and what had arrived there less r times its moment is B
(which is M x (1 - r / line rate)). Behind the knee a policer lets some packets pass and drops the others at
once; a shaper sends all of them on at r, and drops when its queue is full. So packets that arrive at r one
after the other *before* the first loss were held; where the first loss stands at the knee, nothing was.

All moments are the receiver's, so neither the sender's clock nor what its own queue does bears on B. That a
packet was sent faster than it arrived is read from differences of the sender's moments. Imports store
and the log.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

from probe.wire.arrival_log import Together
from store.bursts import Burst, Fate
from store.layers import ETHERNET_BYTES, WIRE_BYTES
from store.site import USUAL

SLOWED = 2.0  # so much slower than before, or than it was sent, is what a limit did
_HELD_LEAST = 12  # packets in a row at the rate before the first loss; a policer has one or two
_NEAR = 2.0  # packets from the line that the rate draws
_PASSED_LEAST = 4  # packets behind the first loss, for a rate
_PARTS, _PART_LEAST = 9, 4  # of what came before the knee, for its speed; packets of a part
_PARTS, _PART_LEAST = 9, 4  # of what came before the knee, for its speed; packets of a part


@dataclass(frozen=True, slots=True, kw_only=True)
class _Packet:
    number: int
    sent_us: int
    at_us: int  # since the first arrival
    count: int  # how many had arrived then, this one included


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """Packets that arrived by a moment: `bucket` + `per_us` x moment."""

    bucket: float
    per_us: float
    error: float  # twice the standard error of `bucket`

    def off(self, packet: _Packet) -> float:
        return packet.count - self.bucket - self.per_us * packet.at_us


@dataclass(frozen=True, slots=True, kw_only=True)
class Ports:
    """Rates of ports on the way, at layer 1, and how near one is taken for it."""

    rates_bps: tuple[int, ...] = ()
    band_ratio: float = USUAL.port_band_ratio


def look(log: Sequence[Together], *, sent: int, ip_bytes: int, ports: Ports = Ports()) -> Burst:
    """One burst of `sent` packets of `ip_bytes` each, of which one at least arrived.

    What arrives at the rate of one of `ports` was held by that port, which is no limit of the line.
    """
    packets = _each(log)
    missing = sorted(set(range(sent)) - {packet.number for packet in packets})
    before = [packet for packet in packets if not missing or packet.number < missing[0]]
    behind = [packet for packet in packets if missing and packet.number > missing[0]]
    found = _held(before, ip_bytes, ports) or (_dropped(before, behind) if missing else None)
    if found is None:
        found = _Found(fate=Fate.UNCLEAR if missing else Fate.PASSED, knee=len(before))
    knee = before[: found.knee]
    line = found.line
    return Burst(
        sent=sent,
        received=len(packets),
        lost=len(missing),
        fate=found.fate,
        undisturbed_bytes=len(knee) * ip_bytes,
        line_bps=_speed_bps(knee, ip_bytes),
        rate_bps=None if line is None else round(line.per_us * ip_bytes * 8_000_000),
        committed_bytes=None if line is None else max(0, round(line.bucket * ip_bytes)),
        bound_bytes=None if line is None else round(max(1.0, line.error) * ip_bytes),
        held=found.held,
        delay_us=max((packet.at_us - packet.sent_us for packet in packets), default=0)
        - min((packet.at_us - packet.sent_us for packet in packets), default=0),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """`knee` packets came undisturbed, `held` more at the rate before the first loss."""

    fate: Fate
    knee: int
    held: int = 0
    line: _Line | None = None


def _each(log: Sequence[Together]) -> list[_Packet]:
    """Every packet once, in the order of arrival. Of those that arrived together all had arrived then."""
    found: list[_Packet] = []
    seen: set[int] = set()
    origin_us = min((one.arrived_us for one in log), default=0)
    for one in log:
        fresh = [number for number in range(one.first, one.first + one.packets) if number not in seen]
        seen.update(fresh)
        found += (
            _Packet(number=number, sent_us=one.sent_us, at_us=one.arrived_us - origin_us, count=len(seen))
            for number in fresh
        )
    return found


def _held(before: Sequence[_Packet], ip_bytes: int, ports: Ports) -> _Found | None:
    """What a shaper shows: behind the knee, a row of packets at one rate, slower than they were sent."""
    if len(before) < _HELD_LEAST:
        return None
    tail = before[_bend(before) :]
    line = _fitted(tail)
    if line is None or line.per_us <= 0 or _is_port(line, ip_bytes, ports):
        return None
    off = sorted(abs(line.off(packet)) for packet in tail)
    first = tail[: max(_HELD_LEAST, len(tail) // 3)]  # a sender whose queue is full slows down later on
    took_us, sent_us = first[-1].at_us - first[0].at_us, first[-1].sent_us - first[0].sent_us
    if off[len(off) // 2] > _NEAR or took_us < SLOWED * sent_us:
        return None
    full, lapsed = _full_last(before, line.per_us)
    knee = next(at for at, packet in enumerate(before) if at >= full and line.off(packet) > -_NEAR)
    held = len(before) - knee
    line = replace(line, bucket=line.bucket + lapsed)
    return _Found(fate=Fate.HELD, knee=knee, held=held, line=line) if held >= _HELD_LEAST else None


def _bend(packets: Sequence[_Packet]) -> int:
    """Where the second of two straight lines begins that together lie closest to the packets.

    0 where one does as well. The second has `_HELD_LEAST` packets at least.
    """
    ahead, behind = _squares(packets), _squares(packets[::-1])[::-1]
    last = len(packets) - _HELD_LEAST
    return min(range(last + 1), key=lambda at: (ahead[at - 1] if at else 0.0) + behind[at])


def _squares(packets: Sequence[_Packet]) -> list[float]:
    """For each packet, the squared distances of all up to it from the straight line through them."""
    x = y = xx = xy = yy = 0
    found = []
    for size, packet in enumerate(packets, 1):
        x, y = x + packet.at_us, y + packet.count
        xx += packet.at_us**2
        xy += packet.at_us * packet.count
        yy += packet.count**2
        along, across, both = size * xx - x * x, size * yy - y * y, size * xy - x * y  # whole numbers
        found.append((across - both * both / along if along else across) / size)
    return found


def _dropped(before: Sequence[_Packet], behind: Sequence[_Packet]) -> _Found | None:
    """What a policer shows: the first loss at the knee, and some packets that pass behind it."""
    if len(behind) < _PASSED_LEAST or not before:
        return None
    line = _fitted(behind)
    fast = _per_us(before)
    if line is None or line.per_us <= 0 or fast is None or fast < SLOWED * line.per_us:
        return None
    knee = before[-1]
    # the bucket by what had arrived at the knee; its rate is known to one packet in those behind it
    used = line.per_us * knee.at_us
    bucket = _Line(bucket=knee.count - used, per_us=line.per_us, error=1 + used / len(behind))
    full, lapsed = _full_last(before, line.per_us)
    held = sum(bucket.off(packet) >= -_NEAR for packet in before[full:])
    if held >= _HELD_LEAST:
        return None
    bucket = replace(bucket, bucket=bucket.bucket + lapsed)
    return _Found(fate=Fate.DROPPED, knee=len(before), held=held, line=bucket)


def _full_last(before: Sequence[_Packet], per_us: float) -> tuple[int, float]:
    """Which packet was the last to find the bucket full, and what had lapsed by then, in packets.

    The first, and nothing, unless the sender was away for a while: a bucket takes up no more than it holds.
    """
    lapsed = [per_us * packet.at_us - at for at, packet in enumerate(before)]
    most = max(lapsed)
    return next(at for at, one in enumerate(lapsed) if one >= most - 1), most


def _fitted(packets: Sequence[_Packet]) -> _Line | None:
    """Least squares; None where all arrived at one moment."""
    size = len(packets)
    mean_us = sum(packet.at_us for packet in packets) / size
    mean = sum(packet.count for packet in packets) / size
    square = sum((packet.at_us - mean_us) ** 2 for packet in packets)
    if size < 3 or not square:
        return None
    slope = sum((packet.at_us - mean_us) * (packet.count - mean) for packet in packets) / square
    bucket = mean - slope * mean_us
    rest = sum((packet.count - bucket - slope * packet.at_us) ** 2 for packet in packets) / (size - 2)
    error = 2 * (rest * (1 / size + mean_us**2 / square)) ** 0.5
    return _Line(bucket=bucket, per_us=slope, error=error)


def _per_us(packets: Sequence[_Packet]) -> float | None:
    """Packets a microsecond, by the middle one of some parts of them, so that a sender which was away for a
    moment does not look slow. None for fewer than three packets, or at one moment."""
    if len(packets) < 3 or packets[-1].at_us <= packets[0].at_us:
        return None
    step = max(_PART_LEAST, -(-len(packets) // _PARTS))
    ends = [*range(0, len(packets) - step, step), len(packets) - 1]
    speeds = [
        (packets[last].count - packets[first].count) / max(1, packets[last].at_us - packets[first].at_us)
        for first, last in pairwise(ends)
    ]
    return float(median(speeds))


def _speed_bps(packets: Sequence[_Packet], ip_bytes: int) -> int | None:
    speed = _per_us(packets)
    return None if speed is None else round(speed * ip_bytes * 8_000_000)


def _is_port(line: _Line, ip_bytes: int, ports: Ports) -> bool:
    wire_bps = line.per_us * (ip_bytes + ETHERNET_BYTES + WIRE_BYTES) * 8_000_000
    return any(abs(wire_bps - top) <= ports.band_ratio * top for top in ports.rates_bps)
