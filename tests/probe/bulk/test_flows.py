"""One end of a run over real sockets on 127.0.0.1, with a far end that the test plays itself."""

from __future__ import annotations

import socket
import struct
import time
from collections.abc import Iterator
from threading import Event, Thread

import pytest

from probe.bulk.flows import random_block
from probe.bulk.run import Run
from probe.wire.control import GO
from store.clock import Clock

S = 10**9
BLOCK = random_block()


@pytest.fixture
def pair() -> Iterator[tuple[socket.socket, socket.socket]]:
    """A connection: (the run's, the test's). The run closes its own."""
    with socket.create_server(("127.0.0.1", 0)) as door, socket.create_connection(door.getsockname()) as far:
        near, _ = door.accept()
        yield near, far
        near.close()


def run_of(*, sinks: int = 0, sources: int = 0, seconds: float = 1, hurry: int = 1) -> Run:
    """A run whose clock goes `hurry` times as fast as ours."""
    clock = Clock(monotonic_ns=lambda: time.monotonic_ns() * hurry)
    return Run(sinks=sinks, sources=sources, seconds=seconds, bytes_max=None, block=BLOCK, clock=clock)


def ended(run: Run, *, within_s: float) -> None:
    until = time.monotonic() + within_s
    while not run.finished:
        assert time.monotonic() < until, "the run did not end"
        Event().wait(0.01)


def last_byte_after(sock: socket.socket, *, quiet_s: float) -> float:
    """Read until nothing comes for `quiet_s`; seconds from now to the last byte."""
    began = last = time.monotonic()
    sock.settimeout(quiet_s)
    try:
        while sock.recv(1 << 20):
            last = time.monotonic()
    except TimeoutError:
        pass
    return last - began


def test_a_peer_that_is_gone_again(pair: tuple[socket.socket, socket.socket]) -> None:
    """It showed its token and broke off: its flow ends, and nothing else does."""
    near, far = pair
    far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    far.close()
    run = run_of(sinks=1)
    run.add_sink(near)
    ended(run, within_s=2)
    assert run.why == "the sender broke the flow off"


def test_it_stops_when_the_receiver_is_no_longer_there(pair: tuple[socket.socket, socket.socket]) -> None:
    """The kernel goes on acknowledging for a stopped program, but nobody says GO: within 2 s it is quiet.

    When GO comes again, so does the payload: a stall of some seconds does not end a run.
    """
    near, far = pair
    run = run_of(sources=1, seconds=30)
    run.add_source(near, after_go=True)
    far.sendall(GO)
    assert 1.0 < last_byte_after(far, quiet_s=0.7) < 2.0
    far.sendall(GO)
    far.settimeout(1)
    assert far.recv(1)
    run.halt("enough")
    ended(run, within_s=1)
    assert run.why == "enough"


def test_nothing_is_sent_before_go(pair: tuple[socket.socket, socket.socket]) -> None:
    near, far = pair
    run = run_of(sources=1, hurry=20)
    run.add_source(near, after_go=True)
    far.settimeout(3)
    with pytest.raises(ConnectionResetError):
        far.recv(1)
    ended(run, within_s=1)
    assert run.why == "the receiver never said GO"


def test_a_receiver_that_stays_away_is_given_up(pair: tuple[socket.socket, socket.socket]) -> None:
    """After 10 s without GO, on a clock that goes 20 times as fast."""
    near, far = pair
    run = run_of(sources=1, seconds=60, hurry=20)
    run.add_source(near, after_go=True)
    far.sendall(GO)
    with pytest.raises(ConnectionResetError):
        last_byte_after(far, quiet_s=3)
    ended(run, within_s=1)
    assert run.why == "the receiver fell silent"


def test_a_receiver_that_takes_nothing_is_given_up(pair: tuple[socket.socket, socket.socket]) -> None:
    """Its window stays shut: no acknowledgement of anything new, on an up flow as well."""
    near, _far = pair
    run = run_of(sources=1, seconds=60, hurry=20)
    run.add_source(near)
    ended(run, within_s=3)
    assert run.why == "the receiver fell silent"
    report = run.sender_report()
    assert report is not None
    assert report.window_limited_us > 0


def test_a_sender_that_says_nothing_is_given_up(pair: tuple[socket.socket, socket.socket]) -> None:
    near, far = pair
    run = run_of(sinks=1, seconds=60, hurry=20)
    run.add_sink(near)
    far.sendall(b"x")
    ended(run, within_s=3)
    report = run.receiver_report()
    assert report is not None
    assert (run.why, report.silent) == ("the sender fell silent", True)
    assert len(report.bins) >= 100


def test_stop_throws_away_what_is_queued(pair: tuple[socket.socket, socket.socket]) -> None:
    """Halted, a flow resets at once: the far end sees a reset, not the rest of what was queued."""
    near, far = pair
    run = run_of(sources=1, seconds=60)
    run.add_source(near)
    far.settimeout(2)
    assert far.recv(1)
    run.halt("stopped")
    ended(run, within_s=0.5)
    with pytest.raises(ConnectionResetError):
        last_byte_after(far, quiet_s=2)


def test_every_byte_is_counted(pair: tuple[socket.socket, socket.socket]) -> None:
    """A far end that sends for 0.35 s and then waits: the bins hold every byte of it, and then zeros."""
    near, far = pair
    run = run_of(sinks=1, seconds=1)
    run.add_sink(near, life_signs=True)
    until, sent = time.monotonic() + 0.35, 0
    while time.monotonic() < until:
        sent += far.send(BLOCK)
    ended(run, within_s=3)
    report = run.receiver_report()
    assert report is not None
    assert run.why is None
    assert len(report.bins) == 10
    assert sum(report.bins) == report.received_bytes == sent
    assert report.bins[-1] == 0
    far.setblocking(False)
    assert far.recv(64) == GO * 2  # a sign of life every half second


def test_no_figure_before_the_first_byte(pair: tuple[socket.socket, socket.socket]) -> None:
    near, _far = pair
    run = run_of(sinks=1)
    run.add_sink(near)
    assert (run.receiver_report(), run.sender_report()) == (None, None)
    run.halt("enough")
    ended(run, within_s=0.5)


def test_both_ends_agree(pair: tuple[socket.socket, socket.socket]) -> None:
    """What a run sends and a run receives over loopback: no more is counted than was sent."""
    near, far = pair
    sending, receiving = run_of(sources=1, seconds=0.6), run_of(sinks=1, seconds=0.6)
    receiving.add_sink(far.dup())
    sending.add_source(near)
    far.close()
    ended(receiving, within_s=3)
    ended(sending, within_s=3)
    sent, received = sending.sender_report(), receiving.receiver_report()
    assert sent is not None
    assert received is not None
    assert (sending.why, receiving.why) == (None, None)
    assert (len(received.bins), sent.ip_version) == (6, 4)
    assert 0 < received.received_bytes <= sent.sent_bytes - sent.retransmitted_bytes
    assert 0 < sent.busy_us <= sent.elapsed_us * 1.05
    assert len(sent.rtt_us) >= 4
    assert 0 < received.cpu_ratio <= 1


def test_halting_does_not_wait_for_anybody(pair: tuple[socket.socket, socket.socket]) -> None:
    """Threads of both kinds end when told, also when nothing ever comes."""
    near, far = pair
    run = run_of(sinks=1, sources=1)
    run.add_sink(near)
    run.add_source(far.dup(), after_go=True)
    halting = Thread(target=run.halt, args=("now",))
    halting.start()
    ended(run, within_s=0.5)
    halting.join()
    assert run.why == "now"
