"""Trains held against nftables' own counters: which way packets were lost, and how many."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from itertools import product
from typing import Any

import pytest

from tests.links.house import PORT, house

pytestmark = [pytest.mark.namespace, pytest.mark.few]

PER_MILLE = (3, 10, 50)

Measured = tuple[dict[str, Any], int]  # a train, and what nft counted as dropped


@pytest.fixture(scope="module")
def trains(tmp_path_factory: pytest.TempPathFactory) -> Mapping[tuple[int, bool], Measured]:
    """A train for every share of drops and each way, all at the same time, each on a line of its own."""
    keys = tmp_path_factory.mktemp("endpoints")  # which is not for several threads

    def measured(case: tuple[int, bool]) -> Measured:
        per_mille, up = case
        with house(keys / f"{per_mille}-{up}") as far:
            far.line.drop(per_mille, up=up, port=PORT)
            train = far.run("train", "--seconds", "6", "--per-second", "200")
            return train, far.line.counted("dropped", up=up)

    cases = list(product(PER_MILLE, (True, False)))
    with ThreadPoolExecutor(len(cases)) as at_once:
        return dict(zip(cases, at_once.map(measured, cases), strict=True))


@pytest.mark.parametrize("per_mille", PER_MILLE)
@pytest.mark.parametrize("up", [True, False], ids=["up", "down"])
def test_drops_one_way(trains: Mapping[tuple[int, bool], Measured], per_mille: int, up: bool) -> None:
    """Every counted drop is found, on its own side, and none on the other."""
    train, dropped = trains[per_mille, up]
    assert train["sent"] == pytest.approx(1200, abs=1)
    assert abs(train["lost_up" if up else "lost_down"] - dropped) <= 1
    assert train["lost_down" if up else "lost_up"] == 0
    assert dropped > 0 or per_mille == 3  # 0.3 % of 1200 leaves none once in 37 times
    assert train["timestamps"] == "kernel"
