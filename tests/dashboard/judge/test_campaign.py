"""What became of a campaign's runs, by hand-made records; what a number of runs can show, by scipy.

That 59 runs without a failure support 95 % and 58 do not follows from exact binomial bounds.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy import stats

from dashboard.judge.campaign import Outcome, at_best, result, what
from store.records import Campaign, Circumstances, Failed, Owner, Planned, RateRun, Record, Skipped
from tests.store import samples

S = 10**9


def made(count: int) -> Campaign:
    """One run a quarter of an hour, each early in its slot."""
    planned = tuple(
        Planned(start_unix_ns=(900 * number + 60) * S, latest_unix_ns=(900 * number + 886) * S)
        for number in range(count)
    )
    return replace(samples.campaign(), planned=planned, count=count)


def run(
    started_s: int, *, planned_s: int, reasons: tuple[str, ...] = (), name: str | None = "busy-upload"
) -> RateRun:
    known = Circumstances(planned_unix_ns=planned_s * S, campaign=name)
    return replace(
        samples.run(), handoff="old", started_unix_ns=started_s * S, reasons=reasons, circumstances=known
    )


def test_each_planned_run_has_its_end() -> None:
    """One of each kind, in order; a run that waited for another belongs to its own moment."""
    mark = what("busy-upload")
    records: list[Record] = [
        run(60, planned_s=60),
        run(1500, planned_s=960, reasons=("wireless",)),  # nine minutes late
        run(1860, planned_s=1860, reasons=("probe_limit", "short")),
        Skipped(what=mark, why="a window", planned_unix_ns=2760 * S, handoff="old", endpoint="north"),
        Failed(what=mark, why="refused", whose=Owner.ENDPOINT, started_unix_ns=3662 * S, handoff="old"),
    ]
    found = result(made(7), reversed(records), now_unix_ns=5400 * S)
    assert [
        Outcome.VALID,
        Outcome.EXCLUDED,
        Outcome.VOID,
        Outcome.SKIPPED,
        Outcome.FAILED,
        Outcome.MISSING,
        Outcome.AHEAD,
    ] == [fate.outcome for fate in found.fates]
    assert dict.fromkeys(Outcome, 1) == found.counts
    assert {
        (Outcome.EXCLUDED, "wireless"): 1,
        (Outcome.VOID, "probe_limit short"): 1,
        (Outcome.SKIPPED, "a window"): 1,
        (Outcome.FAILED, "refused"): 1,
        (Outcome.MISSING, "there is no record of it"): 1,
        (Outcome.AHEAD, "its moment is still to come"): 1,
    } == found.reasons


@pytest.mark.parametrize(
    "stranger",
    [
        run(70, planned_s=70, name=None),
        run(70, planned_s=70, name="another"),
        replace(run(70, planned_s=70), handoff="A"),
        Skipped(what="run rate", why="x", planned_unix_ns=70 * S, handoff="old", endpoint="north"),
    ],
)
def test_a_run_of_the_schedule_never_stands_in_for_one_of_the_campaign(stranger: Record) -> None:
    """However well it would fit: what is missing stays missing."""
    found = result(made(1), [stranger], now_unix_ns=10**15)
    assert [Outcome.MISSING] == [fate.outcome for fate in found.fates]


@pytest.mark.parametrize("runs", [10, 58, 59, 168, 720])
def test_what_runs_can_show_at_best(runs: int) -> None:
    """Against scipy's exact binomial intervals, one-sided at 95 % (Clopper and Pearson)."""

    def interval(failures: int, side: str) -> float:
        found = stats.binomtest(runs - failures, runs, alternative=side).proportion_ci(0.95, "exact")
        return float(found.low if side == "greater" else found.high)

    most = max((k for k in range(runs) if interval(k, "greater") >= 0.95), default=None)
    least = next(k for k in range(runs + 1) if interval(k, "less") <= 0.95)
    said = at_best(runs, promised=0.95)
    assert (
        f"{runs} runs can show at best that {100 * interval(0, 'greater'):.1f} % of runs meet the rate"
        in said
    )
    assert ("does not reach" in said) == (most is None)
    assert most is None or f"Up to {most} failures support 95 %" in said
    assert f"From {least} failures on" in said


def test_no_run_shows_nothing() -> None:
    """A campaign whose hours are all skipped by the calendar."""
    assert "No run is planned, so nothing can be shown." == at_best(0, promised=0.95)


def test_a_light_run_answers_no_question_about_the_rate() -> None:
    """None is ever planned; were one there, it would be named and not counted."""
    light = replace(run(60, planned_s=60, reasons=("light",)), at_most_up_goodput_bps=1_500_000)
    (fate,) = result(made(1), [light], now_unix_ns=5400 * S).fates
    assert (fate.outcome, fate.why) == (Outcome.EXCLUDED, "light")
