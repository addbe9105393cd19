"""Whether this host's clock is set by an outside source, and how far off it may be: adjtimex(2).

Reading needs no privileges. Layout and constants are those of Linux' linux/timex.h.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass

_STA_UNSYNC = 0x40
_TIME_ERROR = 5  # what adjtimex returns for a clock that is not synchronised
_REST_BYTES = 256  # more than whatever follows `status` in any kernel's struct timex


class _Timex(ctypes.Structure):
    """The head of struct timex; `modes` of 0 changes nothing."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * _REST_BYTES),
    )


_LIBC = ctypes.CDLL(
    None
)  # one for good: each makes a class of its own, and the clock is looked at each second


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockState:
    """`synchronised` is None where the kernel does not say, `error_us` None without a bound."""

    synchronised: bool | None
    error_us: int | None


def read() -> ClockState:
    """The state of this host's clock now."""
    timex = _Timex()
    try:
        state = int(_LIBC.adjtimex(ctypes.byref(timex)))
    except (OSError, AttributeError):
        state = -1
    if state < 0:  # some sandboxes refuse the call
        return ClockState(synchronised=None, error_us=None)
    return judge(state=state, status=timex.status, error_us=timex.maxerror)


def judge(*, state: int, status: int, error_us: int) -> ClockState:
    """What the kernel's answer means. The bound of a clock that nobody sets says nothing."""
    if state == _TIME_ERROR or status & _STA_UNSYNC:
        return ClockState(synchronised=False, error_us=None)
    return ClockState(synchronised=True, error_us=error_us)
