"""Trains held against nftables' own counters: which way packets were lost, and how many."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.links.house import PORT, house

pytestmark = pytest.mark.namespace


@pytest.mark.parametrize("per_mille", [3, 10, 50])
@pytest.mark.parametrize("up", [True, False], ids=["up", "down"])
def test_drops_one_way(tmp_path: Path, per_mille: int, up: bool) -> None:
    """Every counted drop is found, on its own side, and none on the other."""
    with house(tmp_path / "endpoint") as far:
        far.line.drop(per_mille, up=up, port=PORT)
        train = far.run("train", "--seconds", "6", "--per-second", "200")
        dropped = far.line.counted("dropped", up=up)
        assert train["sent"] == pytest.approx(1200, abs=1)
        assert abs(train["lost_up" if up else "lost_down"] - dropped) <= 1
        assert train["lost_down" if up else "lost_up"] == 0
        assert dropped > 0 or per_mille == 3  # 0.3 % of 1200 leaves none once in 37 times
        assert train["timestamps"] == "kernel"
