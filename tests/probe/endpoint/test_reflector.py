"""The session-reflector against RFC 8762, RFC 8972 and RFC 4656, octet by octet.

Requests are built and replies read here with struct and hmac alone, from the layouts of RFC 8762 figures
3 and 6, so that the project's codec is on trial as well.
"""

from __future__ import annotations

import asyncio
import errno
import hmac
import itertools
import socket
import struct
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.endpoint.reflector import REFWAIT_S, Reflector, ReflectorSockets
from store.clock import Clock

S = 10**9
KEY = bytes(range(32))
SSID = 0x1234
HOME, AWAY = ("192.0.2.1", 4000), ("198.51.100.1", 4000)
T1, T2, T3 = (1_700_000_000_500_000_000 + offset_ns for offset_ns in (0, 10_000_000, 10_250_000))
ESTIMATE, OWN_ESTIMATE = 0x8F84, 0x0FFF


def ntp(unix_ns: int) -> int:
    """RFC 5905 section 6: seconds since 1900 and a 32-bit fraction, rounded to nearest."""
    seconds, rest_ns = divmod(unix_ns, S)
    return seconds + 2_208_988_800 << 32 | (rest_ns * 2**32 + S // 2) // S


def request(
    sequence: int = 0, *, key: bytes = KEY, ssid: int = SSID, size: int = 112, estimate: int = ESTIMATE
) -> bytes:
    """RFC 8762 figure 3 with the SSID of RFC 8972 figure 1, HMAC by section 4.4, octets to fill `size`."""
    covered = struct.pack(">I12xQHH68x", sequence, ntp(T1), estimate, ssid)
    tail = bytes(at % 251 for at in range(112, size))
    return covered + hmac.new(key, covered, "sha256").digest()[:16] + tail


class Far:
    """A reflector with one session, whose clock stands still at T3."""

    def __init__(self, *, per_second: float = 20, packet_bytes: int = 1472) -> None:
        self.reflector = Reflector(error_estimate=OWN_ESTIMATE, unix_ns=lambda: T3)
        self.reflector.open(
            SSID, caller="a", key=KEY, per_second=per_second, packet_bytes=packet_bytes, now_ns=0
        )

    def ask(
        self, data: bytes, address: tuple[str, int] = HOME, *, now_ns: int = 0, ttl: int | None = 64
    ) -> bytes | None:
        reply = self.reflector.reflect(data, address, received_unix_ns=T2, ttl=ttl, now_ns=now_ns)
        return None if reply is None else reply.data

    def numbers(self, sequences: Sequence[int]) -> list[tuple[int, int] | None]:
        """(sender's number, reflector's number) of the reply to each."""
        replies = [self.ask(request(sequence)) for sequence in sequences]
        return [
            None if reply is None else struct.unpack_from(">I44xI", reply)[::-1]  # octets 0 and 48
            for reply in replies
        ]

    @property
    def counts(self) -> tuple[int, int, int, int]:
        found = self.reflector.counts(SSID)
        return found.received, found.distinct, found.reflected, found.highest


def test_every_octet_of_a_reply() -> None:
    """RFC 8762 figure 6: fields at their offsets, zeros between, HMAC over octets 0 to 95."""
    far = Far()
    for sequence in range(3):
        far.ask(request(sequence))
    reply = far.ask(request(7, size=200))
    expected = bytearray(96)
    struct.pack_into(">I", expected, 0, 3)
    struct.pack_into(">QHH", expected, 16, ntp(T3), OWN_ESTIMATE, SSID)
    struct.pack_into(">Q", expected, 32, ntp(T2))
    struct.pack_into(">I", expected, 48, 7)
    struct.pack_into(">QH", expected, 64, ntp(T1), ESTIMATE)
    expected[80] = 64
    mac = hmac.new(KEY, expected, "sha256").digest()[:16]
    assert reply == bytes(expected) + mac + request(7, size=200)[112:]


@pytest.mark.parametrize("size", [112, 113, 128, 1472])
def test_a_reply_is_as_long_as_its_request(size: int) -> None:
    """RFC 8762 section 4.3: symmetric size, the octets past the base packet copied."""
    reply = Far().ask(request(size=size))
    assert reply is not None
    assert len(reply) == size
    assert reply[112:] == request(size=size)[112:]


@pytest.mark.parametrize("size", [0, 14, 44, 111])
def test_a_short_packet_gets_silence(size: int) -> None:
    """RFC 8762 section 4.6 would answer short packets with longer ones; our policy is not to amplify."""
    far = Far()
    assert far.ask(request()[:size]) is None
    assert far.counts == (0, 0, 0, -1)


def test_longer_than_granted_gets_silence() -> None:
    far = Far(packet_bytes=128)
    assert far.ask(request(size=129)) is None
    assert far.ask(request(size=128)) is not None


@pytest.mark.parametrize("at", range(112))
def test_any_flipped_octet_gets_silence(at: int) -> None:
    """RFC 8762 section 4.4: the HMAC (96 to 111) covers octets 0 to 95; without it nothing is used."""
    data = bytearray(request())
    data[at] ^= 0x80
    far = Far()
    far.reflector.open(SSID ^ 0x8000, caller="b", key=KEY[::-1], per_second=20, packet_bytes=128, now_ns=0)
    far.reflector.open(SSID ^ 0x0080, caller="b", key=KEY[::-1], per_second=20, packet_bytes=128, now_ns=0)
    assert far.ask(bytes(data)) is None
    assert far.counts == (0, 0, 0, -1)


def test_padding_is_not_covered() -> None:
    """RFC 8762 section 4.4: octets from 112 on do not enter the HMAC."""
    data = bytearray(request(size=128))
    data[120] ^= 0xFF
    reply = Far().ask(bytes(data))
    assert reply is not None
    assert reply[112:] == data[112:]


@pytest.mark.parametrize(
    "data",
    [
        request(ssid=SSID + 1),
        request(ssid=0),  # a sender without RFC 8972 belongs to no session here
        request(key=bytes(32)),
        request(estimate=0x8F00),  # multiplier 0 is corrupt and discarded, RFC 4656 section 4.1.2
    ],
)
def test_strangers_get_silence(data: bytes) -> None:
    far = Far()
    assert far.ask(data) is None
    assert far.counts == (0, 0, 0, -1)


def test_the_ttl_where_the_kernel_does_not_say() -> None:
    """RFC 5357 section 4.2: 255 stands for a TTL that cannot be read."""
    reply = Far().ask(request(), ttl=None)
    assert reply is not None
    assert reply[80] == 255


def test_a_stateful_reflector_tells_the_direction_of_loss() -> None:
    """RFC 8762 section 4, with 3 and 7 of ten lost on the way there, the replies to 2 and 6 on the way back.

    For neighbouring replies, numbers missing from the reflector's count were lost on the way back, the
    rest on the way there: two of each.
    """
    found = Far().numbers([0, 1, 2, 4, 5, 6, 8, 9])
    arrived = [pair for pair in found if pair is not None and pair[0] not in (2, 6)]
    assert arrived == [(0, 0), (1, 1), (4, 3), (5, 4), (8, 6), (9, 7)]
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in itertools.pairwise(arrived)]
    assert sum(sent - reflected for sent, reflected in steps) == 2
    assert sum(reflected - 1 for _, reflected in steps) == 2


def test_counts() -> None:
    """A repeat and a late packet are reflected as they come; only distinct numbers are counted as such."""
    far = Far()
    assert far.numbers([0, 1, 1, 4, 2, 4]) == [(0, 0), (1, 1), (1, 2), (4, 3), (2, 4), (4, 5)]
    assert far.counts == (6, 4, 6, 4)


def test_numbers_wrap() -> None:
    """After 2**32 packets the sequence starts over (RFC 1982), and the session goes on."""
    far = Far()
    top = 2**32 - 1
    assert far.numbers([top - 1, top, 0, 1]) == [(top - 1, 0), (top, 1), (0, 2), (1, 3)]
    assert far.counts == (4, 4, 4, 1)


@given(st.lists(st.integers(0, 300), max_size=60), st.integers(0, 2**32 - 1))
def test_distinct_numbers(steps: list[int], start: int) -> None:
    """In any order, within what is remembered, each number is counted once (against a set)."""
    far = Far(per_second=200)
    sequences = [(start + step) % 2**32 for step in steps]
    far.numbers(sequences)
    assert far.counts[:3] == (len(sequences), len(set(sequences)), len(sequences))


def test_replay_from_elsewhere_is_ignored() -> None:
    """A recorded packet sent again with somebody's address as its source reaches nobody."""
    far = Far()
    far.numbers([0, 1, 2])
    before = far.counts
    assert [far.ask(request(sequence), AWAY) for sequence in (0, 1, 2)] == [None, None, None]
    assert far.counts == before
    assert far.ask(request(3), HOME) is not None


def test_a_session_moves_with_its_sender() -> None:
    """A NAT gives the sender a new address: a new number proves it, and the old address is out."""
    far = Far()
    far.numbers([0, 1])
    assert far.ask(request(2), AWAY) is not None
    assert far.ask(request(1), HOME) is None
    assert far.ask(request(1), AWAY) is not None  # a repeat on the way from where it is now


def test_the_rate_is_capped() -> None:
    """At most 1.5 times what was granted, over a burst of 30 s for what a stall held back."""
    far = Far(per_second=20)
    at_once = sum(far.ask(request(sequence)) is not None for sequence in range(700))
    assert at_once == 600
    later = sum(far.ask(request(700 + n), now_ns=n * S // 100) is not None for n in range(1, 1001))
    assert later == 300  # 10 s at 30 a second, though 100 a second came
    assert far.counts == (1700, 1700, 900, 1700)


def test_a_steady_train_is_never_capped() -> None:
    """A sender 10 % too fast for ever still gets every reply."""
    far = Far(per_second=200)
    assert all(far.ask(request(n), now_ns=n * S // 220) is not None for n in range(20_000))


def test_sessions_expire() -> None:
    """RFC 5357 section 4.2: 900 s after the last packet, not before."""
    far = Far()
    far.ask(request(), now_ns=5 * S)
    assert far.reflector.expired(now_ns=(REFWAIT_S + 5) * S - 1) == []
    assert far.reflector.expired(now_ns=(REFWAIT_S + 5) * S) == [SSID]
    assert REFWAIT_S == 900


def test_a_closed_session_is_silent() -> None:
    far = Far()
    far.ask(request())
    assert far.reflector.close(SSID).reflected == 1
    assert far.ask(request(1)) is None
    with pytest.raises(KeyError):
        far.reflector.counts(SSID)


sealed = st.builds(
    lambda size, sequence, estimate: request(sequence, size=size, estimate=estimate),
    st.integers(112, 200),
    st.integers(0, 2**32 - 1),
    st.integers(0, 2**16 - 1),
)
near_misses = st.builds(
    lambda data, at, bit: data[: at // 8] + bytes([data[at // 8] ^ 1 << bit]) + data[at // 8 + 1 :],
    sealed,
    st.integers(0, 112 * 8 - 1),
    st.integers(0, 7),
)


@given(st.lists(st.tuples(st.binary(max_size=200) | sealed | near_misses, st.sampled_from([HOME, AWAY]))))
def test_any_bytes(datagrams: list[tuple[bytes, tuple[str, int]]]) -> None:
    """Any datagrams give a reply as long as the request, or silence; never anything else."""
    far = Far()
    for data, address in datagrams:
        reply = far.ask(data, address)
        assert reply is None or len(reply) == len(data)


# Over real sockets


class Sender:
    """A session-sender's socket on loopback: asks one at a time."""

    def __init__(self, family: int, address: tuple[str, int]) -> None:
        self._sock = socket.socket(family, socket.SOCK_DGRAM)
        self._sock.setblocking(False)
        self._sock.connect(address)

    async def ask(self, data: bytes) -> bytes:
        self._sock.send(data)
        async with asyncio.timeout(5):
            return await asyncio.get_running_loop().sock_recv(self._sock, 2048)

    def close(self) -> None:
        self._sock.close()


def far_sockets(reflector: Reflector, family: int, address: str) -> tuple[ReflectorSockets, int]:
    sock = socket.socket(family, socket.SOCK_DGRAM)
    sock.bind((address, 0))
    sockets = ReflectorSockets(reflector, [sock], clock=Clock())
    sockets.start()
    return sockets, sock.getsockname()[1]


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("family", "bound", "asked"),
    [
        (socket.AF_INET, "127.0.0.1", "127.0.0.1"),
        # another address than routes prefer: a connected sender hears only replies that come from it
        (socket.AF_INET, "0.0.0.0", "127.0.0.5"),
        (socket.AF_INET6, "::", "::1"),
    ],
)
async def test_over_udp(family: int, bound: str, asked: str) -> None:
    """The times are in order, the TTL is the sender's, and the reply comes from the address asked."""
    clock = Clock()
    reflector = Reflector(error_estimate=OWN_ESTIMATE, unix_ns=clock.unix_ns)
    reflector.open(SSID, caller="a", key=KEY, per_second=20, packet_bytes=1472, now_ns=clock.monotonic_ns())
    sockets, port = far_sockets(reflector, family, bound)
    sender = Sender(family, (asked, port))
    try:
        before_ns = clock.unix_ns()
        reply = await sender.ask(request(size=1472))
        after_ns = clock.unix_ns()
    finally:
        sender.close()
        await sockets.close()
    t3, t2 = struct.unpack_from(">16xQ8xQ", reply)
    assert ntp(before_ns) <= t2 <= t3 <= ntp(after_ns)
    assert reply[80] == 64  # Linux' default TTL and hop limit
    assert len(reply) == 1472


def asking(sequence: int) -> bytes:
    """A request that asks for follow-up telemetry: RFC 8972 sections 4.7 and 4.8."""
    follow_up = bytes.fromhex("80070010") + bytes(16)
    covered = struct.pack(">I", sequence) + follow_up
    return (
        request(sequence)
        + follow_up
        + bytes.fromhex("80080010")
        + hmac.new(KEY, covered, "sha256").digest()[:16]
    )


def told(reply: bytes) -> tuple[int, int]:
    """(reflector's number, NTP time) of the reply that this one tells of, zeros for none."""
    flags, kind, length, number, sent_ntp, method = struct.unpack_from(">BBHIQB", reply, 112)
    assert (flags, kind, length) == (0, 7, 16)
    assert method == (2 if sent_ntp else 0)
    return number, sent_ntp


def test_each_reply_tells_when_the_one_before_it_left() -> None:
    far = Far()
    first, _, third = (
        far.reflector.reflect(asking(n), HOME, received_unix_ns=T2, ttl=64, now_ns=0) for n in range(3)
    )
    assert first is not None
    assert first.wanted
    assert told(first.data) == (0, 0)
    far.reflector.left(SSID, first.sequence, T3 + 7_000)
    reply = far.ask(asking(3))
    assert reply is not None
    assert told(reply) == (0, ntp(T3 + 7_000))
    assert third is not None
    assert told(third.data) == (0, 0)
    silent = far.reflector.reflect(request(4), HOME, received_unix_ns=T2, ttl=64, now_ns=0)
    assert silent is not None
    assert not silent.wanted
    far.reflector.left(SSID ^ 1, 9, T3)  # a session that has ended meanwhile


@pytest.mark.asyncio
async def test_the_kernel_says_when_replies_left() -> None:
    """The stamp told lies between the reply's own time and the arrival of the reply."""
    clock = Clock()
    reflector = Reflector(error_estimate=OWN_ESTIMATE, unix_ns=clock.unix_ns)
    reflector.open(SSID, caller="a", key=KEY, per_second=20, packet_bytes=1472, now_ns=clock.monotonic_ns())
    sockets, port = far_sockets(reflector, socket.AF_INET, "127.0.0.1")
    sender = Sender(socket.AF_INET, ("127.0.0.1", port))
    try:
        replies, arrived = [], []
        for sequence in range(10):
            replies.append(await sender.ask(asking(sequence) if sequence != 4 else request(4)))
            arrived.append(ntp(clock.unix_ns()))
    finally:
        sender.close()
        await sockets.close()
    own = [struct.unpack_from(">16xQ", reply)[0] for reply in replies]
    for number, reply in enumerate(replies):
        if number not in (0, 4, 5):
            before, sent_ntp = told(reply)
            assert before == number - 1
            assert own[before] <= sent_ntp <= arrived[before]
    assert told(replies[5])[0] == 3  # number 4 had not asked


@pytest.mark.asyncio
async def test_silence_over_udp() -> None:
    """Strangers hear nothing; the next packet of a session is answered, and first."""
    clock = Clock()
    reflector = Reflector(error_estimate=OWN_ESTIMATE, unix_ns=clock.unix_ns)
    reflector.open(SSID, caller="a", key=KEY, per_second=20, packet_bytes=1472, now_ns=clock.monotonic_ns())
    sockets, port = far_sockets(reflector, socket.AF_INET, "127.0.0.1")
    sender = Sender(socket.AF_INET, ("127.0.0.1", port))
    try:
        for data in (b"", b"x", bytes(112), request(ssid=9), request(key=bytes(32)), request()[:111]):
            sender._sock.send(data)
        reply = await sender.ask(request(5))
    finally:
        sender.close()
        await sockets.close()
    assert struct.unpack_from(">I44xI", reply) == (0, 5)


@pytest.mark.asyncio
async def test_a_burst_is_drained() -> None:
    """More datagrams than one callback takes are all answered."""
    clock = Clock()
    reflector = Reflector(error_estimate=OWN_ESTIMATE, unix_ns=clock.unix_ns)
    reflector.open(SSID, caller="a", key=KEY, per_second=20, packet_bytes=1472, now_ns=clock.monotonic_ns())
    sockets, port = far_sockets(reflector, socket.AF_INET, "127.0.0.1")
    sender = Sender(socket.AF_INET, ("127.0.0.1", port))
    try:
        for sequence in range(149):
            sender._sock.send(request(sequence))
        replies = [await sender.ask(request(149))]
        while len(replies) < 150:
            async with asyncio.timeout(5):
                replies.append(await asyncio.get_running_loop().sock_recv(sender._sock, 2048))
    finally:
        sender.close()
        await sockets.close()
    assert [struct.unpack_from(">I", reply)[0] for reply in replies] == list(range(150))


def bound() -> tuple[Reflector, ReflectorSockets, tuple[str, int]]:
    """A reflector with the session SSID on a socket of 127.0.0.1, not yet answering."""
    clock = Clock()
    reflector = Reflector(error_estimate=OWN_ESTIMATE, unix_ns=clock.unix_ns)
    reflector.open(SSID, caller="a", key=KEY, per_second=20, packet_bytes=1472, now_ns=clock.monotonic_ns())
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.bind(("127.0.0.1", 0))
    return reflector, ReflectorSockets(reflector, [sock], clock=clock), sock.getsockname()


def test_an_answer_waits_for_no_event_loop() -> None:
    """There is none here: whatever control has to do, a train's packet is answered beside it."""
    reflector, sockets, where = bound()
    sockets.start()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.settimeout(5)
        sender.connect(where)
        for sequence in range(3):
            sender.send(request(sequence))
            assert struct.unpack_from(">I44xI", sender.recv(2048)) == (sequence, sequence)
    sockets.check()
    asyncio.run(sockets.close())
    assert reflector.counts(SSID).reflected == 3


def test_a_socket_that_breaks_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """An endpoint that can no longer answer ends, so that its service manager begins it anew."""

    def broken(*_: object, **__: object) -> None:
        raise OSError(errno.ENOBUFS, "made up")

    _, sockets, _ = bound()
    monkeypatch.setattr("probe.linux.timestamps.receive", broken)
    sockets.start()
    asyncio.run(sockets.close())
    with pytest.raises(OSError, match="made up"):
        sockets.check()
