"""Several handoffs of one contract: their total at once, what they share, and failover only."""

from __future__ import annotations

from dataclasses import replace

from dashboard.judge.together import Part, Together, together
from dashboard.judge.verdict import Word
from store.card import Card
from store.clock import NS_PER_S
from store.layers import Layer
from store.records import Direction, RateRun
from tests.dashboard.judge.made import NOON, run

A = Card(
    rate_up_bps=600_000_000,
    rate_down_bps=600_000_000,
    layer=Layer.ETHERNET,
    reach_ratio=0.97,
    at_once_with=("B",),
    total_bps=2_000_000_000,
    shared_device=("B",),
    shared_uplink=("B",),
    shared_power=("B",),
    shared_fibre=("B",),
)
B = replace(
    A, rate_up_bps=1_400_000_000, rate_down_bps=1_400_000_000, at_once_with=("A",), shared_device=("A",)
)
HOUR = 3600 * NS_PER_S


def runs(payload_bps: int, *, n: int = 59, late_s: float = 1) -> list[RateRun]:
    late_ns = round(late_s * NS_PER_S)
    return [
        replace(
            run(payload_bps, down_bps=payload_bps, started_unix_ns=NOON + nth * HOUR + late_ns), seconds=60.0
        )
        for nth in range(n)
    ]


def found(a: list[RateRun], b: list[RateRun], *, card: Card = A) -> Together:
    made = together([Part(name="A", card=card, runs=a), Part(name="B", card=B, runs=b)])
    assert made is not None
    return made


def test_the_total_of_runs_at_once() -> None:
    """572.3 and 1331.9 of payload are 600 and 1396.3 at layer 2 (1518/1448): 2.0 Gb/s, 59 times: met."""
    up, down = found(runs(572_300_000), runs(1_331_900_000)).totals
    assert (up.word, up.n, up.met, up.needed_bps) == (Word.MET, 59, 59, 2_000_000_000)
    assert down.direction is Direction.DOWN
    short = found(runs(572_300_000), runs(900_000_000)).totals[0]
    assert (short.word, short.not_met) == (Word.NOT_MET, 59)
    assert "A and B at once reached the upload total of 2.00 Gb/s at layer 2 in 0 of 59 runs" in short.because


def test_only_what_went_at_once_counts() -> None:
    """Runs ten seconds apart of a minute overlap by 83 %: not at once."""
    apart = found(runs(572_300_000), runs(1_331_900_000, late_s=11)).totals[0]
    assert (apart.word, apart.n) == (Word.NOT_TESTED, 0)
    few = found(runs(572_300_000, n=5), runs(1_331_900_000)).totals[0]
    assert (few.word, few.n) == (Word.UNDECIDED, 5)


def test_without_a_total_the_sum_that_holds_at_once() -> None:
    """Or nothing, where the cards promise neither."""
    silent = replace(A, total_bps=None)
    mate = replace(B, total_bps=None)
    both = together([Part(name="A", card=silent), Part(name="B", card=mate)])
    assert both is not None
    assert both.totals[0].needed_bps == 2_000_000_000
    neither = together(
        [
            Part(name="A", card=replace(silent, at_once_with=None)),
            Part(name="B", card=replace(mate, at_once_with=None)),
        ]
    )
    assert neither is not None
    assert "state neither a total" in neither.totals[0].because


def test_what_one_fault_takes() -> None:
    """Shared, not stated, nothing, and a handoff that only waits."""
    assert found([], []).shares == (
        "A and B share device, uplink, power and fibre: one fault there takes them together, so their "
        "availabilities may not be multiplied.",
    )
    unknown = together([Part(name="A", card=Card()), Part(name="B", card=Card(), failover_only=True)])
    assert unknown is not None
    assert unknown.shares[0].startswith("Whether A and B share device, uplink, power and fibre is not stated")
    assert unknown.shares[1].startswith("B is used for failover only")
    apart = Card(shared_device=(), shared_uplink=(), shared_power=(), shared_fibre=())
    nothing = together([Part(name="A", card=apart), Part(name="B", card=apart)])
    assert nothing is not None
    assert nothing.shares == ("By their cards A and B share nothing that is asked for.",)


def test_one_handoff_is_no_total() -> None:
    assert together([Part(name="A", card=A)]) is None
