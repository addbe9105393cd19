"""Rehearsed datagrams whose receiver says nothing, or says what it must not: over sockets on loopback."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator

import pytest

from probe.bulk.flows import PAUSE_NS, Spending
from probe.bulk.stream_source import DatagramSource, Stream
from probe.wire import arq, paced
from store.clock import NS_PER_S, Clock

KEY = bytes(range(32))
CLOCK = Clock()


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    """The sender's socket and the receiver's, connected to each other."""
    near, far = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(2))
    for sock in (near, far):
        sock.bind(("127.0.0.1", 0))
    near.connect(far.getsockname())
    far.connect(near.getsockname())
    far.setblocking(False)
    yield near, far
    near.close()
    far.close()


def source(sock: socket.socket, *, transport: str, seconds: float, halt: threading.Event) -> DatagramSource:
    stream = Stream(
        transport=transport,
        key=KEY,
        video_bps=1_000_000,
        audio_bps=0,
        frames_per_second=50.0,
        group=50,
        window_s=1.0,
        repeat_bps=250_000,
    )
    return DatagramSource(
        sock=sock,
        stream=stream,
        seconds=seconds,
        halt=halt,
        spending=Spending(None),
        clock=CLOCK,
        start_ns=CLOCK.monotonic_ns(),
    )


def arrived(sock: socket.socket) -> list[bytes]:
    found = []
    while True:
        try:
            found.append(sock.recv(2048))
        except BlockingIOError:
            return found


@pytest.mark.parametrize("transport", ["arq", "rtp"])
def test_nothing_is_sent_while_the_receiver_is_not_heard(
    ends: tuple[socket.socket, socket.socket], transport: str
) -> None:
    """From a second and a half of silence on, until a sign of life that is sealed and newer than the last."""
    near, far = ends
    halt = threading.Event()
    one = source(near, transport=transport, seconds=30, halt=halt)
    running = threading.Thread(target=one.run)
    running.start()
    try:
        while not one.paused_ns:
            time.sleep(0.01)
        assert one.report().frames >= PAUSE_NS * 50 // NS_PER_S
        assert arrived(far)
        far.send(paced.alive(bytes(32), 7))  # sealed with another key
        far.send(arq.ask(bytes(32), [0]))
        time.sleep(0.1)
        assert arrived(far) == []
        far.send(paced.alive(KEY, 7))
        while not arrived(far):
            time.sleep(0.01)
    finally:
        halt.set()
        running.join(timeout=2)
    assert not running.is_alive()
    assert one.why == "halted"
    assert one.report().paused_ms >= 100


def test_a_part_is_repeated_when_it_is_asked_for(ends: tuple[socket.socket, socket.socket]) -> None:
    """As it was, marked as a repeat; one that is asked for again at once is not sent twice."""
    near, far = ends
    one = source(near, transport="arq", seconds=1, halt=threading.Event())
    running = threading.Thread(target=one.run)
    running.start()
    first: list[bytes] = []
    while not first:
        first = arrived(far)
    far.send(arq.ask(KEY, [0]))
    far.send(arq.ask(KEY, [0]))
    far.send(paced.alive(KEY, 1))
    running.join(timeout=5)
    tag = paced.tag_of(KEY)
    parts = [(arq.unpack(tag, data), data[arq.HEAD_BYTES :]) for data in first + arrived(far)]
    (repeated,) = [found for found in parts if found[0].repeat]
    assert repeated[0].sequence == 0
    assert repeated[1] == next(body for part, body in parts if part.sequence == 0 and not part.repeat)
    assert [part.sequence for part, _ in parts if not part.repeat] == list(range(len(parts) - 1))
    assert (one.why, one.report().repeats, one.report().frames) == (None, 1, 50)
