"""Summaries over spans: pooled percentiles, loss by direction with exact bounds, stalls over watched time."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from dashboard.judge import delay
from store.clock import NS_PER_S
from store.histogram import RELATIVE_ERROR, Histogram, delays_of
from store.quantities import grouped
from store.records import Direction
from tests.dashboard.judge.made import NOON, span, stall

MINUTE = 60 * NS_PER_S


def test_a_percentile_is_of_the_samples_not_of_the_percentiles() -> None:
    """20 hours at 5 ms and 4 hours with 30 % at 60 ms: the mean of the 24 hourly p95 is 14, while of all
    samples 4 x 31 in 2400, 5.2 %, lie at 60, so the pooled p95 is there (counted by hand)."""
    good = [span(NOON + hour * 60 * MINUTE, rtt=Histogram([5000] * 100)) for hour in range(20)]
    bad = [
        span(NOON + hour * 60 * MINUTE, rtt=Histogram([5000] * 69 + [60_000] * 31)) for hour in range(20, 24)
    ]
    found = delay.summary(good + bad)
    assert found.rtt is not None
    assert found.rtt.p95 == pytest.approx(60_000, rel=RELATIVE_ERROR)
    assert found.rtt.count == 2400


@given(st.lists(st.lists(st.integers(0, 2_000_000), min_size=1, max_size=50), min_size=1, max_size=8))
def test_pooled_delays_agree_with_sorting_all_samples(samples: list[list[int]]) -> None:
    """The RFC 2330 percentile of everything, sorted, within the histogram's stated error."""
    found = delay.summary([span(NOON + n * MINUTE, rtt=Histogram(each)) for n, each in enumerate(samples)])
    exact = delays_of([sample for each in samples for sample in each])
    assert found.rtt is not None
    assert exact is not None
    for name in ("min", "p50", "p95", "p99", "max"):
        assert getattr(found.rtt, name) == pytest.approx(getattr(exact, name), rel=RELATIVE_ERROR, abs=0.5)


@pytest.mark.parametrize("n", [100, 1000, 3000])
def test_zero_lost_supports_less_than_three_in_n(n: int) -> None:
    """1 - 0.05 ** (1/n): 0.029513, 0.002991, 0.000998."""
    found = delay.loss(0, n)
    assert found.bound_high == pytest.approx(1 - 0.05 ** (1 / n), abs=1e-9)
    assert found.bound_high < 3 / n
    assert f"3 in {grouped(n)}" in found.because


def test_loss_bounds_agree_with_a_reference_library() -> None:
    """3 of 1500 (scipy.stats, 90 % two-sided)."""
    found = delay.loss(3, 1500)
    reference = stats.binomtest(3, 1500).proportion_ci(confidence_level=0.9)
    assert (found.bound_low, found.bound_high) == pytest.approx((reference.low, reference.high), abs=1e-9)
    assert found.ratio == pytest.approx(0.002)


def test_loss_of_the_rfc() -> None:
    """RFC 7680 section 4.1: of 0, 0, 1, 0, 0 the ratio is 0.2, and of no packet at all there is none."""
    assert (delay.loss(1, 5).ratio, delay.loss(0, 0).ratio) == (0.2, None)


def test_loss_has_a_direction() -> None:
    """Down is of what had got up: of 2400 sent 24 are lost up and 12 somewhere, so 2364 were sent back."""
    found = delay.summary([span(lost_up=24, lost_down=36, lost_unattributed=12), span(NOON + MINUTE)])
    assert (found.loss_up.lost, found.loss_up.sent) == (24, 2400)
    assert (found.loss_down.lost, found.loss_down.sent) == (36, 2364)
    assert (found.loss_unattributed.lost, found.loss_unattributed.sent) == (12, 2400)


def test_nothing_sent() -> None:
    """No ratio, no delay, nothing a day."""
    found = delay.summary([])
    assert (found.rtt, found.loss_up.ratio, found.stalls.per_hour, found.stalls.stall_free_ratio) == (
        None,
        None,
        None,
        None,
    )


def test_a_clock_step_spoils_one_way_figures_only() -> None:
    """Its round trips and counts still pool; other spans left out are left out whole."""
    found = delay.summary(
        [
            span(reasons=("clock_step",), pdv_up=Histogram([420_000])),
            span(NOON + MINUTE),
            span(NOON + 2 * MINUTE, reasons=("late_schedule",), rtt=Histogram([9_000_000])),
        ]
    )
    assert (found.spans, found.left_out, found.sent) == (2, 1, 2400)
    assert found.rtt is not None
    assert found.pdv_up is not None
    assert (found.rtt.count, found.pdv_up.max) == (2400, 300)


def test_stalls_over_watched_time() -> None:
    """Two spans of 30 min: 3 stalls in them are 3 an hour; one in the gap between does not count."""
    half = 30 * MINUTE
    watched = [span(NOON, seconds=1800.0), span(NOON + 3 * half, seconds=1800.0)]
    silences = [
        stall(NOON + 90 * NS_PER_S, seconds=2.4, how="lost"),
        stall(NOON + 119 * NS_PER_S, seconds=1.5),  # reaches into the third minute
        stall(NOON + 3 * half, seconds=0.6, direction=Direction.DOWN),
        stall(NOON + 2 * half, seconds=9.0),
    ]
    found = delay.summary(watched, silences).stalls
    assert (found.count, found.per_hour, found.longest_s, found.lost, found.held) == (3, 3.0, 2.4, 1, 2)
    assert found.seconds == pytest.approx(4.5)
    assert found.stall_free_ratio == pytest.approx(float(Fraction(57, 60)))
    assert delay.summary(watched, silences, direction=Direction.UP).stalls.count == 2


@given(st.integers(1, 10**6).flatmap(lambda n: st.tuples(st.integers(0, n - 1), st.just(n))))
def test_more_loss_never_looks_better(lost_of: tuple[int, int]) -> None:
    """Ratio and both bounds rise with every packet lost."""
    lost, sent = lost_of
    less, more = delay.loss(lost, sent), delay.loss(lost + 1, sent)
    assert less.bound_low <= more.bound_low
    assert less.bound_high <= more.bound_high
    assert not math.isnan(more.bound_high)
