"""Percentiles with lost packets in both treatments, loss with its bounds, loss in any interval."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from dashboard.judge import promises
from dashboard.judge.promises import LossyMinute
from dashboard.judge.verdict import Word
from store.histogram import Histogram, delays_of


def test_lost_packets_in_both_treatments() -> None:
    """RFC 7679 section 5.1: of 100, 110, undef, 90, 500 the 50th percentile is 110, undef as infinite;
    RFC 6703 section 5 leaves undef out, then it is 100 (of 90 100 110 500). The 90th is infinite, or 500."""
    histogram = Histogram([100, 110, 90, 500])
    with_lost = promises.value_of(histogram, 0.5, lost=1)
    arrived = promises.value_of(histogram, 0.5)
    assert with_lost is not None
    assert arrived is not None
    assert (with_lost.low_us or 0) <= 110 <= (with_lost.high_us or 0)
    assert (arrived.low_us or 0) <= 100 <= (arrived.high_us or 0)
    most = promises.value_of(histogram, 0.9, lost=1)
    assert most == promises.Value(low_us=None, high_us=None, count=5)
    least = promises.value_of(histogram, 0.9)
    assert least == promises.Value(low_us=500, high_us=500, count=4)


@given(
    st.lists(st.integers(0, 3_000_000), min_size=1, max_size=60),
    st.integers(0, 20),
    st.sampled_from((0.5, 0.95, 0.99)),
)
def test_a_percentile_lies_where_it_is_said_to(samples: list[int], lost: int, share: float) -> None:
    """The exact value, by sorting, is within the bounds; a rank among the lost is infinite."""
    whole = sorted(samples) + [10**9] * lost
    rank = max(1, -(-round(share * 100) * len(whole) // 100))
    found = promises.value_of(Histogram(samples), share, lost=lost)
    assert found is not None
    if whole[rank - 1] == 10**9:
        assert found.low_us is None
    else:
        assert (found.low_us or 0) <= whole[rank - 1] <= (found.high_us or 0)
        assert (found.high_us or 0) - (found.low_us or 0) <= max(1, whole[rank - 1] / 32)


def test_nothing_has_no_percentile() -> None:
    assert promises.value_of(Histogram(), 0.95) is None


@pytest.mark.parametrize(
    ("delay_us", "lost", "word"),
    [
        (8_000, 0, Word.MET),
        (8_000, 4, Word.MET),
        (8_000, 6, Word.UNDECIDED),  # left out it is met, as infinite not: 6 of 106 is over 5 %
        (10_000, 0, Word.NOT_MET),
        (9_010, 0, Word.UNDECIDED),  # in a bucket from 8960 to 9087 us: the record tells no finer
    ],
)
def test_a_promise_of_nine_milliseconds(delay_us: int, lost: int, word: Word) -> None:
    spread = [delay_us - 90, delay_us + 60] if word is Word.UNDECIDED and not lost else [delay_us]
    samples = [1000] * 50 + spread * (50 // len(spread))
    found = promises.delay("RTT p95", Histogram(samples), share=0.95, limit_us=9_000, lost=lost)
    assert found.word is word


def test_a_month_of_the_clean_and_the_bad_hours_pooled() -> None:
    """Worked by hand: 1000 at 10 ms and 10 at 100 ms have a mean of 10.9 ms, not the 55 of the two means."""
    pooled = Histogram([10_000] * 1000)
    pooled.merge(Histogram([100_000] * 10))
    assert pooled.mean == pytest.approx(10_891, abs=1)
    exact = delays_of([10_000] * 1000 + [100_000] * 10)
    assert exact is not None
    found = promises.value_of(pooled, 0.95)
    assert found is not None
    assert (found.low_us or 0) <= exact.p95 <= (found.high_us or 0)


def test_bounds_rest_on_events_not_on_packets() -> None:
    """600 packets lost in 3 minutes are worth 3 events of 3/600 as many packets (bounds: scipy.stats)."""
    found = promises.loss("Loss up", lost=600, sent=1_000_000, events=3, limit_ratio=0.0005)
    assert found.effective_n == 5000
    reference = stats.binomtest(3, 5000).proportion_ci(confidence_level=0.9)
    assert (found.bound_low, found.bound_high) == pytest.approx((reference.low, reference.high), abs=1e-9)
    assert found.word is Word.UNDECIDED
    assert promises.loss("", lost=600, sent=1_000_000, events=600, limit_ratio=0.0005).word is Word.NOT_MET


@pytest.mark.parametrize(("sent", "word"), [(5_989, Word.UNDECIDED), (5_990, Word.MET)])
def test_without_a_loss_it_takes_three_over_the_limit(sent: int, word: Word) -> None:
    """1 - 0.05 ** (1/n) is below 0.0005 from n = 5990 on; 2995 for 0.001."""
    assert promises.loss("", lost=0, sent=sent, events=0, limit_ratio=0.0005).word is word


def test_a_monthly_loss_hides_an_outage() -> None:
    """Worked by hand: 0.05 % of 30 days at 20/s are 21.6 min of nothing; an interval of 5 min sees it."""
    sent = 30 * 86_400 * 20
    dark = [LossyMinute(from_s=60.0 * n, seconds=60, sent=1200, lost=1200) for n in range(21)]
    monthly = promises.loss("", lost=21 * 1200, sent=sent, events=21, limit_ratio=0.0005)
    assert monthly.ratio is not None
    assert monthly.ratio < 0.0005
    any_ = promises.intervals("", dark, interval_s=300, limit_ratio=0.01, watched_s=30 * 86_400)
    assert (any_.word, any_.worst_ratio, any_.over, any_.intervals) == (Word.NOT_MET, 1.0, 5, 8640)


@pytest.mark.parametrize(("lost", "word"), [(60, Word.MET), (61, Word.NOT_MET)])
def test_any_five_minutes_slide(lost: int, word: Word) -> None:
    """Of 6000 packets 1 % are 60; here they lie over the edge of two intervals of the clock."""
    minutes = [
        LossyMinute(from_s=240.0, seconds=60, sent=1200, lost=30),
        LossyMinute(from_s=300.0, seconds=60, sent=1200, lost=lost - 30),
    ]
    found = promises.intervals("", minutes, interval_s=300, limit_ratio=0.01, watched_s=3600)
    assert (found.word, found.over) == (word, 0)
    apart = [minutes[0], LossyMinute(from_s=600.0, seconds=60, sent=1200, lost=lost - 30)]
    assert promises.intervals("", apart, interval_s=300, limit_ratio=0.01, watched_s=3600).word is Word.MET


@pytest.mark.parametrize(("lost", "word"), [(60, Word.MET), (61, Word.UNDECIDED)])
def test_spans_longer_than_the_interval(lost: int, word: Word) -> None:
    """Half an hour in one span: 60 lost are 1 % of five minutes at worst, and 61 may be more."""
    half_hour = [LossyMinute(from_s=0.0, seconds=1800, sent=36_000, lost=lost)]
    found = promises.intervals("", half_hour, interval_s=300, limit_ratio=0.01, watched_s=3600)
    assert (found.word, found.over, found.worst_ratio) == (word, 0, None)


@given(st.integers(0, 5000), st.integers(1, 100), st.integers(1, 5000))
def test_more_loss_never_improves_a_verdict(lost: int, events: int, more: int) -> None:
    order = [Word.MET, Word.UNDECIDED, Word.NOT_MET]
    words = [
        promises.loss("", lost=each, sent=100_000, events=each, limit_ratio=0.001).word
        for each in (lost, lost + more)
    ]
    assert order.index(words[0]) <= order.index(words[1])
