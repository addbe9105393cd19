"""When a paced sender may send: a rate that is never made up for beyond a bounded burst. Pure.

Packets leave in trains of `segments`, each at its moment. A sender that comes late sends what is overdue at
once, as far as that is no more than `slack_ns`; the rest is forgone, so that no stretch of time, however
short or long, holds more than the offered rate and one burst (the arrival curve of a token bucket,
RFC 2697 section 3, whose committed burst size is `burst_ns` at the rate).

The burst that is stated is the largest there was: since nobody sees when within a call the packets leave,
each train counts as sent at the end of its call where it begins a stretch, at its start where it ends one.
"""

from __future__ import annotations

from store.clock import NS_PER_S, NS_PER_US
from store.layers import IP_BYTES, UDP_BYTES

# How late a train may still go: 0.4 ms, which with two trains of 4 packets is half a millisecond at 1 Gb/s;
# at lower rates as much as 25 kB take, 2 ms at most, as a host that sleeps wakes up late now and then.
_SLACK_NS = 400 * NS_PER_US, 2_000 * NS_PER_US
_SLACK_BYTES = 25_000

# Up to so many packets a second, so many a call: a call costs some 5 us, and one core has to do (measured).
_SEGMENTS = ((17_000, 1), (42_000, 2), (210_000, 4), (420_000, 16))
_SEGMENTS_MOST = 44  # of 1472 octets: what one call takes


def segments_for(offered_bps: int, *, payload_bytes: int, ip_version: int, most: int) -> int:
    """How many packets one call sends at this rate, from 1 to `most`."""
    per_second = offered_bps / 8 / packet_bytes(payload_bytes, ip_version)
    wanted = next((count for below, count in _SEGMENTS if per_second <= below), _SEGMENTS_MOST)
    return max(1, min(wanted, most))


def slack_ns(offered_bps: int) -> int:
    """How late a train may be and still be sent."""
    least, most = _SLACK_NS
    return max(least, min(most, _SLACK_BYTES * 8 * NS_PER_S // offered_bps))


def packet_bytes(payload_bytes: int, ip_version: int) -> int:
    """A datagram at the IP layer."""
    return payload_bytes + UDP_BYTES + IP_BYTES[ip_version]


class Pacer:
    """The moments of one run. Times are nanoseconds of one monotonic clock."""

    def __init__(self, *, offered_bps: int, packet_bytes: int, segments: int, start_ns: int) -> None:
        self._packet_bytes = packet_bytes
        self._set(offered_bps, segments)
        self._start_ns = start_ns
        self._due_ns = 0.0  # from the start, as are the others
        self._taken_ns = 0
        self._level_ns = 0.0  # excess over the rate, at this moment:
        self._level_of_ns = 0
        self._burst_bytes = 0.0
        self._forgone = 0.0

    @property
    def burst_ns(self) -> int:
        """The largest excess over the rate in any stretch so far, as time at the rate."""
        return round(self._burst_bytes / self._bytes_per_ns)

    @property
    def burst_bytes(self) -> int:
        """The same in bytes, at the IP layer; where the rate changed, over the rate of each moment."""
        return round(self._burst_bytes)

    @property
    def forgone(self) -> int:
        """Packets that were due and left out, as their moment had passed too long ago."""
        return round(self._forgone)

    def wait_ns(self, now_ns: int) -> int:
        """How long to wait for the next train's moment; 0 or less when it has come."""
        return int(self._due_ns) - (now_ns - self._start_ns)

    def take(self, now_ns: int) -> None:
        """A train is about to be sent, its moment having come."""
        now = now_ns - self._start_ns
        late_ns = now - self._due_ns
        if late_ns > self._slack_ns:
            self._forgone += (late_ns - self._slack_ns) / self.train_ns * self._segments
            self._due_ns = float(now - self._slack_ns)
        self._due_ns += self.train_ns
        self._level_ns = self._level_at(now) + self.train_ns
        self._taken_ns = self._level_of_ns = now
        self._burst_bytes = max(self._burst_bytes, self._level_ns * self._bytes_per_ns)

    def sent(self, now_ns: int) -> None:
        """The call that sent it has returned."""
        took_ns = now_ns - self._start_ns - self._taken_ns
        self._level_ns = max(self._level_ns, self.train_ns + took_ns)

    def change(self, now_ns: int, *, offered_bps: int, segments: int) -> None:
        """Go on at another rate: the next train at its distance from the last one, no later than planned."""
        now = now_ns - self._start_ns
        level_bytes = self._level_at(now) * self._bytes_per_ns
        self._set(offered_bps, segments)
        self._level_ns, self._level_of_ns = level_bytes / self._bytes_per_ns, now
        self._due_ns = min(self._due_ns, self._taken_ns + self.train_ns)

    def resume(self, now_ns: int) -> None:
        """Go on from here; what was due meanwhile is not."""
        self._due_ns = max(self._due_ns, float(now_ns - self._start_ns))

    def _level_at(self, now: int) -> float:
        return max(0.0, self._level_ns - (now - self._level_of_ns))

    def _set(self, offered_bps: int, segments: int) -> None:
        self._bytes_per_ns = offered_bps / (8 * NS_PER_S)
        self._segments = segments
        self.train_ns = segments * self._packet_bytes / self._bytes_per_ns
        self._slack_ns = slack_ns(offered_bps)
