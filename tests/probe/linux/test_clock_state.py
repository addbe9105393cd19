"""The state of the clock, against the kernel's own answer as another program reads it."""

from __future__ import annotations

import ctypes

import pytest

from probe.linux import clock_state
from probe.linux.clock_state import ClockState


@pytest.mark.parametrize(
    ("state", "status", "expected"),
    [  # linux/timex.h: TIME_OK 0, TIME_INS 1, TIME_ERROR 5; STA_PLL 0x1, STA_UNSYNC 0x40
        (0, 0x0001, ClockState(synchronised=True, error_us=1500)),
        (1, 0x2011, ClockState(synchronised=True, error_us=1500)),
        (5, 0x0041, ClockState(synchronised=False, error_us=None)),
        (5, 0x0001, ClockState(synchronised=False, error_us=None)),
        (0, 0x0040, ClockState(synchronised=False, error_us=None)),
    ],
)
def test_what_the_answer_means(state: int, status: int, expected: ClockState) -> None:
    assert clock_state.judge(state=state, status=status, error_us=1500) == expected


def test_agrees_with_ntp_gettime() -> None:
    """glibc's ntp_gettime(3) returns the same state, as time, maximum and estimated error."""
    answer = (ctypes.c_long * 16)()
    state = ctypes.CDLL(None).ntp_gettime(ctypes.byref(answer))
    found = clock_state.read()
    assert found.synchronised is (state != 5)
    if found.error_us is not None:  # it grows by 500 us a second between two readings
        assert found.error_us == pytest.approx(answer[2], abs=10_000)


def test_a_refused_call(monkeypatch: pytest.MonkeyPatch) -> None:
    class Sandbox:
        def adjtimex(self, _timex: object) -> int:
            return -1

    monkeypatch.setattr(clock_state, "_LIBC", Sandbox())
    assert clock_state.read() == ClockState(synchronised=None, error_us=None)
