"""What a campaign's runs say to its question: bounds against scipy, and nothing before the end.

That an answer is looked for once, at an end fixed in advance, is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy import stats

from dashboard.judge import campaign as judge
from dashboard.judge.answer import Answer, answer
from dashboard.judge.campaign import what
from dashboard.judge.verdict import Word
from store.layers import Layer
from store.records import Campaign, Circumstances, Direction, Failed, Owner, Planned, Record, Skipped
from store.site import Card
from tests.dashboard.judge import made
from tests.store import samples

S = 10**9
CARD = Card(rate_up_bps=15_000_000, layer=Layer.PAYLOAD)
GOOD, BAD = 16_000_000, 9_000_000


def campaign(count: int, *, direction: Direction = Direction.UP) -> Campaign:
    """One run in every quarter of an hour."""
    planned = tuple(
        Planned(start_unix_ns=900 * nth * S, latest_unix_ns=(900 * nth + 880) * S) for nth in range(count)
    )
    return replace(samples.campaign(), planned=planned, count=count, direction=direction)


def runs(rates_bps: list[int], *, down: bool = False) -> list[Record]:
    """A run at each moment."""
    known = [
        Circumstances(planned_unix_ns=900 * nth * S, campaign="busy-upload") for nth in range(len(rates_bps))
    ]
    return [
        replace(
            made.run(rate, down_bps=rate if down else None, started_unix_ns=900 * nth * S),
            circumstances=known[nth],
        )
        for nth, rate in enumerate(rates_bps)
    ]


def answered(
    plan: Campaign,
    records: list[Record],
    card: Card | None = CARD,
    *,
    now_s: int = 10**9,
    house: bool = False,
) -> Answer:
    return answer(judge.result(plan, records, now_unix_ns=now_s * S), card, house=house, zone=made.ZONE)


@pytest.mark.parametrize(
    ("bad", "word"), [(0, Word.MET), (6, Word.UNDECIDED), (59, Word.NOT_MET)], ids=["0", "6", "59"]
)
def test_a_stated_rate_gets_a_verdict_with_its_bound(bad: int, word: Word) -> None:
    """Of 59 runs, which without a failure support 95 %; the bounds are scipy's, one-sided at 95 %."""
    slow = set(range(0, 59, max(1, 59 // bad)) if bad else ())
    slow = set(sorted(slow)[:bad])
    found = answered(campaign(59), runs([BAD if nth in slow else GOOD for nth in range(59)]))
    (verdict,) = found.verdicts
    assert (found.word, verdict.word, verdict.n, found.floors) == (word, word, 59, ())
    if verdict.effective_n == 59:
        low = stats.binomtest(59 - bad, 59, alternative="greater").proportion_ci(0.95, "exact").low
        assert verdict.bound_low == pytest.approx(low)
    assert found.sentences == (verdict.because,)


def test_before_the_end_there_is_no_answer() -> None:
    """However clear it seems; only what the runs can show at best is said."""
    plan = campaign(59)
    found = answered(plan, runs([BAD] * 58), now_s=900 * 58)
    assert (found.word, found.verdicts, found.floors) == (None, (), ())
    assert found.sentences[0].startswith("1 of 59 runs is still to come, the last on Thu 01 Jan 1970")
    assert found.sentences[1].startswith("59 runs can show at best that 95.0 % of runs meet the rate")
    last_s = 900 * 58 + 880
    during = answered(plan, runs([BAD] * 58), now_s=last_s + 5)
    assert (during.word, during.sentences[0].startswith("The last run may still be under way")) == (
        None,
        True,
    )
    assert answered(plan, runs([BAD] * 58), now_s=last_s + 71).word is Word.NOT_MET


def test_without_a_stated_rate_there_is_a_floor() -> None:
    """scipy: with 59 values the smallest bounds the 5th percentile from below at 95 %."""
    rates = [16_000_000 + 10_000 * (nth * 7 % 59) for nth in range(59)]
    assert stats.binom.cdf(0, 59, 0.05) <= 0.05 < stats.binom.cdf(0, 58, 0.05)
    for card, said in (
        (Card(), "The contract card states no upload rate"),
        (None, "A database has no contract card"),
    ):
        found = answered(campaign(59), runs(rates), card)
        ((direction, floor),) = found.floors
        assert (found.word, direction, floor.bps, floor.exact) == (None, Direction.UP, 16_000_000, True)
        assert found.sentences[0].startswith(said)
        assert "Upload, in payload: 59 valid runs carried 16.3 Mb/s at the median" in found.sentences[1]


def test_each_direction_has_its_own() -> None:
    """Up is stated and judged, down is only measured."""
    found = answered(
        campaign(59, direction=Direction.BOTH),
        runs([GOOD] * 59, down=True),
        replace(CARD, layer=Layer.PAYLOAD),
    )
    assert (found.word, [one.direction for one in found.verdicts]) == (Word.MET, [Direction.UP])
    assert [direction for direction, _ in found.floors] == [Direction.DOWN]
    assert any("states no download rate" in sentence for sentence in found.sentences)


def test_runs_in_the_house_say_nothing_of_the_line() -> None:
    """Whatever the card states."""
    found = answered(campaign(59), runs([BAD] * 59), house=True)
    assert (found.word, found.verdicts) == (None, ())
    assert "north is in the house, so these runs say nothing of the line" in found.sentences[0]


def test_what_did_not_run_is_said_and_counts_for_nobody() -> None:
    """Skipped, failed and without a record: beside the verdict, never in its shares."""
    plan, mark = campaign(62), what("busy-upload")
    records = [
        *runs([GOOD] * 59),
        Skipped(what=mark, why="a window", planned_unix_ns=900 * 59 * S, handoff="old", endpoint="north"),
        Failed(what=mark, why="no answer", whose=Owner.ENDPOINT, started_unix_ns=900 * 60 * S, handoff="old"),
    ]
    found = answered(plan, records)
    (verdict,) = found.verdicts
    assert (verdict.n, verdict.skipped, verdict.failed, found.word) == (59, 1, 1, Word.MET)
    assert "left out: 1 failed, 1 skipped" in found.sentences[0]
    assert found.sentences[1].startswith("1 planned run has no record")


@pytest.mark.parametrize("card", [CARD, Card(), None])
def test_a_campaign_without_a_valid_run(card: Card | None) -> None:
    """It has a sentence all the same; so has one of which no run could be planned."""
    found = answered(campaign(3), [], card)
    assert found.word in (None, Word.NOT_TESTED)
    assert any("valid run" in sentence for sentence in found.sentences)
    assert answered(campaign(0), [], card).sentences
