"""Time in pieces. Clock changes by the EU rule (last Sunday of March and October, 01:00 UTC)."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.pooling import DAY_S, Stretch, edges, pieces
from store.clock import NS_PER_S, zone
from store.records import Direction, Stall
from tests.dashboard import invented

HOUR_NS = 3600 * NS_PER_S


def _stretch(first: datetime, last: datetime) -> Stretch:
    return Stretch(
        from_ns=int(first.timestamp()) * NS_PER_S,
        to_ns=int(last.timestamp()) * NS_PER_S,
        zone=zone("Europe/Lisbon"),
    )


def test_a_day_is_as_long_as_it_is_there() -> None:
    """29 March 2026 has 23 hours and 25 October 25, all others 24."""
    spring = edges(
        _stretch(datetime(2026, 3, 28, 12, tzinfo=UTC), datetime(2026, 3, 30, 12, tzinfo=UTC)), step_s=DAY_S
    )
    autumn = edges(
        _stretch(datetime(2026, 10, 24, 12, tzinfo=UTC), datetime(2026, 10, 26, 12, tzinfo=UTC)), step_s=DAY_S
    )
    assert [(end - start) // HOUR_NS for start, end in pairwise(spring)] == [24, 23, 24]
    assert [(end - start) // HOUR_NS for start, end in pairwise(autumn)] == [24, 25, 24]


@given(
    st.integers(0, 4 * 10**9),
    st.integers(1, 40 * DAY_S),
    st.sampled_from([10, 60, 600, 3600, 7200, 21_600, DAY_S]),
)
def test_the_cuts_cover_the_stretch(start_s: int, seconds: int, step_s: int) -> None:
    """The first cut is at or before its beginning, the last at or after its end, the steps are as asked."""
    stretch = Stretch(
        from_ns=start_s * NS_PER_S,
        to_ns=(start_s + min(seconds, 400 * step_s)) * NS_PER_S,
        zone=zone("Europe/Lisbon"),
    )
    cuts = edges(stretch, step_s=step_s)
    assert cuts[0] <= stretch.from_ns
    assert cuts[-1] >= stretch.to_ns
    lengths_s = {(end - start) // NS_PER_S for start, end in pairwise(cuts)}
    assert lengths_s <= ({step_s} if step_s < DAY_S else {23 * 3600, 24 * 3600, 25 * 3600})


@given(st.lists(st.integers(0, 999), max_size=30), st.sets(st.integers(-50, 1050), min_size=2, max_size=12))
def test_every_span_falls_into_one_piece(starts: list[int], cuts: set[int]) -> None:
    """What pieces count is what began between the first cut and the last, no more and no less."""
    spans = [invented.span(start, "old", "north", rtt_us=1000) for start in sorted(starts)]
    ordered = sorted(cuts)
    found = pieces(ordered, spans=spans, stalls=[])
    inside = sum(ordered[0] <= start < ordered[-1] for start in starts)
    assert sum(piece.train.spans for piece in found) == inside
    assert sum(piece.train.sent for piece in found) == 1200 * inside
    assert all(piece.measured == any(piece.start_ns <= at < piece.end_ns for at in starts) for piece in found)


def test_a_percentile_comes_from_pooled_packets() -> None:
    """20 hours at 5 ms and 4 with 30 % at 60 ms: p95 is 60, though the mean of hourly p95 is 14.

    Arithmetic: 4 x 30 % of 24 hours is 5 % of all packets, so the 95th percentile is where they begin;
    with one packet more it is theirs.
    """
    hours = [invented.packets(hour * HOUR_NS, {5_000: 100}) for hour in range(20)]
    hours += [invented.packets(hour * HOUR_NS, {5_000: 69, 60_000: 31}) for hour in range(20, 24)]
    (day,) = pieces((0, 24 * HOUR_NS), spans=hours, stalls=[])
    assert day.train.rtt is not None
    assert abs(day.train.rtt.p95 - 60_000) <= 60_000 / 64


def test_stalls_fall_where_they_began() -> None:
    spans = [invented.span(minute * 60 * NS_PER_S, "old", "north", rtt_us=1000) for minute in range(2)]
    stall = Stall(
        handoff="old",
        endpoint="north",
        started_unix_ns=59 * NS_PER_S,
        duration_us=2_000_000,
        direction=Direction.UP,
        how="lost",
        lost=40,
        held=0,
    )
    found = pieces((0, 60 * NS_PER_S, 120 * NS_PER_S), spans=spans, stalls=[stall])
    assert [piece.train.stalls.count for piece in found] == [1, 0]
