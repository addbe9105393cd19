"""`linebook practice`: endpoint, practice line, probe and dashboard on this machine, as real processes.

Each is the program a person would start, so that nothing here knows the dashboard: it is given the command
to call. They live in a directory that is removed at the end, unless it is to be kept, and none of them
outlives this process. Stands at the top of practice.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import signal
import socket
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from probe.endpoint import keys
from probe.practice import children, old_line, place, relay
from probe.wire import invitation
from store.clock import NS_PER_S, Clock, local, zone
from store.errors import DatabaseMistake, UserMistake
from store.reader import Reader
from store.records import RateRun

SITE, SECRETS, DATABASE = "site.toml", "invitations.toml", "line.db"

_LOOPBACK = "127.0.0.1"
_LOOK_EVERY_S = 0.1
_START_WITHIN_S = 30.0
_END_WITHIN_S = 1.2  # for the probe to put its last records on disk; all else is quicker
_LAST_LINES = 5
_ENDS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class _Ended(Exception):
    """Somebody asked for the end."""


class _Died(Exception):
    """A child went away by itself; its text is a sentence and the child's last lines."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Child:
    """A process of the practice, and where its words go."""

    name: str
    process: subprocess.Popen[bytes]
    log: Path

    def said(self) -> str:
        return self.log.read_text(errors="replace")

    def obituary(self) -> str:
        """How it ended, with its last lines."""
        code = self.process.returncode
        how = f"signal {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"
        last = self.said().strip().splitlines()[-_LAST_LINES:]
        return "\n".join([f"The {self.name} ended unexpectedly ({how}). It last said:", *last])


def run(
    *, command: Sequence[str], keep: Path | None, port: int | None, out: TextIO, clock: Clock | None = None
) -> int:
    """Practise until SIGINT, SIGTERM or SIGHUP; 0 then, 1 when one of the processes died by itself.

    `command` starts linebook. Raises UserMistake for a port that is taken or a directory that is in use.
    """
    _check_port(port)
    if keep is not None:
        _check_directory(keep)
    ending = threading.Event()
    before = {number: signal.signal(number, lambda *_: ending.set()) for number in _ENDS}
    try:
        with tempfile.TemporaryDirectory(prefix="linebook-practice-") as temporary:
            stage = _Stage(
                command=command,
                home=(keep or Path(temporary) / "site").absolute(),
                backstage=Path(temporary),
                port=port,
                say=lambda words: print(words, file=out, flush=True),
                ending=ending,
                clock=clock or Clock(),
            )
            code = stage.play(kept=keep is not None)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    return code


class _Stage:
    """The processes of one practice, from start to end."""

    def __init__(
        self,
        *,
        command: Sequence[str],
        home: Path,
        backstage: Path,
        port: int | None,
        say: Callable[[str], None],
        ending: threading.Event,
        clock: Clock,
    ) -> None:
        self._command, self._home, self._backstage, self._port = command, home, backstage, port
        self._say, self._ending, self._clock = say, ending, clock
        self._children: list[_Child] = []

    def play(self, *, kept: bool) -> int:
        """Start everything, wait for the end, end everything; the exit code."""
        code = 0
        left = f"the database and the site file stay in {self._home}" if kept else "nothing is left behind"
        try:
            self._start()
            self._say(f"Ctrl-C ends it all; {left}.")
            self._tell_first_run()
            while True:
                self._wait()
        except _Ended:
            pass
        except _Died as death:
            code = 1
            self._say(str(death))
        finally:
            self._end()
        self._say(f"Practice ended; {left}.")
        return code

    def _start(self) -> None:
        self._say(
            "A practice site: the Quillet Lane School of Ceramics and its old line are invented. The figures "
            "are measured for real, through a practice line on this machine."
        )
        self._say(old_line.CALENDAR)
        self._home.mkdir(mode=0o700, parents=True, exist_ok=True)
        endpoint_port = relay.free_pair()
        relay_port = self._start_line(endpoint_port)
        self._write_site(relay_port)
        serve = ["endpoint", "serve", str(self._backstage / "endpoint")]
        endpoint = self._start_child("endpoint", *serve, "--listen", f"{_LOOPBACK}:{endpoint_port}")
        self._until(lambda: bool(endpoint.said()), what="the endpoint to answer")
        self._start_child("probe", "probe", str(self._home / SITE))
        self._until(self._database_is_there, what="the probe to open its database")
        words = [] if self._port is None else ["--port", str(self._port)]
        dashboard = self._start_child("dashboard", "dashboard", str(self._home / SITE), *words)
        self._until(lambda: bool(_address_in(dashboard.said())), what="the dashboard to answer")
        self._say(f"Dashboard: {_address_in(dashboard.said())}")

    def _start_line(self, endpoint_port: int) -> int:
        log = self._backstage / "practice-line.log"
        with log.open("wb") as errors:
            started = relay.start(
                old_line.old_line(), upstream_host=_LOOPBACK, upstream_port=endpoint_port, errors=errors
            )
        self._children.append(_Child(name="practice line", process=started.process, log=log))
        return started.port

    def _write_site(self, relay_port: int) -> None:
        invited = keys.invite(self._backstage / "endpoint", address=f"{_LOOPBACK}:{relay_port}")
        secrets = self._home / SECRETS
        secrets.touch(mode=0o600)
        secrets.write_text(place.secrets_text(invitation.write(invited)))
        timezone = _timezone(self._clock)
        now = local(self._clock.unix_ns(), zone(timezone))
        text = place.site_text(now=now, timezone=timezone, database=DATABASE, secrets=SECRETS)
        (self._home / SITE).write_text(text)

    def _start_child(self, name: str, *words: str) -> _Child:
        self._wait(0)
        log = self._backstage / f"{name}.log"
        with log.open("wb") as out:
            process = children.start(
                [*self._command, *words],
                stdout=out,
                stderr=subprocess.STDOUT,
                env={**os.environ, "CACHE_DIRECTORY": str(self._backstage)},  # which is nobody's home
            )
        self._children.append(_Child(name=name, process=process, log=log))
        return self._children[-1]

    def _database_is_there(self) -> bool:
        with contextlib.suppress(DatabaseMistake), self._reading():
            return True
        return False

    @contextlib.contextmanager
    def _reading(self) -> Iterator[Reader]:
        reader = Reader.open(self._home / DATABASE)
        try:
            yield reader
        finally:
            reader.close()

    def _tell_first_run(self) -> None:
        began_ns = self._clock.monotonic_ns()
        found: list[RateRun] = []
        with self._reading() as reader:
            while not found:
                self._wait()
                found = reader.rate_runs(limit=1, bins=False)
        after_s = (self._clock.monotonic_ns() - began_ns) / NS_PER_S
        rates = (
            f"{direction} {side.rates.goodput_bps / 1e6:.1f} Mb/s"
            for direction, side in found[0].sides().items()
        )
        self._say(f"First run stored after {after_s:.0f} s: {', '.join(rates)} of payload.")

    def _until(self, there: Callable[[], bool], *, what: str) -> None:
        deadline_ns = self._clock.monotonic_ns() + round(_START_WITHIN_S * NS_PER_S)
        while not there():
            self._wait()
            if self._clock.monotonic_ns() > deadline_ns:
                raise _Died(f"Waited {_START_WITHIN_S:.0f} s for {what}, in vain.")

    def _wait(self, seconds: float = _LOOK_EVERY_S) -> None:
        """Wait a moment. Raises _Ended or _Died."""
        if self._ending.wait(seconds):
            raise _Ended
        for child in self._children:
            if child.process.poll() is not None:
                raise _Died(child.obituary())

    def _end(self) -> None:
        """The probe first, as long as there is something to say goodbye to."""
        far = ("endpoint", "practice line")
        near = [child.process for child in self._children if child.name not in far]
        children.end(near, within_s=_END_WITHIN_S, clock=self._clock)
        rest = [child.process for child in self._children if child.name in far]
        children.end(rest, within_s=_END_WITHIN_S / 3, clock=self._clock)


def _check_port(port: int | None) -> None:
    if port is None:
        return
    try:
        socket.create_server((_LOOPBACK, port)).close()
    except OSError as error:
        why = (
            "another program listens there already"
            if error.errno == errno.EADDRINUSE
            else str(error.strerror)
        )
        raise UserMistake(f"--port {port}: {why}; choose another port") from None


def _check_directory(keep: Path) -> None:
    try:
        keep.mkdir(mode=0o700, parents=True, exist_ok=True)
        occupied = any(keep.iterdir())
    except FileExistsError:
        raise UserMistake(f"--keep {keep}: this is a file; name a new or an empty directory") from None
    except OSError as error:
        raise UserMistake(f"--keep {keep}: this directory cannot be used: {error.strerror}") from None
    if occupied:
        look = f"; `linebook dashboard {keep / SITE}` shows an earlier practice" * (keep / SITE).exists()
        raise UserMistake(f"--keep {keep}: it is not empty; name a new or an empty directory{look}")


def _address_in(words: str) -> str | None:
    found = re.search(r"http://\S+", words)
    return found[0] if found else None


def _timezone(clock: Clock) -> str:
    """This machine's time zone as a site file names it; its offset of today when it has no name."""
    candidates = [os.environ.get("TZ", "").removeprefix(":")]
    if "TZ" not in os.environ:
        _, _, name = str(Path("/etc/localtime").resolve()).partition("/zoneinfo/")
        candidates = [name]
    for name in filter(None, candidates):
        with contextlib.suppress(ValueError):
            zone(name)
            return name
    offset = datetime.fromtimestamp(clock.unix_ns() // NS_PER_S, UTC).astimezone().utcoffset()
    minutes = int(offset.total_seconds()) // 60 if offset else 0
    sign = "-" if minutes < 0 else "+"
    return f"UTC{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}" if minutes else "UTC"
