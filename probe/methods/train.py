"""Trains: small numbered STAMP packets on a fixed schedule, and what became of them.

`run` makes one train of some seconds; `keep` one without end, for the daemon. Both rest on `TrainSession`:
one socket, one timer, one reader callback and no task of its own. A packet's slot is absolute: a late one
is sent late and the next is not moved. The first has a random offset (RFC 3432 section 3). Slots that fell
due within the last second are caught up; what a pause longer than that missed is not sent at all.

RTT is (T4 - T1) - (T3 - T2): T1 and T4 are kernel stamps of this host where it gives them, T2 comes with
the reply, and T3 with the one after it (RFC 8972 section 4.7). Until then, and from an endpoint that does not
tell, T3 is what the reply says itself, some 20 us early. All of this host's stamps are brought to its
monotonic clock, so that a clock which is set in the middle of a train moves labels only. A train does not go
on over a sleep of the host: what was under way then is neither here nor lost, `run` ends and says ``slept``,
and `keep` begins anew.

A packet that this host's own kernel refuses (no route, a firewall of the host) never was on the line: it
is neither sent nor lost, and its number goes to the next. A span in which that happened says
``late_schedule``; `run` fails if no packet could leave, `keep` when none could for 5 s.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from probe import circumstances, standing
from probe.answering import OUTAGE_NS, RESTARTED, Answering
from probe.circumstances import Look, Traffic
from probe.clock_judge import STEP_NS
from probe.control import NO_WAY, Control
from probe.linux import clock_state, timestamps
from probe.rate_outcome import Moved
from probe.reach import Reach
from probe.train_outcome import STALL_NS, Outcome, Silence, Tally, unwrapped
from probe.train_samples import Sampled, Sampler, sample_of
from probe.wire import control as wire
from probe.wire import stamp_tlv
from probe.wire.stamp import (
    AUTHENTICATED_BYTES,
    KNOCK_SEQUENCE,
    SenderPacket,
    decode_reflector,
    encode_sender,
    error_estimate,
    ntp_of,
    unix_ns_of,
)
from probe.wire.stamp_tlv import FOLLOWED_BYTES
from store.clock import NS_PER_S, NS_PER_US, Clock
from store.errors import BadPacket
from store.layers import IP_BYTES, UDP_BYTES
from store.records import Circumstances, Failed, Gap, Owner, Stall, Stamps, TrainSpan
from store.samples import Sample
from store.site import TrainPlan
from store.unfinished import DOUBT_S, SoFar

WHAT = "run train"

PACKET_BYTES = AUTHENTICATED_BYTES + FOLLOWED_BYTES  # the least that asks for follow-up telemetry
ASK_AFTER_S = 5.0  # without a reply, the endpoint is asked whether it knows the train
ASK_EVERY_S = 10.0
REFWAIT_S = 900.0  # a reflector may forget a silent session after this; RFC 5357 section 4.2
WAITING_S = 3.0, 10.0  # least and most that `keep` waits for replies: a sixth of its span within these

_CATCH_UP_NS = NS_PER_S
_PAIR_NS = 20_000  # a reading that took longer does not tell the clocks' distance well enough
_NOTICEABLE_NS = 100_000  # below, a change of the clocks' distance is how we read it
_STAMPS_NS = NS_PER_S  # a stamp from before the clock was set is not read later than this
_BUFFER_BYTES = 1 << 20  # a stall's held replies arrive at once; the host's limit may make it less
_DATAGRAM_BYTES = 2048
_DRAINED = 64  # replies taken in one go, before the event loop may do something else
_BEAT_S = 1.0
_END_S = 5.0  # what ending may take
_LAST_REPLIES_S, _LAST_S = 0.4, 1.0  # on cancellation: waiting for replies, then ending
_CLOCK_SHARE_MAX = 0.01  # more delays than this on the program's clock, and a span is not `kernel`
_ERROR_UNKNOWN_NS = NS_PER_S
_OUTAGE_PACKETS = 3  # due in an outage at least, so that one lost packet is none

OnPacket = Callable[[Sample], None]
Deliver = Callable[[TrainSpan | Stall | Gap | SoFar | Answering | Sampled], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainRequest:
    """A train of `seconds`. `packet_bytes` is the UDP payload, at least 112; a reply may take `waiting_s`."""

    seconds: float
    per_second: float
    packet_bytes: int
    waiting_s: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainRun:
    """What `run` found: its one span, the stalls in it, every packet in the order sent."""

    span: TrainSpan
    stalls: tuple[Stall, ...]
    packets: tuple[Sample, ...]


class _WallClock:
    """How far Unix time is ahead of monotonic time; that changes when the clock is set or the host sleeps.

    `stepped_ns` is by how much it was set in all, since somebody took it back to 0; `slept_at_ns` is
    monotonic time when the host was found to have slept.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        now = clock.look()
        self.ahead_ns = now.unix_ns - now.monotonic_ns
        self.stepped_ns = 0
        self.slept_at_ns: int | None = None
        self._slept_ns = now.boot_ns - now.monotonic_ns  # since the host started
        self._before: tuple[int, int] | None = None  # until when, and how far it was ahead then

    def read(self) -> int:
        """Monotonic time now; looks at the same time whether the clock was set, or the host slept."""
        now = self._clock.look()
        ahead_ns = now.unix_ns - now.monotonic_ns
        slept_ns = now.boot_ns - now.monotonic_ns - self._slept_ns
        step_ns = ahead_ns - self.ahead_ns - slept_ns
        if max(abs(step_ns), slept_ns) > _NOTICEABLE_NS and now.width_ns < _PAIR_NS:
            self._before = now.monotonic_ns, self.ahead_ns
            self.ahead_ns = ahead_ns
            self.stepped_ns += abs(step_ns)
            self._slept_ns += slept_ns
            if slept_ns >= STEP_NS and self.slept_at_ns is None:
                self.slept_at_ns = now.monotonic_ns
        return now.monotonic_ns

    def unix_of(self, monotonic_ns: int) -> int:
        """What the clock on the wall showed at a moment of this train."""
        if self._before is not None and monotonic_ns < self._before[0]:
            return monotonic_ns + self._before[1]
        return monotonic_ns + self.ahead_ns

    def monotonic_of(self, stamp_unix_ns: int, *, now_ns: int) -> int:
        """When a stamp was made that is read at `now_ns`; the clock may have been set in between.

        Of the two moments that such a stamp can mean, the later one that has passed.
        """
        found_ns = stamp_unix_ns - self.ahead_ns
        if self._before is None or now_ns - self._before[0] > _STAMPS_NS:
            return found_ns
        other_ns = stamp_unix_ns - self._before[1]
        passed = [at_ns for at_ns in (found_ns, other_ns) if at_ns <= now_ns + _NOTICEABLE_NS]
        return max(passed, default=found_ns)


class TrainSession:
    """A session with an endpoint's reflector: `open`, `start`, `end`, and `close` in any case.

    `tally` collects what becomes of the packets and may outlive the session. `lateness_ns` grows by one
    entry a packet, how long after its slot it left; whoever reads it clears it. `refused` says why this
    host's kernel refused the last packet, None when the last one left.
    """

    def __init__(
        self,
        control: Control,
        where: Reach,
        clock: Clock,
        *,
        tally: Tally,
        per_second: float,
        packet_bytes: int,
    ) -> None:
        self._control = control
        self._where = where
        self._clock = clock
        self._tally = tally
        self._per_second = per_second
        self.packet_bytes = packet_bytes
        self._grant = wire.TrainGrant(ssid=0, key=b"", port=0)
        self._sock: socket.socket | None = None
        self._address: Any = None
        self._timer: asyncio.TimerHandle | None = None
        self._counted_from = 0  # index of the packet that the kernel's transmit stamp 0 belongs to
        self._start_ns = self._slot = 0
        self._slots: int | None = None
        self._estimate = _own_error_estimate()
        self.on_reply: Callable[[int], None] | None = None  # told the index of each packet's first reply
        self.wall = _WallClock(clock)
        self.answered = 0  # packets with a reply
        self.sent = 0
        self.heard_ns = 0  # when the last reply came, at first when sending began
        self.since_ns = 0  # since when replies come without a break as long as an outage; 0 before the first
        self.knocked_ns: list[int] = []  # when packets came that the endpoint sent of its own accord
        self.lateness_ns: list[int] = []
        self.refused: OSError | None = None
        self.refused_since_ns = 0
        self.disturbed = False  # slots were refused or missed since somebody took this back
        self.slept = asyncio.Event()  # the host slept, and nothing is sent or taken any more
        self.finished = asyncio.Event()  # the last packet has left
        self.complete = asyncio.Event()  # and every packet has its reply

    async def open(self) -> Failed | None:
        """Ask the endpoint for a session and make the socket ready; why not, when it fails."""
        request = wire.TrainRequest(per_second=self._per_second, packet_bytes=self.packet_bytes)
        grant = await self._control.open_train(request)
        if isinstance(grant, Failed):
            return self._failed(grant.why, grant.whose)
        self._grant = grant
        return await self.rebind()

    async def rebind(self) -> Failed | None:
        """A new socket for the same session, the endpoint's name looked up anew; why not, when it fails.

        A reflector follows the packets to a new address, since each proves that it is the caller's.
        """
        source, host = self._where.binding.source, self._where.invitation.host
        family = socket.AF_UNSPEC if source is None else socket.AF_INET6 if ":" in source else socket.AF_INET
        try:
            found = await asyncio.get_running_loop().getaddrinfo(
                host, self._grant.port, family=family, type=socket.SOCK_DGRAM
            )
        except OSError:
            return self._failed(f"the name {host} does not resolve", Owner.UNKNOWN)
        sock = socket.socket(found[0][0], socket.SOCK_DGRAM)
        sock.setblocking(False)
        try:
            self._where.binding.apply(sock)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_BYTES)
            timestamps.prepare(sock, transmit=True)
        except OSError as error:
            sock.close()
            return self._failed(f"this host cannot send by this handoff ({error.strerror})", Owner.HOUSE)
        self._drop_socket()
        self._sock, self._address = sock, found[0][4]
        self._counted_from = self._tally.after
        asyncio.get_running_loop().add_reader(sock, self._read)
        return None

    def start(self, *, packets: int | None = None) -> None:
        """Send from now on, `packets` or without end."""
        offset_ns = random.randrange(max(1, round(NS_PER_S / self._per_second)))  # noqa: S311 - a phase
        self._start_ns = self.wall.read() + offset_ns
        self._slots = packets
        self.heard_ns = self._start_ns
        self._wait_for_slot(self._start_ns - offset_ns)

    def look(self) -> int:
        """Monotonic time now; if the host slept since the last look, the train has ended."""
        now_ns = self.wall.read()
        if self.wall.slept_at_ns is not None and not self.slept.is_set():
            self.slept.set()
            self.stop()
        return now_ns

    @property
    def address(self) -> str | None:
        """The reflector's, None before the session is open."""
        return None if self._address is None else str(self._address[0])

    @property
    def ssid(self) -> int:
        """What the endpoint calls the session; 0 before it is open."""
        return self._grant.ssid

    @property
    def egress_address(self) -> str | None:
        """This host's, as the endpoint saw it; None when it does not say."""
        return self._grant.your_address

    @property
    def instance(self) -> str | None:
        """What tells this life of the endpoint from the next, None when it does not say."""
        return self._grant.instance

    def stop(self) -> None:
        """Send no more; replies are still taken."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self.finished.set()
        if self.answered >= self.sent:
            self.complete.set()

    async def counts(self) -> wire.TrainCounts | Failed:
        """What the reflector saw so far."""
        return await self._control.train_counts(self._grant.ssid)

    async def end(self) -> wire.TrainCounts | None:
        """End the session at the endpoint: what its reflector saw, or None when it cannot say."""
        found = await self._control.close_train(self._grant.ssid)
        return None if isinstance(found, Failed) else found

    def close(self) -> None:
        """Send and take no more."""
        self.stop()
        self._drop_socket()

    def _drop_socket(self) -> None:
        if self._sock is not None:
            asyncio.get_running_loop().remove_reader(self._sock)
            self._sock.close()
            self._sock = None

    def _due_ns(self, slot: int) -> int:
        return self._start_ns + round(slot * NS_PER_S / self._per_second)

    def _wait_for_slot(self, now_ns: int) -> None:
        if self._slots is not None and self._slot >= self._slots:
            self.stop()
            return
        loop = asyncio.get_running_loop()
        wait_s = (self._due_ns(self._slot) - now_ns) / NS_PER_S
        self._timer = loop.call_at(loop.time() + wait_s, self._tick)

    def _tick(self) -> None:
        now_ns = self.look()
        if self.slept.is_set():
            return
        while (due_ns := self._due_ns(self._slot)) <= now_ns and self._slot != self._slots:
            if now_ns - due_ns > _CATCH_UP_NS:
                self.disturbed = True
            else:
                self._send(due_ns)
            self._slot += 1
        self._wait_for_slot(now_ns)

    def _send(self, due_ns: int) -> None:
        tally, sock = self._tally, self._sock
        now_ns = self.wall.read()
        packet = SenderPacket(
            sequence=tally.next_sequence,
            sent_ntp=ntp_of(now_ns + self.wall.ahead_ns),
            error_estimate=self._estimate,
            ssid=self._grant.ssid,
        )
        key, size = self._grant.key, self.packet_bytes
        tail = stamp_tlv.asking(packet.sequence, key=key, size=size - AUTHENTICATED_BYTES)
        data = encode_sender(packet, key=key, size=size, tail=tail)
        try:
            if sock is None:
                raise OSError("no socket")
            sock.sendto(data, self._address)
        except OSError as error:
            self._refuse(error, now_ns)
            return
        tally.sent(now_ns)
        self.sent += 1
        self.lateness_ns.append(now_ns - due_ns)
        self.refused = None
        self._take_transmit_stamps(sock, now_ns)

    def _refuse(self, error: OSError, now_ns: int) -> None:
        if self.refused is None:
            self.refused_since_ns = now_ns
        self.refused = error
        self.disturbed = True
        if self._sock is not None:  # whether the kernel counted a refused packet is its secret: count anew
            timestamps.transmit_stamps(self._sock)
            timestamps.prepare(self._sock, transmit=True)
            self._counted_from = self._tally.after

    def _take_transmit_stamps(self, sock: socket.socket, now_ns: int) -> None:
        for counter, stamp_unix_ns in timestamps.transmit_stamps(sock):
            at_ns = self.wall.monotonic_of(stamp_unix_ns, now_ns=now_ns)
            # the kernel's counter has 32 bits
            number = unwrapped(counter, near=self._tally.after - self._counted_from)
            self._tally.restamp(self._counted_from + number, at_ns)

    def _read(self) -> None:
        sock = self._sock
        if sock is None:
            return
        now_ns = self.look()
        self._take_transmit_stamps(sock, now_ns)
        for _ in range(_DRAINED):
            found = timestamps.receive(sock, _DATAGRAM_BYTES, clock=self._clock)
            if found is None:
                return
            if not self.slept.is_set():  # what the host slept over is of no use
                with contextlib.suppress(BadPacket):
                    self._take(found, now_ns=self._clock.monotonic_ns())

    def _take(self, found: timestamps.Received, *, now_ns: int) -> None:
        packet = decode_reflector(found.data, key=self._grant.key)
        if packet.ssid != self._grant.ssid:
            return
        if packet.sender_sequence == KNOCK_SEQUENCE:
            self.knocked_ns.append(now_ns)
            return
        near_ns = found.stamp_unix_ns
        index = self._tally.reply(
            packet.sender_sequence,
            reflector=packet.sequence,
            received_ns=unix_ns_of(packet.received_ntp, near_unix_ns=near_ns),
            replied_ns=unix_ns_of(packet.sent_ntp, near_unix_ns=near_ns),
            arrived_ns=self.wall.monotonic_of(near_ns, now_ns=now_ns),
            from_clock=found.stamp_source is Stamps.CLOCK,
        )
        if index is None:
            return
        told = stamp_tlv.followed(
            found.data[AUTHENTICATED_BYTES:], sequence=packet.sequence, key=self._grant.key
        )
        if told is not None:
            self._tally.follow_up(told.sequence, unix_ns_of(told.sent_ntp, near_unix_ns=near_ns), near=index)
        now_ns = self._clock.monotonic_ns()
        if not self.answered or now_ns - self.heard_ns > OUTAGE_NS:
            self.since_ns = now_ns
        self.answered += 1
        self.heard_ns = now_ns
        if self.finished.is_set() and self.answered >= self.sent:
            self.complete.set()
        if self.on_reply is not None:
            self.on_reply(index)

    def _failed(self, why: str, whose: Owner) -> Failed:
        return self._where.failed(WHAT, why, whose, started_unix_ns=self._clock.unix_ns())


async def run(
    plan: TrainRequest, where: Reach, clock: Clock, *, on_packet: OnPacket | None = None
) -> TrainRun | Failed:
    """One train. It ends when every reply has come, at the latest `waiting_s` after the last packet.

    `on_packet` is told of every first reply as it comes, before losses and holds are known. An endpoint
    that goes away in between is no failure: what was lost since then stays unattributed.
    """
    spacing_ns = round(NS_PER_S / plan.per_second)
    tally = Tally(spacing_ns=spacing_ns, waiting_ns=round(plan.waiting_s * NS_PER_S))
    async with Control(where, clock=clock) as control:
        session = TrainSession(
            control,
            where,
            clock,
            tally=tally,
            per_second=plan.per_second,
            packet_bytes=plan.packet_bytes,
        )
        if on_packet is not None:
            session.on_reply = lambda index: on_packet(sample_of(tally, index, session.wall.unix_of))
        try:
            failed = await session.open()
            if failed is not None:
                return failed
            watch = _Watch(where, clock)
            await watch.look(session)
            session.start(packets=max(1, round(plan.seconds * plan.per_second)))
            started_unix_ns = clock.unix_ns()
            await session.finished.wait()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(plan.waiting_s):
                    await session.complete.wait()
            known = await watch.look(session, light=True)
            counts = await _ended(session, _END_S)
        except asyncio.CancelledError:
            await _ended(session, _LAST_S)
            raise
        finally:
            session.close()
    if not session.sent:
        why, whose = _refusal(session.refused)
        return where.failed(WHAT, why, whose, started_unix_ns=started_unix_ns)
    return _run_of(plan, where, session, tally, counts, known=known, now_ns=clock.monotonic_ns())


def _run_of(
    plan: TrainRequest,
    where: Reach,
    session: TrainSession,
    tally: Tally,
    counts: wire.TrainCounts | None,
    *,
    known: Circumstances | None,
    now_ns: int,
) -> TrainRun:
    silences = tally.finish(counts, after=tally.after, now_ns=now_ns)
    wall = session.wall
    reasons = schedule_reasons(
        session.lateness_ns,
        disturbed=session.disturbed,
        spacing_ns=round(NS_PER_S / plan.per_second),
    )
    if wall.stepped_ns > STEP_NS:
        reasons.append("clock_step")
    if session.slept.is_set():
        reasons.append("slept")
    span = _span(
        where,
        tally.outcome(0, tally.after),
        started_unix_ns=wall.unix_of(tally.sent_at(0)),
        seconds=plan.seconds,
        per_second=plan.per_second,
        packet_bytes=plan.packet_bytes,
        waiting_s=plan.waiting_s,
        blips=sum(silence.duration_ns < STALL_NS for silence in silences),
        reasons=tuple(reasons),
        known=known,
    )
    return TrainRun(
        span=span,
        stalls=tuple(_stall(where, found, wall) for found in silences if found.duration_ns >= STALL_NS),
        packets=tuple(sample_of(tally, index, wall.unix_of) for index in range(tally.after)),
    )


async def keep(plan: TrainPlan, where: Reach, clock: Clock, deliver: Deliver) -> Failed:
    """A train without end. Delivers a span's record once it is final, every stall once it is over, and once a
    second whether replies come.

    Spans begin at multiples of `span_s` of Unix time; one is final `waiting_s` after its end, or, as long as
    nobody can tell line and endpoint apart, up to `DOUBT_S` later. Only a
    session that cannot be opened, and a host that refuses every packet, end the train. Without replies it
    goes on sending and asks the endpoint from time to time: its counts say where packets went, and when it
    does not know the train any more, a new session is opened. Cancelled, it delivers the span begun. When
    the host has slept, the span ends where the sleep began, and all begins anew.
    """
    woke_unix_ns: int | None = None
    while True:
        async with Control(where, clock=clock) as control:
            keeper = _Keeper(plan, where, clock, control=control, deliver=deliver)
            failed = await keeper.keep(woke_unix_ns)
        if failed is not None:
            return failed
        woke_unix_ns = keeper.woke_unix_ns


class _Keeper:
    """A train without end: sessions, the spans cut from their packets, silences on the way."""

    def __init__(
        self, plan: TrainPlan, where: Reach, clock: Clock, *, control: Control, deliver: Deliver
    ) -> None:
        least_s, most_s = WAITING_S
        self._plan, self._where, self._clock = plan, where, clock
        self._control, self._deliver = control, deliver
        self._waiting_s = max(least_s, min(most_s, plan.span_s / 6))
        self._spacing_ns = round(NS_PER_S / plan.per_second)
        self._tally = Tally(spacing_ns=self._spacing_ns, waiting_ns=round(self._waiting_s * NS_PER_S))
        self._session = self._new_session()
        self._open = _OpenSpan(first=0, started_ns=0, started_unix_ns=0)
        self._closed: list[_OpenSpan] = []  # past their end, but replies may still come
        self._sampler = Sampler(self._tally, waiting_ns=round(self._waiting_s * NS_PER_S))
        self._blips: list[int] = []  # when silences too short for a record began
        self._watch = _Watch(where, clock)
        self._next_ask_ns = 0
        # how the last question to the endpoint failed, if it did, and when the last reply had come then
        self._asked: tuple[Failed | None, int] = (None, 0)
        self.woke_unix_ns: int | None = None  # when the host was found to have slept

    async def keep(self, woke_unix_ns: int | None) -> Failed | None:
        """Go on until the train fails, and why it does; None when the host has slept.

        With the time when the host woke, what passes until the train goes is put on record.
        """
        failed = await self._session.open()
        if failed is not None:
            return failed
        await self._watch.look(self._session)
        self._begin()
        if woke_unix_ns is not None:
            why = "the host had slept, and the train was opened anew"
            self._deliver_gap(woke_unix_ns, self._open.started_unix_ns, why)
        try:
            while failed is None:
                await self._beat_due()
                if self._session.slept.is_set():
                    break
                self._beat()
                await self._look_around()
                failed = await self._look_after()
        finally:
            await self._end()
        return failed

    async def _beat_due(self) -> None:
        """Wait for the next beat, or until the host is found to have slept."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_BEAT_S):
                await self._session.slept.wait()
        self._session.look()

    def _new_session(self) -> TrainSession:
        return TrainSession(
            self._control,
            self._where,
            self._clock,
            tally=self._tally,
            per_second=self._plan.per_second,
            packet_bytes=PACKET_BYTES,
        )

    def _begin(self) -> None:
        self._session.start()
        now_ns = self._session.wall.read()
        self._open = _OpenSpan(
            first=self._tally.after, started_ns=now_ns, started_unix_ns=now_ns + self._session.wall.ahead_ns
        )

    # Once a second

    def _beat(self) -> None:
        """Tell what is over, and cut and finish spans."""
        now_ns = self._session.look()
        self._note_trouble()
        self._tell_answering()
        for silence in self._tally.settle(now_ns):
            self._tell(silence)
        self._cut(now_ns)
        self._sample(now_ns)
        while self._closed and now_ns >= self._closed[0].ended_ns + self._waiting_s * NS_PER_S:
            if self._in_doubt(self._closed[0], now_ns):
                break
            self._finish_span(self._closed.pop(0))
        self._tell_so_far(now_ns)

    async def _look_around(self) -> None:
        """Tell the spans that were closed since the last look what else was true."""
        new = [span for span in self._closed if not span.looked]
        if new:
            known = await self._looked()
            for span in new:
                span.looked, span.known = True, known

    async def _looked(self) -> Circumstances | None:
        """What was true since the last look, as a minute's record has it."""
        known = await self._watch.look(self._session)
        return None if known is None else circumstances.rounded(known)

    def _note_trouble(self) -> None:
        """Move what the session noticed about itself to the span that is open."""
        session, span = self._session, self._open
        span.lateness_ns += session.lateness_ns
        session.lateness_ns.clear()
        span.disturbed |= session.disturbed
        session.disturbed = False
        span.stepped_ns += session.wall.stepped_ns
        session.wall.stepped_ns = 0

    def _cut(self, now_ns: int) -> None:
        """Close the open span where its time is over, and open the next there."""
        span_ns = self._plan.span_s * NS_PER_S
        unix_ns = self._session.wall.unix_of(now_ns)
        began_ns = unix_ns // span_ns * span_ns  # of the span that now lies in
        if self._open.started_unix_ns >= began_ns:
            if self._open.started_unix_ns < unix_ns + span_ns:
                return
            began_ns = unix_ns  # the clock was set back by more than a span
        ended_ns = max(now_ns - (unix_ns - began_ns), self._open.started_ns)
        first = self._tally.first_since(ended_ns)
        self._open.ended_ns, self._open.after = ended_ns, first
        self._closed.append(self._open)
        self._open = _OpenSpan(first=first, started_ns=ended_ns, started_unix_ns=began_ns)

    def _finish_span(self, span: _OpenSpan) -> None:
        outcome = self._tally.outcome(span.first, span.after)
        self._tally.forget(min(span.after, self._sampler.done))
        if outcome.sent:
            self._deliver(self._span_of(span, outcome, ended_ns=span.ended_ns))
        self._blips = [began_ns for began_ns in self._blips if began_ns >= span.ended_ns]

    def _span_of(self, span: _OpenSpan, outcome: Outcome, *, ended_ns: int) -> TrainSpan:
        return _span(
            self._where,
            outcome,
            started_unix_ns=span.started_unix_ns,
            seconds=round((ended_ns - span.started_ns) / NS_PER_S, 3),
            per_second=self._plan.per_second,
            packet_bytes=PACKET_BYTES,
            waiting_s=self._waiting_s,
            blips=sum(span.started_ns <= began_ns < ended_ns for began_ns in self._blips),
            reasons=span.reasons(self._spacing_ns),
            known=span.known,
        )

    def _tell_answering(self) -> None:
        if self._plan.per_second * OUTAGE_NS < _OUTAGE_PACKETS * NS_PER_S:
            return  # so few packets that a silence of an outage's length is nothing unusual
        session, where = self._session, self._where
        since_ns, heard_ns = (session.since_ns, session.heard_ns) if session.answered else (None, None)
        asked, asked_ns = self._asked
        failed = asked if asked_ns == session.heard_ns else None
        self._deliver(
            Answering(
                handoff=where.handoff,
                endpoint=where.endpoint,
                since_ns=since_ns,
                heard_ns=heard_ns,
                why="" if failed is None else failed.why,
                whose=Owner.UNKNOWN if failed is None else failed.whose,
            )
        )

    def _tell_so_far(self, now_ns: int) -> None:
        """Deliver what there is of spans that are not final, in case this process does not come to that."""
        tally, young_ns = self._tally, now_ns - round(self._waiting_s * NS_PER_S)
        known = [
            (span, tally.certain(span.first, span.after or tally.after, since_ns=young_ns))
            for span in (*self._closed, self._open)
        ]
        known = [(span, after) for span, after in known if after > span.first]
        outcomes = tally.so_far([(span.first, after) for span, after in known])
        for (span, after), outcome in zip(known, outcomes, strict=True):
            whole = span.ended_ns and after == span.after
            ended_ns = span.ended_ns if whole else tally.sent_at(after - 1) + self._spacing_ns
            self._deliver(SoFar(self._span_of(span, outcome, ended_ns=ended_ns)))

    def _tell(self, silence: Silence) -> None:
        if silence.duration_ns < STALL_NS:
            self._blips.append(silence.started_ns)
        else:
            self._deliver(_stall(self._where, silence, self._session.wall))
            self._sampler.stall(silence)

    def _sample(self, now_ns: int, *, last: int | None = None) -> None:
        """Deliver the packets one by one, as far as it is known which were near a stall."""
        for sampled in self._sampler.take(now_ns, unix_of=self._session.wall.unix_of, last=last):
            self._deliver(sampled)

    # When nothing comes back

    async def _look_after(self) -> Failed | None:
        """Ask the endpoint when it has been silent for long; why the train cannot go on, when it cannot."""
        session, now_ns = self._session, self._session.wall.read()
        if session.refused is not None and now_ns - session.refused_since_ns >= ASK_AFTER_S * NS_PER_S:
            why, whose = _refusal(session.refused)
            return self._where.failed(WHAT, why, whose, started_unix_ns=self._clock.unix_ns())
        heard_ns = session.heard_ns
        if now_ns - heard_ns < ASK_AFTER_S * NS_PER_S or now_ns < self._next_ask_ns:
            return None
        self._next_ask_ns = now_ns + round(ASK_EVERY_S * NS_PER_S)
        found = await session.counts()
        if session.heard_ns != heard_ns:
            return None
        self._asked = (found if isinstance(found, Failed) else None, heard_ns)
        if isinstance(found, wire.TrainCounts):
            self._tally.place(found, now_ns=now_ns)
            await session.rebind()  # it lives and hears nothing: its address may have changed, or ours
        elif self._control.refusal is not None and self._control.refusal.code == "unknown":
            return await self._renew()
        elif found.whose is Owner.ENDPOINT:
            self._mark_away(heard_ns)
        return None

    async def _renew(self) -> Failed | None:
        """Open a new session for one that the endpoint does not know any more."""
        old, new = self._session, self._new_session()
        old.stop()
        failed = await new.open()
        if failed is not None:
            new.close()
            return failed
        old.close()
        self._note_trouble()
        now_ns = new.wall.read()
        restarted = now_ns - old.heard_ns < REFWAIT_S * NS_PER_S
        if old.instance is not None and new.instance is not None:
            restarted = old.instance != new.instance
        self._tally.begin_session(restarted=restarted)
        if restarted:
            self._excuse(old.heard_ns, now_ns)
        self._session = new
        new.start()
        return None

    def _in_doubt(self, span: _OpenSpan, now_ns: int) -> bool:
        """Whether it may still show that the endpoint was away in this span, and not the line: nothing came
        since, and the endpoint did not say that it was there. After `DOUBT_S` of that nobody waits."""
        session, (failed, asked_ns) = self._session, self._asked
        silent = session.heard_ns < span.ended_ns and not span.away
        answered = failed is None and asked_ns == session.heard_ns
        return silent and not answered and now_ns - session.heard_ns < DOUBT_S * NS_PER_S

    def _mark_away(self, heard_ns: int) -> None:
        for span in (*self._closed, self._open):
            span.away |= span.ended_ns == 0 or span.ended_ns > heard_ns

    def _excuse(self, heard_ns: int, now_ns: int) -> None:
        """Put on record that the endpoint was away, so that its silence is not held against the line."""
        self._mark_away(heard_ns)
        unix_of = self._session.wall.unix_of
        self._deliver_gap(unix_of(heard_ns), unix_of(now_ns), RESTARTED)

    def _deliver_gap(self, started_unix_ns: int, ended_unix_ns: int, why: str) -> None:
        self._deliver(
            Gap(
                started_unix_ns=started_unix_ns,
                ended_unix_ns=ended_unix_ns,
                why=why,
                handoff=self._where.handoff,
                endpoint=self._where.endpoint,
            )
        )

    # The end

    async def _end(self) -> None:
        """Take the replies that are under way, end the session and deliver what there is."""
        session, counts, known = self._session, None, None
        session.stop()
        if session.slept.is_set():
            return await self._end_asleep()
        try:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LAST_REPLIES_S):
                    await session.complete.wait()
            counts = await _ended(session, _LAST_S)
            known = await self._looked()
        finally:
            session.close()
            self._finish(counts, known=known, now_ns=session.wall.read())

    async def _end_asleep(self) -> None:
        """Deliver what there was before the host slept, and let the endpoint forget the session."""
        session = self._session
        self.woke_unix_ns = self._clock.unix_ns()
        session.close()
        self._finish(None, known=None, now_ns=(session.wall.slept_at_ns or 0) - 1)
        await _ended(session, _LAST_S)

    def _finish(self, counts: wire.TrainCounts | None, *, known: Circumstances | None, now_ns: int) -> None:
        tally = self._tally
        self._note_trouble()
        self._cut(now_ns)
        after, young_ns = tally.after, now_ns - self._waiting_s * NS_PER_S
        while after > self._open.first and tally.sent_at(after - 1) > young_ns:
            if not tally.unanswered(after - 1, after):
                break
            after -= 1  # its reply may still be under way, so it is neither here nor lost
        for silence in tally.finish(counts, after=after, now_ns=now_ns):
            self._tell(silence)
        self._open.ended_ns, self._open.after = now_ns, after
        self._sample(now_ns, last=after)
        for span in (*self._closed, self._open):
            span.known = span.known or known
            self._finish_span(span)


@dataclass(slots=True, kw_only=True)
class _OpenSpan:
    """A span of `keep` that is not delivered yet. `ended_ns` and `after` are 0 while it is open."""

    first: int
    started_ns: int
    started_unix_ns: int
    ended_ns: int = 0
    after: int = 0
    lateness_ns: list[int] = field(default_factory=list)
    disturbed: bool = False
    away: bool = False  # the endpoint was, for a part of it at least
    stepped_ns: int = 0
    looked: bool = False
    known: Circumstances | None = None  # what else was true, once it has been looked at

    def reasons(self, spacing_ns: int) -> tuple[str, ...]:
        """Why it may not speak about the line."""
        found = schedule_reasons(self.lateness_ns, disturbed=self.disturbed, spacing_ns=spacing_ns)
        if self.away:
            found.append("endpoint_restarted")
        if self.stepped_ns > STEP_NS:
            found.append("clock_step")
        return tuple(found)


class _Watch:
    """Looks at a train's way out and its host, and tells of each what came since the look before."""

    def __init__(self, where: Reach, clock: Clock) -> None:
        self._where, self._clock = where, clock
        self._before: tuple[int, Look, int, int] | None = None  # when, what, packets sent and answered

    async def look(self, session: TrainSession, *, light: bool = False) -> Circumstances | None:
        """What was true since the last look; None for the first."""
        address = session.address
        if address is None:
            return None
        around = await circumstances.surroundings(self._where, address, light=light)
        now = await circumstances.look(around.way)
        at_ns, sent, answered = self._clock.monotonic_ns(), session.sent, session.answered
        before, self._before = self._before, (at_ns, now, sent, answered)
        if before is None:
            return None
        packet_bytes = session.packet_bytes + UDP_BYTES + IP_BYTES[6 if ":" in address else 4]
        own = Moved(
            up_bytes=max(0, sent - before[2]) * packet_bytes,
            down_bytes=max(0, answered - before[3]) * packet_bytes,
        )
        return circumstances.found(
            session.egress_address,
            where=self._where,
            around=around,
            traffic=Traffic(before=before[1], after=now, own=own, elapsed_ns=at_ns - before[0]),
        )


async def _ended(session: TrainSession, within_s: float) -> wire.TrainCounts | None:
    """End the session at the endpoint if that takes no longer than this; what its reflector saw."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(within_s):
            return await session.end()
    return None


def _refusal(error: OSError | None) -> tuple[str, Owner]:
    """Why no packet left, and who must act."""
    said = "it was never on time" if error is None else error.strerror or str(error)
    whose = Owner.UNKNOWN if error is not None and error.errno in NO_WAY else Owner.HOUSE
    return f"this host's kernel refused every packet ({said})", whose


def schedule_reasons(lateness_ns: list[int], *, disturbed: bool, spacing_ns: int) -> list[str]:
    """The codes of `REASONS` that a train's sending brings; its lateness is that of each packet."""
    late = bool(lateness_ns) and median(lateness_ns) > spacing_ns
    return ["late_schedule"] if late or disturbed else []


def _span(
    where: Reach,
    outcome: Outcome,
    *,
    started_unix_ns: int,
    seconds: float,
    per_second: float,
    packet_bytes: int,
    waiting_s: float,
    blips: int,
    reasons: tuple[str, ...],
    known: Circumstances | None,
) -> TrainSpan:
    by_clock = outcome.from_clock > _CLOCK_SHARE_MAX * outcome.received
    # nothing comes after the last reply to tell of it
    told = outcome.replied_by_clock <= max(1, _CLOCK_SHARE_MAX * outcome.received) and outcome.received > 1
    if outcome.clock_step and "clock_step" not in reasons:
        reasons += ("clock_step",)
    if known is not None:
        reasons += standing.by_way(known, where.evidence)
    return TrainSpan(
        handoff=where.handoff,
        endpoint=where.endpoint,
        started_unix_ns=started_unix_ns,
        seconds=seconds,
        per_second=per_second,
        packet_bytes=packet_bytes,
        waiting_s=waiting_s,
        sent=outcome.sent,
        received=outcome.received,
        lost_up=outcome.lost_up,
        lost_down=outcome.lost_down,
        lost_unattributed=outcome.lost_unattributed,
        held_up=outcome.held_up,
        held_down=outcome.held_down,
        duplicated_up=outcome.duplicated_up,
        duplicated_down=outcome.duplicated_down,
        reordered_up=outcome.reordered_up,
        reordered_down=outcome.reordered_down,
        blips=blips,
        rtt=outcome.rtt,
        pdv_up=outcome.pdv_up,
        pdv_down=outcome.pdv_down,
        jitter_up_us=outcome.jitter_up_us,
        jitter_down_us=outcome.jitter_down_us,
        timestamps=Stamps.CLOCK if by_clock else Stamps.KERNEL,
        reflector_timestamps=Stamps.KERNEL if told else Stamps.CLOCK,
        reasons=reasons,
        circumstances=known,
    )


def _stall(where: Reach, silence: Silence, wall: _WallClock) -> Stall:
    how = "lost" if not silence.held else "mixed" if silence.lost else "held"
    return Stall(
        handoff=where.handoff,
        endpoint=where.endpoint,
        started_unix_ns=wall.unix_of(silence.started_ns),
        duration_us=silence.duration_ns // NS_PER_US,
        direction=silence.direction,
        how=how,
        lost=silence.lost,
        held=silence.held,
    )


def _own_error_estimate() -> int:
    state = clock_state.read()
    error_ns = _ERROR_UNKNOWN_NS if state.error_us is None else state.error_us * NS_PER_US
    return error_estimate(state.synchronised is True, error_ns)
