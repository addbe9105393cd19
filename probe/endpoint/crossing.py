"""Cross-tests: an endpoint sends a train to another one, so that a sick endpoint is told from a sick line.

::

    others.toml    invitations of other endpoints, by name:  [other]  south = "linebook://..."
    crosses.json   the newest cross-test with each

What was lost between two endpoints was on no probe's line; which of the two was at fault it does not say.
`unwell` is what an endpoint then says of itself to whoever measures against it. Only an endpoint that has
others says so. The train is imported when it is needed, so that one without others stays lean.
"""

from __future__ import annotations

import json
import stat
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from probe.reach import Binding, Reach
from probe.wire import invitation
from probe.wire.invitation import Invitation
from store.clock import NS_PER_S, Clock
from store.errors import UserMistake
from store.new_file import write_private

OTHERS, FILE = "others.toml", "crosses.json"
EVERY_S = 300.0  # between two cross-tests of a running endpoint
SECONDS, PER_SECOND = 5.0, 20.0
COUNTS_NS = 900 * NS_PER_S  # a cross-test older than that says nothing of now
LOST_RATIO = 0.02  # 2 of 100 packets; one may be chance (common practice, no source)
BUSY_RATIO = 0.9  # of all processors together, before a run begins


@dataclass(frozen=True, slots=True, kw_only=True)
class Cross:
    """One cross-test. `failed` says why there are no counts; delays are the round trip's, in microseconds."""

    name: str
    started_unix_ns: int
    sent: int = 0
    lost_up: int = 0
    lost_down: int = 0
    lost_unattributed: int = 0
    rtt_p50_us: int | None = None
    rtt_p95_us: int | None = None
    failed: str | None = None

    @property
    def lost(self) -> int:
        return self.lost_up + self.lost_down + self.lost_unattributed


def others(directory: Path) -> Mapping[str, Invitation]:
    """The other endpoints by name; none where there is no file. Raises UserMistake. Blocking."""
    path = directory / OTHERS
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise UserMistake(f"{path}: {error.strerror}; it names the other endpoints") from None
    except (ValueError, RecursionError):  # also numbers and nesting beyond what Python reads
        raise UserMistake(
            f'{path}: it is not TOML; expected [other] and lines such as south = "..."'
        ) from None
    if mode & 0o007:
        raise UserMistake(f"{path} holds keys and is open to every account; run: chmod o= {path}")
    table = found.get("other", {})
    if set(found) - {"other"} or not isinstance(table, dict):
        raise UserMistake(f"{path}: expected one table, [other], with an invitation for each name")
    return {name: _invitation(path, name, line) for name, line in table.items()}


def _invitation(path: Path, name: str, line: Any) -> Invitation:
    try:
        return invitation.parse(line if isinstance(line, str) else "")
    except UserMistake as mistake:
        raise UserMistake(f"{path}, {name}: {mistake}") from None


async def test(name: str, other: Invitation, *, clock: Clock) -> Cross:
    """Send a train to another endpoint and count what came back."""
    from probe.methods import train

    where = Reach(handoff="cross", endpoint=name, invitation=other, binding=Binding())
    asked = train.TrainRequest(seconds=SECONDS, per_second=PER_SECOND, packet_bytes=112)
    started_unix_ns = clock.unix_ns()
    found = await train.run(asked, where, clock)
    if not isinstance(found, train.TrainRun):
        return Cross(name=name, started_unix_ns=started_unix_ns, failed=found.why)
    span = found.span
    return Cross(
        name=name,
        started_unix_ns=started_unix_ns,
        sent=span.sent,
        lost_up=span.lost_up,
        lost_down=span.lost_down,
        lost_unattributed=span.lost_unattributed,
        rtt_p50_us=span.rtt.percentile(0.5),
        rtt_p95_us=span.rtt.percentile(0.95),
    )


def unwell(crosses: Sequence[Cross], *, busy_ratio: float | None, now_unix_ns: int) -> str | None:
    """What speaks against an endpoint just now, as a sentence's end; None where nothing does.

    A cross-test that could not be made speaks against nobody: the other one may be switched off.
    """
    if busy_ratio is not None and busy_ratio >= BUSY_RATIO:
        return f"its processors were {busy_ratio * 100:.0f} % busy"
    for one in crosses:
        fresh = 0 <= now_unix_ns - one.started_unix_ns <= COUNTS_NS
        if fresh and one.sent and one.lost >= max(2, LOST_RATIO * one.sent):
            return f"its cross-test with {one.name} lost {one.lost} of {one.sent} packets"
    return None


def save(directory: Path, crosses: Sequence[Cross]) -> None:
    """Keep the newest cross-tests. Raises OSError. Blocking."""
    write_private(directory / FILE, json.dumps([asdict(one) for one in crosses], indent=1) + "\n")


def load(directory: Path) -> tuple[Cross, ...]:
    """The newest cross-tests; none where there are none or the file is damaged. Blocking."""
    try:
        found = json.loads((directory / FILE).read_text(encoding="utf-8"))
        return tuple(Cross(**one) for one in found)
    except (OSError, ValueError, TypeError, RecursionError):
        return ()
