"""Hours of measuring while faults come at random from a seed, and what is left of it at the end.

    python -m tests.bench.fault_soak FOLDER [MINUTES [SEED]]      as root

Two probes and two endpoints on a line of namespaces, 10 packets a second on every train and a short run
every ten minutes. The probe "mortal" and the endpoint "north" are killed and started again; the probe
"lasting" and the endpoint "south" live through everything else, so that whatever leaks has time to show.
Faults come one at a time, 20 to 60 s apart, each mended before the next, in rounds: every kind once in each,
in an order that the seed draws. The last five minutes (a fifth of a shorter soak) have none. A fault that
could not be injected is told and the soak goes on.
Each probe's record lies on a small file system of its own, which can be filled.

Prints figures, and at the end one line that says what did not hold: a time of more than 0.1 s that is
neither measured nor gap nor window, a chain that does not verify, a probe that ended, a kind of fault that
never came; threads, files, children or tasks that are more in the second half than in the first, and
memory that grows there by the rule of `levels`. What counts is what the process holds (`books`), not what is
resident: that has pages of files and what the allocator keeps free. The cache of SQLite has its own bound.
FOLDER is made, and keeps the logs, the books, copies of both databases and `done.json`.
"""

from __future__ import annotations

import contextlib
import json
import random
import shutil
import signal
import statistics
import subprocess
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, closing
from dataclasses import asdict, dataclass, field
from pathlib import Path

from probe.endpoint import keys
from probe.wire import invitation
from store import verify
from store.reader import Reader
from store.records import Gap, OpenKind, WindowOpened
from tests.bench import books
from tests.bench.levels import at_rest, level
from tests.bench.soak import Seen, look
from tests.links.namespaces import ENDPOINT_V4, PROBE_V4, Line, line

HOUSE = Path(__file__).parents[2]
NS = 10**9
CALM_S, PAUSE_S, DISK_MB, OTHER_V4 = 300, (20, 60), 160, "192.0.2.11"
PORTS = {"north": 47_862, "south": 47_872}
PROBES = ("mortal", "lasting")
BOOKS = ("tasks", "objects", "connections", "held_bytes", "sqlite_bytes", "anonymous_bytes", "file_bytes")
SQLITE_MAX = 3 * 2**20  # its cache of 2,000 kB (PRAGMA cache_size), and what statements and the schema take
LEAST_BYTES = 400_000.0  # an hour: 1,000 octets with each of the 400 records an hour of this soak

SITE = """
name = "Fault soak {name}"
invented = true
timezone = "UTC"
database = "{database}"
safety = {{emergency_calls = "no", alarms = "no", medical_devices = "no"}}
[[handoff]]
name = "A"
interface = "{interface}"
"""
PART = """
[[endpoint]]
name = "{name}"
where = "outside"
invitation = "{invitation}"
[[train]]
handoff = "A"
endpoint = "{name}"
per_second = 10
"""
RUN = """
[[run]]
handoff = "A"
endpoint = "south"
direction = "both"
seconds = 3
flows = 2
every = "10 min"
"""


@dataclass(kw_only=True)
class Life:
    """A process that may be ended and begun again."""

    words: list[str]
    log: Path
    process: subprocess.Popen[bytes] | None = None

    def begin(self) -> None:
        with self.log.open("ab") as file:
            self.process = subprocess.Popen(self.words, stdout=file, stderr=file)

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    def send(self, what: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(what)

    def end(self, what: signal.Signals = signal.SIGTERM) -> int:
        """The exit code; some 2 s are all that a stop may take."""
        assert self.process is not None
        if self.process.poll() is None:
            self.process.send_signal(what)
        return self.process.wait(timeout=60)


@dataclass(kw_only=True)
class Stage:
    """Everything that a fault may touch."""

    line: Line
    folder: Path
    chance: random.Random
    probes: dict[str, Life] = field(default_factory=dict)
    endpoints: dict[str, Life] = field(default_factory=dict)
    odd: list[str] = field(default_factory=list)  # what went otherwise than it should

    def wait(self, least_s: float, most_s: float) -> None:
        time.sleep(self.chance.uniform(least_s, most_s))

    def nft(self, where: str, rule: str) -> None:
        device = self.line.endpoint_device if where == "endpoint" else self.line.probe_device
        hook = f'type filter hook ingress device "{device}" priority 0;'
        rules = f"table netdev fault {{\n chain arrivals {{\n {hook}\n {rule}\n }}\n}}"
        self.line.run(where, "nft", "-f", "-", input=rules)

    def mend_nft(self, where: str) -> None:
        self.line.run(where, "nft", "delete", "table", "netdev", "fault")


def kill_probe(stage: Stage) -> None:
    stage.probes["mortal"].end(signal.SIGKILL)
    stage.wait(0, 15)
    stage.probes["mortal"].begin()


def restart_probe(stage: Stage) -> None:
    if (code := stage.probes["mortal"].end()) not in (0, -signal.SIGTERM, 128 + signal.SIGTERM):
        stage.odd.append(f"the stopped probe ended with {code}")
    stage.wait(0, 5)
    stage.probes["mortal"].begin()


def kill_endpoint(stage: Stage) -> None:
    stage.endpoints["north"].end(signal.SIGKILL)
    stage.wait(0, 20)
    stage.endpoints["north"].begin()


def reboot_endpoint(stage: Stage) -> None:
    stage.endpoints["north"].end()
    stage.wait(15, 45)
    stage.endpoints["north"].begin()


def freeze_endpoint(stage: Stage) -> None:
    _freeze(stage, stage.endpoints[stage.chance.choice(list(PORTS))])


def freeze_probe(stage: Stage) -> None:
    _freeze(stage, stage.probes["lasting"])


def _freeze(stage: Stage, life: Life) -> None:
    life.send(signal.SIGSTOP)
    try:
        stage.wait(0.5, 25)
    finally:
        life.send(signal.SIGCONT)


def cut(stage: Stage) -> None:
    stage.line.cut()
    stage.wait(1, 30)
    stage.line.cut(cut=False)


def flap(stage: Stage) -> None:
    for _ in range(stage.chance.randint(3, 8)):
        stage.line.cut()
        stage.wait(0.1, 1.5)
        stage.line.cut(cut=False)
        stage.wait(0.1, 1.5)


def half_dead(stage: Stage) -> None:
    _dropping(stage, stage.chance.choice(("endpoint", "probe")), "meta protocol ip drop")


def lossy(stage: Stage) -> None:
    _dropping(stage, stage.chance.choice(("endpoint", "probe")), "numgen random mod 100 < 10 drop")


def no_large_packets(stage: Stage) -> None:
    _dropping(stage, stage.chance.choice(("endpoint", "probe")), "ip length > 1000 drop")


def _dropping(stage: Stage, where: str, rule: str) -> None:
    stage.nft(where, rule)
    try:
        stage.wait(2, 30)
    finally:
        stage.mend_nft(where)


def slow(stage: Stage) -> None:
    stage.line.shape(200_000, queue_ms=800)
    stage.wait(3, 25)
    stage.line.shape(50_000_000)


def other_address(stage: Stage) -> None:
    device = stage.line.probe_device
    for gone, come in ((PROBE_V4, OTHER_V4), (OTHER_V4, PROBE_V4)):
        stage.line.run("probe", "ip", "address", "del", f"{gone}/24", "dev", device)
        stage.wait(0, 2)
        stage.line.run("probe", "ip", "address", "add", f"{come}/24", "dev", device)
        stage.wait(2, 20)


def full_disk(stage: Stage) -> None:
    name = stage.chance.choice(PROBES)
    filler = stage.folder / name / "disk" / "filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(65_536))
    stage.wait(2, 40)
    filler.unlink()


def few_descriptors(stage: Stage) -> None:
    life = stage.probes["lasting"]
    held = look(life.pid).files
    _limit(life, held + stage.chance.randint(0, 2))
    stage.wait(5, 30)
    _limit(life, 1024)


def _limit(life: Life, files: int) -> None:
    words = ["prlimit", "--pid", str(life.pid), f"--nofile={files}:4096"]
    subprocess.run(words, check=True, capture_output=True)


def reload(stage: Stage) -> None:
    for life in stage.probes.values():
        life.send(signal.SIGHUP)


def second_probe(stage: Stage) -> None:
    done = subprocess.run(
        stage.probes["lasting"].words, capture_output=True, text=True, timeout=60, check=False
    )
    if done.returncode != 3 or "Traceback" in done.stderr:
        stage.odd.append(f"a second probe ended with {done.returncode}: {done.stderr[-300:]}")


def stop_and_resume(stage: Stage) -> None:
    site = str(stage.folder / "lasting" / "site.toml")
    for words in (("--minutes", "5"), ("--resume",)):
        command = [sys.executable, str(HOUSE / "linebook.py"), "stop", site, *words]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        if done.returncode:
            stage.odd.append(f"stop {words} ended with {done.returncode}: {done.stderr[-300:]}")
        stage.wait(3, 20)


FAULTS: tuple[Callable[[Stage], None], ...] = (
    kill_probe, restart_probe, kill_endpoint, reboot_endpoint, freeze_endpoint, freeze_probe, cut, flap,
    half_dead, lossy, no_large_packets, slow, other_address, full_disk, few_descriptors, reload,
    second_probe, stop_and_resume,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Look(Seen):
    """What lasted, at one minute in which no fault was under way."""

    minute: int
    tasks: int
    objects: int
    connections: int  # secured by TLS
    held_bytes: int
    sqlite_bytes: int
    anonymous_bytes: int
    file_bytes: int


def main() -> None:
    folder = Path(sys.argv[1])
    minutes = float(sys.argv[2]) if len(sys.argv) > 2 else 120
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    folder.mkdir(parents=True)
    with ExitStack() as stack:
        made = stack.enter_context(line())
        made.shape(50_000_000)
        stage = Stage(line=made, folder=folder, chance=random.Random(seed))
        for name in PORTS:
            stage.endpoints[name] = _endpoint(stage, name, stack)
        for name in PROBES:
            stage.probes[name] = _probe(stage, name, stack)
        began_ns = time.time_ns()
        begun = time.monotonic()
        looks, done = _soak(stage, minutes)
        lasted_min = (time.monotonic() - begun) / 60
        ended_ns = time.time_ns()
        codes = {name: life.end() for name, life in stage.probes.items()}
        print(f"seed {seed}; {lasted_min:.1f} min; faults {sum(done.values())}: {dict(sorted(done.items()))}")
        print(f"probes ended with {codes}; endpoints still answer: {_alive(stage.endpoints)}")
        print(f"went otherwise: {stage.odd or 'nothing'}")
        amiss = [f"went otherwise: {one}" for one in stage.odd]
        amiss += [f"{name} ended with {code}" for name, code in codes.items() if code]
        amiss += [f"no {fault.__name__}" for fault in FAULTS if not done[fault.__name__]]
        for name in PROBES:
            for file in (folder / name / "disk").glob("line.db*"):
                shutil.copy(file, folder / f"{name}{file.name.removeprefix('line')}")
            amiss += _account(name, folder / name / "disk" / "line.db", began_ns, ended_ns)
        for name, found in looks.items():
            amiss += _leaks(name, found)
        print(f"did not hold: {'; '.join(amiss) or 'nothing'}")
        told = {"seed": seed, "minutes": round(lasted_min, 1), "faults": done, "did_not_hold": amiss}
        (folder / "done.json").write_text(json.dumps(told, indent=1))


def _soak(stage: Stage, minutes: float) -> tuple[dict[str, list[Look]], Counter[str]]:
    """Faults until shortly before the end; looks between them, a minute apart at least."""
    calm_s, bag = min(CALM_S, minutes * 12), list[Callable[[Stage], None]]()
    begun, done = time.monotonic(), Counter[str]()
    looks: dict[str, list[Look]] = {"lasting": [], "south": []}
    watched = {"lasting": stage.probes["lasting"], "south": stage.endpoints["south"]}
    while (passed_s := time.monotonic() - begun) < minutes * 60:
        if passed_s < minutes * 60 - calm_s:
            stage.wait(*(PAUSE_S if minutes > 30 else (2, 5)))
            bag = bag or stage.chance.sample(FAULTS, len(FAULTS))
            fault = bag.pop()
            print(f"{passed_s / 60:6.1f} {fault.__name__}", flush=True)
            done[fault.__name__] += _injected(fault, stage)
        else:
            time.sleep(20)
        for name, life in watched.items():
            if life.process is not None and (code := life.process.poll()) is not None:
                stage.odd.append(f"{name} ended by itself with {code}")
                return looks, done
            minute = int((time.monotonic() - begun) / 60)
            if not looks[name] or looks[name][-1].minute < minute:
                time.sleep(5)  # what the fault left open is closed
                looks[name].append(_look(stage.folder / f"{name}.told", life.pid, minute))
                print(f"       {name} {looks[name][-1]}", flush=True)
    return looks, done


def _injected(fault: Callable[[Stage], None], stage: Stage) -> bool:
    """Whether the fault could be injected, and mended."""
    try:
        fault(stage)
    except Exception:
        stage.odd.append(f"{fault.__name__}: {traceback.format_exc(limit=2)}")
        print(traceback.format_exc(), flush=True)
        return False
    return True


def _look(told: Path, pid: int, minute: int) -> Look:
    found = books.ask(pid, told)
    with (told.parent / "books.jsonl").open("a") as file:
        file.write(json.dumps({"minute": minute, "name": told.stem} | found) + "\n")
    numbers = {name: found.get(name, -1) for name in BOOKS}
    return Look(minute=minute, **numbers, **asdict(look(pid)))


def _watched(stage: Stage, where: str, name: str, *words: str) -> Life:
    program = books.words(stage.folder / f"{name}.told", *words)
    space = stage.line.probe if where == "probe" else stage.line.endpoint
    return Life(words=["ip", "netns", "exec", space, *program], log=stage.folder / f"{name}.log")


def _endpoint(stage: Stage, name: str, stack: ExitStack) -> Life:
    place, address = stage.folder / f"endpoint-{name}", f"{ENDPOINT_V4}:{PORTS[name]}"
    for caller in PROBES:
        told = keys.invite(place, address=address, name=caller)
        (stage.folder / f"{caller}-{name}").write_text(invitation.write(told))
    life = _watched(stage, "endpoint", name, "endpoint", "serve", str(place), "--listen", ENDPOINT_V4)
    life.begin()
    stack.callback(life.end)
    return life


def _probe(stage: Stage, name: str, stack: ExitStack) -> Life:
    house = stage.folder / name
    disk = house / "disk"
    disk.mkdir(parents=True)
    mount = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m,mode=700", f"soak-{name}", str(disk)]
    subprocess.run(mount, check=True, capture_output=True)
    stack.callback(subprocess.run, ["umount", "-l", str(disk)], check=False)
    parts = [SITE.format(name=name, database=disk / "line.db", interface=stage.line.probe_device)]
    for endpoint in PORTS:
        invited = (stage.folder / f"{name}-{endpoint}").read_text()
        parts.append(PART.format(name=endpoint, invitation=invited))
    site = house / "site.toml"
    site.write_text("".join(parts) + RUN)
    site.chmod(0o600)
    life = _watched(stage, "probe", name, "probe", str(site))
    life.begin()
    stack.callback(life.end)
    return life


def _alive(lives: dict[str, Life]) -> list[str]:
    return [name for name, life in lives.items() if life.process is not None and life.process.poll() is None]


def _account(name: str, database: Path, began_ns: int, ended_ns: int) -> list[str]:
    """Where each minute of each train went, and whether the chain verifies; what did not hold."""
    amiss = []
    with closing(Reader.open(database)) as reader:
        spans, troubles = reader.train_spans(), reader.troubles()
        windows = [one for one in reader.windows() if one.window is OpenKind.STOP]
    gaps = [one for one in troubles if isinstance(one, Gap)]
    stopped = [one for one in windows if isinstance(one, WindowOpened)]
    for endpoint in PORTS:
        measured = [
            (one.started_unix_ns, one.started_unix_ns + round(one.seconds * NS))
            for one in spans
            if one.endpoint == endpoint
        ]
        missing = [(one.started_unix_ns, one.ended_unix_ns) for one in gaps if one.endpoint in ("", endpoint)]
        first_ns = min((start for start, _ in [*measured, *missing]), default=began_ns)
        if first_ns - began_ns > 60 * NS:
            amiss.append(f"{name} to {endpoint} began late")
        holes = list(_holes([*measured, *missing], first_ns, ended_ns))
        minutes = ended_ns // (60 * NS) + began_ns // (-60 * NS)
        bad = {minute for start, end in holes for minute in range(start // (60 * NS), end // (60 * NS) + 1)}
        longest_s = max((end - start for start, end in holes), default=0) / NS
        print(
            f"{name} to {endpoint}: {minutes} whole minutes, {_sum_s(measured):.0f} s measured, "
            f"{len(missing)} gaps of {_sum_s(missing):.0f} s; neither: {_sum_s(holes):.1f} s in {len(holes)} "
            f"holes of more than 0.1 s, the longest {longest_s:.2f} s, in {len(bad)} minutes"
        )
        for start, end in holes:
            at = f"{(start - began_ns) / 60 / NS:.2f} min"
            amiss.append(f"{name} to {endpoint}: {(end - start) / NS:.2f} s at {at} are neither")
    whys = Counter(one.why for one in gaps)
    print(f"  gaps: {dict(whys.most_common(12))}; stops {len(stopped)}")
    verified = verify.database(database).verified
    print(f"  chain: {'verifies' if verified else 'does NOT verify'}, {database.stat().st_size / 1e6:.1f} MB")
    return amiss if verified else [*amiss, f"{name}: the chain does not verify"]


def _sum_s(stretches: Iterable[tuple[int, int]]) -> float:
    return sum(end - start for start, end in stretches) / NS


def _holes(covered: Iterable[tuple[int, int]], began_ns: int, ended_ns: int) -> Iterator[tuple[int, int]]:
    """What no span and no gap covers, where it is longer than the spacing of packets."""
    reached = began_ns
    for start, end in sorted(covered):
        if start - reached > NS // 10:
            yield reached, min(start, ended_ns)
        reached = max(reached, end)
        if reached >= ended_ns:
            return
    if ended_ns - reached > NS // 10:
        yield reached, ended_ns


def _leaks(name: str, looks: list[Look]) -> list[str]:
    """How what a process has went on; what of it leaks. Its second half counts, when caches are full."""
    warm = [one for one in looks if one.minute >= 15] or looks
    for what in ("resident_mb", "threads", "files", "children", "tasks", "objects"):
        values = [float(getattr(one, what)) for one in warm]
        print(
            f"{name} {what}: first {getattr(looks[0], what):.6g}, warm {values[0]:.6g}, "
            f"last {values[-1]:.6g}, at most {max(values):.6g}; at the calm end {values[-6:]}"
        )
    first, last = looks[0], looks[-1]
    parts = (("own pages", "anonymous_bytes"), ("pages of files", "file_bytes"), ("held", "held_bytes"))
    shown = [
        f"{said} {getattr(first, at) / 1e6:.2f} to {getattr(last, at) / 1e6:.2f} MB" for said, at in parts
    ]
    most = max(one.sqlite_bytes for one in looks)
    print(f"{name} memory: {', '.join(shown)}, SQLite's pages {most / 1e6:.2f} MB at most beside it")
    half = [one for one in looks if one.minute * 2 >= last.minute and one.held_bytes > 0]
    rest = at_rest([(one.minute / 60, one.tasks + one.connections, one.held_bytes) for one in half])
    if len(rest) < 8:
        print(f"{name} memory: {len(rest)} looks in the second half are too few to judge")
        return []
    found = level(*zip(*rest, strict=True), least=LEAST_BYTES)
    print(f"{name} memory of its second half, {len(rest)} looks at rest: {found.said('an hour')}")
    amiss = [f"{name}: memory {found.said('an hour')}"] if found.word == "grows" else []
    amiss += [f"{name}: SQLite holds {most:,} bytes"] if most > SQLITE_MAX else []
    for what in ("threads", "files", "children", "tasks"):
        before, after = (
            statistics.median(getattr(one, what) for one in part) for part in (warm[: len(warm) // 2], half)
        )
        amiss += [f"{name}: {what} {before:g} to {after:g}"] if after > before else []
    return amiss


if __name__ == "__main__":
    main()
