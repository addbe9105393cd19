"""Rehearsals on a line with planted stalls, held against the fluid queue; and every packet of one, dissected.

What a stall costs is `dashboard.judge.fluid`: a buffer of W seconds loses max(0, s - W) of a stall of s in
which everything is held. Where everything is dropped, TCP is silent until its next try (RFC 6298), RTP has no
second chance, and ARQ saves what its ceiling can repeat within its latency (as `dashboard.judge.freezes` has
it).
"""

from __future__ import annotations

import json
import struct
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from dashboard.judge import fluid
from dashboard.judge.fluid import Stretch
from tests.links.house import LINEBOOK, PORT, House, house
from tests.links.stalls import Stalls

pytestmark = [pytest.mark.namespace, pytest.mark.few, pytest.mark.long]

NEAR = 0.10
RATE_BPS = 40_000_000  # two and a half times what the plan needs
PUSH_BUFFER_S, ARQ_LATENCY_S, ARQ_REPEATS = 1.0, 1.5, 0.25
SITE = """
name = "Namespaces (invented)"
invented = true
timezone = "UTC"
database = "line.db"
[safety]
emergency_calls = "no"
alarms = "no"
medical_devices = "no"
[[handoff]]
name = "A"
interface = "{interface}"
[[endpoint]]
name = "north"
invitation = "{invitation}"
[[plan]]
name = "P1"
handoff = "A"
dates = [2000-01-01]
hours = "19:00-21:00"
[[plan.destination]]
name = "push"
video = "6.5 Mb/s"
audio = "160 kb/s"
transport = "tcp"
buffer = "1 s"
frames_per_second = 60
[[plan.destination]]
name = "archive"                 # all frames alike, so that it does not matter which of them a stall met
video = "6 Mb/s"
audio = "160 kb/s"
transport = "arq"
latency = "1.5 s"
repeats = "25 %"
keyframe = "30 ms"
[[plan.destination]]
name = "guest"
video = "2.5 Mb/s"
audio = "50 kb/s"
transport = "rtp"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsed:
    """What came of it, by destination, and how long the planted stalls were."""

    run: dict[str, Any]
    held_s: float
    dropped_s: float

    def of(self, name: str) -> dict[str, Any]:
        return next(one for one in self.run["destinations"] if one["name"] == name)

    def seconds(self, name: str, what: str, *, from_s: int = 0, to_s: int = 1000) -> float:
        """Frames of a kind, as time, due from one second of the rehearsal to another."""
        found = self.of(name)
        counted = sum(each[what] for each in found["seconds"] if from_s <= each["at_s"] < to_s)
        return float(counted / found["frames_per_second"])


def site_file(far: House, folder: Path) -> Path:
    file = folder / "site.toml"
    file.touch(mode=0o600)
    file.write_text(SITE.format(interface=far.line.probe_device, invitation=far.invitation))
    return file


@pytest.fixture(scope="module")
def stalled(tmp_path_factory: pytest.TempPathFactory) -> Rehearsed:
    """A rehearsal of 17 s: 2.5 s in which everything is held, then 1.5 s in which everything is dropped."""
    folder = tmp_path_factory.mktemp("rehearsal")
    with house(folder / "endpoint") as far:
        stalls = Stalls(far.line, rate_bps=RATE_BPS)
        words = ("run", "rehearsal", str(site_file(far, folder)), "--plan", "P1", "--seconds", "17", "--json")
        running = far.line.start("probe", sys.executable, LINEBOOK, *words)
        assert running.stderr is not None
        while "after" not in running.stderr.readline():
            pass
        time.sleep(1)
        held_s = stalls.hold(2.5)
        time.sleep(5)  # TCP has caught up, and the picture is there again
        dropped_s = stalls.drop(1.5)
        out, err = running.communicate(timeout=60)
        assert running.returncode == 0, err
        return Rehearsed(run=json.loads(out), held_s=held_s, dropped_s=dropped_s)


def lost_s(silence_s: float, window_s: float) -> float:
    """What one stall costs a buffer that was empty before."""
    return sum(fluid.replay([Stretch(seconds=silence_s, headroom=0.0, window_s=window_s)]))


BETWEEN_S = 8  # the first stall is over, and the second has not begun


def test_a_push_drops_what_the_fluid_queue_loses(stalled: Rehearsed) -> None:
    """Both stalls together, and each: what did not fit the send buffer, which was full and never more."""
    held = lost_s(stalled.held_s, PUSH_BUFFER_S)
    silent = lost_s(fluid.tcp_silence_s(stalled.dropped_s), PUSH_BUFFER_S)
    assert stalled.run["dropped_s"] == pytest.approx(held + silent, rel=NEAR)
    assert stalled.seconds("push", "dropped", to_s=BETWEEN_S) == pytest.approx(held, rel=NEAR)
    assert stalled.seconds("push", "dropped", from_s=BETWEEN_S) == pytest.approx(silent, rel=NEAR)
    push = stalled.of("push")
    assert (push["buffer_high_ms"], push["lost"]) == (1000, 0)
    assert push["frames"] == 17 * 60 == push["sent"] + push["dropped"] + push["waited"]
    assert push["unseen"] == push["dropped"] + push["waited"]
    assert push["waited"] <= 2 * 120  # up to a keyframe interval after each


def test_rtp_loses_what_was_dropped_and_nothing_that_was_held(stalled: Rehearsed) -> None:
    """The stall itself; the picture is gone until the next keyframe, 2 s later at most."""
    assert stalled.seconds("guest", "lost", to_s=BETWEEN_S) == 0
    gone_s = stalled.seconds("guest", "lost")
    assert gone_s == pytest.approx(stalled.dropped_s, rel=NEAR)
    assert gone_s <= stalled.seconds("guest", "unseen") <= gone_s + 2
    # of what was held, all that waited for more than the buffer's half second came late
    assert stalled.seconds("guest", "late", to_s=BETWEEN_S) >= stalled.held_s - 0.5 - 0.1


def test_arq_saves_what_its_ceiling_can_repeat_in_time(stalled: Rehearsed) -> None:
    """s - L h of a stall of s, for a latency L and a share h; nothing waits for a keyframe here."""
    found = stalled.of("archive")
    window_s = ARQ_LATENCY_S * ARQ_REPEATS
    assert stalled.seconds("archive", "lost", to_s=BETWEEN_S) == 0
    assert stalled.seconds("archive", "lost") == pytest.approx(lost_s(stalled.dropped_s, window_s), rel=NEAR)
    assert found["repeats"] > 0
    assert found["repeats_refused"] > 0


def test_the_record_can_be_trusted_and_stands_in_the_database(stalled: Rehearsed) -> None:
    assert (stalled.run["kind"], stalled.run["standing"], stalled.run["endpoint"]) == (
        "rehearsal",
        "valid",
        "north",
    )
    assert stalled.run["circumstances"]["probe_cpu_ratio"] < 0.5
    quiet = [one for one in stalled.of("push")["seconds"] if one["at_s"] < 1]
    assert quiet == []


@pytest.mark.capture
def test_scapy_decodes_every_packet(tmp_path: Path) -> None:
    """A capture at the probe of a rehearsal that loses 5 % of its datagrams: each is of one of the forms that
    `probe/wire` describes, and they are as many as the record says. RTP is read by scapy's own dissector, the
    forms of our own are written down here once more."""
    from scapy.layers.inet import IP, TCP, UDP
    from scapy.layers.l2 import Ether
    from scapy.utils import rdpcap

    with house(tmp_path / "endpoint") as far:
        far.line.unmerge()
        far.line.drop(50, up=True, port=PORT + 1, above_bytes=100)
        file = tmp_path / "run.pcap"
        capture = far.line.start(
            "probe", "tshark", "-i", far.line.probe_device, "-w", str(file), "-F", "pcap", "-B", "64",
            "-f", f"port {PORT + 1}",
        )  # fmt: skip
        assert capture.stderr is not None
        while "Capturing on" not in capture.stderr.readline():
            pass
        time.sleep(0.5)  # it says so a little before it does
        run = far.linebook(
            "run", "rehearsal", str(site_file(far, tmp_path)), "--plan", "P1", "--seconds", "2"
        )
        capture.terminate()
        capture.communicate(timeout=10)
    kinds: Counter[str] = Counter()
    pushed: dict[int, bytes] = {}
    for data in rdpcap(str(file)):
        packet = Ether(bytes(data))
        if TCP in packet:
            length = packet[IP].len - packet[IP].ihl * 4 - packet[TCP].dataofs * 4
            if length and packet[TCP].dport == PORT + 1:
                pushed.setdefault(packet[TCP].seq, bytes(packet[TCP].payload)[:length])
        else:
            up = packet[UDP].dport == PORT + 1
            kinds += kind_of(bytes(packet[UDP].payload)[: packet[UDP].len - 8], up=up)
    streams = {one["name"]: one for one in run["destinations"]}
    assert kinds["rtp"] == streams["guest"]["packets"]
    assert kinds["rtp frame"] == streams["guest"]["sent"] == 60
    assert kinds["part"] + kinds["repeat"] == streams["archive"]["packets"]
    assert kinds["repeat"] == streams["archive"]["repeats"] > 0
    assert streams["archive"]["lost"] == 0  # all of it was repaired
    assert (kinds["question"] > 0, kinds["control"] > 0) == (True, True)
    assert frames_in(pushed) == list(range(120))


def kind_of(body: bytes, *, up: bool) -> Counter[str]:
    """What a datagram is; fails for one that is none of the forms."""
    from scapy.layers.rtp import RTP

    if body.startswith(b"LBpu"):
        assert len(body) == 80
        return Counter(["control"])
    if body.startswith(b"LBrq"):
        _, _, count = struct.unpack("!4s4sH2x", body[:12])
        assert (len(body), up) == (12 + 8 * count + 16, False)
        return Counter(["question"])
    found = RTP(body)
    if (found.version, found.extension, found.numsync, found.payload_type) == (2, 1, 0, 96):
        if body[12:16] == b"\xbe\xde\0\2":
            assert len(body) <= 12 + 12 + 1200 + 10
            return Counter(["rtp", "rtp frame"] if found.marker else ["rtp"])
    _, _, _, place, marked = struct.unpack("!4sIIHH", body[:16])
    assert place < marked & 0x7FFF
    assert (len(body) <= 16 + 7 * 188, up) == (True, True)
    return Counter(["repeat" if marked & 0x8000 else "part"])


def frames_in(pushed: dict[int, bytes]) -> list[int]:
    """The numbers of a stream's frames, from its segments by sequence number, after a token of 32 octets."""
    data, ends = b"", None
    for sequence, body in sorted(pushed.items()):
        assert ends is None or sequence == ends
        data, ends = data + body, sequence + len(body)
    found, at = [], 32
    while at < len(data):
        frame, size = struct.unpack("!II", data[at : at + 8])
        found.append(frame)
        at += 8 + size
    assert at == len(data)
    return found
