"""Contract verdicts: words by the binomial table, what never convicts, and the sentence."""

from __future__ import annotations

import random
from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from dashboard.judge import contract
from dashboard.judge.verdict import RateVerdict, Word
from store.clock import NS_PER_S
from store.histogram import rank_of
from store.layers import Layer
from store.records import Direction, Failed, Limit, Owner, RateRun, Skipped
from store.site import Card
from tests.dashboard.judge.made import NOON, ZONE, run

CARD = Card(rate_up_bps=15_000_000, layer=Layer.PAYLOAD)
GOOD, BAD = 16_900_000, 9_200_000
EVENINGS_MBPS = (
    *(905, 880, 912, 940, 941, 939, 938, 942, 930, 915, 899, 941, 940, 936, 925),
    *(941, 942, 938, 890, 941, 940, 939, 937, 936, 941, 942, 870, 940, 941, 938),
)
HOUR = 3600 * NS_PER_S
BETTER = {Word.NOT_MET: 0, Word.UNDECIDED: 1, Word.MET: 2}


def judged(runs: list[RateRun], card: Card = CARD) -> RateVerdict:
    return contract.rate_verdict(runs, card, Direction.UP, zone=ZONE)


def series(good: int, bad: int) -> list[RateRun]:
    """Hourly runs, the bad ones spread so evenly that neighbours say nothing of each other."""
    n = good + bad
    rates = [BAD if (place + 1) * bad // n > place * bad // n else GOOD for place in range(n)]
    return [run(rate, started_unix_ns=NOON + place * HOUR) for place, rate in enumerate(rates)]


@pytest.mark.parametrize(
    ("n", "failures", "word"),
    [  # the rows of the one-sided 95 % exact binomial table, at and beside each threshold
        (30, 0, Word.UNDECIDED),
        (30, 4, Word.UNDECIDED),
        (30, 5, Word.NOT_MET),
        (59, 0, Word.MET),
        (59, 1, Word.UNDECIDED),
        (59, 6, Word.UNDECIDED),
        (59, 7, Word.NOT_MET),
        (100, 1, Word.MET),
        (100, 2, Word.UNDECIDED),
        (100, 9, Word.UNDECIDED),
        (100, 10, Word.NOT_MET),
        (720, 26, Word.MET),
        (720, 27, Word.UNDECIDED),
        (720, 46, Word.UNDECIDED),
        (720, 47, Word.NOT_MET),
    ],
)
def test_words_by_the_table(n: int, failures: int, word: Word) -> None:
    """Independent runs against "95 % met"."""
    found = judged(series(n - failures, failures))
    assert (found.word, found.n, found.met, found.not_met) == (word, n, n - failures, failures)
    assert found.effective_n == n


def test_more_runs_that_would_decide() -> None:
    """30 that all met want 29 more; a decided verdict wants none."""
    assert judged(series(30, 0)).more_runs == 29
    assert judged(series(59, 0)).more_runs is None


@pytest.mark.parametrize(
    ("runs", "card", "says"),
    [
        (series(38, 2), CARD, "no number of runs within reach decides"),  # exactly 95 %
        (
            series(80, 0),
            replace(CARD, rate_up_bps=GOOD),
            "more runs like these would not decide",
        ),  # too close
    ],
)
def test_what_no_more_runs_would_decide(runs: list[RateRun], card: Card, says: str) -> None:
    """A share at the promise, and runs that all stay open."""
    found = judged(runs, card)
    assert (found.word, found.more_runs) == (Word.UNDECIDED, None)
    assert says in found.because


def test_neighbours_alike_count_as_fewer() -> None:
    """A week of hourly runs with the failures in four evenings of six: r is large, so it stays undecided
    where the same failures apart would convict."""
    evening = [BAD if place % 24 in range(19, 23) and place // 24 < 4 else GOOD for place in range(168)]
    runs = [run(rate, started_unix_ns=NOON + place * HOUR) for place, rate in enumerate(evening)]
    found = judged(runs)
    apart = judged(series(152, 16))
    assert (found.not_met, apart.not_met) == (16, 16)
    assert (found.word, apart.word) == (Word.UNDECIDED, Word.NOT_MET)
    assert found.effective_n < 60
    assert "resemble" in found.because


@pytest.mark.parametrize(
    ("reasons", "limit"),
    [
        (("port_limit",), Limit.PORT),
        (("probe_limit",), Limit.PROBE),
        (("endpoint_limit",), Limit.ENDPOINT),
        (("window_limit",), Limit.WINDOW),
        (("other_traffic",), Limit.PATH),
        (("wireless",), Limit.PATH),
        (("aborted",), Limit.PATH),
        ((), Limit.PORT),
        ((), Limit.WINDOW),
        ((), Limit.PROBE),
        ((), Limit.ENDPOINT),
    ],
)
def test_what_is_not_the_line_never_convicts_it(reasons: tuple[str, ...], limit: Limit) -> None:
    """A hundred such runs far below the rate: not tested, and each counted with its reason."""
    runs = [
        run(BAD, started_unix_ns=NOON + place * HOUR, reasons=reasons, limited_by=limit)
        for place in range(100)
    ]
    found = judged(runs)
    assert (found.word, found.n, found.excluded + found.void) == (Word.NOT_TESTED, 0, 100)
    assert found.excluded_why == (((reasons or (f"{limit}_limit",))[0], 100),)
    assert judged(series(59, 0) + runs).word is Word.MET


def test_a_rate_that_is_not_stated() -> None:
    """Nothing to test against, whatever was measured."""
    found = judged(series(0, 59), Card())
    assert (found.word, found.needed_bps, found.question) == (Word.NOT_TESTED, None, None)
    assert "states no upload rate" in found.because


def test_no_runs_says_how_many_are_wanted() -> None:
    """59 that all reach it are the fewest that support 95 %."""
    found = judged([])
    assert found.word is Word.NOT_TESTED
    assert "59 runs" in found.because


@pytest.mark.parametrize(
    ("rate_bps", "word"),
    [
        (15_080_000, Word.MET),
        (15_070_000, Word.UNDECIDED),
        (14_930_000, Word.UNDECIDED),
        (14_920_000, Word.NOT_MET),
    ],
)
def test_within_the_method_error_nothing_is_said(rate_bps: int, word: Word) -> None:
    """0.5 % either side of 15 Mb/s, 14.925 to 15.075, is too close; so many runs decide outside of it."""
    found = judged([run(rate_bps, started_unix_ns=NOON + place * HOUR) for place in range(100)])
    assert found.word is word
    assert (found.open_ == 100) is (word is Word.UNDECIDED)


@pytest.mark.parametrize(
    ("layer", "goodput_bps", "word"),
    [  # 15 Mb/s is 14.31 of payload at layer 2 (1448/1518), 14.12 at layer 1 (1448/1538), 14.48 at IP
        (Layer.ETHERNET, 14_400_000, Word.MET),
        (Layer.ETHERNET, 14_200_000, Word.NOT_MET),
        (Layer.WIRE, 14_220_000, Word.MET),
        (Layer.WIRE, 14_000_000, Word.NOT_MET),
        (Layer.IP, 14_600_000, Word.MET),
        (Layer.IP, 14_370_000, Word.NOT_MET),
        (Layer.PAYLOAD, 14_900_000, Word.NOT_MET),
        (Layer.NOT_STATED, 15_100_000, Word.MET),
        (Layer.NOT_STATED, 14_900_000, Word.UNDECIDED),
        (Layer.NOT_STATED, 14_100_000, Word.UNDECIDED),
        (Layer.NOT_STATED, 14_000_000, Word.NOT_MET),
    ],
)
def test_the_rate_counts_at_the_contract_layer(layer: Layer, goodput_bps: int, word: Word) -> None:
    """And with no layer stated, only what holds at every layer decides."""
    runs = [run(goodput_bps, started_unix_ns=NOON + place * HOUR) for place in range(100)]
    found = judged(runs, replace(CARD, layer=layer))
    assert found.word is word
    assert (found.question is not None) is (layer is Layer.NOT_STATED)


def test_runs_both_ways_may_meet_but_never_miss() -> None:
    """The other direction's acknowledgements may have cost the rate, and the card is silent on that."""
    slow = [run(BAD, down_bps=260_000_000, started_unix_ns=NOON + place * HOUR) for place in range(100)]
    fast = [run(GOOD, down_bps=260_000_000, started_unix_ns=NOON + place * HOUR) for place in range(100)]
    assert (judged(slow).word, judged(slow).open_) == (Word.UNDECIDED, 100)
    assert judged(fast).word is Word.MET
    assert judged(slow + series(59, 0)).excluded_why == (("both_at_once", 100),)


def test_the_sentence_carries_its_counts() -> None:
    """Counts, days, share, both bounds, layer, promise, and what was left out with its reason. The
    bounds of 79 in 100 by scipy.stats are rounded away from the share, so that none says too much."""
    assert stats.beta.ppf(0.05, 79, 22) == pytest.approx(0.711865, abs=1e-6)
    assert stats.beta.ppf(0.95, 80, 21) == pytest.approx(0.854755, abs=1e-6)
    runs = series(79, 21) + [run(BAD, reasons=("port_limit",), limited_by=Limit.PORT) for _ in range(3)]
    found = contract.rate_verdict(
        runs,
        replace(CARD, layer=Layer.ETHERNET),
        Direction.UP,
        skipped=[
            Skipped(what="run rate", why="show window", planned_unix_ns=NOON, handoff="old", endpoint="north")
        ],
        failed=[
            Failed(what="run rate", why="no answer", whose=Owner.UNKNOWN),
            Failed(what="train", why="no answer", whose=Owner.UNKNOWN),
        ],
        zone=ZONE,
    )
    assert found.because == (
        "Upload reached the stated 15.0 Mb/s at layer 2 in 79 of 100 valid runs on 5 days, 79 %; 95 % "
        "confidence supports at least 71.1 % and at most 85.5 %, and the share to reach is 95 %; left out: "
        "3 runs (3 port limit), 1 failed, 1 skipped."
    )
    assert found.conversion == "15.0 Mb/s at layer 2 = 14.3 Mb/s of TCP payload (x 1448/1518)"
    assert (found.days, found.failed, found.skipped) == (5, 1, 1)


def test_days_are_local() -> None:
    """Two runs either side of midnight in Lisbon lie on two days."""
    midnight = NOON + 12 * HOUR
    found = judged([run(GOOD, started_unix_ns=midnight - 1), run(GOOD, started_unix_ns=midnight)])
    assert found.days == 2


def test_the_contract_may_ask_for_another_share() -> None:
    """29 that all met support 90 %."""
    assert judged(series(29, 0), replace(CARD, met_ratio=0.9)).word is Word.MET
    assert judged(series(28, 0), replace(CARD, met_ratio=0.9)).word is Word.UNDECIDED


def test_thirty_evening_runs_show_nothing_either_way() -> None:
    """26 of 30 reach 900: below 90 %, but exact limits of 69.3 to 96.2 % reach above it (scipy.stats), so a
    rule of 90 % is not shown either way. The rule's form is that of consistent-speed figures, from memory.
    """
    runs = [run(each * 1_000_000, started_unix_ns=NOON + at * HOUR) for at, each in enumerate(EVENINGS_MBPS)]
    found = judged(runs, replace(CARD, rate_up_bps=900_000_000, met_ratio=0.9))
    limits = stats.binomtest(26, 30).proportion_ci(method="exact")
    assert (limits.low, limits.high) == pytest.approx((0.692782, 0.962447), abs=1e-6)
    assert (found.met, found.n, found.word) == (26, 30, Word.UNDECIDED)
    assert sorted(EVENINGS_MBPS)[rank_of(0.2, 30) - 1] == 912


def test_the_contract_may_grant_a_share_of_the_rate() -> None:
    """A line that a shaper holds at exactly its rate lies within the method's error of it, and above 97 %."""
    exact = [run(15_000_000) for _ in range(59)]
    card = replace(CARD, layer=Layer.PAYLOAD)
    assert judged(exact, card).word is Word.UNDECIDED
    found = judged(exact, replace(card, reach_ratio=0.97))
    assert found.word is Word.MET
    assert "97 % of 15.0 Mb/s" in found.because


@given(
    st.integers(1, 300).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n - 1))), st.floats(0.01, 1)
)
def test_more_failures_never_improve_a_verdict(n_failures: tuple[int, int], worth: float) -> None:
    """At any likeness of neighbours: one failure more, the same word or a worse one."""
    n, failures = n_failures
    words = [
        contract.decide((n - fails) * worth, (n - fails) * worth, n * worth, promised=0.95)
        for fails in (failures, failures + 1)
    ]
    assert BETTER[words[1]] <= BETTER[words[0]]


@given(st.lists(st.sampled_from([GOOD, BAD]), min_size=1, max_size=80), st.randoms(use_true_random=False))
def test_slower_runs_never_add_to_those_that_met(rates: list[int], chance: random.Random) -> None:
    """Every run slower by one same share: no more met, no fewer missed."""
    runs = [run(rate, started_unix_ns=NOON + place * HOUR) for place, rate in enumerate(rates)]
    factor = chance.uniform(0.1, 1.0)
    slower = [
        run(int(rate * factor), started_unix_ns=NOON + place * HOUR) for place, rate in enumerate(rates)
    ]
    assert judged(slower).met <= judged(runs).met
    assert judged(slower).not_met >= judged(runs).not_met


@given(st.lists(st.sampled_from([GOOD, BAD, 15_000_000]), min_size=1, max_size=120))
def test_counts_add_up(rates: list[int]) -> None:
    """Every valid run is met, not met or open, and the share lies between the bounds."""
    found = judged([run(rate, started_unix_ns=NOON + place * HOUR) for place, rate in enumerate(rates)])
    assert found.met + found.not_met + found.open_ == found.n == len(rates)
    assert found.share is not None
    assert found.bound_low <= found.share <= found.bound_high


class TestLight:
    """A light run is left out of every verdict on the full rate, and counted as left out."""

    @pytest.mark.parametrize(("good", "bad", "word"), [(59, 0, Word.MET), (50, 9, Word.NOT_MET)])
    @pytest.mark.parametrize("light_bps", [1_500_000, 16_900_000])
    def test_it_changes_no_verdict(self, good: int, bad: int, word: Word, light_bps: int) -> None:
        """Neither a slow-looking one nor one above the stated rate."""
        full = series(good, bad)
        light = [run(light_bps, started_unix_ns=one.started_unix_ns + HOUR // 2, light=True) for one in full]
        alone, beside = judged(full), judged([*full, *light])
        assert (alone.word, beside.word) == (word, word)
        same = {"because", "excluded", "excluded_why"}
        for field in fields(RateVerdict):
            if field.name not in same:
                assert getattr(alone, field.name) == getattr(beside, field.name), field.name
        assert (beside.excluded, dict(beside.excluded_why)) == (59, {"light": 59})
        assert "left out: 59 runs (59 light)" in beside.because

    def test_light_runs_alone_test_nothing(self) -> None:
        found = judged([run(1_500_000, started_unix_ns=NOON + nth * HOUR, light=True) for nth in range(100)])
        assert (found.word, found.n, found.excluded) == (Word.NOT_TESTED, 0, 100)

    def test_a_light_one_that_is_void_counts_under_both(self) -> None:
        found = judged([run(1_500_000, light=True, reasons=("aborted",))])
        assert (found.void, found.excluded, dict(found.excluded_why)) == (1, 0, {"aborted": 1, "light": 1})

    def test_one_way_alone_is_told_by_full_runs_only(self) -> None:
        """A light run up does not keep full runs both ways from counting."""
        both = [run(GOOD, down_bps=GOOD, started_unix_ns=NOON + nth * HOUR) for nth in range(59)]
        found = judged([*both, run(1_500_000, light=True)])
        assert (found.word, found.n, dict(found.excluded_why)) == (Word.MET, 59, {"light": 1})

    def test_a_skipped_or_failed_one_is_none_of_the_full_ones(self) -> None:
        why = {"what": "light run", "why": "a window", "handoff": "old", "endpoint": "north"}
        found = contract.rate_verdict(
            series(59, 0),
            CARD,
            Direction.UP,
            skipped=[Skipped(planned_unix_ns=NOON, **why)],
            failed=[Failed(whose=Owner.HOUSE, started_unix_ns=NOON, **why)],
            zone=ZONE,
        )
        assert (found.skipped, found.failed) == (0, 0)
