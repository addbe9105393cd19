"""When a train's path falls silent and answers again, and who must act as far as that can be told.

Pure: words of trains in, changes out; times are the probe's monotonic clock, which stands still while the
host sleeps, so a sleep is no outage. Imports answering and store's records.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from probe.answering import OUTAGE_NS, Answering
from store.clock import NS_PER_S
from store.records import Owner

_ANSWERS_S, _SILENT_S = 3.0, 5.0  # common practice, no source: between them a path is neither


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    """Nothing came back since `since_ns`, for more than 10 s."""

    since_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Back:
    """Replies came again at `at_ns`; `since_ns` is when the silence began, None where nobody knows."""

    since_ns: int | None
    at_ns: int


@dataclass(slots=True, kw_only=True)
class Path:
    """How one path stands. `heard_ns` is its last reply, at first when it came to be watched.

    `unsure` means that nobody watched all of the outage which lasts.
    """

    heard_ns: int
    out: bool = False
    unsure: bool = False
    paused: bool = field(default=False, init=False)

    def word(self, said: Answering, *, now_ns: int) -> list[Silent | Back]:
        """What a train's word changes, oldest first."""
        self._go_on(now_ns)
        found: list[Silent | Back] = []
        if said.heard_ns is not None and said.since_ns is not None and said.heard_ns > self.heard_ns:
            at_ns = max(said.since_ns, self.heard_ns)
            if not self.out and at_ns - self.heard_ns > OUTAGE_NS:
                found.append(self._silent())
            if self.out:
                found.append(Back(since_ns=None if self.unsure else self.heard_ns, at_ns=at_ns))
                self.out = self.unsure = False
            self.heard_ns = said.heard_ns
        return found + self.tick(now_ns)

    def tick(self, now_ns: int) -> list[Silent | Back]:
        """What the time alone changes while the train sends, or tries to."""
        self._go_on(now_ns)
        return [self._silent()] if not self.out and now_ns - self.heard_ns > OUTAGE_NS else []

    def pause(self) -> None:
        """The train does not send; what comes later says nothing of this time."""
        self.paused = True
        self.unsure = self.out

    def silent_s(self, now_ns: int) -> float | None:
        """For how long nothing came back; None while it is paused."""
        return None if self.paused else max(0, now_ns - self.heard_ns) / NS_PER_S

    def _go_on(self, now_ns: int) -> None:
        if self.paused:
            self.paused = False
            self.heard_ns = now_ns if not self.out else self.heard_ns

    def _silent(self) -> Silent:
        self.out = True
        return Silent(since_ns=self.heard_ns)


def owner_of(
    endpoint: str, silent_s: Mapping[str, float | None], *, house: Collection[str]
) -> tuple[Owner, str]:
    """Who must act for the silence of one endpoint, and the clause that says why, "" where nothing does.

    `silent_s` is how long each endpoint of the same handoff has been silent, None where nobody asks it;
    `house` are the endpoints in the house. By the table of segments: what the house endpoint does not answer
    either is the house's; what another endpoint outside answers is the silent one's, or of the way to it.
    Where the house endpoint answers and nobody outside does, router and line cannot be told apart.
    """
    others = {name: seconds for name, seconds in silent_s.items() if name != endpoint and seconds is not None}
    answering = [name for name, seconds in sorted(others.items()) if seconds < _ANSWERS_S]
    silent = [name for name, seconds in sorted(others.items()) if seconds > _SILENT_S]
    if endpoint in house:
        return Owner.HOUSE, "it stands in the house"
    if any(name in house for name in silent):
        return Owner.HOUSE, f"the house endpoint {_named(silent, house)} is silent too"
    outside = [name for name in answering if name not in house]
    if outside:
        return Owner.ENDPOINT, f"{outside[0]} answers meanwhile"
    if answering:
        return Owner.UNKNOWN, f"the house endpoint {answering[0]} answers meanwhile"
    return Owner.UNKNOWN, ""


def _named(names: Collection[str], house: Collection[str]) -> str:
    return next(name for name in names if name in house)
