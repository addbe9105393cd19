"""Capacity runs held against the kernel's shaper, a policer of nftables, and a capture of all they send.

tbf counts the IP packet and 14 bytes of Ethernet header, so packets of 1248 bytes pass at rate x 1248/1262
(tests/links/namespaces.py). More rates, and both directions of each, has tests/bench/capacity_truth.py.
"""

from __future__ import annotations

import itertools
import json
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from probe.wire import paced
from tests.links.house import LINEBOOK, PORT, House, house
from tests.links.namespaces import udp_truth_bps

pytestmark = [pytest.mark.namespace, pytest.mark.alone]

PACED_PORT = PORT + 1
PACKET_BYTES = {4: 1248, 6: 1268}
NEAR = 0.01


def searched(far: House, direction: str, *, seconds: int) -> dict[str, Any]:
    return far.run("capacity", "--direction", direction, "--seconds", str(seconds))


def found(folder: Path, direction: str, mbps: int, ip_version: int, *, seconds: int) -> dict[str, Any]:
    """A run that a busy machine did not spoil, by its own account; the third try as it comes."""
    with house(folder, ip_version=ip_version) as far:
        for _ in range(3):
            far.line.shape(mbps * 1_000_000, queue_ms=20)
            run = searched(far, direction, seconds=seconds)
            if run["standing"] == "valid":
                break
    return run


def test_the_rate_of_the_shaper(tmp_path: Path) -> None:
    """Within 1 % at the layer that it counts; none was told it, and each says that the line was the limit."""
    lines = [("up", 20, 4), ("down", 100, 6)]
    with ThreadPoolExecutor() as side_by_side:
        runs = list(
            side_by_side.map(
                lambda line: found(tmp_path / f"{line[0]}-{line[1]}", *line, seconds=4),
                lines,
            )
        )
    for (direction, mbps, ip_version), run in zip(lines, runs, strict=True):
        truth_bps = udp_truth_bps(mbps * 1e6, ip_packet_bytes=PACKET_BYTES[ip_version])
        assert (run["direction"], run["ip_version"], run["payload_bytes"]) == (direction, ip_version, 1220)
        assert run["ip_capacity_bps"] == pytest.approx(truth_bps, rel=NEAR)
        assert run["ip_capacity_bps"] <= truth_bps * 1.003  # the burst that it lets pass at once, in a second
        assert (run["standing"], run["limited_by"], run["congested"]) == ("valid", "path", True)
        frame_bytes = PACKET_BYTES[ip_version] + 18
        assert run["ethernet_bps"] == pytest.approx(
            run["ip_capacity_bps"] * frame_bytes / PACKET_BYTES[ip_version], rel=1e-6
        )


@pytest.mark.long
def test_the_rate_of_a_faster_shaper(tmp_path: Path) -> None:
    """At 500 Mb/s, which a search takes 2.5 s to reach."""
    run = found(tmp_path / "endpoint", "down", 500, 4, seconds=5)
    assert run["ip_capacity_bps"] == pytest.approx(udp_truth_bps(500e6, ip_packet_bytes=1248), rel=NEAR)
    if run["standing"] == "valid":
        assert run["limited_by"] == "path"
    else:  # a machine that starved it three times over, by the run's own account
        assert run["limited_by"] in ("probe", "endpoint")


@pytest.mark.long
def test_the_rate_of_a_policer_that_queues_nothing(tmp_path: Path) -> None:
    """nftables lets 5000 packets a second pass and a burst of 10 (nft(8)), 0.2 % of a second: the risk that
    RFC 9097 section 8.3 names stays small. 5000 packets of 1248 octets are 49.92 Mb/s.
    """
    rules = f"""
        table inet policer {{
            chain arrivals {{
                type filter hook input priority 0;
                udp dport {PACED_PORT} udp length > 100 limit rate over 5000/second burst 10 packets drop
            }}
        }}"""
    with house(tmp_path / "endpoint") as far:
        far.line.unmerge()
        far.line.run("endpoint", "nft", "-f", "-", input=rules)
        for _ in range(3):
            run = searched(far, "up", seconds=4)
            if run["standing"] == "valid":
                break
    assert run["ip_capacity_bps"] == pytest.approx(5000 * 1248 * 8, rel=NEAR)
    assert (run["limited_by"], run["standing"]) == ("path", "valid")


@pytest.mark.long
def test_no_packet_leaves_for_a_caller_that_fell_silent(tmp_path: Path) -> None:
    """From 2 s after the last report on, the endpoint sends nothing of a line of 50 Mb/s."""
    with house(tmp_path / "endpoint") as far:
        far.line.shape(50_000_000)
        command = ("run", "capacity", "--endpoint", far.invitation, "--direction", "down", "--json")
        running = far.line.start("probe", sys.executable, LINEBOOK, *command, "--seconds", "30")
        assert running.stderr is not None
        while "packets arrived" not in running.stderr.readline():
            pass
        far.line.drop(1000, up=True, port=PACED_PORT)
        cut_at = time.monotonic()
        assert _sent_by(far) > 0
        time.sleep(max(0.0, cut_at + 2 - time.monotonic()))
        after_two = _sent_by(far)
        time.sleep(1)
        assert _sent_by(far) - after_two < 60_000  # of 6 MB
        running.kill()


@pytest.mark.capture
def test_scapy_reads_every_packet(tmp_path: Path) -> None:
    """A capture at the probe of a whole run up: each datagram is payload or control as they are written down,
    payload is numbered, and reports come every 50 ms from the first packet on.
    """
    from scapy.layers.inet import IP, UDP
    from scapy.layers.l2 import Ether
    from scapy.utils import PcapReader

    seconds = 5  # in two, one search of ten has no whole second that did not lose too much
    with house(tmp_path / "endpoint") as far:
        far.line.shape(4_000_000)
        far.line.unmerge()
        file = tmp_path / "run.pcap"
        capture = far.line.start(
            "probe", "tshark", "-i", far.line.probe_device, "-w", str(file), "-F", "pcap", "-B", "64",
            "-f", f"udp port {PACED_PORT}",
        )  # fmt: skip
        assert capture.stderr is not None
        while "Capturing on" not in capture.stderr.readline():
            pass
        time.sleep(0.5)  # it says so a little before it does
        run = searched(far, "up", seconds=seconds)
        capture.terminate()
        capture.communicate(timeout=10)
    words: dict[int, int] = {}
    numbers, reports = [], []
    with PcapReader(str(file)) as packets:
        for packet in packets:
            frame = packet if isinstance(packet, Ether) else Ether(bytes(packet))
            assert (frame[IP].version, frame[UDP].len) == (4, len(frame[UDP].payload) + 8)
            data = bytes(frame[UDP].payload)
            if len(data) == paced.CONTROL_BYTES:
                assert data.startswith(b"LBpu")
                words[data[4]] = words.get(data[4], 0) + 1
                if data[4] == paced.Word.STATUS:
                    assert frame[UDP].sport == PACED_PORT
                    reports.append((float(packet.time), int.from_bytes(data[32:36])))
            else:
                assert (len(data), frame[UDP].dport) == (1220, PACED_PORT)
                numbers.append(int.from_bytes(data[4:8]))
    assert numbers == sorted(set(numbers))  # what left the shaper, in its order
    assert run["received"] <= len(numbers) <= run["sent"]
    named = (paced.Word.HELLO, paced.Word.CHALLENGE, paced.Word.PROOF, paced.Word.READY)
    assert all(words[word] >= 1 for word in named)
    gaps = [later - earlier for (earlier, _), (later, _) in itertools.pairwise(reports)]
    assert 15 * seconds <= len(reports) <= seconds / 0.05 + 10
    assert sorted(gaps)[len(gaps) // 2] == pytest.approx(0.05, abs=0.01)
    heard = [step["sequence_errors"] for step in run["steps"] if step["sequence_errors"] is not None]
    assert heard == [errors for _, errors in reports][: len(heard)]


def _sent_by(far: House) -> int:
    """Bytes that the endpoint's interface gave out, by the kernel's own counter."""
    shown = far.line.run("endpoint", "ip", "-json", "-stats", "link", "show", "dev", far.line.endpoint_device)
    (counters,) = json.loads(shown.stdout)
    return int(counters["stats64"]["tx"]["bytes"])
