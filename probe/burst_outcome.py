"""What a row of bursts found, as one record, and when there are enough of them. Pure.

Bursts grow until one meets the limit; it is then repeated, and only what all of them say alike is said.
Imports store, the control messages, burst_shape and standing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median

from probe import burst_shape, standing
from probe.bulk.pacer import packet_bytes
from probe.burst_shape import Ports
from probe.paced_outcome import Ends
from probe.standing import RunFacts
from probe.wire import arrival_log
from probe.wire.paced_control import PacedRequest
from store.bursts import Burst, BurstRun, Fate, Limiter
from store.layers import ETHERNET_BYTES
from store.records import Carrier, Circumstances, Direction, Limit, Stamps
from store.site import USUAL, Evidence

FIRST_PACKETS, GROWTH = 16, 4  # each burst four times the one before
ALIKE = 3  # so many of one size have to say the same

_CONTROL_BPS = 300_000  # what opening bursts moves beside them, on the same interface
_TELLS = (Fate.DROPPED, Fate.HELD)


@dataclass(slots=True, kw_only=True)
class Bursts:
    """The bursts so far. `most_packets` is the largest that may be sent, `ip_bytes` of each packet."""

    ip_bytes: int
    most_packets: int
    seen: list[Burst] = field(default_factory=list)
    dropped_socket: int = 0

    def next_packets(self) -> int | None:
        """How large the next burst is to be; None once nothing more would be learnt."""
        if not self.seen:
            return min(FIRST_PACKETS, self.most_packets)
        last = self.seen[-1]
        if self.dropped_socket or len(self._last_size()) >= ALIKE:
            return None
        if last.fate in _TELLS or (last.sent >= self.most_packets and last.lost):
            return last.sent
        larger = min(last.sent * GROWTH, self.most_packets)
        return larger if larger > last.sent and len(self._last_size()) == 1 else None

    def judged(self) -> tuple[Limiter, str, tuple[Burst, ...]]:
        """What limits the line, why, and the bursts that say so."""
        last = self._last_size()
        telling = tuple(one for one in last if one.fate in _TELLS)
        size = f"{last[0].sent * self.ip_bytes} bytes"
        all_of_them = f"in {ALIKE} of {ALIKE} bursts of {size} the excess was"
        if self.dropped_socket:
            why = "the receiving host's own buffer was full, so that losses do not tell of the line"
            return Limiter.UNDECIDED, why, ()
        if all(one.fate is Fate.PASSED for one in last):
            return Limiter.NONE, f"no burst up to {size} lost a packet or was held back", ()
        if len({one.fate for one in last}) > 1 or len(last) < ALIKE:
            fates = ", ".join(str(one.fate) for one in last)
            return Limiter.UNDECIDED, f"the bursts of {size} do not say the same: {fates}", telling
        if telling and telling[0].fate is Fate.DROPPED:
            return Limiter.POLICER, f"{all_of_them} dropped, none of it held", telling
        if telling:
            most_ms = max(one.delay_us for one in telling) / 1000
            return Limiter.SHAPER, f"{all_of_them} held, up to {most_ms:.1f} ms", telling
        why = (
            f"bursts of {size} lost packets, but too few passed behind the first loss, or too fast, to tell "
            "a rate from that of the line; a larger burst or a faster port may"
        )
        return Limiter.UNDECIDED, why, ()

    def _last_size(self) -> list[Burst]:
        return [one for one in self.seen if one.sent == self.seen[-1].sent]


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What the record needs beside the bursts; `ends` and `circumstances` are those of each, in order."""

    request: PacedRequest
    started_unix_ns: int
    idle_s: float
    most_bytes: int
    ends: Sequence[Ends]
    broken: bool  # a burst that should have followed failed
    circumstances: Sequence[Circumstances]
    rules: Evidence = USUAL


def seen(request: PacedRequest, ends: Ends, around: Circumstances, rules: Evidence = USUAL) -> Burst | None:
    """One burst; None when its end told no packet of it."""
    log = arrival_log.unpack(ends.received.log or b"")
    if not log or request.burst_packets is None:
        return None
    if around.carrier is Carrier.LOOPBACK:
        ports_bps: tuple[int, ...] = ()
    elif around.port_rate_bps is not None:
        ports_bps = (around.port_rate_bps,)
    else:
        ports_bps = standing.PORT_CLASSES_BPS
    return burst_shape.look(
        log,
        sent=ends.sent.packets if ends.sent else request.burst_packets,
        ip_bytes=packet_bytes(request.payload_bytes, ends.received.ip_version),
        ports=Ports(rates_bps=ports_bps, band_ratio=rules.port_band_ratio),
    )


def record(bursts: Bursts, around: Around, *, names: Mapping[str, str]) -> BurstRun:
    """The record of one burst or more; `names` are its handoff and endpoint."""
    limiter, because, telling = bursts.judged()
    request, first = around.request, around.ends[0].received
    committed = [one.committed_bytes for one in telling if one.committed_bytes is not None]
    committed_bytes = round(median(committed)) if committed else None
    rate_bps = _median([one.rate_bps for one in telling])
    sent = sum(one.sent for one in bursts.seen)
    return BurstRun(
        handoff=names["handoff"],
        endpoint=names["endpoint"],
        started_unix_ns=around.started_unix_ns,
        reasons=_reasons(bursts, around, rate_bps),
        direction=Direction(request.direction),
        ip_version=first.ip_version,
        payload_bytes=request.payload_bytes,
        idle_s=around.idle_s,
        most_bytes=around.most_bytes,
        limiter=limiter,
        because=because,
        undisturbed_bytes=max(one.undisturbed_bytes for one in bursts.seen),
        committed_bytes=committed_bytes,
        committed_ethernet_bytes=None
        if committed_bytes is None
        else round(committed_bytes * (bursts.ip_bytes + ETHERNET_BYTES) / bursts.ip_bytes),
        bound_bytes=_bound(telling, committed),
        rate_bps=rate_bps,
        line_bps=_median([one.line_bps for one in telling or bursts.seen]),
        bursts=tuple(bursts.seen),
        dropped_socket=bursts.dropped_socket,
        timestamps=Stamps.KERNEL if first.kernel_stamps else Stamps.CLOCK,
        spent_bytes=sent * request.payload_bytes,
        circumstances=_known(bursts, around),
    )


def _known(bursts: Bursts, around: Around) -> Circumstances:
    """What was true at the last burst, with the other traffic beside those that lost nothing.

    A packet that is dropped behind the interface's counter, on this host, would look like somebody else's.
    """
    clean = [known for one, known in zip(bursts.seen, around.circumstances, strict=True) if not one.lost]
    return replace(
        around.circumstances[-1],
        other_up_bps=_median([known.other_up_bps for known in clean]),
        other_down_bps=_median([known.other_down_bps for known in clean]),
    )


def _bound(telling: Sequence[Burst], committed: Sequence[int]) -> int | None:
    """What one burst leaves open, and how far the bursts lie apart."""
    if not committed:
        return None
    middle = round(median(committed))
    apart = max(abs(one - middle) for one in committed)
    return apart + round(median([one.bound_bytes or 0 for one in telling]))


def _median(found: Sequence[int | None]) -> int | None:
    known = [one for one in found if one is not None]
    return round(median(known)) if known else None


def _reasons(bursts: Bursts, around: Around, rate_bps: int | None) -> tuple[str, ...]:
    known, up = _known(bursts, around), around.request.direction == Direction.UP
    receiver = Limit.ENDPOINT if up else Limit.PROBE
    other_bps = known.other_up_bps if up else known.other_down_bps
    facts = RunFacts(
        seconds=standing.SHORT_S + 1,  # how long it takes says nothing about a burst
        whole_seconds=1,
        around=known,
        rules=around.rules,
        limits=[receiver if bursts.dropped_socket else Limit.UNDECIDED],
        goodput_bps=[rate_bps or 0],
        other_bps=[max(0, other_bps - _CONTROL_BPS) if other_bps is not None and rate_bps else None],
        aborted=around.broken or not all(ends.whole for ends in around.ends),
        slept=any(ends.slept for ends in around.ends),
        clock_set=any(ends.clock_set for ends in around.ends),
    )
    return standing.reasons(facts)
