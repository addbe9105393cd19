"""A relay that carries TCP and datagrams between a probe and an endpoint through a practice line.

Runs as a process of its own, without privileges: ``python -m probe.practice.relay``, with the line's
behaviour as one line of JSON on standard input. One plain loop around `select.select`, whose timeouts are
microseconds where epoll's in Python are milliseconds. It listens on a pair of neighbouring ports, as an
endpoint does: control and STAMP on the first, rate flows and the datagrams of paced runs on the second.

What it cannot do, since it ends TCP on both sides: lose TCP bytes (a stall that loses datagrams holds them)
or delay TCP's handshake. A sender through it sees a closed window where it would otherwise see a long RTT.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import gc
import json
import os
import random
import select
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, NamedTuple, cast

from probe.practice import children, line, record
from probe.practice.datagrams import Datagrams
from probe.practice.departures import Departures
from probe.practice.lane import Lane
from probe.practice.line import LineBehaviour
from probe.practice.streams import Streams
from store.clock import NS_PER_S, Clock
from store.records import Direction

_PR_SET_TIMERSLACK = 29  # linux/prctl.h; the default of 50 us would be added to every wait
_EARLY_NS = 300_000  # a long wait ends early and a short one follows: a processor sleeps lightly in that
_FLUSH_NS = 20_000_000
_PAIRS_TRIED = 200
_ASKED_FOR_PORTS = range(20_000, 32_000, 2)  # net.ipv4.ip_local_port_range begins at 32768
_LOOPBACK = "127.0.0.1"
_FLUSH, _FLUSHED = b"flush\n", "flushed"


class Relay:
    """The loop. Line time begins when it is made."""

    def __init__(
        self,
        behaviour: LineBehaviour,
        *,
        upstream: tuple[str, int],
        upstream_flow_port: int,
        book: record.Book,
        clock: Clock,
    ) -> None:
        seeds = random.Random(behaviour.seed)  # noqa: S311 - weather, not secrets
        self._lanes = {
            direction: Lane(
                behaviour.lane(direction),
                cycle_ns=behaviour.cycle_ns,
                source=random.Random(seeds.random()),  # noqa: S311
            )
            for direction in (Direction.UP, Direction.DOWN)
        }
        pair = _listen_on_a_pair([0] * _PAIRS_TRIED)
        ends = (upstream, (upstream[0], upstream_flow_port))
        self.port = int(pair[0].streams.getsockname()[1])
        self._book = book
        self.departures = Departures(clock)
        self._datagrams = [
            Datagrams(
                door.datagrams,
                upstream=end,
                lanes=self._lanes,
                departures=self.departures,
                book=book,
                clock=clock,
            )
            for door, end in zip(pair, ends, strict=True)
        ]
        self._streams = Streams(
            {door.streams: end for door, end in zip(pair, ends, strict=True)},
            lanes=self._lanes,
            departures=self.departures,
            book=book,
        )
        self._told_ns = 0
        self._flushed_ns = 0

    def run(self, wishes: int, answer: Callable[[], bool]) -> None:
        """Carry until `answer`, called whenever `wishes` can be read, says False."""
        while True:
            self.departures.let_leave()
            now_ns = self.departures.now_ns()
            self._keep_book(now_ns)
            readers: dict[socket.socket | int, Callable[[], None]] = dict(self._streams.readers(now_ns))
            for carrier in self._datagrams:
                readers.update(carrier.readers())
            writers = dict(self._streams.writers())
            readable, writable, _ = select.select(
                [wishes, *readers], list(writers), (), self._patience_s(now_ns)
            )
            for sock in writable:
                writers[sock]()
            for ready in readable:
                if ready != wishes:
                    readers[ready]()
                elif not answer():
                    return

    def close(self) -> None:
        """End all that is being carried."""
        for carrier in self._datagrams:
            carrier.close()
        self._streams.close()

    def _patience_s(self, now_ns: int) -> float | None:
        """How long nothing happens by itself; None while nothing will."""
        due = [self.departures.next_ns, self._streams.room_at_ns(now_ns)]
        if self._book.keeps:
            due.append(self._told_ns + NS_PER_S)
        if self._book.waiting:
            due.append(self._flushed_ns + _FLUSH_NS)
        known = [at_ns for at_ns in due if at_ns is not None]
        if not known:
            return None
        left_ns = max(0, min(known) - self.departures.now_ns())
        return (left_ns - _EARLY_NS if left_ns > 2 * _EARLY_NS else left_ns) / NS_PER_S

    def _keep_book(self, now_ns: int) -> None:
        if now_ns - self._told_ns >= NS_PER_S:
            until_ns = now_ns - now_ns % NS_PER_S
            began_unix_ns = self.departures.began_unix_ns
            self._book.second(started_unix_ns=began_unix_ns + self._told_ns)
            for direction, lane in self._lanes.items():
                for past in lane.stalls_ended(self._told_ns, until_ns):
                    self._book.stall(
                        direction,
                        started_unix_ns=began_unix_ns + past.start_ns,
                        ended_unix_ns=began_unix_ns + past.end_ns,
                        how=past.how,
                    )
            self._told_ns = until_ns
        if self._book.waiting and now_ns - self._flushed_ns >= _FLUSH_NS:
            self._book.flush()
            self._flushed_ns = now_ns


class _Door(NamedTuple):
    """One port, for TCP and for UDP."""

    streams: socket.socket
    datagrams: socket.socket

    @classmethod
    def at(cls, port: int) -> _Door:
        """Both on this port (0: any); OSError where one of them is taken."""
        with contextlib.ExitStack() as failed:
            streams = failed.enter_context(socket.create_server((_LOOPBACK, port), backlog=64))
            datagrams = failed.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
            datagrams.bind(streams.getsockname())
            failed.pop_all()
        for sock in (streams, datagrams):
            sock.setblocking(False)
        return cls(streams, datagrams)

    def close(self) -> None:
        for sock in self:
            sock.close()


def _listen_on_a_pair(ports: Iterable[int]) -> tuple[_Door, _Door]:
    """Doors on a free port of these (0: any) and on the next; OSError if there is none."""
    for wanted in ports:
        with contextlib.suppress(OSError, OverflowError), contextlib.ExitStack() as failed:
            first = failed.enter_context(contextlib.closing(_Door.at(wanted)))
            second = _Door.at(first.streams.getsockname()[1] + 1)
            failed.pop_all()
            return first, second
    raise OSError(f"no two neighbouring ports are free on {_LOOPBACK}")


def free_pair() -> int:
    """A port that is free for TCP and UDP now, and whose successor is as well.

    Not one of those that the kernel gives out by itself, so that it is still free when its user comes.
    """
    found = _listen_on_a_pair(random.SystemRandom().sample(_ASKED_FOR_PORTS, _PAIRS_TRIED))
    port = int(found[0].streams.getsockname()[1])
    for door in found:
        door.close()
    return port


# As a process


def main(arguments: list[str] | None = None) -> int:
    """Relay until standard input ends, or SIGTERM or SIGINT come."""
    parser = argparse.ArgumentParser(prog="probe.practice.relay", description=__doc__)
    parser.add_argument("--upstream", required=True, metavar="HOST:PORT")
    parser.add_argument("--upstream-flows", type=int, metavar="PORT")
    parser.add_argument("--record", type=Path, metavar="FILE")
    parser.add_argument("--packets", action="store_true", help="record every datagram")
    options = parser.parse_args(arguments)
    host, _, port = options.upstream.rpartition(":")
    behaviour = line.from_json(json.loads(sys.stdin.buffer.readline()))
    ctypes.CDLL(None).prctl(_PR_SET_TIMERSLACK, 1)
    book = record.Book(options.record, packets=options.packets)
    relay = Relay(
        behaviour,
        upstream=(host, int(port)),
        upstream_flow_port=options.upstream_flows or int(port) + 1,
        book=book,
        clock=Clock(),
    )
    gc.freeze()  # nothing of the start needs to be looked through again
    _report({"kind": "ready", "port": relay.port, "started_unix_ns": relay.departures.began_unix_ns})
    try:
        with contextlib.suppress(KeyboardInterrupt):
            signal.signal(signal.SIGTERM, signal.default_int_handler)
            relay.run(sys.stdin.fileno(), lambda: _obey(book))
    finally:
        relay.close()
        book.close()
    return 0


def _obey(book: record.Book) -> bool:
    """Do what standard input asks for; False once it has ended."""
    asked = os.read(sys.stdin.fileno(), 4096)
    for _ in range(asked.count(_FLUSH)):
        book.flush()
        _report({"kind": _FLUSHED})
    return bool(asked)


def _report(values: dict[str, object]) -> None:
    sys.stdout.write(json.dumps(values) + "\n")
    sys.stdout.flush()


# For whoever starts one


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayProcess:
    """A relay at work in a process of its own. Line time 0 was at `started_unix_ns`."""

    process: subprocess.Popen[bytes]
    wishes: IO[bytes]
    answers: IO[bytes]
    port: int
    started_unix_ns: int
    book: Path | None

    def record(self) -> list[record.Entry]:
        """All that it has noted so far; ValueError when it keeps no book."""
        if self.book is None:
            raise ValueError("this relay keeps no book")
        if self.process.poll() is None:
            self.wishes.write(_FLUSH)
            self.answers.readline()
        return list(record.read(self.book.read_text().splitlines()))


def start(
    behaviour: LineBehaviour,
    *,
    upstream_host: str,
    upstream_port: int,
    upstream_flow_port: int | None = None,
    book: Path | None = None,
    packets: bool = False,
    errors: IO[bytes] | None = None,
) -> RelayProcess:
    """Start a relay and wait until it listens; OSError when it does not come up."""
    command = [sys.executable, "-m", "probe.practice.relay", "--upstream", f"{upstream_host}:{upstream_port}"]
    command += ["--upstream-flows", str(upstream_flow_port or upstream_port + 1)]
    command += ["--record", str(book)] if book else []
    command += ["--packets"] if packets else []
    root = Path(__file__).resolve().parents[2]  # so that it is found wherever the caller stands
    process = children.start(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=errors,
        env={**os.environ, "PYTHONPATH": str(root)},
    )
    wishes, answers = cast("IO[bytes]", process.stdin), cast("IO[bytes]", process.stdout)
    with contextlib.suppress(BrokenPipeError):
        wishes.write(json.dumps(line.as_json(behaviour)).encode() + b"\n")
    said = answers.readline()
    if not said:
        raise OSError(f"the practice line did not start (exit code {process.wait()})")
    ready = json.loads(said)
    return RelayProcess(
        process=process,
        wishes=wishes,
        answers=answers,
        port=ready["port"],
        started_unix_ns=ready["started_unix_ns"],
        book=book,
    )


@contextlib.contextmanager
def running_relay(
    behaviour: LineBehaviour, *, upstream_host: str = _LOOPBACK, upstream_port: int
) -> Iterator[RelayProcess]:
    """A relay with a book of every datagram, which can be read until the block ends."""
    with tempfile.TemporaryDirectory(prefix="linebook-relay-") as directory:
        relay = start(
            behaviour,
            upstream_host=upstream_host,
            upstream_port=upstream_port,
            book=Path(directory) / "line.jsonl",
            packets=True,
        )
        try:
            yield relay
        finally:
            stop(relay)


def stop(relay: RelayProcess, *, within_s: float = 1.0) -> None:
    """End a relay and close its pipes."""
    children.end([relay.process], within_s=within_s, clock=Clock())


if __name__ == "__main__":
    sys.exit(main())
