"""How much a number of runs can support: exact binomial bounds, and the counts that follow from them.

A bound here is one-sided at 95 % unless said otherwise, and exact (Clopper and Pearson). Counts may be
real numbers, because runs that resemble their neighbours count as fewer (`effective_n`); the beta
functions carry the same formula over to them. Stands on nothing of the project; scipy.special is the
engine, and scipy.stats stays out because it costs memory and start-up.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

from scipy import special

CONFIDENCE = 0.95

_MOST_RUNS = 100_000  # eleven years of hourly runs: "so many more" beyond that helps nobody
_LONGEST_CAMPAIGN = 20_000  # two years of hourly runs: a campaign fixes its end before it starts


def lower_bound(met: float, n: float, *, confidence: float = CONFIDENCE) -> float:
    """The share that `met` of `n` supports from below; 0 when nothing was met or nothing was run."""
    if met <= 0 or n <= 0:
        return 0.0
    return float(special.betaincinv(met, n - met + 1, 1 - confidence))


def upper_bound(met: float, n: float, *, confidence: float = CONFIDENCE) -> float:
    """The share that `met` of `n` supports from above; 1 when all were met or nothing was run."""
    if met >= n or n <= 0:
        return 1.0
    return float(special.betaincinv(met + 1, n - met, confidence))


def wilson(met: int, n: int, *, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Wilson's two-sided score interval: shorter than the exact one, and right only on average."""
    if n <= 0:
        return 0.0, 1.0
    z = float(special.ndtri((1 + confidence) / 2))
    share, spread = met / n, z * z / n
    centre = (share + spread / 2) / (1 + spread)
    half = math.sqrt(share * (1 - share) * spread + spread * spread / 4) / (1 + spread)
    return max(0.0, centre - half), min(1.0, centre + half)


def supports_at_least(met: float, n: float, share: float, *, confidence: float = CONFIDENCE) -> bool:
    """Whether `met` of `n` supports "at least `share` is met"."""
    if met <= 0 or n <= 0:
        return share <= 0
    return float(special.betainc(met, n - met + 1, share)) <= 1 - confidence


def supports_below(met: float, n: float, share: float, *, confidence: float = CONFIDENCE) -> bool:
    """Whether `met` of `n` supports "less than `share` is met"."""
    if met >= n or n <= 0:
        return False
    return float(special.betaincc(met + 1, n - met, share)) <= 1 - confidence


def most_failures(n: int, share: float, *, confidence: float = CONFIDENCE) -> int | None:
    """The most failures among `n` runs that still support "at least `share`"; None when even 0 do not."""

    def fails(failures: int) -> bool:
        return not supports_at_least(n - failures, n, share, confidence=confidence)

    return _first(fails, upto=n) - 1 if not fails(0) else None


def least_failures(n: int, share: float, *, confidence: float = CONFIDENCE) -> int | None:
    """The fewest failures among `n` runs that support "less than `share`"; None when even all do not."""

    def supports(failures: int) -> bool:
        return supports_below(n - failures, n, share, confidence=confidence)

    found = _first(supports, upto=n)
    return found if supports(found) else None


def least_runs(failures: int, share: float, *, confidence: float = CONFIDENCE) -> int:
    """The smallest number of runs that supports "at least `share`" with so many failures among them."""

    def enough(n: int) -> bool:
        return n > failures and supports_at_least(n - failures, n, share, confidence=confidence)

    upto = max(2 * failures, 1)
    while not enough(upto):
        upto *= 2
    return _first(enough, upto=upto)


def runs_for_fault(true_share: float, promised: float, *, power: float = 0.8) -> int | None:
    """The first number of runs with a chance of `power` to show "less than `promised`"; None beyond 20 000.

    The chance climbs as a saw-tooth, because failures come whole: at some larger numbers it falls
    back below `power` for a while, so this is where a campaign starts to be worth its bytes.
    """
    for n in range(1, _LONGEST_CAMPAIGN + 1):
        failures = least_failures(n, promised)
        if failures is not None and _chance_of_failures(failures, n, true_share) >= power:
            return n
    return None


def runs_for_compliance(true_share: float, promised: float, *, power: float = 0.8) -> int | None:
    """The first number of runs with a chance of `power` to show "at least `promised`"; None beyond 20 000."""
    for n in range(1, _LONGEST_CAMPAIGN + 1):
        failures = most_failures(n, promised)
        if failures is not None and 1 - _chance_of_failures(failures + 1, n, true_share) >= power:
            return n
    return None


def runs_to_decide(met: float, reachable: float, n: int, *, worth: float, promised: float) -> int | None:
    """How many runs more decide, if their shares and their likeness stay as they are.

    `met` of `n` runs met surely, `reachable` counts those that may have; `worth` is effective n over n.
    None when the shares stand so close to `promised` that 100 000 runs would not do.
    """

    def decided(more: int) -> bool:
        weight = (n + more) * worth / n
        return supports_at_least(met * weight, n * weight, promised) or supports_below(
            reachable * weight, n * weight, promised
        )

    if n <= 0 or not decided(_MOST_RUNS):
        return None
    return _first(decided, upto=_MOST_RUNS)


def lag_one(outcomes: Sequence[float]) -> float:
    """The correlation of each outcome with the one before it; 0 for fewer than three or all alike."""
    if len(outcomes) < 3:
        return 0.0
    mean = math.fsum(outcomes) / len(outcomes)
    off = [outcome - mean for outcome in outcomes]
    spread = math.fsum(value * value for value in off)
    if spread <= 0:
        return 0.0
    return math.fsum(a * b for a, b in pairwise(off)) / spread


def effective_n(outcomes: Sequence[float]) -> float:
    """How many independent outcomes these are worth, by their own lag-1 correlation; one at least."""
    return max(len(outcomes) * worth(lag_one(outcomes)), min(1.0, float(len(outcomes))))


def worth(correlation: float) -> float:
    """The share of outcomes that count as independent: (1 - r)/(1 + r) of a first-order process.

    r below 0 counts as 0: outcomes that alternate are no reason to trust few of them more.
    """
    r = min(max(0.0, correlation), 1.0)
    return (1 - r) / (1 + r)


def lower_rank(n: int, share: float, *, confidence: float = CONFIDENCE) -> int | None:
    """The largest rank (from 1) whose value bounds the `share` quantile from below; None with too few.

    Order statistics: the value of rank k+1 does so when P(Bin(n, share) <= k) is at most 1 - confidence.
    """
    failures = most_failures(n, 1 - share, confidence=confidence)
    return None if failures is None else failures + 1


def quantile_ranks(n: int, share: float, *, confidence: float = CONFIDENCE) -> tuple[int | None, int | None]:
    """The ranks (from 1) of n sorted values that enclose the `share` quantile, equal tails.

    None for an end that so few values cannot bound. The smallest l with P(B <= l) > tail and the
    smallest u with P(B <= u - 1) >= 1 - tail, B ~ Bin(n, share).
    """
    tail = (1 - confidence) / 2
    low = _first(lambda rank: _at_most(rank, n, share) > tail, upto=n)
    high = _first(lambda rank: _at_most(rank - 1, n, share) >= 1 - tail, upto=n + 1)
    return (low if low >= 1 else None), (high if high <= n else None)


def _at_most(count: int, n: int, share: float) -> float:
    """P(B <= count) for B ~ Bin(n, share)."""
    if count < 0:
        return 0.0
    return 1.0 if count >= n else float(special.betaincc(count + 1, n - count, share))


def _chance_of_failures(failures: int, n: int, true_share: float) -> float:
    """P(at least so many of n runs fail) when each meets the rate with `true_share`."""
    return 1 - _at_most(failures - 1, n, 1 - true_share)


def _first(holds: Callable[[int], bool], *, upto: int) -> int:
    """The smallest number from 0 for which `holds`, once it holds it stays; `upto` when none below does."""
    low, high = 0, upto
    while low < high:
        middle = (low + high) // 2
        if holds(middle):
            high = middle
        else:
            low = middle + 1
    return low


def chance_of_as_few(few: int, n: int, other: int, m: int) -> float:
    """How often `few` of `n` or fewer would come out if it had the share of the `other` of `m`.

    Fisher's exact test, one-sided: both shares are uncertain, so only their sum is taken as given.
    """
    together, total = few + other, n + m
    lowest = max(0, together - m)
    ways = sum(math.comb(n, k) * math.comb(m, together - k) for k in range(lowest, few + 1))
    return ways / math.comb(total, together)


def chance_of_as_many(many: int, n: int, share: float = 0.5) -> float:
    """P(B >= many) for B ~ Bin(n, share): with the usual share the one-sided sign test."""
    return 1.0 if many <= 0 else float(special.betainc(many, n - many + 1, share)) if many <= n else 0.0


def normal_below(z: float) -> float:
    """P(Z <= z) of the standard normal law."""
    return float(special.ndtr(z))


def chance_in_step(records: Sequence[Sequence[float]], period: float) -> float:
    """How often moments that come at random would be so much in step with a period, records pooled.

    Rayleigh's test: for each record n R^2 is about exponential, and phases of different records are free, so
    their sum follows the gamma law of as many (Fisher, Statistical Analysis of Circular Data, from memory).
    """
    total = 0.0
    for moments in records:
        angles = [2 * math.pi * one / period for one in moments]
        across = math.fsum(math.cos(one) for one in angles)
        along = math.fsum(math.sin(one) for one in angles)
        total += (across * across + along * along) / len(moments)
    return float(special.gammaincc(len(records), total)) if records else 1.0
