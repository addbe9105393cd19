"""What a soak comes to, of minutes that were kept: sums, gaps, and what does not count."""

from __future__ import annotations

from dataclasses import replace

from store.clock import NS_PER_S
from store.records import Gap, Standing
from store.soaks import Kept, LeftOut, SoakBegun, soak_of
from tests.store import samples

MINUTE_NS = 60 * NS_PER_S


def begun(minutes: int) -> SoakBegun:
    return replace(samples.soak_begun(), ends_unix_ns=minutes * MINUTE_NS)


def minutes(*numbers: int) -> Kept:
    """These minutes of one train, each with four packets of which one was lost up."""
    return Kept(spans=tuple(samples.span(one * MINUTE_NS) for one in numbers), stalls=(), gaps=())


def test_sums_and_delays() -> None:
    """Counts add up, and percentiles are of all samples together."""
    found = soak_of(begun(3), minutes(0, 1, 2))
    assert (found.spans, found.sent, found.received, found.lost_up, found.lost) == (3, 12, 9, 3, 3)
    assert (found.watched_s, found.counted_s, found.gaps) == (180, 180, ())
    assert found.rtt_us.count == 9
    assert (found.pdv_up_us.max, found.pdv_down_us.max) == (900, 90)
    assert found.standing is Standing.VALID


def test_only_its_own_time() -> None:
    """Minutes before it and after its end are not its."""
    assert soak_of(begun(2), minutes(-1, 0, 1, 2, 3)).sent == 8


def test_a_gap_is_told_and_not_counted() -> None:
    """Three of twenty minutes are missing: neither good nor bad, but no soak of twenty minutes."""
    kept = replace(
        minutes(*range(5), *range(8, 20)),
        gaps=(Gap(started_unix_ns=290 * NS_PER_S, ended_unix_ns=480 * NS_PER_S, why="it was off"),),
    )
    found = soak_of(begun(20), kept)
    [gap] = found.gaps
    assert (gap.started_unix_ns, gap.ended_unix_ns, gap.why) == (5 * MINUTE_NS, 8 * MINUTE_NS, "it was off")
    assert (found.watched_s, found.sent) == (17 * 60, 17 * 4)
    assert found.reasons == ("thin_watch",)
    assert found.standing is Standing.EXCLUDED


def test_gaps_at_both_ends_and_without_a_reason() -> None:
    found = soak_of(begun(100), minutes(*range(1, 98)))
    assert [(gap.started_unix_ns // MINUTE_NS, gap.seconds) for gap in found.gaps] == [(0, 60), (98, 120)]
    assert {gap.why for gap in found.gaps} == {"nothing was kept of this time"}
    assert found.standing is Standing.VALID  # 97 % of it


def test_what_may_not_speak_is_left_out() -> None:
    """A minute that the host's own schedule spoilt is watched, and counts for nothing; nor do its stalls."""
    good, bad = samples.span(0), replace(samples.span(MINUTE_NS), reasons=("late_schedule",))
    stalls = tuple(replace(samples.stall(), started_unix_ns=at) for at in (5, MINUTE_NS + 5))
    found = soak_of(begun(2), Kept(spans=(good, bad), stalls=stalls, gaps=()))
    assert (found.sent, found.watched_s, found.counted_s) == (4, 120, 60)
    assert found.left_out == (LeftOut(reason="late_schedule", spans=1, seconds=60.0),)
    assert [one.started_unix_ns for one in found.stalls] == [5]


def test_nothing_kept() -> None:
    found = soak_of(begun(2), minutes())
    assert (found.sent, found.rtt_us.delays(), found.watched_s) == (0, None, 0)
    assert [gap.seconds for gap in found.gaps] == [120]


def test_a_clock_set_back_covers_no_time_twice() -> None:
    """Two minutes with half a minute in common by their labels watch a minute and a half."""
    spans = (samples.span(0), samples.span(MINUTE_NS // 2))
    found = soak_of(begun(2), Kept(spans=spans, stalls=(), gaps=()))
    assert (found.sent, found.watched_s) == (8, 90)
