"""What a soak supports, against scipy.stats.beta and the binomial sums that define the bound."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy import stats

from dashboard.judge.soak import below, judge, said
from store.soaks import Soak
from tests.store import samples

DAY = 24 * 3600 * 50  # packets of 24 h at 50 a second


def day(*, up: int = 0, down: int = 0, unknown: int = 0, sent: int = DAY) -> Soak:
    return replace(
        samples.soak(),
        sent=sent,
        received=sent - up - down - unknown,
        lost_up=up,
        lost_down=down,
        lost_unattributed=unknown,
        counted_s=86_400.0,
    )


def test_a_day_without_loss() -> None:
    """4.32 million packets, none lost: below 7e-7 at 95 %. The exact bound is 1 - 0.05^(1/n)."""
    found = judge(day())
    assert found.below_ratio == pytest.approx(1 - 0.05 ** (1 / DAY), rel=1e-9)
    assert found.below_ratio < 7e-7
    assert said(day(), found).startswith(
        "4\u202f320\u202f000 packets in 24 h, none lost up: less than 0.00007 % at 95 %"
    )


@pytest.mark.parametrize(
    ("up", "down", "unknown"), [(0, 0, 0), (1, 0, 0), (3, 17, 0), (5, 2, 4), (900, 1, 0)]
)
def test_bounds(up: int, down: int, unknown: int) -> None:
    """Clopper and Pearson's upper bound is the 95 % point of Beta(k + 1, n - k) (scipy.stats.beta)."""
    found = judge(day(up=up, down=down, unknown=unknown))
    for lost, asked, bound in (
        (up + down + unknown, DAY, found.below_ratio),
        (up + unknown, DAY, found.up_below_ratio),
        (down + unknown, DAY - up, found.down_below_ratio),
    ):
        assert bound == pytest.approx(stats.beta.ppf(0.95, lost + 1, asked - lost), rel=1e-9)
        assert stats.binom.cdf(lost, asked, bound) == pytest.approx(0.05, rel=1e-6)


def test_more_loss_never_lowers_a_bound() -> None:
    bounds = [judge(day(up=lost)).up_below_ratio for lost in range(6)]
    assert bounds == sorted(set(bounds))


def test_nothing_counted_supports_nothing() -> None:
    empty = replace(day(sent=0), received=0)
    assert judge(empty).below_ratio == 1
    assert said(empty, judge(empty)) == "Nothing was counted, so it says nothing of loss."


def test_unattributed_losses_stand_in_both_bounds() -> None:
    text = said(day(unknown=2), judge(day(unknown=2)))
    assert "Of 2 lost nobody can say which way" in text


@pytest.mark.parametrize(
    ("ratio", "text"),
    [
        (6.934e-7, "0.00007 %"),
        (1.2301e-6, "0.00013 %"),
        (0.05, "5 %"),
        (0.0512, "5.2 %"),
        (0.2501, "26 %"),
        (1, "100 %"),
    ],
)
def test_a_bound_is_rounded_up(ratio: float, text: str) -> None:
    assert below(ratio) == text
