"""One endpoint under the load of many: what it adds to a train's delay, what it loses, who waits how long.

    python -m tests.bench.endpoint_load [TRAINS [SECONDS [WORDS ...]]]

First what this host takes for as many packets without an endpoint, then one train at 20 packets/s, then
TRAINS (200) at once, over loopback, each with a phase drawn at random, as those of separate probes have.
Replies are read when all is sent, with the kernel's arrival stamps, and this program sends from one
processor: the probes that it stands in for would take none of the endpoint's.
`within` is from the endpoint's own stamps, arrival to leaving; `round trip` is from here, and what the many
have more than the one is what the load added. Then 50 callers that each want a run, one at a time, again and
again for 20 s: how many each got. With WORDS the endpoint is begun by them and only the trains are measured:
`chrt -r 5 python -m tests.bench.endpoint_load 200 6 setpriv --bounding-set -sys_nice prlimit --rtprio=0`, as
root, measures one that may not come before other work, while this program does.
Prints figures, judges none.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from array import array
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import AsyncExitStack, contextmanager
from pathlib import Path

from probe.control import Control
from probe.endpoint import keys
from probe.linux.segments import come_first
from probe.practice.relay import free_pair
from probe.reach import Binding, Reach
from probe.wire.control import RunGrant, RunRequest, TrainCounts, TrainGrant, TrainRequest
from probe.wire.invitation import Invitation
from probe.wire.stamp import SenderPacket, decode_reflector, encode_sender, ntp_of
from store.clock import Clock
from tests.bench.soak import look

LINEBOOK = str(Path(__file__).parents[2] / "linebook.py")
PER_SECOND, PACKET_BYTES, CALLERS, HELD_S = 20, 152, 50, 0.2
WANTED_US = 100  # what an endpoint may add at p99
SO_TIMESTAMPNS = 35  # Linux, asm-generic/socket.h
NTP_S, NTP_FRACTION = 2_208_988_800, 1 << 32


@contextmanager
def serving(
    folder: Path, callers: Sequence[str], by: Sequence[str]
) -> Iterator[tuple[int, dict[str, Reach]]]:
    """An endpoint in a process of its own; its pid and how each caller reaches it."""
    port = free_pair()
    invited = {name: keys.invite(folder, address=f"127.0.0.1:{port}", name=name) for name in callers}
    (folder / "limits.toml").write_text("[endpoint]\ncallers = 500\n[caller]\ntrains = 1000\n")
    command = [*by, sys.executable, LINEBOOK, "endpoint", "serve", str(folder), "--listen", "127.0.0.1"]
    with subprocess.Popen(command, stderr=subprocess.PIPE) as process:
        assert process.stderr is not None
        try:
            process.stderr.readline()
            yield process.pid, {name: _reach(name, one) for name, one in invited.items()}
        finally:
            process.terminate()
            process.communicate()


def _reach(name: str, invitation: Invitation) -> Reach:
    return Reach(handoff=name, endpoint="endpoint", invitation=invitation, binding=Binding())


async def trains(reach: Reach, count: int, seconds: float, pid: int) -> None:
    """Send `count` trains and print what came back."""
    async with Control(reach, clock=Clock()) as control:
        opened = [
            await control.open_train(TrainRequest(per_second=PER_SECOND, packet_bytes=PACKET_BYTES))
            for _ in range(count)
        ]
        grants = [grant for grant in opened if isinstance(grant, TrainGrant)]
        assert len(grants) == count, opened[-1]
        before_s = _processor_s(pid)
        sent, found = await asyncio.to_thread(_exchange, grants, seconds)
        spent_us = (_processor_s(pid) - before_s) / sent * 1e6
        counted = [await control.close_train(grant.ssid) for grant in grants]
    counts = [one for one in counted if isinstance(one, TrainCounts)]
    within = sorted(one[0] for one in found)
    around = sorted(one[1] for one in found)
    rest = sorted(one[1] - one[0] for one in found)
    seen = look(pid)
    print(
        f"{count} trains, {sent} packets: {sum(one.received for one in counts)} received and "
        f"{sum(one.reflected for one in counts)} answered by the endpoint, {len(found)} back here; "
        f"within it {_spread(within)}, of which {spent_us:.0f} us a packet are work; round trip p50 "
        f"{_at(around, 0.5):.0f}, p99 {_at(around, 0.99):.0f} us, without the time within p50 "
        f"{_at(rest, 0.5):.0f}, p99 {_at(rest, 0.99):.0f} us; endpoint {seen.resident_mb:.0f} MB",
        flush=True,
    )


def _processor_s(pid: int) -> float:
    """Processor time that a process has had, all its threads; proc(5), fields 14 and 15."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _spread(ordered: Sequence[float]) -> str:
    above = sum(each > WANTED_US for each in ordered) / max(1, len(ordered))
    told = ", ".join(f"p{share * 100:.0f} {_at(ordered, share):.0f}" for share in (0.5, 0.9, 0.95, 0.99))
    return f"{told} us, {above:.1%} above {WANTED_US} us"


def _at(ordered: Sequence[float], share: float) -> float:
    return ordered[min(len(ordered) - 1, int(len(ordered) * share))] if ordered else float("nan")


def _exchange(grants: Sequence[TrainGrant], seconds: float) -> tuple[int, list[tuple[float, float]]]:
    """Packets sent, and (within the endpoint, round trip) of each that came back, in microseconds."""
    chance = random.Random(1)
    due = _schedule(grants, seconds, chance)
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.setsockopt(socket.SOL_SOCKET, 33, 32 << 20)  # SO_RCVBUFFORCE
    sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    sock.connect(("127.0.0.1", grants[0].port))
    packets = [
        encode_sender(
            SenderPacket(sequence=number, sent_ntp=ntp_of(time.time_ns()), error_estimate=1, ssid=grant.ssid),
            key=grant.key,
            size=PACKET_BYTES,
        )
        for _, number, grant in due
    ]
    moments = _send(sock, [at for at, _, _ in due], packets)
    sent_at = {(grant.ssid, number): moment for (_, number, grant), moment in zip(due, moments, strict=True)}
    time.sleep(0.5)
    replies = _replies(sock)
    by_ssid = {grant.ssid: grant.key for grant in grants}
    found = []
    for arrived_ns, reply in replies:
        ssid = struct.unpack_from("!H", reply, 26)[0] if len(reply) > 28 else 0
        for candidate in (ssid, *by_ssid):
            if candidate in by_ssid:
                try:
                    packet = decode_reflector(reply, key=by_ssid[candidate])
                except Exception:
                    continue
                within_us = (packet.sent_ntp - packet.received_ntp) / NTP_FRACTION * 1e6
                around_us = (arrived_ns - sent_at[candidate, packet.sender_sequence]) / 1e3
                found.append((within_us, around_us))
                break
    return len(due), found


def _schedule(
    grants: Sequence[TrainGrant], seconds: float, chance: random.Random
) -> list[tuple[float, int, TrainGrant]]:
    """Each train with a phase of its own, all by time."""
    made = []
    for grant in grants:
        phase = chance.random() / PER_SECOND
        made += [(phase + number / PER_SECOND, number, grant) for number in range(int(seconds * PER_SECOND))]
    return sorted(made, key=lambda one: one[0])


def _send(sock: socket.socket, due: Sequence[float], packets: Sequence[bytes]) -> list[int]:
    """Send each packet when it is due, seconds from now, by one processor; the Unix ns of each."""
    sent, processors = [], os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(processors)})
    begun = time.perf_counter() + 0.2
    for at, packet in zip(due, packets, strict=True):
        while (ahead := begun + at - time.perf_counter()) > 0:
            if ahead > 0.0005:
                time.sleep(ahead - 0.0003)
        sent.append(time.time_ns())
        sock.send(packet)
    os.sched_setaffinity(0, processors)
    return sent


def alone(count: int, seconds: float) -> None:
    """Print what this host takes to hand a packet to a program that does nothing but look at the clock.

    As often as `count` trains have one; the program comes before ordinary work, as the endpoint does. No
    endpoint in Python can be faster than that.
    """
    chance = random.Random(1)
    due = sorted(chance.random() * seconds for _ in range(round(count * PER_SECOND * seconds)))
    near, far = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(2))
    far.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    far.bind(("127.0.0.1", 0))
    near.connect(far.getsockname())
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        come_first(busy=False)
        taken = array("q")
        for _ in due:
            _, ancillary, _, _ = far.recvmsg(2048, 64)
            now_ns = time.time_ns()
            taken.append(now_ns - _unix_ns(ancillary))
        os.write(writing, _spread(sorted(each / 1e3 for each in taken)).encode())
        os._exit(0)
    _send(near, due, [bytes(PACKET_BYTES)] * len(due))
    told = os.read(reading, 200).decode()
    os.waitpid(child, 0)
    print(f"This host alone, {len(due)} packets: to a program that reads the clock {told}", flush=True)


def _unix_ns(ancillary: list[tuple[int, int, bytes]]) -> int:
    whole_s, rest_ns = struct.unpack("=qq", ancillary[0][2][:16])
    return int(whole_s * 10**9 + rest_ns)


def _replies(sock: socket.socket) -> list[tuple[int, bytes]]:
    """All that has come to a socket, each with its kernel stamp in Unix nanoseconds."""
    found = []
    sock.setblocking(False)
    with contextlib.suppress(BlockingIOError):
        while True:
            data, ancillary, _, _ = sock.recvmsg(2048, 64)
            found.append((_unix_ns(ancillary), data))
    return found


async def queue(reaches: dict[str, Reach], seconds: float) -> None:
    """Every caller asks for a run until it has one, holds it for a moment, and asks again."""
    got: Counter[str] = Counter()
    waited: list[float] = []
    ends, chance = time.monotonic() + seconds, random.Random(1)

    async def ask(name: str, control: Control) -> None:
        asked = time.monotonic()
        while time.monotonic() < ends:
            found = await control.open_run(RunRequest(direction="up", flows=1, seconds=1))
            if isinstance(found, RunGrant):
                got[name] += 1
                waited.append(time.monotonic() - asked)
                await asyncio.sleep(HELD_S)
                await control.end_run(found.run)
                asked = time.monotonic()
            else:
                again = control.refusal.retry_after_s if control.refusal is not None else None
                await asyncio.sleep(min(again or 1.0, 1.0) * chance.uniform(0.2, 1))  # not all at once

    async with AsyncExitStack() as stack, asyncio.TaskGroup() as group:
        for name, reach in reaches.items():
            control = await stack.enter_async_context(Control(reach, clock=Clock()))
            group.create_task(ask(name, control))
    counts = [got[name] for name in reaches]
    jain = sum(counts) ** 2 / (len(counts) * sum(count * count for count in counts)) if sum(counts) else 0
    print(
        f"{len(counts)} callers, {sum(counts)} runs in {seconds:g} s: {min(counts)} to {max(counts)} each, "
        f"Jain's index {jain:.3f}; waited p50 {statistics.median(waited):.1f} s, at most {max(waited):.1f} s"
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 10
    by = sys.argv[3:]
    callers = [f"caller-{nth}" for nth in range(CALLERS)]
    with (
        tempfile.TemporaryDirectory() as folder,
        serving(Path(folder) / "far", callers, by) as (pid, reaches),
    ):
        alone(count, seconds)
        for each in (1, count):
            asyncio.run(trains(reaches[callers[0]], each, seconds, pid))
        if not by:
            asyncio.run(queue(reaches, 20))
        print(json.dumps({"endpoint_mb": round(look(pid).resident_mb, 1), "files": look(pid).files}))


if __name__ == "__main__":
    main()
