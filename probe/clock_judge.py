"""What the clocks of this host say of each other: was the wall clock set, did the host sleep, at what rate?

Two readings a second or so apart are compared. Boot time is never set and goes on while the host sleeps, so
what Unix time moved against it is a step; monotonic time stands still meanwhile, so what boot time moved
against that is sleep. NTP and adjtime(3) slew monotonic and boot time along with Unix time
(clock_gettime(2)), so slewing is no step however long one looks, and its rate shows only against the raw
oscillator. A leap second that the kernel inserts is a step of one second, which it is.

Pure: readings in, records out. Imports store, and the clock's state as a value.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from probe.linux.clock_state import ClockState
from store.clock import NS_PER_S, NS_PER_US, Reading
from store.clock_change import ClockChange, ClockHow

# From here on a step or a sleep is told: far above the 2 us that a reading takes, and 20 times what slewing
# at the kernel's limit of 500 ppm (adjtimex(2)) could make in a second if it moved one clock alone.
STEP_NS = 10_000_000

_DRIFT_OVER_NS = 3_600 * NS_PER_S  # over a second, the readings alone would make some ppm
_DRIFT_CHANGE_PPM = 1.0  # a room's day and night make less
_DRIFT_AT_LEAST_NS = 86_400 * NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What happened between two readings. `step_ns` and `slept_ns` are 0 where they may be noise.

    Either may be off by `uncertainty_ns`.
    """

    step_ns: int
    slept_ns: int
    uncertainty_ns: int


def moved(before: Reading, after: Reading) -> Moved:
    """Whether the wall clock was set or the host slept from one reading to the next.

    Either is at least 10 ms, and at least twice what the readings themselves leave open: a program that was
    interrupted in the middle of one is no step.
    """
    uncertainty_ns = (before.width_ns + after.width_ns + 1) // 2
    boot_ns, awake_ns = after.boot_ns - before.boot_ns, after.monotonic_ns - before.monotonic_ns
    step_ns, slept_ns = after.unix_ns - before.unix_ns - boot_ns, boot_ns - awake_ns
    noise_ns = max(STEP_NS, 2 * uncertainty_ns)
    return Moved(
        step_ns=step_ns if abs(step_ns) >= noise_ns else 0,
        slept_ns=slept_ns if slept_ns >= noise_ns else 0,
        uncertainty_ns=uncertainty_ns,
    )


@dataclass(slots=True, kw_only=True)
class ClockJudge:
    """Feed readings about once a second to `leaps`, and to `rest`; out come the changes worth a record."""

    _last: Reading | None = field(default=None, init=False)
    _looked: Reading | None = field(default=None, init=False)
    _anchor: Reading | None = field(default=None, init=False)  # where the hour of a drift begins
    _told_ppm: float | None = field(default=None, init=False)
    _told_boot_ns: int = field(default=0, init=False)
    _synchronised: bool | None = field(default=None, init=False)

    def leaps(self, now: Reading, state: ClockState) -> list[ClockChange]:
        """The sleep and the step since the reading before, by whomever it was fed."""
        before, self._last = self._last or now, now
        change = moved(before, now)
        by_ns = {ClockHow.SUSPEND: change.slept_ns, ClockHow.STEP: change.step_ns}
        found = [
            _change(how, before, now, state, by_us=_us(by_ns[how]), uncertainty_ns=change.uncertainty_ns)
            for how in by_ns
            if by_ns[how]
        ]
        if found:
            self._anchor = None
        return found

    def rest(self, now: Reading, state: ClockState) -> list[ClockChange]:
        """Synchronisation as it is at first, and whenever it was gained or lost; drift.

        Drift is told after an hour without a step or a sleep, then whenever an hour's figure differs by 1 ppm
        from the one told last, and once a day in any case.
        """
        before, self._looked = self._looked or now, now
        found = self._synchronisation(before, now, state)
        drift = self._drift(now, state)
        return [*found, drift] if drift else found

    def _synchronisation(self, before: Reading, now: Reading, state: ClockState) -> list[ClockChange]:
        if state.synchronised is None or state.synchronised is self._synchronised:
            return []
        self._synchronised = state.synchronised
        return [_change(ClockHow.GAINED if state.synchronised else ClockHow.LOST, before, now, state)]

    def _drift(self, now: Reading, state: ClockState) -> ClockChange | None:
        anchor = self._anchor = self._anchor or now
        raw_ns = now.raw_ns - anchor.raw_ns
        if raw_ns < _DRIFT_OVER_NS:
            return None
        self._anchor = now
        gained_ns = now.unix_ns - anchor.unix_ns - raw_ns
        ppm = round(gained_ns * 1e6 / raw_ns, 3)
        same = self._told_ppm is not None and abs(ppm - self._told_ppm) < _DRIFT_CHANGE_PPM
        if same and now.boot_ns - self._told_boot_ns < _DRIFT_AT_LEAST_NS:
            return None
        self._told_ppm, self._told_boot_ns = ppm, now.boot_ns
        uncertainty_ns = (anchor.width_ns + now.width_ns + 1) // 2
        return _change(
            ClockHow.DRIFT,
            anchor,
            now,
            state,
            by_us=_us(gained_ns),
            drift_ppm=ppm,
            uncertainty_ns=uncertainty_ns,
        )


def _change(
    how: ClockHow, before: Reading, now: Reading, state: ClockState, *, uncertainty_ns: int = 0, **more: Any
) -> ClockChange:
    return ClockChange(
        started_unix_ns=before.unix_ns,
        how=how,
        ended_unix_ns=now.unix_ns,
        elapsed_us=_us(now.boot_ns - before.boot_ns),
        uncertainty_us=-(-uncertainty_ns // NS_PER_US),
        synchronised=state.synchronised,
        error_us=state.error_us,
        **more,
    )


def _us(ns: int) -> int:
    return round(ns / NS_PER_US)
