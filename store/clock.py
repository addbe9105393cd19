"""The only module that reads the time.

Code that needs the time is handed a `Clock`; pure code is handed `now_ns` or a `Reading`. Monotonic
time measures, Unix time only labels. A lint rule (pyproject.toml) bans the functions of
`time` and `datetime.now` everywhere else.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000
NS_PER_US = 1_000

_LOOKS = 5  # attempts at a reading; of all of them one is hardly ever interrupted
_TIGHT_NS = 20_000  # a reading that took no longer is as good as another; some 2 us is usual

_OFFSET = re.compile(r"UTC[+-](?P<hours>[0-9]{1,2})(:(?P<minutes>[0-5][0-9]))?")


def _boot_ns() -> int:
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def _raw_ns() -> int:
    return time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the clocks of a host showed at one moment, which lasted `width_ns` (by boot time).

    `boot_ns` is the middle of that moment, the others were read somewhere within it.
    """

    unix_ns: int
    monotonic_ns: int
    boot_ns: int
    raw_ns: int
    width_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """The clocks of this host, in integer nanoseconds; clock_gettime(2) describes them.

    Unix time is that of the clock on the wall, which can be set. The others cannot be: monotonic time
    stands still while the host sleeps and boot time goes on. NTP corrects the rate of these three, and of
    all three alike; raw time is the oscillator's own.
    """

    monotonic_ns: Callable[[], int] = time.monotonic_ns
    unix_ns: Callable[[], int] = time.time_ns
    boot_ns: Callable[[], int] = _boot_ns
    raw_ns: Callable[[], int] = _raw_ns

    def look(self) -> Reading:
        """All of them at one moment: of up to five attempts the one that was interrupted least."""
        best = self._read()
        for _ in range(_LOOKS - 1):
            if best.width_ns <= _TIGHT_NS:
                break
            best = min(best, self._read(), key=lambda one: one.width_ns)
        return best

    def _read(self) -> Reading:
        began_ns = self.boot_ns()
        monotonic_ns, unix_ns, raw_ns = self.monotonic_ns(), self.unix_ns(), self.raw_ns()
        width_ns = self.boot_ns() - began_ns
        return Reading(
            unix_ns=unix_ns,
            monotonic_ns=monotonic_ns,
            boot_ns=began_ns + width_ns // 2,
            raw_ns=raw_ns,
            width_ns=width_ns,
        )


def rfc3339(unix_ns: int) -> str:
    """Unix nanoseconds as RFC 3339 in UTC with milliseconds, ``2026-11-25T18:50:00.250Z``."""
    seconds, rest_ns = divmod(unix_ns, NS_PER_S)
    moment = datetime.fromtimestamp(seconds, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{rest_ns // NS_PER_MS:03d}Z"


def zone(name: str) -> tzinfo:
    """The time zone called `name`: an IANA name, ``UTC``, or a fixed offset such as ``UTC+01:00``.

    Raises ValueError for any other text.
    """
    if name == "UTC":
        return UTC
    if name.startswith(("UTC+", "UTC-")):
        found = _OFFSET.fullmatch(name)
        if not found or int(found["hours"]) > 14:  # UTC+14 is the largest offset in use
            raise ValueError(f"{name!r} is not an offset like UTC+01:00")
        offset = timedelta(hours=int(found["hours"]), minutes=int(found["minutes"] or 0))
        return timezone(offset if name[3] == "+" else -offset)
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{name!r} is no time zone name such as Europe/Lisbon") from None


def local(unix_ns: int, where: tzinfo) -> datetime:
    """Unix nanoseconds as local time at `where`, to the microsecond below."""
    seconds, rest_ns = divmod(unix_ns, NS_PER_S)
    return datetime.fromtimestamp(seconds, where).replace(microsecond=rest_ns // NS_PER_US)


def day_and_minute(unix_ns: int, where: tzinfo) -> tuple[date, int]:
    """The local day of an instant and the minute of its clock, as `local` has them, for who asks often."""
    found = _quarter(unix_ns // _QUARTER_NS, where)
    if found is None:
        at = local(unix_ns, where)
        return at.date(), at.hour * 60 + at.minute
    return found[0], found[1] + unix_ns % _QUARTER_NS // (60 * NS_PER_S)


_QUARTER_NS = 900 * NS_PER_S


@lru_cache(maxsize=20_000)
def _quarter(quarter: int, where: tzinfo) -> tuple[date, int] | None:
    """Day and minute with which a quarter of an hour begins; None where a clock is set or a day begins."""
    low, high = (local(at, where) for at in (quarter * _QUARTER_NS, (quarter + 1) * _QUARTER_NS - NS_PER_S))
    if low.date() != high.date() or low.utcoffset() != high.utcoffset() or low.second:
        return None
    return low.date(), low.hour * 60 + low.minute


def unix_ns_of(moment: datetime, where: tzinfo) -> int:
    """Undo `local`; a moment without an offset is on the clocks of `where`."""
    aware = moment if moment.tzinfo is not None else moment.replace(tzinfo=where)
    whole = aware.replace(microsecond=0)
    return round(whole.timestamp()) * NS_PER_S + aware.microsecond * NS_PER_US
