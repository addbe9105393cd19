"""An endpoint on 127.0.0.1, opened within a test, with callers a and b and a clock that can be moved on."""

from __future__ import annotations

import asyncio
import dataclasses
import time
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

from probe.control import Control
from probe.endpoint import keys
from probe.endpoint.service import Endpoint, opened
from probe.practice.relay import free_pair
from probe.reach import Binding, Reach
from probe.wire.invitation import Invitation
from store.clock import Clock

S = 10**9


class MovableClock:
    """The host's clock, plus what a test has added to it; once held, it moves by that alone."""

    def __init__(self) -> None:
        self._ahead_ns = 0
        self._held: tuple[int, int] | None = None
        self.clock = Clock(
            monotonic_ns=lambda: (self._held[0] if self._held else time.monotonic_ns()) + self._ahead_ns,
            unix_ns=lambda: (self._held[1] if self._held else time.time_ns()) + self._ahead_ns,
        )

    def hold(self) -> None:
        """Stand still, so that what a busy machine takes for the test counts for nothing."""
        self._held = time.monotonic_ns(), time.time_ns()

    def move(self, *, seconds: float) -> None:
        self._ahead_ns += round(seconds * S)


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Far:
    """An endpoint that answers, and how each caller reaches it."""

    endpoint: Endpoint
    directory: Path
    reaches: Mapping[str, Reach]
    time: MovableClock

    def control(self, caller: str = "a") -> Control:
        return Control(self.reaches[caller], clock=self.time.clock)


def reach(invitation: Invitation, *, port: int, binding: Binding | None = None) -> Reach:
    """The reach of an invitation whose endpoint listens on a port that the kernel chose."""
    return Reach(
        handoff="handoff",
        endpoint="endpoint",
        invitation=dataclasses.replace(invitation, port=port),
        binding=binding or Binding(),
    )


@asynccontextmanager
async def far_end(directory: Path, *, limits: str = "") -> AsyncIterator[Far]:
    """Invite a and b into `directory`, with `limits` as the limits file, and open the endpoint."""
    invitations = await asyncio.to_thread(_invite, directory, limits)
    moving = MovableClock()
    async with opened(directory, listen="127.0.0.1:0", clock=moving.clock) as endpoint:
        yield Far(
            endpoint=endpoint,
            directory=directory,
            reaches={name: reach(found, port=endpoint.doors.port) for name, found in invitations.items()},
            time=moving,
        )


def _invite(directory: Path, limits: str) -> dict[str, Invitation]:
    found = {name: keys.invite(directory, address="127.0.0.1", name=name) for name in ("a", "b")}
    if limits:
        (directory / "limits.toml").write_text(limits)
    return found


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Fail when the body took longer."""
    started = time.monotonic()
    yield
    assert time.monotonic() - started < seconds


def free_ports() -> tuple[int, int]:
    """Two ports in a row that nothing listens on just now."""
    port = free_pair()
    return port, port + 1
