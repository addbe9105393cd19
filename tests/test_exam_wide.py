"""The wide exam: ten seeds with faults moved, resized or absent, and two hundred weeks without any.

`tests/bench/exam.py` draws them and prints what was missed; here it is held to a bound. The exam of the usual
faults, row by row, is `tests/test_exam.py`.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from scipy import stats

from dashboard.judge.finding import CHANCE
from tests.bench import exam
from tests.examined import site_of

pytestmark = pytest.mark.long
WEEKS = 200


def test_planted_faults_are_found(tmp_path: Path) -> None:
    """At least 95 % of what ten seeds plant, with owner and days, and none of what they leave out."""
    found, planted, wrong = exam.varied_seeds(site_of(tmp_path), 10)
    assert planted > 100
    assert found >= 0.95 * planted
    assert wrong == 0


def test_clean_weeks_accuse_nobody(tmp_path: Path) -> None:
    """No more weeks than a chance of 1 % each brings, but once in a thousand (binomial law, by scipy)."""
    most = stats.binom.ppf(0.999, WEEKS, CHANCE)
    assert exam.clean_weeks(site_of(tmp_path), WEEKS) <= most
