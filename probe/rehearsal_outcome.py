"""What a rehearsal found: both ends' reports as one record. Pure.

The endpoint says which frames arrived and when, the probe which it made and could not send; what was sent and
did not arrive is lost. A host that made frames late, or whose receive buffer ran over, spoils it: what was
missed then is none of the line's doing. Imports store, the control messages and standing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from probe import standing
from probe.rate_outcome import Moved
from probe.standing import RunFacts
from probe.wire.rehearsal_control import Received, Sent, StreamReceived, StreamSent
from store import demand
from store.histogram import Histogram
from store.layers import IP_BYTES, TCP_BYTES, TCP_TIMESTAMPS_BYTES, UDP_BYTES
from store.records import Circumstances, Limit
from store.rehearsals import Rehearsal, Rehearsed, RehearsedSecond
from store.site import USUAL, Destination, Evidence, StreamPlan, Transport

BEHIND = 0.01  # of its frames: a host that made more of them late spoiled the rehearsal
OWN_DROPS = 0.0001  # of the packets, as `probe.paced_outcome.OWN_DROPS`
_SEGMENT_BYTES = 1448


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """A rehearsal as both ends told it; `whole` when it ran its time at both."""

    received: Received
    sent: Sent
    whole: bool
    slept: bool = False
    clock_set: bool = False


def record(
    plan: StreamPlan,
    ends: Ends,
    *,
    seconds: float,
    started_unix_ns: int,
    circumstances: Circumstances,
    names: Mapping[str, str],
    rules: Evidence = USUAL,
) -> Rehearsal:
    """The record; `names` are its handoff and endpoint."""
    each = tuple(
        _rehearsed(*told)
        for told in zip(plan.destinations, ends.sent.streams, ends.received.streams, strict=True)
    )
    demand_bps, _, _ = demand.together(plan.destinations)
    facts = RunFacts(
        seconds=seconds,
        around=circumstances,
        rules=rules,
        limits=[_limited_by(ends)],
        goodput_bps=[demand_bps],
        other_bps=[circumstances.other_up_bps],
        aborted=not ends.whole,
        whole_seconds=int(seconds),
        slept=ends.slept,
        clock_set=ends.clock_set,
    )
    return Rehearsal(
        handoff=names["handoff"],
        endpoint=names["endpoint"],
        started_unix_ns=started_unix_ns,
        reasons=tuple(code for code in standing.reasons(facts) if code != "short"),  # that is about TCP runs
        plan=plan.name,
        seconds=seconds,
        demand_bps=demand_bps,
        ip_version=max(one.ip_version for one in ends.sent.streams),
        dropped_s=round(max(one.dropped_s for one in each), 3),
        unseen_s=round(max(one.unseen_s for one in each), 3),
        destinations=each,
        spent_bytes=sum(one.sent_bytes for one in ends.sent.streams),
        circumstances=circumstances,
    )


def own_traffic(plan: StreamPlan, sent: Sent) -> Moved:
    """What the rehearsal itself moved on the probe's interface at the IP layer; TCP in full segments."""
    pairs = zip(plan.destinations, sent.streams, strict=True)
    return Moved(up_bytes=sum(_ip_bytes(one.transport, told) for one, told in pairs), down_bytes=0)


def _ip_bytes(transport: Transport, sent: StreamSent) -> int:
    ip_bytes = IP_BYTES[sent.ip_version]
    if transport is Transport.TCP:
        headers_bytes = ip_bytes + TCP_BYTES + TCP_TIMESTAMPS_BYTES
        return sent.sent_bytes * (_SEGMENT_BYTES + headers_bytes) // _SEGMENT_BYTES
    return sent.sent_bytes + sent.packets * (ip_bytes + UDP_BYTES)


def _limited_by(ends: Ends) -> Limit:
    """Whose host spoiled it, as far as one did."""
    if any(one.behind > BEHIND * one.frames for one in ends.sent.streams):
        return Limit.PROBE
    dropped = any(one.dropped_socket > OWN_DROPS * one.packets for one in ends.received.streams)
    return Limit.ENDPOINT if dropped else Limit.UNDECIDED


def _rehearsed(asked: Destination, sent: StreamSent, received: StreamReceived) -> Rehearsed:
    return Rehearsed(
        name=asked.name,
        transport=str(asked.transport),
        video_bps=asked.video_bps,
        audio_bps=asked.audio_bps,
        frames_per_second=asked.frames_per_second,
        keyframe_ms=round(asked.keyframe_s * 1000),
        buffer_ms=round(asked.buffer_s * 1000),
        frames=sent.frames,
        sent=sent.sent,
        dropped=sent.dropped,
        waited=sent.waited,
        lost=max(0, sent.sent - received.frames),
        late=received.late,
        unseen=max(0, sent.frames - received.shown),
        buffer_high_ms=sent.high_ms,
        buffer_high_bytes=sent.high_bytes,
        packets=sent.packets,
        repeats=sent.repeats,
        repeats_refused=sent.refused,
        paused_ms=sent.paused_ms,
        delay_us=Histogram.unpack(received.delay).delays() if received.delay else None,
        seconds=_seconds(sent, received),
    )


def _seconds(sent: StreamSent, received: StreamReceived) -> tuple[RehearsedSecond, ...]:
    """Those in which something was amiss. A list that one end lacks counts as nothing arrived, or nothing
    known."""

    def entry(values: tuple[int, ...], at: int) -> int:
        return values[at] if at < len(values) else 0

    found = []
    for at, count in enumerate(sent.sent_each):
        dropped, waited = sent.dropped_each[at], sent.waited_each[at]
        second = RehearsedSecond(
            at_s=at,
            dropped=dropped,
            waited=waited,
            lost=max(0, count - entry(received.arrived_each, at)),
            late=entry(received.late_each, at),
            unseen=max(0, count + dropped + waited - entry(received.shown_each, at)),
            worst_ms=entry(received.worst_ms_each, at),
            buffer_ms=sent.high_ms_each[at],
        )
        if second.dropped or second.waited or second.lost or second.late or second.unseen:
            found.append(second)
    return tuple(found)
