"""A verdict's parts: by day, the busy hours, what was carried, and the runs that a decision takes."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pytest
from scipy import stats

from dashboard.judge import contract, hours, rate_detail
from dashboard.judge.contract import Sample
from dashboard.judge.rate_detail import RateDetail
from dashboard.judge.verdict import Word
from store.card import Card
from store.layers import Layer
from store.records import Direction, RateRun
from store.site import EVENINGS, Times
from tests.dashboard.judge.made import NOON, ZONE, at, run

CARD = Card(rate_up_bps=15_000_000, layer=Layer.ETHERNET)
GOOD, SAG = 16_900_000, 9_200_000
HOUR = 3600 * 10**9


def looked_at(runs: list[RateRun], card: Card = CARD) -> RateDetail:
    sample = Sample.look(runs, card, Direction.UP, zone=ZONE)
    return rate_detail.detail(sample, busy=EVENINGS, zone=ZONE, whole=sample.verdict())


def evenings(days: int) -> list[RateRun]:
    """Hourly runs whose upload sags from 18:00 to 23:00, as the practice site's old line does."""
    start = at("2026-03-02 00:30")
    hourly = [start + place * HOUR for place in range(24 * days)]
    return [run(SAG if 18 <= nth % 24 < 23 else GOOD, started_unix_ns=ns) for nth, ns in enumerate(hourly)]


def test_busy_hours_apart() -> None:
    """Nineteen hours of 24 are fine, and all 70 busy ones of two weeks are not: 79 % over all."""
    found = looked_at(evenings(14))
    assert (found.busy.word, found.busy.n, found.busy.met) == (Word.NOT_MET, 70, 0)
    assert (found.rest.word, found.rest.n, found.rest.met) == (Word.MET, 266, 266)
    assert found.whole.share == pytest.approx(19 / 24)
    assert found.differs is (found.whole.word is not Word.NOT_MET)
    assert "In the busy hours (every day 18:00-23:00) 0 of 70 runs reached the rate: not met" in " ".join(
        found.sentences
    )


def test_a_difference_is_said() -> None:
    """One evening in thirty days of good ones: over all hours Met, in the busy ones not decided."""
    runs = [run(GOOD, started_unix_ns=at("2026-03-02 00:30") + nth * HOUR) for nth in range(720)]
    runs[18:23] = [run(SAG, started_unix_ns=one.started_unix_ns) for one in runs[18:23]]
    found = looked_at(runs)
    assert (found.whole.word, found.busy.word, found.differs) == (Word.MET, Word.UNDECIDED, True)
    assert "Over all hours it is met, which the busy ones are not." in " ".join(found.sentences)


def test_days_are_judged_and_counted() -> None:
    """Five of 24 below is Not met by the exact bound (P(X <= 19 | 24, 0.95) = 0.006, scipy); 0 of 24 is not
    enough for Met."""
    assert stats.binom.cdf(19, 24, 0.95) < 0.05 < 1 - stats.binom.cdf(23, 24, 0.95)
    found = looked_at([*evenings(2), *(run(GOOD, started_unix_ns=NOON + nth * HOUR) for nth in range(3))])
    assert [(one.day, one.n, one.met) for one in found.days] == [
        (date(2026, 3, 2), 24, 19),
        (date(2026, 3, 3), 24, 19),
        (date(2026, 3, 9), 3, 3),
    ]
    assert found.days[0].word in (Word.NOT_MET, Word.UNDECIDED)  # neighbours alike: 24 count as fewer
    assert found.days[2].word is Word.UNDECIDED
    assert (found.kept, found.short) == (1, 2)


def test_what_was_carried() -> None:
    """The nearest rank: of 20 runs of 1 to 20 Mb/s the 10th and the 1st; at layer 2 times 1518/1448."""
    found = looked_at(
        [run(mbps * 10**6, started_unix_ns=NOON + mbps * HOUR) for mbps in range(1, 21)]
    ).carried
    assert found is not None
    assert (found.p50_payload_bps, found.p5_payload_bps) == (10_000_000, 1_000_000)
    assert found.p50_bps == pytest.approx(10_000_000 * 1518 / 1448, abs=1)
    unstated = looked_at([run(GOOD)], replace(CARD, layer=Layer.NOT_STATED)).carried
    assert unstated is not None
    assert unstated.p50_bps is None


def test_runs_for_a_decision() -> None:
    """Four of 50 failed: 92 %, of which 415 runs show the fault in 80 % of cases (binomial, scipy)."""
    runs = [
        run(SAG if nth in (10, 20, 30, 40) else GOOD, started_unix_ns=NOON + nth * HOUR) for nth in range(50)
    ]
    found = looked_at(runs)
    assert found.whole.word is Word.UNDECIDED
    n = found.power_runs
    assert n == math.ceil(415 * 50 / found.whole.effective_n)
    assert found.power_days == math.ceil(n * found.whole.days / 50)
    least = next(k for k in range(416) if stats.binom.sf(k - 1, 415, 0.05) <= 0.05)
    assert stats.binom.sf(least - 1, 415, 0.08) >= 0.8  # so many runs show the fault in 80 % of cases


def test_more_days_are_those_of_more_runs() -> None:
    """30 that all met on two days want 29 more: two days at 15 a day."""
    runs = [run(GOOD, started_unix_ns=NOON + day * 24 * HOUR + nth) for day in (0, 1) for nth in range(15)]
    found = contract.rate_verdict(runs, CARD, Direction.UP, zone=ZONE)
    assert (found.more_runs, found.more_days) == (29, 2)
    assert "29 more runs (2 days at this pace) would decide" in found.because


def test_nothing_measured_has_no_parts() -> None:
    """No run, no sentence."""
    found = looked_at([])
    assert (found.carried, found.days, found.sentences, found.differs) == (None, (), (), False)


@pytest.mark.parametrize(
    ("moment", "in_it"),
    [
        ("2026-03-13 22:00", True),  # a Friday
        ("2026-03-14 01:59", True),  # its night
        ("2026-03-14 02:00", False),
        ("2026-03-13 21:59", False),
        ("2026-03-14 22:00", False),
        ("2026-03-13 01:00", False),  # of Thursday's night
    ],
)
def test_hours_over_midnight_belong_to_their_evening(moment: str, in_it: bool) -> None:
    friday = Times(weekdays=frozenset({4}), dates=frozenset(), from_minute=22 * 60, to_minute=2 * 60)
    assert hours.inside(friday, ZONE)(at(moment)) is in_it


def test_both_directions_at_once_count_where_the_contract_says_so() -> None:
    """Then such a run below the rate misses it, and one beside runs of one direction is not left out."""
    both = [run(SAG, down_bps=260_000_000, started_unix_ns=NOON + nth * HOUR) for nth in range(100)]
    alone = [run(GOOD, started_unix_ns=NOON + nth * HOUR) for nth in range(100)]
    silent = contract.rate_verdict([*both, *alone], CARD, Direction.UP, zone=ZONE)
    assert (silent.n, dict(silent.excluded_why)) == (100, {"both_at_once": 100})
    promised = replace(CARD, both_at_once=True)
    few = [replace(one, down=run(GOOD, down_bps=20_000_000).down) for one in both]
    assert contract.rate_verdict(few, promised, Direction.UP, zone=ZONE).word is Word.NOT_MET
    acknowledging = contract.rate_verdict(both, promised, Direction.UP, zone=ZONE)
    assert acknowledging.word is Word.UNDECIDED  # 260 Mb/s down are acknowledged by up to 5 Mb/s up
    assert contract.rate_verdict([*both, *alone], promised, Direction.UP, zone=ZONE).n == 200
