"""Bounds and counts against scipy.stats, exact sums of fractions, and published or recomputed tables."""

from __future__ import annotations

import math
import random
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from dashboard.judge import sampling

counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def at_most(count: int, n: int, share: Fraction) -> Fraction:
    """P(Bin(n, share) <= count), summed exactly: the second route."""
    return sum(
        (math.comb(n, k) * share**k * (1 - share) ** (n - k) for k in range(count + 1)), start=Fraction(0)
    )


@given(counts)
def test_bounds_agree_with_a_reference_library(met_of: tuple[int, int]) -> None:
    """A two-sided exact interval at 90 % has our one-sided 95 % bounds as its ends (scipy.stats)."""
    met, n = met_of
    reference = stats.binomtest(met, n).proportion_ci(confidence_level=0.9, method="exact")
    assert sampling.lower_bound(met, n) == pytest.approx(reference.low, abs=1e-9)
    assert sampling.upper_bound(met, n) == pytest.approx(reference.high, abs=1e-9)


@pytest.mark.parametrize(
    ("met", "n", "score", "exact"),
    [  # computed with scipy.stats and statsmodels from the formulas' textbook form, six digits
        (0, 100, (0.0, 0.036993), (0.0, 0.036217)),
        (1, 100, (0.001767, 0.054486), (0.000253, 0.054459)),
        (5, 100, (0.021544, 0.111750), (0.016432, 0.112835)),
        (50, 100, (0.403832, 0.596168), (0.398321, 0.601679)),
        (0, 1000, (0.0, 0.003827), (0.0, 0.003682)),
        (5, 1000, (0.002138, 0.011651), (0.001625, 0.011629)),
        (3, 1500, (0.000680, 0.005864), (0.000413, 0.005834)),
        (0, 3000, (0.0, 0.001279), (0.0, 0.001229)),
        (10, 10, (0.722467, 1.0), (0.691503, 1.0)),
        (24, 30, (0.626943, 0.904949), (0.614333, 0.922864)),
        (27, 30, (0.743789, 0.965400), (0.734712, 0.978883)),
        (48, 60, (0.682182, 0.881715), (0.676700, 0.892159)),
        (57, 60, (0.862995, 0.982850), (0.860757, 0.989568)),
    ],
)
def test_two_sided_intervals(
    met: int, n: int, score: tuple[float, float], exact: tuple[float, float]
) -> None:
    """Wilson's interval, and the exact one as two one-sided bounds at 97.5 %."""
    assert sampling.wilson(met, n) == pytest.approx(score, abs=1e-6)
    assert sampling.lower_bound(met, n, confidence=0.975) == pytest.approx(exact[0], abs=1e-6)
    assert sampling.upper_bound(met, n, confidence=0.975) == pytest.approx(exact[1], abs=1e-6)


@given(counts)
def test_wilson_agrees_with_a_reference_library(met_of: tuple[int, int]) -> None:
    """The same interval from scipy.stats."""
    met, n = met_of
    reference = stats.binomtest(met, n).proportion_ci(method="wilson")
    assert sampling.wilson(met, n) == pytest.approx((reference.low, reference.high), abs=1e-9)


THRESHOLDS = [  # runs, most failures for ">= 95 % met", fewest for "< 95 % met"; one-sided 95 % exact
    (30, None, 5),
    (59, 0, 7),
    (100, 1, 10),
    (168, 3, 14),
    (336, 10, 25),
    (720, 26, 47),
    (1440, 58, 87),
    (2880, 124, 164),
]


@pytest.mark.parametrize(("n", "most", "least"), THRESHOLDS)
def test_thresholds(n: int, most: int | None, least: int) -> None:
    """The table to the digit."""
    assert (sampling.most_failures(n, 0.95), sampling.least_failures(n, 0.95)) == (most, least)


@pytest.mark.parametrize(("n", "most", "least"), THRESHOLDS[:6])
def test_thresholds_by_exact_sums(n: int, most: int | None, least: int) -> None:
    """Sums of fractions put the 5 % between each threshold and its neighbour."""
    fault, alpha = Fraction(1, 20), Fraction(1, 20)
    kept = -1 if most is None else most
    assert at_most(kept + 1, n, fault) > alpha
    assert most is None or at_most(most, n, fault) <= alpha
    assert 1 - at_most(least - 1, n, fault) <= alpha < 1 - at_most(least - 2, n, fault)


@pytest.mark.parametrize(
    ("failures", "share", "n"),
    [
        *((0, share, n) for share, n in [(0.9, 29), (0.95, 59), (0.99, 299), (0.999, 2995)]),
        *((failures, 0.95, n) for failures, n in [(1, 93), (2, 124), (3, 153), (5, 208), (10, 336)]),
        (0, 0.5, 5),  # the median
        (0, 1 - 1e-4, 29_956),  # packets without a loss that support a loss below 1e-4
    ],
)
def test_least_runs(failures: int, share: float, n: int) -> None:
    """Without failures it is the first n with share ** n <= 0.05; the rest from the binomial sum."""
    assert sampling.least_runs(failures, share) == n


@pytest.mark.parametrize(("share", "n"), [(0.9, 44), (0.95, 90), (0.99, 459), (0.999, 4603)])
def test_least_runs_at_99_percent(share: float, n: int) -> None:
    """share ** n <= 0.01."""
    assert sampling.least_runs(0, share, confidence=0.99) == n


@pytest.mark.parametrize(("share", "n"), [(0.5, 6), (0.9, 36), (0.95, 72), (0.99, 368), (0.999, 3688)])
def test_least_runs_two_sided(share: float, n: int) -> None:
    """share ** n <= 0.025."""
    assert sampling.least_runs(0, share, confidence=0.975) == n


@pytest.mark.parametrize(
    ("true_share", "n", "about"),
    [(0.80, 27, 27), (0.85, 52, 52), (0.90, 169, 169), (0.92, 415, 430), (0.94, 3198, 3250)],
)
def test_runs_for_fault(true_share: float, n: int, about: int) -> None:
    """The first n of 80 % power, by scipy.stats; rounded tables of it ("about") lie within 5 % above."""
    least = sampling.least_failures(n, 0.95)
    before = sampling.least_failures(n - 1, 0.95)
    assert least is not None
    assert before is not None
    assert stats.binom.sf(least - 1, n, 1 - true_share) >= 0.8
    assert stats.binom.sf(before - 1, n - 1, 1 - true_share) < 0.8
    assert sampling.runs_for_fault(true_share, 0.95) == n
    assert n <= about <= 1.05 * n


@pytest.mark.parametrize(
    ("true_share", "n", "about"), [(0.99, 124, 124), (0.98, 234, 234), (0.97, 601, 630), (0.96, 2698, 2720)]
)
def test_runs_for_compliance(true_share: float, n: int, about: int) -> None:
    """Likewise for showing that the promise is kept."""
    most = sampling.most_failures(n, 0.95)
    before = sampling.most_failures(n - 1, 0.95)
    assert most is not None
    assert before is not None
    assert stats.binom.cdf(most, n, 1 - true_share) >= 0.8
    assert stats.binom.cdf(before, n - 1, 1 - true_share) < 0.8
    assert sampling.runs_for_compliance(true_share, 0.95) == n
    assert n <= about <= 1.05 * n


def test_a_campaign_that_cannot_decide() -> None:
    """A line that keeps exactly the promise is shown neither to break nor to keep it."""
    assert sampling.runs_for_fault(0.949, 0.95) is None


@pytest.mark.parametrize(
    ("met", "n", "more"), [(30, 30, 29), (58, 58, 1), (80, 81, None), (28, 30, None), (18, 20, None)]
)
def test_runs_to_decide(met: int, n: int, more: int | None) -> None:
    """Runs that all met need 59; a share of 80/81 decides at some number that the exact sum confirms."""
    found = sampling.runs_to_decide(met, met, n, worth=1.0, promised=0.95)
    if more is not None:
        assert found == more
        return
    assert found is not None
    share, total = met / n, n + found
    assert stats.beta.ppf(0.05, share * total, total * (1 - share) + 1) >= 0.95 or (
        stats.beta.ppf(0.95, share * total + 1, total * (1 - share)) < 0.95
    )
    total -= 1
    assert stats.beta.ppf(0.05, share * total, total * (1 - share) + 1) < 0.95
    assert stats.beta.ppf(0.95, share * total + 1, total * (1 - share)) >= 0.95


def test_likeness_quadruples_the_runs_to_decide() -> None:
    """At r = 0.6 each run is worth a quarter: 720 count as 180, and where 0.95 ** n falls to 0.05 at
    n = 58.4, four times as many are wanted (236 where 59 whole ones are multiplied)."""
    assert sampling.worth(0.6) * 720 == pytest.approx(180)
    wanted = math.ceil(4 * math.log(0.05) / math.log(0.95))
    assert wanted == pytest.approx(236, abs=2)
    assert sampling.runs_to_decide(30, 30, 30, worth=sampling.worth(0.6), promised=0.95) == wanted - 30


def test_a_share_at_the_promise_never_decides() -> None:
    """95 of 100 against 95 %: no number of runs like these will do."""
    assert sampling.runs_to_decide(95, 95, 100, worth=1.0, promised=0.95) is None


@pytest.mark.parametrize(
    ("outcomes", "r"),
    [
        ([0, 0, 1, 1], Fraction(1, 4)),  # off the mean -1/2 -1/2 1/2 1/2: (1/4 - 1/4 + 1/4) / 1
        ([1, 0, 1, 0], Fraction(-3, 4)),
        ([1, 1, 1, 1], Fraction(0)),
        ([1, 0], Fraction(0)),
    ],
)
def test_lag_one_by_hand(outcomes: list[float], r: Fraction) -> None:
    """Sums done by hand; what does not vary or is too short has no likeness."""
    assert sampling.lag_one(outcomes) == pytest.approx(float(r))


def test_effective_n_of_a_process_whose_likeness_is_known() -> None:
    """A two-state chain that keeps its state with 0.8 has r = 0.8 + 0.8 - 1 = 0.6 (Markov chains), so
    the mean of 400 steps varies as that of 100 independent ones."""
    chance = random.Random(7)
    means, worths = [], []
    for _ in range(300):
        state, seen = chance.random() < 0.5, []
        for _ in range(400):
            state = state if chance.random() < 0.8 else not state
            seen.append(float(state))
        means.append(sum(seen) / len(seen))
        worths.append(sampling.effective_n(seen))
    spread = sum((mean - 0.5) ** 2 for mean in means) / len(means)
    assert sum(worths) / len(worths) == pytest.approx(100, rel=0.1)
    assert 0.25 / spread == pytest.approx(100, rel=0.25)


@given(st.lists(st.booleans(), max_size=200))
def test_effective_n_never_grows_a_sample(outcomes: list[bool]) -> None:
    """Between one and n, and n where nothing speaks for likeness."""
    found = sampling.effective_n([float(outcome) for outcome in outcomes])
    assert min(1, len(outcomes)) <= found <= len(outcomes)


@pytest.mark.parametrize(
    ("n", "share", "ranks", "coverage"),
    [  # B ~ Bin(n, p), coverage P(l <= B <= u - 1): recomputed with scipy.stats below
        (60, 0.5, (22, 39), 0.972660),
        (10, 0.5, (2, 9), 0.978516),
        (20, 0.5, (6, 15), 0.958611),
        (30, 0.5, (10, 21), 0.957226),
        (100, 0.5, (40, 61), 0.964800),
        (60, 0.2, (6, 19), 0.965825),
        (100, 0.95, (90, 100), 0.982607),
        (1000, 0.95, (936, 964), 0.958095),
        (1000, 0.99, (983, 997), 0.976095),
        (60, 0.95, (53, None), None),
    ],
)
def test_quantile_ranks(n: int, share: float, ranks: tuple[int, int | None], coverage: float | None) -> None:
    """Order statistics that enclose a quantile, and what they cover."""
    assert sampling.quantile_ranks(n, share) == ranks
    if ranks[1] is not None:
        covered = stats.binom.cdf(ranks[1] - 1, n, share) - stats.binom.cdf(ranks[0] - 1, n, share)
        assert covered == pytest.approx(coverage, abs=1e-6)


@pytest.mark.parametrize(("n", "rank"), [(58, None), (59, 1), (100, 2), (720, 27)])
def test_lower_rank(n: int, rank: int | None) -> None:
    """One above the failures that support 95 %: 59 runs give the minimum, 720 the 27th."""
    assert sampling.lower_rank(n, 0.05) == rank


@given(counts, st.floats(0.5, 0.99))
def test_more_failures_never_support_more(met_of: tuple[int, int], share: float) -> None:
    """One failure more lowers both bounds and never lends support."""
    met, n = met_of
    if not met:
        return
    assert sampling.lower_bound(met - 1, n) <= sampling.lower_bound(met, n)
    assert sampling.upper_bound(met - 1, n) <= sampling.upper_bound(met, n)
    assert sampling.supports_at_least(met, n, share) >= sampling.supports_at_least(met - 1, n, share)
    assert sampling.supports_below(met, n, share) <= sampling.supports_below(met - 1, n, share)


@given(counts, st.floats(1.0, 50.0))
def test_more_runs_at_the_same_share_never_widen_the_bounds(met_of: tuple[int, int], more: float) -> None:
    """Times any factor, whole or not."""
    met, n = met_of
    assert sampling.lower_bound(met * more, n * more) >= sampling.lower_bound(met, n) - 1e-9
    assert sampling.upper_bound(met * more, n * more) <= sampling.upper_bound(met, n) + 1e-9


@given(counts, st.floats(0.01, 0.99))
def test_support_and_bounds_say_the_same(met_of: tuple[int, int], share: float) -> None:
    """Support is a bound on the right side of the share."""
    met, n = met_of
    low, high = sampling.lower_bound(met, n), sampling.upper_bound(met, n)
    if abs(low - share) > 1e-9 and abs(high - share) > 1e-9:
        assert sampling.supports_at_least(met, n, share) == (low >= share)
        assert sampling.supports_below(met, n, share) == (high < share)


def test_nothing_run_supports_nothing() -> None:
    """Zero of zero."""
    assert (sampling.lower_bound(0, 0), sampling.upper_bound(0, 0)) == (0.0, 1.0)
    assert sampling.wilson(0, 0) == (0.0, 1.0)
    assert not sampling.supports_at_least(0, 0, 0.95)
    assert not sampling.supports_below(0, 0, 0.95)


@given(st.integers(0, 60), st.integers(0, 60), st.integers(0, 900), st.integers(0, 900))
def test_two_shares_are_compared_as_scipy_does(few: int, more: int, other: int, rest: int) -> None:
    """scipy.stats.fisher_exact, one-sided."""
    assume(few + more and other + rest)
    found = sampling.chance_of_as_few(few, few + more, other, other + rest)
    assert found == pytest.approx(stats.fisher_exact([[few, more], [other, rest]], alternative="less").pvalue)
