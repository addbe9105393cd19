"""Upload plans against the worked table, against scipy on the integral of the rate, and what never helps."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, optimize

from dashboard.judge import upload
from dashboard.judge.upload import Ahead, Day
from store.clock import NS_PER_S
from store.receipts import Receipt
from store.records import RateRun
from tests.dashboard.judge.made import ZONE, at, run
from tests.store import samples

NOW = at("2026-03-09 12:00")  # a Monday
START = at("2026-03-09 23:00")
HOUR_NS, MINUTE_NS = 3600 * NS_PER_S, 60 * NS_PER_S
GB = 10**9


def flat(*rates_mbps: float) -> list[Day]:
    """A weekday of each rate, all hours alike."""
    return [Day(weekend=False, hours_bps=(round(rate * 1e6),) * 24) for rate in rates_mbps]


def planned(days: list[Day], *, size_bytes: int = 64 * GB, start_ns: int = START, **more: object) -> Ahead:
    asked: dict[str, object] = {"deadline_ns": None, "closed": (), "ceiling_bps": None, **more}
    return upload.plan(
        "old",
        days,
        size_bytes=size_bytes,
        start_ns=start_ns,
        zone=ZONE,
        **asked,  # type: ignore[arg-type]
    )


def hours(found_ns: int | None, start_ns: int = START) -> float:
    assert found_ns is not None
    return (found_ns - start_ns) / HOUR_NS


@pytest.mark.parametrize(
    ("size_gb", "rate_mbps", "expected_h"),
    [
        (25, 14, 3.97),
        (25, 17, 3.27),
        (25, 100, 33 / 60),
        (25, 550, 6.1 / 60),
        (25, 1300, 2.6 / 60),
        (25, 1870, 1.8 / 60),
        (64, 14, 10.2),
        (64, 17, 8.4),
        (64, 100, 1.42),
        (64, 550, 15.5 / 60),
        (64, 1300, 6.6 / 60),
        (64, 1870, 4.6 / 60),
        (200, 14, 31.7),
        (200, 17, 26.1),
        (200, 100, 4.4),
        (200, 550, 48 / 60),
        (200, 1300, 21 / 60),
        (200, 1870, 14 / 60),
        (500, 14, 79),
        (500, 17, 65),
        (500, 100, 11.1),
        (500, 550, 2.0),
        (500, 1300, 51 / 60),
        (500, 1870, 36 / 60),
    ],
)
def test_durations_at_constant_rates(size_gb: int, rate_mbps: float, expected_h: float) -> None:
    """The worked table, and its formula T[h] = 8000 N / (3600 g); Monday night goes on into weekdays only."""
    found = planned([*flat(rate_mbps), replace(flat(rate_mbps)[0], weekend=True)], size_bytes=size_gb * GB)
    assert hours(found.usual_ns) == pytest.approx(expected_h, rel=0.025)
    assert hours(found.usual_ns) == pytest.approx(8000 * size_gb / (3600 * rate_mbps), rel=1e-6)


UNEVEN = Day(
    weekend=False,
    hours_bps=tuple(round(1e6 * (17 - 8 * math.exp(-((hour - 20) ** 2) / 8))) for hour in range(24)),
)


@pytest.mark.parametrize("size_gb", [3, 25, 64, 90])
@pytest.mark.parametrize("closed_h", [(), ((2, 4.5),), ((0, 1), (8, 9.25))])
def test_uneven_hours_against_scipy(size_gb: int, closed_h: tuple[tuple[float, float], ...]) -> None:
    """The second route: T solves integral of g = 8 N, by scipy's quadrature and root finder."""

    def rate(hour: float) -> float:
        if any(start <= hour < end for start, end in closed_h):
            return 0.0
        return float(UNEVEN.hours_bps[int(hour) % 24])

    grid = np.linspace(0, 24, 24 * 3600 // 4 + 1)
    sent = np.concatenate(([0.0], integrate.cumulative_trapezoid([rate(one) for one in grid], grid * 3600)))
    wanted = size_gb * GB * 8
    expected = optimize.brentq(lambda hour: np.interp(hour, grid, sent) - wanted, 0, 24)
    closed = [(START + round(a * HOUR_NS), START + round(b * HOUR_NS)) for a, b in closed_h]
    found = planned([UNEVEN], size_bytes=size_gb * GB, closed=closed)
    assert hours(found.usual_ns) == pytest.approx(expected, abs=0.002)


def test_a_mean_of_unequal_hours_would_be_wrong() -> None:
    """Half of the data at 5 and half at 20 Mb/s goes at 8 Mb/s, not at 12.5."""
    day = Day(weekend=False, hours_bps=(5_000_000,) * 4 + (20_000_000,) * 20)
    found = planned([day], size_bytes=2 * 9 * GB)  # 9 GB take 4 h at 5, and 1 h at 20
    assert hours(found.usual_ns) == pytest.approx(5.0, abs=1e-6)
    assert 18 * 8 / (5 * 3.6) == pytest.approx(8)


def test_a_usual_and_a_bad_night() -> None:
    """Course masters of 64 GB from 23:00: 07:25 at 16.9 Mb/s, 09:05 in one night of ten (14.1)."""
    found = planned(flat(*[16.9] * 17, *[14.1] * 3), size_bytes=64 * GB)
    assert (found.usual_ns, found.safe_ns) == (
        pytest.approx(at("2026-03-10 07:25"), abs=MINUTE_NS),
        pytest.approx(at("2026-03-10 09:05"), abs=MINUTE_NS),
    )


def test_the_receiver_holds_a_fast_line() -> None:
    """64 GB at 250 Mb/s are 34 min, however fast the line is."""
    found = planned(flat(1320), ceiling_bps=250_000_000)
    assert hours(found.safe_ns) * 60 == pytest.approx(34.1, abs=0.1)


def test_the_latest_safe_start() -> None:
    """10.1 h before the deadline, to the minute; none where even the earliest start is too late."""
    days = flat(*[16.9] * 17, *[14.1] * 3)
    deadline_ns = at("2026-03-10 12:00")
    found = planned(days, deadline_ns=deadline_ns)
    assert found.latest_start_ns is not None
    took_s = 64e9 * 8 / 14.1e6
    assert (deadline_ns - found.latest_start_ns) / NS_PER_S == pytest.approx(took_s, abs=60)
    assert planned(days, deadline_ns=at("2026-03-10 09:00")).latest_start_ns is None


def test_days_are_of_the_class_of_the_day_ahead() -> None:
    """Monday's upload goes by weekdays, Saturday's by weekends; where one class has none, by all."""
    days = [*flat(10.0), Day(weekend=True, hours_bps=(40_000_000,) * 24)]
    size = 18 * GB  # 4 h at 10, 1 h at 40
    assert hours(planned(days, size_bytes=size).usual_ns) == pytest.approx(4)
    saturday = at("2026-03-14 10:00")
    found = planned(days, size_bytes=size, start_ns=saturday)
    assert hours(found.usual_ns, saturday) == pytest.approx(1)
    assert hours(planned(days[1:], size_bytes=size).usual_ns) == pytest.approx(1)


def test_without_a_day_nothing_is_said() -> None:
    """No history, and what does not end within two weeks."""
    assert planned([]).usual_ns is None
    assert planned(flat(0.1), size_bytes=500 * GB).safe_ns is None


def runs(rate_of: dict[int, float], days: int = 7, every_h: int = 1) -> list[RateRun]:
    """A run in each hour of the days before NOW, at the rate of its clock hour."""
    return [
        run(
            round(rate_of.get(hour, 16.9) * 1e6),
            started_unix_ns=NOW - day * 24 * HOUR_NS + hour * HOUR_NS - 12 * HOUR_NS,
        )
        for day in range(1, days + 1)
        for hour in range(0, 24, every_h)
    ]


def test_past_days_begin_at_the_clock_time_of_the_start() -> None:
    """Seven nights from 23:00 lie wholly before Monday noon; their first hour is that of 23:00, but on the
    oldest, which has no run then."""
    found = upload.days_of(runs({23: 9.0, 0: 8.0}), start_ns=START, now_ns=NOW, zone=ZONE)
    assert len(found) == 7
    assert {day.hours_bps[:3] for day in found[:-1]} == {(9_000_000, 8_000_000, 16_900_000)}
    assert sum(day.weekend for day in found) == 2


def test_hours_without_a_run_take_the_nearest() -> None:
    """One in six hours: from 23:00, the runs of 00:00, 06:00, 12:00 and 18:00 stand for the hours around."""
    found = upload.days_of(runs({6: 9.0}, every_h=6), start_ns=START, now_ns=NOW, zone=ZONE)
    assert len(found) == 7
    assert found[0].hours_bps[:5] == (16_900_000,) * 4 + (9_000_000,)
    assert upload.days_of(runs({}, every_h=12), start_ns=START, now_ns=NOW, zone=ZONE) == []


def test_light_and_void_runs_are_no_history() -> None:
    """What asked for little says nothing of the line."""
    light = [run(1_000_000, started_unix_ns=one.started_unix_ns, light=True) for one in runs({})]
    assert upload.days_of(light, start_ns=START, now_ns=NOW, zone=ZONE) == []


def receipt(to: str, mbps: float, line_mbps: float | None) -> Receipt:
    """An hour's upload at this rate."""
    return replace(
        samples.receipt(),
        to=to,
        size_bytes=round(mbps * 1e6 * 450),
        seconds=3600.0,
        line_goodput_bps=None if line_mbps is None else round(line_mbps * 1e6),
    )


def test_ceilings_are_learned_from_what_the_receiver_held() -> None:
    """The median of 240, 250 and 260 on a line of 1320; what a line of 17 held tells no ceiling."""
    found = upload.ceilings(
        [
            *(receipt("store", rate, 1320) for rate in (250, 240, 260)),
            receipt("store", 16.5, 17),
            receipt("other", 16.0, 17),
            receipt("other", 500, None),
        ]
    )
    assert [(one.to, one.bps, one.n, one.held) for one in found] == [
        ("other", None, 2, 0),
        ("store", 250_000_000, 4, 3),
    ]
    assert found[0].seen_bps == 500_000_000


def test_the_uplink_that_is_over_first() -> None:
    """With 90 % confidence; what never ends is no choice."""
    slow, fast = planned(flat(17)), replace(planned(flat(250)), handoff="B")
    never = replace(planned([]), handoff="A")
    assert upload.best([slow, never, fast]) == fast
    assert upload.best([never]) is None


day = st.builds(
    Day,
    weekend=st.booleans(),
    hours_bps=st.lists(st.integers(1_000_000, 50_000_000), min_size=24, max_size=24).map(tuple),
)


@given(st.lists(day, min_size=1, max_size=4), st.integers(1, 200), st.integers(0, 2 * 24 * 60))
def test_what_never_helps(days: list[Day], size_gb: int, later_min: int) -> None:
    """A later start, more to send, a closed evening and a lower ceiling never end it earlier."""
    size = size_gb * GB

    def ends(**more: object) -> float:
        return planned(days, **{"size_bytes": size, **more}).safe_ns or math.inf  # type: ignore[arg-type]

    base = ends()
    assert base <= ends(size_bytes=size + GB)
    assert base <= ends(closed=[(START + HOUR_NS, START + 3 * HOUR_NS)])
    assert base <= ends(ceiling_bps=8_000_000)
    assert (planned(days, size_bytes=size).usual_ns or math.inf) <= base
    deadline_ns = START + later_min * MINUTE_NS
    latest = planned(days, size_bytes=size, deadline_ns=deadline_ns).latest_start_ns
    assert (latest is None) is (base > deadline_ns)


def test_a_line_that_is_gone_carries_nothing() -> None:
    """No valid run for more than a week: no plan; a run in the last week, and its days count."""
    gone = [run(16_900_000, started_unix_ns=one.started_unix_ns - 8 * 24 * HOUR_NS) for one in runs({})]
    assert upload.days_of(gone, start_ns=START, now_ns=NOW, zone=ZONE) == []
    back = [*gone, run(16_900_000, started_unix_ns=NOW - HOUR_NS)]
    assert len(upload.days_of(back, start_ns=START, now_ns=NOW, zone=ZONE)) == 7


def test_another_class_standing_in_is_said() -> None:
    """Weekdays for a Saturday."""
    saturday = at("2026-03-14 10:00")
    assert planned(flat(10.0), start_ns=saturday).other_class
    assert not planned(flat(10.0)).other_class
