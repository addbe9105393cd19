"""The process that carries bulk traffic: ``python -m probe.bulk.worker listen FD... | connect``.

The descriptors are of bound sockets: TCP ones, which listen, for rate flows, UDP ones for paced runs.

It talks JSON lines with its parent: commands come on standard input, one ``{"do": ...}`` each, and
reports go to standard output. It ends by itself when standard input closes, when its parent dies
(PR_SET_PDEATHSIG), or when the parent says nothing for `SILENCE_S`, which the kernel's own timer
watches, so that a worker that hangs ends as well; the kernel then resets its flows.

Commands to a listening worker: ``admit`` (run, up_tokens, down_tokens, seconds, congestion, bytes_max,
down_at_most_bps), ``admit paced`` (`PacedAdmission`), ``admit rehearsal`` (`RehearsalAdmission`), ``abort``
(run, why). To a connecting one: ``job`` (`Job`), ``paced job`` (`PacedJob`) or ``rehearsal job``
(`RehearsalJob`), then ``go``, and ``stop`` (why) at any time. To both: ``beat``. Events: ``{"event":
"ready"}``, ``{"event": "failed", "why"}`` and ``{"event": "run", "run", "bytes", "finished", "why",
"receiver", "sender"}``, twice a second while a run runs and once when it ended.

Imports no event loop and nothing that is slow to load: it starts in about a tenth of a second.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import select
import signal
import socket
import sys
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from probe.bulk.flows import random_block
from probe.bulk.paced_door import PacedDoor, knock
from probe.bulk.paced_run import PacedRun
from probe.bulk.paced_source import Stream
from probe.bulk.rehearsal_run import Receiving, RehearsalRun, Sending
from probe.bulk.run import Run
from probe.bulk.stream_source import Stream as RehearsedStream
from probe.linux.tcp_info import ask_congestion
from probe.reach import Binding
from probe.wire.control import GO, READY, TOKEN_BYTES, decode, encode
from probe.wire.rehearsal_control import StreamRequest
from store.clock import NS_PER_MS, NS_PER_S, Clock
from store.crowd import FULL, Crowd, Stranger, network_of

SILENCE_S = 1.8  # so that an endpoint stops within 2 s of its caller's parent falling silent
TOKEN_NS = 3 * NS_PER_S  # from connecting to the last byte of the token
WAITING_MAX = 256  # connections without a token yet; beyond that one of a crowd goes (`store.crowd`)
JOIN_NS = 15 * NS_PER_S  # from admitting a run to its first flow
PREFERRED_CONGESTION = "cubic"
"""Taken where nothing else is asked and the kernel lets this process have it (RFC 9438). Left to each
host's own setting, runs of two hosts, or of two years, would not compare; and controls that repeat much
that had arrived carry less payload over the same line."""
CONNECT_S = 5.0  # for one address to answer, and again for READY

_REPORT_NS = 500 * NS_PER_MS
_LOOK_S = 0.1
_CONNECT_LOOK_S = 0.02
_PR_SET_PDEATHSIG = 1
_NICENESS = -10

AnyRun = Run | PacedRun | RehearsalRun


@dataclass(frozen=True, slots=True, kw_only=True)
class Admission:
    """What a listening worker needs to take a run's flows."""

    run: str
    up_tokens: tuple[bytes, ...]
    down_tokens: tuple[bytes, ...]
    seconds: float
    congestion: str | None
    bytes_max: int | None
    down_at_most_bps: int | None  # of payload, all down flows together


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What a connecting worker needs: `addresses` are tried in their order."""

    addresses: tuple[str, ...]
    port: int
    interface: str | None
    source: str | None
    up_tokens: tuple[bytes, ...]
    down_tokens: tuple[bytes, ...]
    seconds: float
    congestion: str | None
    up_at_most_bps: int | None  # of payload, all up flows together


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedAdmission:
    """What a listening worker needs to take a paced run, or a capacity run that `searches` up to
    `offered_bps`; with `up` it receives.
    """

    run: str
    up: bool
    key: bytes
    offered_bps: int
    payload_bytes: int
    seconds: float
    bytes_max: int
    searches: bool = False
    burst_packets: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedJob:
    """What a connecting worker needs for a paced or capacity run; with `up` it sends."""

    addresses: tuple[str, ...]
    port: int
    interface: str | None
    source: str | None
    up: bool
    key: bytes
    offered_bps: int
    payload_bytes: int
    seconds: float
    searches: bool = False
    burst_packets: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalAdmission:
    """What a listening worker needs to take a rehearsal: a key for each stream, in their order."""

    run: str
    streams: tuple[StreamRequest, ...]
    keys: tuple[bytes, ...]
    seconds: float
    bytes_max: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalJob:
    """What a connecting worker needs for a rehearsal, whose streams hold their keys."""

    addresses: tuple[str, ...]
    tcp_port: int
    udp_port: int
    interface: str | None
    source: str | None
    streams: tuple[RehearsedStream, ...]
    seconds: float


class Parent:
    """The other end of standard input and output; gone when it closes or is silent too long."""

    def __init__(self) -> None:
        _die_with_parent()
        self._rest = b""
        self._heard()

    def commands(self, *, wait_s: float) -> Iterator[dict[str, Any]]:
        """The commands that have come, after waiting up to `wait_s` for one. SystemExit at the end."""
        if not select.select([0], [], [], wait_s)[0]:
            return
        data = os.read(0, 1 << 16)
        if not data:
            raise SystemExit(0)
        self._heard()
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            yield json.loads(line)

    def tell(self, event: dict[str, Any]) -> None:
        rest = json.dumps(event).encode() + b"\n"
        try:
            while rest:
                rest = rest[os.write(1, rest) :]
        except BrokenPipeError:
            raise SystemExit(0) from None

    def tell_run(self, name: str, run: AnyRun) -> None:
        """Tell how far `run` is."""
        receiver, sender = run.receiver_report(), run.sender_report()
        self.tell(
            {
                "event": "run",
                "run": name,
                "bytes": run.spent_bytes,
                "finished": run.finished,
                "why": run.why,
                "receiver": receiver and encode(receiver),
                "sender": sender and encode(sender),
            }
        )

    def _heard(self) -> None:
        signal.setitimer(signal.ITIMER_REAL, SILENCE_S)  # SIGALRM then ends this process


@dataclass(slots=True, kw_only=True, eq=False)
class _Comer:
    """A connection that has not shown its whole token yet."""

    sock: socket.socket
    since_ns: int
    said: bytearray = field(default_factory=bytearray)
    stranger: Stranger = field(init=False)


class Listener:
    """Takes flows by their one-time tokens and runs them."""

    def __init__(self, sockets: Sequence[socket.socket], *, parent: Parent, clock: Clock) -> None:
        self._listening = {sock.fileno(): sock for sock in sockets if sock.type == socket.SOCK_STREAM}
        self._paced = PacedDoor([sock for sock in sockets if sock.type == socket.SOCK_DGRAM])
        self._parent = parent
        self._clock = clock
        self._block = random_block()
        self._waiting: dict[int, _Comer] = {}
        self._crowd = Crowd(WAITING_MAX)
        self._tokens: dict[bytes, tuple[str, bool, str | None]] = {}
        self._runs: dict[str, tuple[AnyRun, int]] = {}
        self._told_ns = 0

    def serve(self) -> None:
        """Until the parent is gone."""
        for sock in self._listening.values():
            sock.setblocking(False)
            # A flow inherits it. Set on the flow alone, it may leave the pacing of a host's own bbr in force
            # (from memory; the bench shows no difference).
            ask_congestion(sock, PREFERRED_CONGESTION)
        while True:
            doors = *self._listening, *self._paced.sockets
            ready = select.select([0, *doors, *self._waiting], [], [], _LOOK_S)[0]
            if 0 in ready:  # first of all: an admission is always ahead of its flows
                for command in self._parent.commands(wait_s=0):
                    self._obey(command)
            for fileno in ready:
                if fileno in self._waiting:
                    self._read_token(fileno)
                elif fileno in self._listening:
                    self._take(self._listening[fileno])
                elif fileno in self._paced.sockets:
                    self._join_paced(fileno)
            self._look_after(self._clock.monotonic_ns())

    def _obey(self, command: dict[str, Any]) -> None:
        match command["do"]:
            case "admit":
                self._admit(decode(Admission, command))
            case "admit paced":
                self._admit_paced(decode(PacedAdmission, command))
            case "admit rehearsal":
                self._admit_rehearsal(decode(RehearsalAdmission, command))
            case "abort":
                if command["run"] in self._runs:
                    self._runs[command["run"]][0].halt(command["why"])

    def _admit(self, asked: Admission) -> None:
        run = Run(
            sinks=len(asked.up_tokens),
            sources=len(asked.down_tokens),
            seconds=asked.seconds,
            bytes_max=asked.bytes_max,
            block=self._block,
            clock=self._clock,
            at_most_bps=asked.down_at_most_bps,
        )
        self._runs[asked.run] = run, self._clock.monotonic_ns()
        for tokens, up in (asked.up_tokens, True), (asked.down_tokens, False):
            self._tokens |= {token: (asked.run, up, asked.congestion) for token in tokens}

    def _admit_paced(self, asked: PacedAdmission) -> None:
        run = PacedRun(
            _stream(asked),
            receives=asked.up,
            after_alive=True,
            bytes_max=asked.bytes_max,
            clock=self._clock,
        )
        self._runs[asked.run] = run, self._clock.monotonic_ns()
        self._paced.admit(asked.run, asked.key)

    def _admit_rehearsal(self, asked: RehearsalAdmission) -> None:
        run = Receiving(
            asked.streams,
            asked.keys,
            seconds=asked.seconds,
            bytes_max=asked.bytes_max,
            clock=self._clock,
        )
        self._runs[asked.run] = run, self._clock.monotonic_ns()
        for stream, key in zip(asked.streams, asked.keys, strict=True):
            if stream.transport == "tcp":
                self._tokens[key] = asked.run, True, None
            else:
                self._paced.admit(asked.run, key)

    def _join_paced(self, fileno: int) -> None:
        for joined in self._paced.read(fileno):
            run = self._runs[joined.run][0]
            if isinstance(run, Receiving):
                with contextlib.suppress(OSError):  # the caller asks again
                    joined.sock.send(joined.ready)
                run.join(joined.key, joined.sock)
                continue
            assert isinstance(run, PacedRun)  # noqa: S101 - the door knows only these
            run.join(joined.sock)
            with contextlib.suppress(OSError):  # the caller asks again
                joined.sock.send(joined.ready)
            run.start()

    def _take(self, door: socket.socket) -> None:
        try:
            sock, address = door.accept()
        except OSError as error:  # mostly one that is gone again
            if error.errno in FULL:
                self._crowd.end_one()
            return
        sock.setblocking(False)
        comer = _Comer(sock=sock, since_ns=self._clock.monotonic_ns())
        comer.stranger = Stranger(network=network_of(address[0]), end=partial(self._turn_away, comer))
        self._waiting[sock.fileno()] = comer
        self._crowd.come(comer.stranger)

    def _turn_away(self, comer: _Comer) -> None:
        self._wait_no_more(comer)
        comer.sock.close()

    def _wait_no_more(self, comer: _Comer) -> None:
        self._waiting.pop(comer.sock.fileno(), None)
        self._crowd.go(comer.stranger)

    def _read_token(self, fileno: int) -> None:
        comer = self._waiting[fileno]
        try:
            data = comer.sock.recv(TOKEN_BYTES - len(comer.said))
        except BlockingIOError:
            return
        except OSError:
            data = b""
        comer.said += data
        if data and len(comer.said) < TOKEN_BYTES:
            return
        self._wait_no_more(comer)  # before a flow may close it
        token = bytes(comer.said)
        found = self._tokens.pop(token, None)
        if found is None or not self._join(comer.sock, token, *found):
            comer.sock.close()  # without a byte: whoever has no token learns nothing

    def _join(self, sock: socket.socket, token: bytes, name: str, up: bool, congestion: str | None) -> bool:
        run = self._runs[name][0]
        try:
            sock.send(READY)
        except OSError:
            return False
        if isinstance(run, Receiving):
            run.join(token, sock)
            return True
        assert isinstance(run, Run)  # noqa: S101 - no token is of another kind
        if up:
            run.add_sink(sock)
        else:
            ask_congestion(sock, congestion or PREFERRED_CONGESTION)  # the report says what it became
            run.add_source(sock, after_go=True)
        return True

    def _look_after(self, now_ns: int) -> None:
        for comer in tuple(self._waiting.values()):
            if now_ns - comer.since_ns >= TOKEN_NS:
                self._turn_away(comer)
        for run, admitted_ns in self._runs.values():
            if not run.joined and now_ns - admitted_ns >= JOIN_NS:
                run.halt("no flow of the run came")
        due = now_ns - self._told_ns >= _REPORT_NS
        for name, (run, _) in tuple(self._runs.items()):
            if run.finished or (due and run.joined):
                self._parent.tell_run(name, run)
            if run.finished:
                del self._runs[name]
                self._tokens = {token: of for token, of in self._tokens.items() if of[0] != name}
                self._paced.forget(name)
        if due:
            self._told_ns = now_ns


class Connector:
    """Connects all flows of one run, then runs them together."""

    def __init__(self, job: Job, *, clock: Clock) -> None:
        self._job = job
        self._clock = clock
        self._binding = Binding(interface=job.interface, source=job.source)
        self.flows: list[socket.socket] = []
        self.failure: str | None = None

    def connect(self) -> None:
        """Fill `flows`, up ones first, each with its READY, or say in `failure` why not."""
        tokens = self._job.up_tokens + self._job.down_tokens
        try:
            first = self._connect(self._job.addresses, tokens[0])
            address = first.getpeername()[0]
        except OSError as error:
            self.failure = _sentence(error)
            return
        found: list[socket.socket | None] = [first, *(None for _ in tokens[1:])]

        def connect_one(place: int) -> None:
            try:
                found[place] = self._connect((address,), tokens[place])
            except OSError as error:
                self.failure = _sentence(error)

        threads = [threading.Thread(target=connect_one, args=(at,)) for at in range(1, len(tokens))]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        self.flows = [flow for flow in found if flow is not None]

    def start(self) -> Run:
        """Let all flows go at once."""
        flows = self.flows
        ups = len(self._job.up_tokens)
        run = Run(
            sinks=len(flows) - ups,
            sources=ups,
            seconds=self._job.seconds,
            bytes_max=None,
            block=random_block(),
            clock=self._clock,
            at_most_bps=self._job.up_at_most_bps,
        )
        for sock in flows[ups:]:
            with contextlib.suppress(OSError):  # broken already: its sink finds out
                sock.send(GO)
        for sock in flows[:ups]:
            run.add_source(sock)
        for sock in flows[ups:]:
            run.add_sink(sock, life_signs=True)
        return run

    def _connect(self, addresses: Sequence[str], token: bytes) -> socket.socket:
        job = self._job
        return _join_first(addresses, job.port, token=token, binding=self._binding, congestion=job.congestion)


class PacedConnector:
    """Opens the way for one paced run, then runs it."""

    def __init__(self, job: PacedJob, *, clock: Clock) -> None:
        self._job = job
        self._run = PacedRun(
            _stream(job), receives=not job.up, after_alive=False, bytes_max=None, clock=clock
        )
        self.failure: str | None = None

    def connect(self) -> None:
        """Open the way, or say in `failure` why not."""
        job = self._job
        try:
            binding = Binding(interface=job.interface, source=job.source)
            self._run.join(knock(job.addresses, job.port, key=job.key, binding=binding))
        except OSError as error:
            self.failure = _sentence(error)

    def start(self) -> PacedRun:
        """Let it go."""
        self._run.start()
        return self._run


class RehearsalConnector:
    """Opens the way for each stream of a rehearsal, then lets them go together."""

    def __init__(self, job: RehearsalJob, *, clock: Clock) -> None:
        self._job = job
        self._binding = Binding(interface=job.interface, source=job.source)
        self._run = Sending(job.streams, seconds=job.seconds, clock=clock)
        self._socks: list[socket.socket] = []
        self.failure: str | None = None

    def connect(self) -> None:
        """Open all ways, or say in `failure` why not."""
        addresses = self._job.addresses
        try:
            for stream in self._job.streams:
                sock = self._open(stream, addresses)
                self._socks.append(sock)
                addresses = (str(sock.getpeername()[0]),)  # all of them go to the one that answered
        except OSError as error:
            self.failure = _sentence(error)

    def start(self) -> Sending:
        """Let all of it go."""
        self._run.start(self._socks)
        return self._run

    def _open(self, stream: RehearsedStream, addresses: Sequence[str]) -> socket.socket:
        job, binding = self._job, self._binding
        if stream.transport == "tcp":
            return _join_first(addresses, job.tcp_port, token=stream.key, binding=binding, congestion=None)
        return knock(addresses, job.udp_port, key=stream.key, binding=binding)


def _join_first(
    addresses: Sequence[str], port: int, *, token: bytes, binding: Binding, congestion: str | None
) -> socket.socket:
    """A flow to the first address that takes it. OSError when none does."""
    failure = OSError("no address to connect to")
    for address in addresses:
        try:
            return _join_flow(address, port, token=token, binding=binding, congestion=congestion)
        except OSError as error:
            failure = error
    raise failure


def _join_flow(
    address: str, port: int, *, token: bytes, binding: Binding, congestion: str | None
) -> socket.socket:
    """A flow that the endpoint took for its token. OSError when it did not."""
    sock = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
    try:
        binding.apply(sock)
        if not ask_congestion(sock, congestion or PREFERRED_CONGESTION) and congestion:
            raise OSError(f"this host does not offer congestion control {congestion}")
        sock.settimeout(CONNECT_S)
        sock.connect((address, port))
        sock.sendall(token)
        if sock.recv(1) != READY:
            raise OSError("the endpoint closed a flow instead of taking it")
    except BaseException:
        sock.close()
        raise
    return sock


def _connect(parent: Parent, clock: Clock) -> None:
    worker = _asked_for(parent, clock)
    attempt = threading.Thread(target=worker.connect, name="connect", daemon=True)
    attempt.start()
    while attempt.is_alive():
        if any(command["do"] == "stop" for command in parent.commands(wait_s=_CONNECT_LOOK_S)):
            return
    if worker.failure:
        parent.tell({"event": "failed", "why": worker.failure})
        return
    parent.tell({"event": "ready"})
    for command in _commands(parent):
        if command["do"] == "stop":
            return
        if command["do"] == "go":
            break
    _carry(parent, worker.start(), clock)


def _asked_for(parent: Parent, clock: Clock) -> Connector | PacedConnector | RehearsalConnector:
    for command in _commands(parent):
        if command["do"] == "job":
            return Connector(decode(Job, command), clock=clock)
        if command["do"] == "paced job":
            return PacedConnector(decode(PacedJob, command), clock=clock)
        if command["do"] == "rehearsal job":
            return RehearsalConnector(decode(RehearsalJob, command), clock=clock)
    raise SystemExit(0)


def _carry(parent: Parent, run: AnyRun, clock: Clock) -> None:
    told_ns = clock.monotonic_ns()
    while not run.finished:
        for command in parent.commands(wait_s=_LOOK_S):
            if command["do"] == "stop":
                run.halt(command["why"])
        if clock.monotonic_ns() - told_ns >= _REPORT_NS and not run.finished:
            told_ns = clock.monotonic_ns()
            parent.tell_run("", run)
    parent.tell_run("", run)


def _commands(parent: Parent) -> Iterator[dict[str, Any]]:
    while True:
        yield from parent.commands(wait_s=_LOOK_S)


def _stream(asked: PacedAdmission | PacedJob) -> Stream:
    return Stream(
        key=asked.key,
        offered_bps=asked.offered_bps,
        payload_bytes=asked.payload_bytes,
        seconds=asked.seconds,
        searches=asked.searches,
        burst_packets=asked.burst_packets,
    )


def _sentence(error: OSError) -> str:
    return error.strerror or str(error) or "no answer in time"


def _go_first() -> None:
    """Come before ordinary work where the kernel lets us (root, CAP_SYS_NICE).

    A sender that waits for a processor lets the line run dry, and the run then tells of this host.
    """
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, _NICENESS)


def end_with_any_thread() -> None:
    """Have this process end when a thread of it fails, and whoever started it start another.

    That thread's run would have no end, and its place at the endpoint never be free again.
    """

    def end(failed: threading.ExceptHookArgs) -> None:
        threading.__excepthook__(failed)
        os._exit(1)

    threading.excepthook = end


def _die_with_parent() -> None:
    """Have the kernel end this process when its parent ends, and when the silence timer rings."""
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGALRM})
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def main(arguments: Sequence[str]) -> None:
    """Run as ``listen FD...`` or ``connect``."""
    _go_first()
    end_with_any_thread()
    parent, clock = Parent(), Clock()
    if arguments[:1] == ["listen"]:
        sockets = [socket.socket(fileno=int(number)) for number in arguments[1:]]
        Listener(sockets, parent=parent, clock=clock).serve()
    elif arguments == ["connect"]:
        _connect(parent, clock)
    else:
        raise SystemExit("usage: python -m probe.bulk.worker listen FD... | connect")


if __name__ == "__main__":
    main(sys.argv[1:])
