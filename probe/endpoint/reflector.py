"""The STAMP session-reflector: RFC 8762, authenticated and stateful, sessions told apart by SSID (RFC 8972).

`Reflector` is the logic: a datagram with its address and times goes in, a reply or nothing comes out; no
socket, no event loop. `ReflectorSockets` is the thin adapter to UDP. What is never answered: an unknown
SSID, a packet shorter than the base packet, one with a wrong HMAC, one longer than was granted, and an old
packet that comes from a new address. A reply is as long as its request, and goes only where a packet with
a valid HMAC came from: whoever replays old packets with somebody else's address reaches nobody.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import socket
import threading
from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

from probe.linux import own_address, segments, timestamps
from probe.wire import stamp_tlv
from probe.wire.control import TrainCounts
from probe.wire.stamp import (
    AUTHENTICATED_BYTES,
    KNOCK_SEQUENCE,
    ReflectorPacket,
    SenderPacket,
    decode_sender,
    encode_reflector,
    ntp_of,
    peek_ssid,
)
from probe.wire.stamp_tlv import FollowUp
from store.clock import NS_PER_S, Clock
from store.errors import BadPacket

KNOCKS = 3  # packets each time that a caller has the way down tried
REFWAIT_S = 900  # a session ends after this long without a packet; RFC 5357 section 4.2
_UNKNOWN_TTL = 255  # what stands in where the TTL cannot be read; RFC 5357 section 4.2
_SEQUENCES = 1 << 32
_REMEMBERED = 4096  # sequence numbers below the highest that are still told from repeats
_REMEMBERED_MASK = (1 << _REMEMBERED) - 1
_HEADROOM = 1.5  # over the granted rate, for a sender whose clock and timers are not ours
_BURST_S = 30  # held packets of a stall this long arrive at once and must not be lost here
_BURST_PACKETS = 100
_DATAGRAM_BYTES = 9216  # more than is ever granted, so a longer packet is seen to be too long
_SHORT_BYTES = 548  # never cut on any way in use: 576 bytes with headers, RFC 1122 section 3.3.2
_WAITING_MOST = 1024  # stamps come at once or never
_BUFFER_BYTES = 4 << 20  # 4000 packets/s and a pause of the event loop must not look like loss
_SO_SNDBUFFORCE, _SO_RCVBUFFORCE = 32, 33  # Linux, asm-generic/socket.h


class _Session:
    """One train as the reflector sees it. Mutable, because a packet may cost only microseconds."""

    __slots__ = (
        "address",
        "answer",
        "burst_ns",
        "caller",
        "distinct",
        "followed",
        "full_at_ns",
        "highest",
        "interval_ns",
        "key",
        "last_ns",
        "packet_bytes",
        "received",
        "reflected",
        "seen",
        "whole",
    )

    def __init__(
        self, *, caller: str, key: bytes, per_second: float, packet_bytes: int, now_ns: int, whole: bool
    ) -> None:
        self.whole = whole
        self.caller = caller
        self.key = key
        self.packet_bytes = packet_bytes
        self.interval_ns = round(NS_PER_S / (_HEADROOM * per_second))
        self.burst_ns = max(_BURST_PACKETS, math.ceil(_BURST_S * per_second)) * self.interval_ns
        self.full_at_ns = now_ns
        self.last_ns = now_ns
        self.address: timestamps.Address | None = None
        self.answer: Callable[[bytes], None] | None = None  # sends to where its last packet came from
        self.highest = -1
        self.seen = 0  # bit n set: the sequence number `highest - n` arrived
        self.received = self.distinct = self.reflected = 0
        self.followed: FollowUp | None = None  # the newest reply of which it is known when it truly left

    def note(self, sequence: int, address: timestamps.Address, *, now_ns: int) -> bool:
        """Count a packet whose HMAC is right. False, and nothing changes, for an old one from elsewhere."""
        ahead = (sequence - self.highest) % _SEQUENCES  # serial number arithmetic: 2**32 packets may pass
        if self.address is None or 0 < ahead < _SEQUENCES // 2:
            self.seen = (self.seen << ahead | 1) & _REMEMBERED_MASK if 0 < ahead < _REMEMBERED else 1
            self.highest = sequence
            self.address = address  # a new address with a new number: the caller's NAT has moved it
            self.distinct += 1
        elif address != self.address:
            return False
        else:
            behind = _SEQUENCES - ahead if ahead else 0
            if behind < _REMEMBERED and not self.seen >> behind & 1:
                self.seen |= 1 << behind
                self.distinct += 1
        self.received += 1
        self.last_ns = now_ns
        return True

    def within_rate(self, now_ns: int) -> bool:
        """Whether a reply keeps to the granted rate, with headroom and a burst (a leaky bucket)."""
        full_at_ns = max(self.full_at_ns, now_ns) + self.interval_ns
        if full_at_ns - now_ns > self.burst_ns:
            return False
        self.full_at_ns = full_at_ns
        return True

    def counts(self) -> TrainCounts:
        return TrainCounts(
            received=self.received,
            distinct=self.distinct,
            reflected=self.reflected,
            highest=self.highest,
            address=None if self.address is None else str(self.address[0]).removeprefix("::ffff:"),
        )


class Reply(NamedTuple):
    """A reply of an SSID's session. `wanted` asks when it leaves, `whole` that it is not cut on its way."""

    data: bytes
    ssid: int
    sequence: int
    wanted: bool
    whole: bool


class Reflector:
    """All sessions of an endpoint. `unix_ns` is asked once a reply, for the time it leaves (T3).

    May be asked from several threads: whatever touches a session holds the lock.
    `error_estimate` is the field of every reply; whoever watches this host's clock keeps it up to date.
    """

    def __init__(self, *, error_estimate: int, unix_ns: Callable[[], int]) -> None:
        self.error_estimate = error_estimate
        self._unix_ns = unix_ns
        self._sessions: dict[int, _Session] = {}
        self._lock = threading.Lock()

    def open(
        self,
        ssid: int,
        *,
        caller: str,
        key: bytes,
        per_second: float,
        packet_bytes: int,
        now_ns: int,
        whole: bool = False,
    ) -> None:
        """Answer from now on what comes with `ssid` and an HMAC by `key`."""
        session = _Session(
            caller=caller,
            key=key,
            per_second=per_second,
            packet_bytes=packet_bytes,
            now_ns=now_ns,
            whole=whole,
        )
        with self._lock:
            self._sessions[ssid] = session

    def counts(self, ssid: int) -> TrainCounts:
        """What arrived and was sent. KeyError for an SSID that is not open."""
        with self._lock:
            return self._sessions[ssid].counts()

    def close(self, ssid: int) -> TrainCounts:
        """End a session. KeyError for an SSID that is not open."""
        with self._lock:
            return self._sessions.pop(ssid).counts()

    def answer_by(self, ssid: int, answer: Callable[[bytes], None]) -> None:
        """Note what sends to where a session's packet just came from."""
        with self._lock:
            session = self._sessions.get(ssid)
            if session is not None:
                session.answer = answer

    def knock(self, ssid: int, *, now_ns: int) -> int:
        """Send `KNOCKS` packets to where a session's last packet came from, within its rate; how many left.

        They are no replies and are counted nowhere. KeyError for an SSID that is not open.
        """
        session, sent = self._sessions[ssid], 0
        while session.answer is not None and sent < KNOCKS and self._within_rate(session, now_ns):
            packet = ReflectorPacket(
                sequence=0,
                sent_ntp=ntp_of(self._unix_ns()),
                error_estimate=self.error_estimate,
                ssid=ssid,
                received_ntp=0,
                sender_sequence=KNOCK_SEQUENCE,
                sender_ntp=0,
                sender_error_estimate=self.error_estimate,
                sender_ttl=_UNKNOWN_TTL,
            )
            session.answer(encode_reflector(packet, key=session.key))
            sent += 1
        return sent

    def expired(self, *, now_ns: int) -> list[int]:
        """The SSIDs of sessions that were silent for `REFWAIT_S`."""
        with self._lock:
            sessions = tuple(self._sessions.items())
        return [ssid for ssid, found in sessions if now_ns - found.last_ns >= REFWAIT_S * NS_PER_S]

    def heard(self) -> list[tuple[str, int]]:
        """(caller, monotonic time of its last packet) of every session."""
        with self._lock:
            return [(found.caller, found.last_ns) for found in self._sessions.values()]

    def reflect(
        self,
        data: bytes,
        address: timestamps.Address,
        *,
        received_unix_ns: int,
        ttl: int | None,
        now_ns: int,
    ) -> Reply | None:
        """The reply to a datagram, None for silence. `now_ns` is monotonic and paces, nothing else."""
        with self._lock:
            return self._reflect(data, address, received_unix_ns, ttl, now_ns)

    def _reflect(
        self, data: bytes, address: timestamps.Address, received_unix_ns: int, ttl: int | None, now_ns: int
    ) -> Reply | None:
        try:
            session = self._sessions.get(peek_ssid(data))
            if session is None or len(data) > session.packet_bytes:
                return None
            packet = decode_sender(data, key=session.key)
        except BadPacket:
            return None
        if not session.note(packet.sequence, address, now_ns=now_ns) or not session.within_rate(now_ns):
            return None
        reply = self._reply(packet, session, received_unix_ns, _UNKNOWN_TTL if ttl is None else ttl)
        session.reflected += 1
        tail = data[AUTHENTICATED_BYTES:]
        wanted = stamp_tlv.asks(tail)
        if wanted:
            told, session.followed = session.followed, None
            tail = stamp_tlv.answering(
                tail, asked_in=packet.sequence, sequence=reply.sequence, key=session.key, told=told
            )
        data = encode_reflector(reply, key=session.key, tail=tail)
        return Reply(data, packet.ssid, reply.sequence, wanted, session.whole)

    def left(self, ssid: int, sequence: int, unix_ns: int) -> None:
        """Note when a reply whose stamp was wanted left by the kernel's account; the next one tells."""
        with self._lock:
            session = self._sessions.get(ssid)
            if session is not None:
                session.followed = FollowUp(sequence=sequence, sent_ntp=ntp_of(unix_ns))

    def _within_rate(self, session: _Session, now_ns: int) -> bool:
        with self._lock:
            return session.within_rate(now_ns)

    def _reply(
        self, packet: SenderPacket, session: _Session, received_unix_ns: int, ttl: int
    ) -> ReflectorPacket:
        return ReflectorPacket(
            sequence=session.reflected % _SEQUENCES,
            sent_ntp=ntp_of(self._unix_ns()),
            error_estimate=self.error_estimate,
            ssid=packet.ssid,
            received_ntp=ntp_of(received_unix_ns),
            sender_sequence=packet.sequence,
            sender_ntp=packet.sent_ntp,
            sender_error_estimate=packet.error_estimate,
            sender_ttl=ttl,
        )


class ReflectorSockets:
    """Brings datagrams to a `Reflector` and its replies back. Owns its sockets from `start` to `close`.

    Each socket has a thread that waits in the kernel for its next datagram, so that an answer waits neither
    for what else the event loop has to do nor for the loop itself.
    """

    def __init__(self, reflector: Reflector, sockets: Sequence[socket.socket], *, clock: Clock) -> None:
        self._reflector = reflector
        self._sockets = tuple(sockets)
        self._clock = clock
        self._threads: list[threading.Thread] = []
        self._closing = False
        self._broken: OSError | None = None

    def start(self, *, first: bool = False) -> None:
        """Answer from now on. The sockets are bound UDP sockets; with `first`, before ordinary work."""
        for sock in self._sockets:
            sock.setblocking(True)
            timestamps.prepare(sock, transmit=None)
            own_address.tell(sock)
            _widen(sock)
            thread = threading.Thread(target=self._answer_all, args=(sock, first), name="trains", daemon=True)
            thread.start()
            self._threads.append(thread)

    def check(self) -> None:
        """Raise the OSError that has ended the answering of a socket, if there was one."""
        if self._broken is not None:
            raise self._broken

    async def close(self) -> None:
        """Answer no more."""
        self._closing = True
        for sock in self._sockets:
            with contextlib.suppress(OSError):  # without a peer it complains, and ends the wait all the same
                sock.shutdown(socket.SHUT_RD)
        for thread in self._threads:
            await asyncio.to_thread(thread.join)
        for sock in self._sockets:
            sock.close()

    def _answer_all(self, sock: socket.socket, first: bool) -> None:
        if first:
            segments.come_first(busy=False)
        departing = _Departing()
        try:
            while not self._closing:
                found = timestamps.receive(sock, _DATAGRAM_BYTES, clock=self._clock)
                if found is not None and not self._closing:
                    self._answer(sock, found, departing)
        except OSError as error:
            self._broken = error

    def _answer(self, sock: socket.socket, found: timestamps.Received, departing: _Departing) -> None:
        reply = self._reflector.reflect(
            found.data,
            found.address,
            received_unix_ns=found.stamp_unix_ns,
            ttl=found.ttl,
            now_ns=self._clock.monotonic_ns(),
        )
        if reply is None:
            return
        whole = reply.whole and len(reply.data) > _SHORT_BYTES
        if whole:
            segments.never_cut(sock)
        self._send(sock, reply, found, departing)
        if whole:
            segments.never_cut(sock, cut=True)
        self._reflector.answer_by(reply.ssid, partial(self._knock, sock, found))

    def _knock(self, sock: socket.socket, found: timestamps.Received, data: bytes) -> None:
        with contextlib.suppress(OSError):  # a full queue or no route: lost on the way down
            control = own_address.leave_from(found.own_address)
            sock.sendmsg((data,), control, socket.MSG_DONTWAIT, found.address)

    def _send(
        self, sock: socket.socket, reply: Reply, found: timestamps.Received, departing: _Departing
    ) -> None:
        control = own_address.leave_from(found.own_address)
        if reply.wanted:
            control = (*control, timestamps.STAMP_THIS)
        try:
            sock.sendmsg((reply.data,), control, socket.MSG_DONTWAIT, found.address)
        except OSError:  # a full queue or no route: lost on the way down
            if reply.wanted:  # whether the kernel counted it is its secret: count anew
                timestamps.transmit_stamps(sock)
                timestamps.prepare(sock, transmit=None)
                departing.begin()
            return
        if reply.wanted:
            departing.note(reply.ssid, reply.sequence)
            # it is there at once, so what waits is as many as are still to come
            for counter, unix_ns in timestamps.transmit_stamps(sock, most=len(departing.waiting)):
                if (whose := departing.waiting.pop(counter, None)) is not None:
                    self._reflector.left(*whose, unix_ns)


class _Departing:
    """Replies whose stamps are to come, by the kernel's count of them."""

    __slots__ = ("count", "waiting")

    def __init__(self) -> None:
        self.begin()

    def begin(self) -> None:
        self.count = 0
        self.waiting: dict[int, tuple[int, int]] = {}

    def note(self, ssid: int, sequence: int) -> None:
        self.waiting[self.count] = ssid, sequence
        self.count = (self.count + 1) % _SEQUENCES
        if len(self.waiting) > _WAITING_MOST:  # a stamp may stay out for good
            del self.waiting[next(iter(self.waiting))]


def _widen(sock: socket.socket) -> None:
    """The largest buffers this process may have: by privilege, else as far as the host's limit goes."""
    for forced, option in ((_SO_SNDBUFFORCE, socket.SO_SNDBUF), (_SO_RCVBUFFORCE, socket.SO_RCVBUF)):
        try:
            sock.setsockopt(socket.SOL_SOCKET, forced, _BUFFER_BYTES)
        except PermissionError:
            sock.setsockopt(socket.SOL_SOCKET, option, _BUFFER_BYTES)
