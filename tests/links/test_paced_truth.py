"""Paced runs held against the kernel's shaper, its drop counter, its interface counters and a capture.

tbf counts the IP packet and 14 bytes of Ethernet header, so packets of 1500 bytes pass at rate x 1500/1514
(tests/links/namespaces.py). nftables drops at random and counts what it dropped.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from probe.paced_outcome import UNSENT
from tests.links.house import LINEBOOK, PORT, House, house
from tests.links.namespaces import udp_truth_bps
from tests.links.test_rate_truth import counted, passed_bps

pytestmark = pytest.mark.namespace

FULL = 0.9995  # of its rate that the shaper let pass, by its own counter: it always had something to send

PACED_PORT = PORT + 1
_HEADERS_BYTES = 14 + 20 + 8  # Ethernet, IPv4, UDP


def paced(far: House, direction: str, offered: str, *, seconds: float = 3) -> dict[str, Any]:
    return far.run("paced", "--direction", direction, "--offered", offered, "--seconds", str(seconds))


def left_out(run: dict[str, Any]) -> float:
    """The share of what was due that a busy machine kept the sender from sending."""
    return run["unsent"] / (run["unsent"] + run["sent"])


@pytest.mark.parametrize(
    ("direction", "offered_mbps", "ip_version"),
    [pytest.param("up", 50, 4, marks=pytest.mark.long), ("down", 200, 6), ("up", 900, 4)],
)
@pytest.mark.alone
def test_below_the_shaper_all_of_it_arrives(
    tmp_path: Path, direction: str, offered_mbps: int, ip_version: int
) -> None:
    """No loss, and the rate that was offered within 0.1 %, less what this machine left unsent."""
    with house(tmp_path / "endpoint", ip_version=ip_version) as far:
        far.line.shape(round(offered_mbps * 1.3e6))
        run = paced(far, direction, f"{offered_mbps} Mb/s")
    offered_bps = offered_mbps * 1_000_000
    assert (run["lost"], run["duplicated"], run["reordered"]) == (0, 0, 0)
    starved = {"up": "probe", "down": "endpoint"}[direction] if left_out(run) > UNSENT else None
    assert (run["dropped_socket"], run["limited_by"]) == (0, starved)
    assert run["reasons"] == ([f"{starved}_limit"] if starved else [])
    assert (run["ip_version"], run["payload_bytes"]) == (ip_version, 1472 if ip_version == 4 else 1452)
    assert run["received"] == run["sent"]
    # what was left unsent may all lie in the window, which is five sixths of the run
    assert 1 - 0.001 - left_out(run) * 1.2 <= run["ip_bps"] / offered_bps <= 1.001
    assert run["sent_bps"] <= offered_bps * 1.001
    assert run["burst_us"] <= 2_500


@pytest.mark.parametrize(
    ("direction", "shaped_mbps"),
    [
        pytest.param("up", 20, marks=pytest.mark.few),
        pytest.param("down", 100, marks=[pytest.mark.alone, pytest.mark.long]),
        pytest.param("up", 500, marks=[pytest.mark.alone, pytest.mark.long]),
    ],
)
def test_above_the_shaper_its_rate_arrives(tmp_path: Path, direction: str, shaped_mbps: int) -> None:
    """What arrives is the shaper's rate within 0.1 %, and what is lost is what the shaper dropped.

    On a machine that starves it three times over, the run still counts what passed, to 1 %.
    """
    with house(tmp_path / "endpoint") as far:
        for _ in range(3):  # a machine that keeps the sender away lets the shaper run dry
            far.line.shape(shaped_mbps * 1_000_000, queue_ms=20)
            before = _passed_packets(far, direction)
            with counted(far.line, up=direction == "up") as readings:
                run = paced(far, direction, f"{shaped_mbps * 1.25:g} Mb/s")
            passed_packets = _passed_packets(far, direction) - before
            truth_bps = passed_bps(readings, run)
            if left_out(run) < 0.001 and truth_bps >= FULL * shaped_mbps * 1e6:
                near, truth_bps = 0.001, shaped_mbps * 1e6
                break
            near = 0.01
    assert run["ip_bps"] == pytest.approx(udp_truth_bps(truth_bps), rel=near)
    assert run["ip_bps"] <= udp_truth_bps(shaped_mbps * 1e6) * 1.001
    assert (run["limited_by"], run["reasons"], run["dropped_socket"]) == ("path", [], 0)
    # beside the run's packets some hundred of control passed
    assert passed_packets - 300 <= run["received"] <= passed_packets
    assert run["lost"] == run["sent"] - run["received"]
    assert run["loss_ratio"] == pytest.approx(run["lost"] / run["sent"], abs=1e-9)
    expected = 1 - udp_truth_bps(shaped_mbps * 1e6) / run["sent_bps"]
    assert run["loss_ratio"] == pytest.approx(expected, abs=0.02)  # burst and queue are filled at first


@pytest.mark.few
@pytest.mark.parametrize(
    ("direction", "per_mille"), [pytest.param("up", 2, marks=pytest.mark.long), ("down", 30)]
)
def test_every_dropped_packet_is_found(tmp_path: Path, direction: str, per_mille: int) -> None:
    """Exactly as many as nftables counted: none more, none less, on a run of 20,000 packets."""
    up = direction == "up"
    with house(tmp_path / "endpoint") as far:
        far.line.unmerge()
        far.line.drop(per_mille, up=up, port=PACED_PORT, above_bytes=80)
        run = paced(far, direction, "80 Mb/s")
        seen, dropped = (far.line.counted(what, up=up) for what in ("seen", "dropped"))
    assert (run["sent"], run["lost"]) == (seen, dropped)
    assert run["received"] == seen - dropped
    assert left_out(run) > UNSENT or run["limited_by"] == "path"


@pytest.mark.few
def test_what_the_receiver_drops_is_no_loss_of_the_line(tmp_path: Path) -> None:
    """Its worker stopped for a second at 200 Mb/s: the buffer runs over, and the line lost nothing."""
    with house(tmp_path / "endpoint") as far:
        command = ("run", "paced", "--endpoint", far.invitation, "--direction", "down", "--json")
        running = far.line.start(
            "probe", sys.executable, LINEBOOK, *command, "--offered", "200 Mb/s", "--seconds", "3"
        )
        assert running.stderr is not None
        while "packets arrived" not in running.stderr.readline():
            pass
        worker = _worker_of(running.pid)
        subprocess.run(["kill", "-STOP", worker], check=True)
        time.sleep(1)
        subprocess.run(["kill", "-CONT", worker], check=True)
        out, _ = running.communicate(timeout=30)
        run = json.loads(out)
    assert run["dropped_socket"] > 1_000
    assert run["lost"] == 0
    assert run["received"] + run["dropped_socket"] == run["sent"]
    assert (run["limited_by"], run["standing"]) == ("probe", "void")
    assert "probe_limit" in run["reasons"]


@pytest.mark.few
def test_no_packet_leaves_for_a_caller_that_fell_silent(tmp_path: Path) -> None:
    """From 2 s after the last sign of life on, the endpoint sends none of 100 Mb/s."""
    with house(tmp_path / "endpoint") as far:
        command = ("run", "paced", "--endpoint", far.invitation, "--direction", "down", "--json")
        running = far.line.start(
            "probe", sys.executable, LINEBOOK, *command, "--offered", "100 Mb/s", "--seconds", "30"
        )
        assert running.stderr is not None
        while "packets arrived" not in running.stderr.readline():
            pass
        far.line.drop(1000, up=True, port=PACED_PORT)
        cut_at = time.monotonic()
        assert _sent_by(far) > 0
        time.sleep(max(0.0, cut_at + 2 - time.monotonic()))
        after_two = _sent_by(far)
        time.sleep(1)
        assert _sent_by(far) - after_two < 100_000  # of 12.5 MB
        running.kill()


@pytest.mark.alone
@pytest.mark.capture
def test_no_10_ms_hold_more_than_the_rate_and_one_burst(tmp_path: Path) -> None:
    """A capture at the sender: packets are numbered, and each window keeps to what the record says."""
    from scapy.layers.inet import UDP
    from scapy.layers.l2 import Ether
    from scapy.utils import RawPcapReader

    offered_bps = 200_000_000
    with house(tmp_path / "endpoint") as far:
        far.line.unmerge()
        file = tmp_path / "run.pcap"
        capture = far.line.start(
            "probe", "tshark", "-i", far.line.probe_device, "-w", str(file), "-F", "pcap", "-s", "64", "-B",
            "64", "-f", f"udp dst port {PACED_PORT}",
        )  # fmt: skip
        assert capture.stderr is not None
        while "Capturing on" not in capture.stderr.readline():
            pass
        time.sleep(0.5)  # it says so a little before it does
        run = paced(far, "up", "200 Mb/s", seconds=1)
        capture.terminate()
        capture.communicate(timeout=10)
    with RawPcapReader(str(file)) as reader:
        packets = [(data, meta.sec + meta.usec / 1e6) for data, meta in reader if meta.wirelen == 1514]
    assert len(packets) == run["sent"]
    heads = [data[_HEADERS_BYTES:][:12] for data, _ in packets]
    for (data, _), head in list(zip(packets, heads, strict=True))[:: len(packets) // 20]:
        found = Ether(data)  # scapy's own dissection of some, so that the plain offset is none of ours
        assert (found[UDP].dport, found[UDP].len, bytes(found[UDP].payload)[:12]) == (PACED_PORT, 1480, head)
    assert [int.from_bytes(head[4:8]) for head in heads] == list(range(run["sent"]))
    assert {head[:4] for head in heads} == {heads[0][:4]}
    times = [at for _, at in packets]
    sent_at = [int.from_bytes(head[8:12]) for head in heads]
    drift = [at - (times[0] + us / 1e6) for at, us in zip(times, sent_at, strict=True)]
    assert sorted(drift)[len(drift) // 2] < 0.001  # the moment in the packet is that of its sending
    first, most = 0, 0.0
    for last, at in enumerate(times):
        while at - times[first] > 0.010:
            first += 1
        most = max(most, (last - first + 1) * 1500 - offered_bps / 8 * (at - times[first]))
    assert most <= run["burst_bytes"] + 1500


def _passed_packets(far: House, direction: str) -> int:
    """What the shaper of this direction has let pass, by its own count."""
    up = direction == "up"
    where, device = ("probe", far.line.probe_device) if up else ("endpoint", far.line.endpoint_device)
    shown = far.line.run(where, "tc", "-s", "-j", "qdisc", "show", "dev", device)
    return int(json.loads(shown.stdout)[0]["packets"])


def _worker_of(pid: int) -> str:
    """The bulk worker below the process, which `ip netns exec` has become."""
    listed = subprocess.run(
        ["ps", "--ppid", str(pid), "-o", "pid=,args="], capture_output=True, text=True, check=True
    )
    (found,) = (line.split()[0] for line in listed.stdout.splitlines() if "probe.bulk.worker" in line)
    return found


def _sent_by(far: House) -> int:
    """Bytes that the endpoint's interface gave out, by the kernel's own counter."""
    shown = far.line.run("endpoint", "ip", "-json", "-stats", "link", "show", "dev", far.line.endpoint_device)
    (found,) = json.loads(shown.stdout)
    return int(found["stats64"]["tx"]["bytes"])
