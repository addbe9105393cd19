"""Lines of known truth: two network namespaces, a virtual Ethernet pair, kernel shapers and drops.

``probe namespace  <== veth ==>  endpoint namespace``. What a line can carry is set by the kernel's
token bucket filter (tc tbf), what it loses by nftables, and both count by themselves: their counters
are the truth that a measurement is held against. Needs root, ip, tc and nft. Names carry the process
id, so that runs beside each other do not meet; `Line.close` removes everything it made.

tbf counts the IP packet and 14 bytes of Ethernet header, no FCS (measured against its own byte
counter); `tcp_truth_bps` and `ethernet_truth_bps` are made from that.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import subprocess
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

TBF_HEADER_BYTES = 14
PROBE_V4, ENDPOINT_V4 = "192.0.2.1", "192.0.2.2"  # RFC 5737
PROBE_V6, ENDPOINT_V6 = "2001:db8::1", "2001:db8::2"  # RFC 3849

_numbers = itertools.count()


def tcp_truth_bps(rate_bps: float, *, mss_bytes: int = 1448, headers_bytes: int = 52) -> float:
    """TCP payload that a tbf of `rate_bps` passes in full segments (IPv4 with timestamps by default)."""
    return rate_bps * mss_bytes / (mss_bytes + headers_bytes + TBF_HEADER_BYTES)


def udp_truth_bps(rate_bps: float, *, ip_packet_bytes: int = 1500) -> float:
    """UDP over IP that a tbf of `rate_bps` passes in packets of one size, counted at the IP layer."""
    return rate_bps * ip_packet_bytes / (ip_packet_bytes + TBF_HEADER_BYTES)


def ethernet_truth_bps(rate_bps: float, *, ip_packet_bytes: int = 1500) -> float:
    """The same traffic counted from Ethernet addresses to FCS."""
    return rate_bps * (ip_packet_bytes + 18) / (ip_packet_bytes + TBF_HEADER_BYTES)


@dataclass
class Line:
    """Two namespaces and the pair between them. `up` leaves the probe's device, `down` the endpoint's."""

    probe: str
    endpoint: str
    probe_device: str
    endpoint_device: str
    processes: list[subprocess.Popen[str]] = field(default_factory=list)

    def run(
        self, where: str, *command: str, timeout_s: float = 120, check: bool = True, **options: Any
    ) -> subprocess.CompletedProcess[str]:
        """Run a command inside ``probe`` or ``endpoint`` and wait for it."""
        return subprocess.run(
            self._inside(where, command),
            text=True,
            capture_output=True,
            timeout=timeout_s,
            check=check,
            **options,
        )

    def start(self, where: str, *command: str, **options: Any) -> subprocess.Popen[str]:
        """Start a command inside a namespace; `close` ends it."""
        process = subprocess.Popen(
            self._inside(where, command), text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options
        )
        self.processes.append(process)
        return process

    def shape(self, rate_bps: int, *, up: bool = True, down: bool = True, queue_ms: int = 60) -> None:
        """Limit the directions to `rate_bps` as tbf counts, with a queue of `queue_ms`.

        60 is deep enough that a processor which a busy machine takes away for a moment leaves the line full.
        """
        burst_bytes = max(65_536 if rate_bps >= 300_000_000 else 5_000, rate_bps // 8 // 1000)
        limit_bytes = rate_bps * queue_ms // 8000
        for wanted, where, device in (
            (up, "probe", self.probe_device),
            (down, "endpoint", self.endpoint_device),
        ):
            if wanted:
                self.run(
                    where, "tc", "qdisc", "replace", "dev", device, "root", "tbf",
                    "rate", f"{rate_bps}bit", "burst", str(burst_bytes), "limit", str(limit_bytes),
                )  # fmt: skip

    @contextlib.contextmanager
    def shaper_counter(self, *, up: bool) -> Iterator[Callable[[], int]]:
        """A function that says what the shaper of one direction has let pass so far, in bytes.

        One process answers all its calls, within some 20 us, so that a reading has a moment.
        """
        where, device = ("probe", self.probe_device) if up else ("endpoint", self.endpoint_device)
        asked = self._inside(where, ["stdbuf", "-oL", "tc", "-s", "-j", "-batch", "-"])
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
        with subprocess.Popen(asked, text=True, bufsize=1, **pipes) as counting:
            assert counting.stdin is not None
            assert counting.stdout is not None
            question, answers = counting.stdin, counting.stdout

            def passed_bytes() -> int:
                question.write(f"qdisc show dev {device}\n")
                found: int = json.loads(answers.readline())[0]["bytes"]
                return found

            passed_bytes()  # the first is slow
            yield passed_bytes

    def drop(self, per_mille: int, *, up: bool, port: int, above_bytes: int = 0) -> None:
        """Drop `per_mille` of the UDP packets to or from `port` on arrival, in one direction, counted.

        Those whose payload is larger than `above_bytes`, of all others none.
        """
        where, device = ("endpoint", self.endpoint_device) if up else ("probe", self.probe_device)
        match = f"udp {'dport' if up else 'sport'} {port} udp length > {above_bytes + 8}"
        share = f"numgen random mod 1000 < {per_mille}" if per_mille < 1000 else ""
        rules = f"""
            table netdev truth {{
                counter seen {{ }}
                counter dropped {{ }}
                chain arrivals {{
                    type filter hook ingress device "{device}" priority 0;
                    {match} counter name "seen"
                    {match} {share} counter name "dropped" drop
                }}
            }}"""
        self.run(where, "nft", "-f", "-", input=rules)

    def bucket(
        self, rate_bps: int, *, burst_bytes: int, queue_ms: int, up: bool, overhead_bytes: int = 0
    ) -> None:
        """Shape one direction by a tbf of just this bucket, its queue as deep as drains in so long.

        Packets pass one by one, so that none of it is spent on several at once.
        """
        where, device = ("probe", self.probe_device) if up else ("endpoint", self.endpoint_device)
        limit_bytes = rate_bps * queue_ms // 8000
        self.run(
            where, "tc", "qdisc", "replace", "dev", device, "root", "tbf",
            "rate", f"{rate_bps}bit", "burst", str(burst_bytes), "limit", str(limit_bytes),
            *(("overhead", str(overhead_bytes)) if overhead_bytes else ()),
        )  # fmt: skip

    def police(self, match: str, limit: str, *, up: bool) -> None:
        """Drop on arrival what matches and is over `limit`, as nftables writes it: a policer.

        A limit in packets has a bucket of just its ``burst``. One in bytes has the bytes of one whole unit of
        its time beside it (tokens_max of Linux' net/netfilter/nft_limit.c), and counts IP packets.
        """
        where, device = ("endpoint", self.endpoint_device) if up else ("probe", self.probe_device)
        rules = f"""
            table netdev police {{
                chain arrivals {{
                    type filter hook ingress device "{device}" priority 0;
                    {match} limit rate over {limit} counter drop
                }}
            }}"""
        self.run(where, "nft", "-f", "-", input=rules)

    def counted(self, what: str, *, up: bool) -> int:
        """Packets that `drop`'s rule has ``seen`` or ``dropped``."""
        where = "endpoint" if up else "probe"
        listed = self.run(where, "nft", "-j", "list", "counter", "netdev", "truth", what)
        [found] = [item["counter"] for item in json.loads(listed.stdout)["nftables"] if "counter" in item]
        return int(found["packets"])

    def end_drops(self, *, up: bool) -> int:
        """Drop no more; how many were dropped, none of them later than that count."""
        where = "endpoint" if up else "probe"
        self.run(where, "nft", "flush", "chain", "netdev", "truth", "arrivals")
        dropped = self.counted("dropped", up=up)
        self.run(where, "nft", "delete", "table", "netdev", "truth")
        return dropped

    def unmerge(self) -> None:
        """Have both devices carry packets one by one, so that whatever counts or drops meets each."""
        for where, device in (("probe", self.probe_device), ("endpoint", self.endpoint_device)):
            self.run(where, "ip", "link", "set", "dev", device, "gso_max_segs", "1")

    def cut(self, *, cut: bool = True) -> None:
        """Take the endpoint's device down (or up again): both directions silent."""
        self.run("endpoint", "ip", "link", "set", self.endpoint_device, "down" if cut else "up")

    def close(self) -> None:
        """End every process that was started here and remove the namespaces."""
        for process in self.processes:
            if process.poll() is None:
                process.terminate()
                try:
                    process.wait(timeout=5)
                except subprocess.TimeoutExpired:
                    process.kill()
            process.communicate()
        for name in (self.probe, self.endpoint):
            subprocess.run(["ip", "netns", "del", name], check=False, capture_output=True)

    def _inside(self, where: str, command: Sequence[str]) -> list[str]:
        name = {"probe": self.probe, "endpoint": self.endpoint}[where]
        return ["ip", "netns", "exec", name, *command]


@contextlib.contextmanager
def line() -> Iterator[Line]:
    """A fresh, unshaped line, 192.0.2.1 to 192.0.2.2 and 2001:db8::1 to ::2; gone afterwards."""
    tag = f"{os.getpid()}-{next(_numbers)}"
    made = Line(f"lb-p-{tag}", f"lb-e-{tag}", f"lbp{tag}"[:15], f"lbe{tag}"[:15])
    try:
        _build(made)
        yield made
    finally:
        made.close()


def _build(made: Line) -> None:
    def ip(*words: str) -> None:
        subprocess.run(["ip", *words], check=True, capture_output=True, text=True)

    ip("netns", "add", made.probe)
    ip("netns", "add", made.endpoint)
    ip(
        "link", "add", made.probe_device, "netns", made.probe, "type", "veth",
        "peer", "name", made.endpoint_device, "netns", made.endpoint,
    )  # fmt: skip
    for namespace, device, v4, v6 in (
        (made.probe, made.probe_device, PROBE_V4, PROBE_V6),
        (made.endpoint, made.endpoint_device, ENDPOINT_V4, ENDPOINT_V6),
    ):
        ip("-n", namespace, "link", "set", "lo", "up")
        ip("-n", namespace, "address", "add", f"{v4}/24", "dev", device)
        ip("-n", namespace, "-6", "address", "add", f"{v6}/64", "dev", device, "nodad")
        ip("-n", namespace, "link", "set", device, "up")
