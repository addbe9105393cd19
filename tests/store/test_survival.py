"""Killed at any moment, the store loses at most the last second and no ended run, and its chain fits."""

from __future__ import annotations

import random
from pathlib import Path

from tests.bench.survival import TICK_S, survive


def test_kills_at_any_moment(tmp_path: Path) -> None:
    """Eight here; `python tests/bench/survival.py` does two hundred and prints what they cost."""
    tally = survive(tmp_path / "line.db", 8, random.Random(1))
    assert tally.runs_ended > 0
    assert tally.aborted > 0
    assert (tally.runs_lost, tally.unsound) == (0, 0)
    assert max(tally.lost) * TICK_S <= 1
