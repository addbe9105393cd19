"""The flows of one rate run at one end, together: their threads, their cap, their reports.

An end receives one direction, sends the other, or both. Threads are daemons: the process may end
at any moment and the kernel then resets the flows. Imports no event loop.
"""

from __future__ import annotations

import ipaddress
import os
import resource
import socket
import threading
from collections.abc import Sequence

from probe.bulk.flows import Flow, Sink, Source, Spending
from probe.bulk.tally import Tally
from probe.wire.control import ReceiverReport, SenderReport
from store.clock import NS_PER_S, NS_PER_US, Clock

_WATCH_S = 0.1


class Run:
    """One run at this end. `sinks` and `sources` are how many flows will be handed over.

    `at_most_bps` is the payload that the sources send at most together, each as much as the others.
    """

    def __init__(
        self,
        *,
        sinks: int,
        sources: int,
        seconds: float,
        bytes_max: int | None,
        block: bytes,
        clock: Clock,
        at_most_bps: int | None = None,
    ) -> None:
        self._expected = sinks + sources
        self._seconds = seconds
        self._block = block
        self._flow_bps = None if at_most_bps is None or not sources else at_most_bps // sources
        self._clock = clock
        self._halt = threading.Event()
        self._why: str | None = None
        self._tally = Tally(seconds=seconds)
        self._spending = Spending(bytes_max)
        self._flows: list[Sink | Source] = []
        self._rtt_us: list[int] = []
        self._ip_version = 4
        self._cpu_before_s = 0.0
        self._began_ns: int | None = None

    def add_sink(self, sock: socket.socket, *, life_signs: bool = False) -> None:
        """Receive from `sock` in a thread of its own."""
        self._start(
            Sink(
                sock=sock,
                halt=self._halt,
                spending=self._spending,
                clock=self._clock,
                tally=self._tally,
                life_signs=life_signs,
            )
        )

    def add_source(self, sock: socket.socket, *, after_go: bool = False) -> None:
        """Send to `sock` in a thread of its own, at once or once its receiver says GO."""
        self._start(
            Source(
                sock=sock,
                halt=self._halt,
                spending=self._spending,
                clock=self._clock,
                seconds=self._seconds,
                block=self._block,
                after_go=after_go,
                at_most_bps=self._flow_bps,
            )
        )

    def halt(self, why: str) -> None:
        """End every flow within a twentieth of a second."""
        self._why = self._why or why
        self._halt.set()

    @property
    def joined(self) -> bool:
        """Whether any flow was handed over."""
        return bool(self._flows)

    @property
    def finished(self) -> bool:
        """Whether every flow that was handed over has ended, and at least one was or a halt came."""
        return all(flow.ended_ns is not None for flow in self._flows) and (self.joined or self._halt.is_set())

    @property
    def why(self) -> str | None:
        """Why the run ended early, as far as it has; None while it runs or when it ran its time."""
        missing = self._expected - len(self._flows)
        if self._why or not self.finished:
            return self._why
        found = next((flow.why for flow in self._flows if flow.why), None)
        return found or (f"{missing} of its flows never came" if missing else None)

    @property
    def spent_bytes(self) -> int:
        """Payload received and handed to the kernel so far."""
        return self._spending.bytes

    def receiver_report(self) -> ReceiverReport | None:
        """What was counted so far; None before the first byte."""
        sinks = [flow for flow in self._flows if isinstance(flow, Sink)]
        if self._tally.origin_ns is None:
            return None
        bins = self._tally.counted(self._until_ns(sinks))
        infos = [flow.info for flow in sinks if flow.info is not None]
        return ReceiverReport(
            bins=bins,
            received_bytes=sum(bins),
            cpu_ratio=self._cpu_ratio(),
            silent=any(flow.silent for flow in sinks),
            mss_bytes=max((info.rcv_mss for info in infos), default=None),
            ip_version=self._ip_version,
            tcp_timestamps=any(info.timestamps for info in infos) if infos else None,
        )

    def sender_report(self) -> SenderReport | None:
        """What TCP_INFO said so far; None before the first sample."""
        sources = [flow for flow in self._flows if isinstance(flow, Source) and flow.started_ns is not None]
        read = [(flow, flow.info) for flow in sources if flow.info is not None]
        if not read:
            return None
        infos = [info for _, info in read]
        first = read[0][0]
        elapsed_ns = sum(
            (flow.ended_ns or self._clock.monotonic_ns()) - (flow.started_ns or 0) for flow, _ in read
        )

        def total(name: str) -> int:
            return sum(int(getattr(info, name)) for info in infos)

        return SenderReport(
            mss_bytes=min(info.snd_mss for info in infos),
            ip_version=self._ip_version,
            tcp_timestamps=all(info.timestamps for info in infos),
            congestion=first.congestion,
            sent_bytes=total("bytes_sent"),
            retransmitted_bytes=total("bytes_retrans"),
            rtt_us=tuple(self._rtt_us),
            elapsed_us=elapsed_ns // NS_PER_US,
            busy_us=total("busy_time"),
            window_limited_us=total("rwnd_limited"),
            buffer_limited_us=total("sndbuf_limited"),
            cpu_ratio=self._cpu_ratio(),
            path_mtu_bytes=min(info.pmtu for info in infos) or None,
        )

    def _start(self, flow: Sink | Source) -> None:
        if not self._flows:
            self._cpu_before_s = _process_cpu_s()
            self._began_ns = self._clock.monotonic_ns()
            self._ip_version = _ip_version(flow.sock)
            threading.Thread(target=self._watch, name="watch flows", daemon=True).start()
        self._flows.append(flow)
        threading.Thread(target=flow.run, name=type(flow).__name__.lower(), daemon=True).start()

    def _watch(self) -> None:
        while not self._halt.wait(_WATCH_S) and not self.finished:
            now_ns = self._clock.monotonic_ns()
            sources = [flow for flow in tuple(self._flows) if isinstance(flow, Source)]
            for flow in sources:
                flow.watch(now_ns)
            rtts_us = sorted(flow.info.rtt for flow in sources if flow.info is not None)
            if rtts_us:
                self._rtt_us.append(rtts_us[len(rtts_us) // 2])  # one figure a look, whatever the flows

    def _until_ns(self, flows: Sequence[Flow]) -> int:
        """The end of the last flow, or now while one runs."""
        ends = [flow.ended_ns or self._clock.monotonic_ns() for flow in flows]
        return max(ends)

    def _cpu_ratio(self) -> float:
        """The share of one core that could have held this run back, from 0 to 1.

        The busiest flow's thread, since one thread cannot use more than a core; or all of this
        process over all cores it may use, for many flows on few cores.
        """
        began_ns = self._tally.origin_ns or self._began_ns
        if began_ns is None:
            return 0.0
        elapsed_s = max(1, self._until_ns(self._flows) - began_ns) / NS_PER_S
        cores = len(os.sched_getaffinity(0))
        process = (_process_cpu_s() - self._cpu_before_s) / cores
        return round(min(1.0, max(process, *(flow.cpu_s for flow in self._flows)) / elapsed_s), 4)


def _ip_version(sock: socket.socket) -> int:
    """4 or 6, where an IPv4 address of a socket for both counts as 4."""
    own = ipaddress.ip_address(str(sock.getsockname()[0]).split("%", 1)[0])  # a peer may be gone again
    return 4 if own.version == 4 or getattr(own, "ipv4_mapped", None) else 6


def _process_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime
