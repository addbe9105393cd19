"""Words to the service manager that started this process: ready, alive, reloading, stopping.

One datagram of ``KEY=value`` lines to the Unix socket that NOTIFY_SOCKET names (a first ``@`` stands for
the abstract namespace); a process without one says nothing. Keep-alives are due when WATCHDOG_USEC is set
and WATCHDOG_PID, if set, is this process: one every half of that time. Source: the manual pages
sd_notify(3) and sd_watchdog_enabled(3). Imports nothing of the house.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

_EXTEND_EVERY_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Manager:
    """Where to say it, and how often a keep-alive is due; None for neither."""

    address: str | None = None
    alive_every_s: float | None = None

    @classmethod
    def of(cls, environment: Mapping[str, str], *, pid: int) -> Manager:
        """The manager that this environment names."""
        address = environment.get("NOTIFY_SOCKET") or None
        if address is not None and address[0] not in "/@":
            address = None  # other families are not for one host
        usec = environment.get("WATCHDOG_USEC", "")
        mine = environment.get("WATCHDOG_PID") in (None, str(pid))
        due = address is not None and mine and usec.isdecimal() and int(usec) > 0
        return cls(address=address, alive_every_s=int(usec) / 2e6 if due else None)

    def ready(self, status: str) -> None:
        self._say("READY=1", _status(status))

    @contextlib.contextmanager
    def starting(
        self, status: str, *, tell: Callable[[str], None], every_s: float = _EXTEND_EVERY_S
    ) -> Iterator[None]:
        """The body may take longer than the manager gives a start: it hears every so often that this goes on.

        `tell` is told once.
        """
        over = threading.Event()

        def extend() -> None:
            told = False
            while not over.wait(every_s):
                self._say(f"EXTEND_TIMEOUT_USEC={round(3 * every_s * 1e6)}", _status(status))
                if not told:
                    tell(status)
                told = True

        thread = threading.Thread(target=extend, name="starting", daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()

    def status(self, status: str) -> None:
        self._say(_status(status))

    def alive(self) -> None:
        self._say("WATCHDOG=1")

    def reloading(self, *, monotonic_us: int) -> None:
        """Must be followed by `ready`, whatever became of it."""
        self._say("RELOADING=1", f"MONOTONIC_USEC={monotonic_us}")

    def stopping(self) -> None:
        self._say("STOPPING=1")

    def _say(self, *lines: str) -> None:
        """Send, and go on whether or not somebody listens: measuring does not depend on it."""
        if self.address is None:
            return
        address = f"\0{self.address[1:]}" if self.address.startswith("@") else self.address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
            sock.setblocking(False)
            sock.sendto("\n".join(lines).encode(), address)


async def stay_alive(manager: Manager) -> None:
    """Keep-alives for as long as this event loop turns, where they are due; never ends by itself."""
    while manager.alive_every_s is not None:
        manager.alive()
        await asyncio.sleep(manager.alive_every_s)


def _status(text: str) -> str:
    return f"STATUS={' '.join(text.split())}"
