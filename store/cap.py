"""The provider's cap: what is used of it, and what will be, by the records of `store.traffic`.

The forecast is simple and says what it is. Each hour until the cap begins anew counts as much as the same
hour of the same weekday moved on the mean of the last `PATTERN_DAYS` days; an hour that was never seen
counts the mean of all that was; before a day was counted there is none. Records longer than an hour and a
half (the probe was away) enter that mean and no hour. What lies across the beginning of a period counts by
its share of time. Pure; imports cells and records.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Any

from store.cells import Cells, Length
from store.clock import NS_PER_S, local, rfc3339
from store.site import Cap, CapCounts
from store.traffic import Traffic

PATTERN_DAYS = 28
ENOUGH_S = 86_400  # with less on record there is no forecast: a busy evening would stand for the whole month

_HOUR_NS = 3600 * NS_PER_S
_OF_AN_HOUR_NS = _HOUR_NS * 3 // 2


@dataclass(frozen=True, slots=True, kw_only=True)
class CapState:
    """How a handoff stands under its cap, in bytes that the cap counts.

    `used_bytes` are all, `own_bytes` the tests' of them; `ahead_bytes` and `others_ahead_bytes` what will
    come until `until_ns`, of everybody and of everybody else, None before a day was counted. `counted_s`
    of the period so far are on record, `missed` says what is not.
    """

    cap: Cap
    from_ns: int
    until_ns: int
    now_ns: int
    used_bytes: int
    own_bytes: int
    ahead_bytes: int | None
    others_ahead_bytes: int | None
    counted_s: int
    interface: str | None
    missed: tuple[str, ...]

    @property
    def forecast_bytes(self) -> int | None:
        """What will be used when the cap begins anew."""
        return None if self.ahead_bytes is None else self.used_bytes + self.ahead_bytes

    @property
    def uncounted_s(self) -> int:
        """How much of the period so far no record covers."""
        return max(0, (self.now_ns - self.from_ns) // NS_PER_S - self.counted_s)

    @property
    def room_bytes(self) -> int:
        """What the cap leaves for tests in the whole period, those that were made included."""
        others = self.used_bytes - self.own_bytes + (self.others_ahead_bytes or 0)
        return max(0, self.cap.limit_bytes - max(0, others))


def period(resets_day: int, now_ns: int, *, where: tzinfo) -> tuple[int, int]:
    """From when to when a month that begins on this day holds this instant, local midnight both."""
    today = local(now_ns, where).date()
    begins = _reset(today, resets_day)
    if begins > today:
        begins = _reset(today.replace(day=1) - timedelta(days=1), resets_day)
    ends = _reset(begins.replace(day=1) + timedelta(days=31), resets_day)
    return _midnight_ns(begins, where), _midnight_ns(ends, where)


def since_ns(cap: Cap | None, now_ns: int, *, where: tzinfo) -> int:
    """From when on `state` looks at records."""
    pattern_ns = now_ns - PATTERN_DAYS * 24 * _HOUR_NS
    return pattern_ns if cap is None else min(pattern_ns, period(cap.resets_day, now_ns, where=where)[0])


def state(cap: Cap, records: Sequence[Traffic], *, now_ns: int, where: tzinfo) -> CapState:
    """How the cap stands at an instant, by the records of one handoff, oldest first."""
    from_ns, until_ns = period(cap.resets_day, now_ns, where=where)
    inside = [one for one in records if one.ended_unix_ns > from_ns and one.started_unix_ns < until_ns]
    shares = [(one, _share(one, from_ns, until_ns)) for one in inside]
    counted, own = _counted(cap.counts), _own(cap.counts)
    recent = [one for one in records if one.ended_unix_ns > now_ns - PATTERN_DAYS * 24 * _HOUR_NS]
    return CapState(
        cap=cap,
        from_ns=from_ns,
        until_ns=until_ns,
        now_ns=now_ns,
        used_bytes=round(sum(counted(one) * share for one, share in shares)),
        own_bytes=round(sum(own(one) * share for one, share in shares)),
        ahead_bytes=forecast(recent, counted, from_ns=now_ns, until_ns=until_ns, where=where),
        others_ahead_bytes=forecast(
            recent, lambda one: counted(one) - own(one), from_ns=now_ns, until_ns=until_ns, where=where
        ),
        counted_s=round(sum(_length_ns(one) * share for one, share in shares) / NS_PER_S),
        interface=records[-1].interface if records else None,
        missed=tuple(one.missed for one in inside if one.missed is not None),
    )


def as_json(found: CapState) -> dict[str, Any]:
    """The same for programs; bytes as the interface counted them."""
    return {
        "limit_bytes": found.cap.limit_bytes,
        "counts": str(found.cap.counts),
        "used_bytes": found.used_bytes,
        "tests_bytes": found.own_bytes,
        "forecast_bytes": found.forecast_bytes,
        "began": rfc3339(found.from_ns),
        "ends": rfc3339(found.until_ns),
        "interface": found.interface,
        "uncounted_s": found.uncounted_s,
        "missed": list(found.missed),
    }


def forecast(
    records: Iterable[Traffic],
    bytes_of: Callable[[Traffic], int],
    *,
    from_ns: int,
    until_ns: int,
    where: tzinfo,
) -> int | None:
    """What will come in a time, by hour and weekday of what was seen; None while that is less than a day."""
    seen: dict[tuple[int, int], tuple[int, int]] = {}  # weekday, hour -> bytes, nanoseconds
    whole_bytes = whole_ns = 0
    for one in records:
        length_ns = _length_ns(one)
        whole_bytes, whole_ns = whole_bytes + bytes_of(one), whole_ns + length_ns
        if length_ns <= _OF_AN_HOUR_NS:
            at = _hour_of_week((one.started_unix_ns + one.ended_unix_ns) // 2, where)
            so_far = seen.get(at, (0, 0))
            seen[at] = so_far[0] + bytes_of(one), so_far[1] + length_ns
    if whole_ns < ENOUGH_S * NS_PER_S:
        return None
    ahead = 0.0
    for start_ns, end_ns in Cells(where).between(Length.HOUR, from_ns, until_ns):
        low_ns, high_ns = max(start_ns, from_ns), min(end_ns, until_ns)
        moved, length_ns = seen.get(_hour_of_week((low_ns + high_ns) // 2, where), (0, 0))
        if not length_ns:
            moved, length_ns = whole_bytes, whole_ns
        ahead += max(0, moved) * (high_ns - low_ns) / length_ns
    return round(ahead)


def _hour_of_week(unix_ns: int, where: tzinfo) -> tuple[int, int]:
    at = local(unix_ns, where)
    return at.weekday(), at.hour


def _length_ns(one: Traffic) -> int:
    return max(0, one.ended_unix_ns - one.started_unix_ns)


def _share(one: Traffic, from_ns: int, until_ns: int) -> float:
    """How much of a record's time lies in a period."""
    length_ns = _length_ns(one)
    if not length_ns:
        return 1.0
    return (min(one.ended_unix_ns, until_ns) - max(one.started_unix_ns, from_ns)) / length_ns


def _counted(counts: CapCounts) -> Callable[[Traffic], int]:
    return {
        CapCounts.UP: lambda one: one.up_bytes,
        CapCounts.DOWN: lambda one: one.down_bytes,
        CapCounts.BOTH: lambda one: one.up_bytes + one.down_bytes,
    }[counts]


def _own(counts: CapCounts) -> Callable[[Traffic], int]:
    return {
        CapCounts.UP: lambda one: one.own_up_bytes,
        CapCounts.DOWN: lambda one: one.own_down_bytes,
        CapCounts.BOTH: lambda one: one.own_up_bytes + one.own_down_bytes,
    }[counts]


def _reset(month: date, day: int) -> date:
    """This day of a month; its last one where it has no such day."""
    last = (month.replace(day=1) + timedelta(days=31)).replace(day=1) - timedelta(days=1)
    return last.replace(day=min(day, last.day))


def _midnight_ns(day: date, where: tzinfo) -> int:
    return round(datetime.combine(day, time(), where).timestamp()) * NS_PER_S
