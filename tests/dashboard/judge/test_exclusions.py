"""The exclusions ledger: every rule with what it left out, and the verdict without it."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import contract, exclusions
from dashboard.judge.contract import Sample
from dashboard.judge.exclusions import Ledger
from dashboard.judge.verdict import Word
from store.card import Card
from store.layers import Layer
from store.records import REASONS, Direction, Failed, Limit, Owner, RateRun, Skipped, Standing
from tests.dashboard.judge.made import NOON, ZONE, run

CARD = Card(rate_up_bps=15_000_000, layer=Layer.PAYLOAD)
GOOD, BAD = 16_900_000, 9_200_000
HOUR = 3600 * 10**9


def ledger(runs: list[RateRun], card: Card = CARD) -> Ledger:
    return exclusions.ledger(Sample.look(runs, card, Direction.UP, zone=ZONE))


def series(n: int, rate_bps: int = GOOD, *, first: int = 0, **bent: object) -> list[RateRun]:
    return [run(rate_bps, started_unix_ns=NOON + (first + nth) * HOUR, **bent) for nth in range(n)]


def test_who_asks_when_the_line_is_bad_does_not_decide_the_verdict() -> None:
    """59 drawn runs, all good, and twenty that somebody asked for in bad moments: met, and said beside it."""
    found = ledger([*series(59), *series(20, BAD, first=59, reasons=("asked",))])
    assert (found.verdict.word, found.verdict.n) == (Word.MET, 59)
    (rule,) = found.rules
    assert (rule.code, rule.left_out, rule.changes) == ("asked", 20, True)
    assert (rule.without.n, rule.without.word) == (79, Word.UNDECIDED)
    assert "somebody asked for it" in rule.meaning


def test_each_rule_with_and_without() -> None:
    """A day of the practice site's house fault (a port at 100 Mb/s) and its backup, beside 59 good runs."""
    runs = [
        *series(59),
        *series(23, BAD, first=59, reasons=("port_limit",)),
        *series(10, BAD, first=90, reasons=("other_traffic",)),
        *series(1, BAD, first=120, reasons=("other_traffic", "aborted")),
    ]
    found = ledger(runs)
    assert (found.verdict.word, found.verdict.n) == (Word.MET, 59)
    rules = {rule.code: rule for rule in found.rules}
    assert {code: (rule.left_out, rule.alone) for code, rule in rules.items()} == {
        "aborted": (1, 0),
        "other_traffic": (11, 10),
        "port_limit": (23, 23),
    }
    assert rules["port_limit"].standing is Standing.EXCLUDED
    assert rules["port_limit"].without == contract.rate_verdict(
        [
            one if one.reasons != ("port_limit",) else run(BAD, started_unix_ns=one.started_unix_ns)
            for one in runs
        ],
        CARD,
        Direction.UP,
        zone=ZONE,
    )
    assert {code for code, rule in rules.items() if rule.changes} == {"port_limit", "other_traffic"}
    assert (found.bare.n, found.bare.excluded, found.bare.void) == (93, 0, 0)
    assert "59 runs counted, 34 were left out: met; without one of these rules" in found.because


def test_what_held_a_run_is_a_rule_too() -> None:
    """A run that TCP windows held, light runs, and both directions at once each have their line."""
    runs = [
        *series(59),
        *series(2, BAD, first=60, limited_by=Limit.WINDOW),
        *series(3, BAD, first=70, light=True),
        *(run(BAD, down_bps=10**8, started_unix_ns=NOON + nth * HOUR) for nth in range(80, 84)),
    ]
    found = ledger(runs)
    assert {rule.code: (rule.left_out, rule.without.n) for rule in found.rules} == {
        "window_limit": (2, 61),
        "light": (3, 62),
        "both_at_once": (4, 63),
    }
    assert found.bare.n == len(runs)


def test_no_rule_at_all_leaves_nothing_out() -> None:
    """A light run both ways is out by two rules, one behind the other; without any it counts."""
    moments = [NOON + nth * HOUR for nth in (100, 101, 102)]
    light = [run(1_500_000, down_bps=10**7, started_unix_ns=moment, light=True) for moment in moments]
    found = ledger([*series(59), *light])
    assert {rule.code: (rule.left_out, rule.alone) for rule in found.rules} == {"light": (3, 0)}
    assert (found.verdict.n, found.bare.n) == (59, 62)


def test_nothing_left_out() -> None:
    """Says so, and the verdict with no rule is the same."""
    found = ledger(series(59))
    assert (found.rules, found.bare) == ((), found.verdict)
    assert found.because == "No run was left out by a rule; 59 runs counted: met."


def test_runs_that_were_never_made() -> None:
    """By why; those of other methods are none of these."""
    skipped = [
        Skipped(what=what, why="show window", planned_unix_ns=NOON, handoff="old", endpoint="north")
        for what in ("run rate", "run rate", "run paced")
    ]
    failed = [Failed(what="run rate", why="no answer", whose=Owner.UNKNOWN)]
    sample = Sample.look(series(3), CARD, Direction.UP, zone=ZONE)
    found = exclusions.ledger(sample, skipped=skipped, failed=failed)
    assert (found.skipped, found.failed) == ((("show window", 2),), (("no answer", 1),))


@given(
    st.lists(st.sampled_from([GOOD, BAD]), min_size=1, max_size=40),
    st.sampled_from([(), ("port_limit",), ("wireless", "aborted")]),
    st.sampled_from(sorted(REASONS)),
    st.data(),
)
def test_one_more_reason_never_adds_a_run(
    rates: list[int], before: tuple[str, ...], code: str, data: st.DataObject
) -> None:
    """Whatever is said of one run more: no more runs count than did, nor do more of them miss the rate."""
    runs = [run(rate, started_unix_ns=NOON + at * HOUR, reasons=before) for at, rate in enumerate(rates)]
    place = data.draw(st.integers(0, len(runs) - 1))
    bent = [replace(one, reasons=(*one.reasons, code)) if at == place else one for at, one in enumerate(runs)]
    less, more = (contract.rate_verdict(each, CARD, Direction.UP, zone=ZONE) for each in (bent, runs))
    assert less.n <= more.n
    assert less.n - less.met <= more.n - more.met


@given(
    st.lists(
        st.tuples(
            st.sampled_from([GOOD, BAD]),
            st.sampled_from(
                [(), ("port_limit",), ("aborted",), ("wireless", "aborted"), ("ceiling_unknown",)]
            ),
        ),
        max_size=40,
    )
)
def test_every_run_is_counted_once(made: list[tuple[int, tuple[str, ...]]]) -> None:
    """Counted or left out; without a rule exactly those enter that it alone kept out."""
    runs = [run(rate, started_unix_ns=NOON + nth * HOUR, reasons=why) for nth, (rate, why) in enumerate(made)]
    found = ledger(runs)
    assert found.verdict.n + found.verdict.excluded + found.verdict.void == found.bare.n == len(runs)
    for rule in found.rules:
        alone = sum(set(one.reasons) - {"ceiling_unknown"} == {rule.code} for one in runs)
        assert rule.alone == alone
