"""Which case begins a notice, when a notice is held back, and how long a failed try waits. Pure.

**Quiet in shows.** While a show window is open on a handoff, a notice about it is held back until the window
closes, since whoever runs the show should not be disturbed by what they cannot change. It goes out all the
same when somebody can act: the case holds an outage, a lost carrier or another port rate, and the site has
another handoff which is not out itself, so that the show may move there. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable

from store.cases import Case
from store.events import EventKind
from store.notice_channels import MATTER_OF, Channel, Matter
from store.records import OpenKind, WindowOpened

STALLS = 3  # of one case; both figures: common practice, no source
LONG_STALL_S = 3.0
GIVE_UP_S = 86_400.0

_FIRST_PAUSE_S, _LAST_PAUSE_S = 30.0, 3_600.0
_MOVABLE = (EventKind.OUTAGE_START, EventKind.CARRIER_LOST, EventKind.PORT)


def begins(case: Case, channel: Channel) -> bool:
    """Whether this case is worth a notice on this channel."""
    if channel.handoffs and case.handoff and case.handoff not in channel.handoffs:
        return False
    return bool(matters(case) & channel.matters)


def matters(case: Case) -> frozenset[Matter]:
    """What in a case may begin a notice; stalls only where they are many or long."""
    found = {MATTER_OF[event.what] for event in case.events}
    stalls = case.of(EventKind.STALL)
    many = sum(event.count or 1 for event in stalls) >= STALLS
    if not many and not any((event.seconds or 0.0) > LONG_STALL_S for event in stalls):
        found.discard(Matter.STALL)
    return frozenset(found)


def held(case: Case, windows: Iterable[WindowOpened], *, handoffs: Iterable[str], out: Iterable[str]) -> bool:
    """Whether a notice of this case waits for the end of a show. `out` are the handoffs that are out now."""
    shows = [
        one
        for one in windows
        if one.window is OpenKind.SHOW and ("" in (one.handoff, case.handoff) or one.handoff == case.handoff)
    ]
    if not shows:
        return False
    elsewhere = set(handoffs) - set(out) - {case.handoff}
    return not (case.of(*_MOVABLE) and case.handoff and elsewhere)


def pause_s(tries: int) -> float:
    """How long to wait after so many failed tries: 30 s after the first, doubling, an hour at most."""
    return min(_LAST_PAUSE_S, _FIRST_PAUSE_S * 2.0 ** min(tries - 1, 20))
