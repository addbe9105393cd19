"""Bins of arrivals, held against a model of a receiver that hands over in order (RFC 9293 section 3.4)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.bulk.tally import BIN_NS, Series, Tally

MSS = 1448
MS = 1_000_000


def noted(arrivals: Sequence[tuple[int, int]], *, bins: int, merged: int = 1) -> tuple[Series, int]:
    """A series that saw segments (time in ns, number) arrive, and the bytes that were handed over.

    Segments are numbered from 0; a number that came before is a double. A kernel that counts merged
    segments counts one for `merged`.
    """
    series = Series(bins)
    seen: set[int] = set()
    in_order = counted = 0
    for at_ns, number in arrivals:
        seen.add(number)
        counted += 1
        while in_order in seen:
            in_order += 1
        series.note(
            at_ns, segments=counted // merged, delivered_bytes=in_order * MSS, mss_bytes=MSS if counted else 0
        )
    return series, in_order * MSS


def bins_of(series: Series, bins: int) -> list[int]:
    sums = [0, *series.arrived(bins)]
    return [after - before for before, after in pairwise(sums)]


def test_in_order() -> None:
    """A segment a millisecond: a hundred in each bin, to the segment that lies on the edge."""
    series, delivered = noted([(at * MS, at) for at in range(501)], bins=5)
    assert delivered == 501 * MSS
    for counted in bins_of(series, 5):
        assert counted == pytest.approx(100 * MSS, abs=MSS)


def test_a_hole_moves_nothing() -> None:
    """Segment 150 is lost and repeated 0.2 s later: what came meanwhile stays in the bins it came in."""
    arrivals = [(at * MS, at) for at in range(700) if at != 150]
    arrivals = sorted([*arrivals, (350 * MS, 150)])
    series, _ = noted(arrivals, bins=5)
    for counted in bins_of(series, 5):
        assert counted == pytest.approx(100 * MSS, abs=2 * MSS)


def test_doubles_do_not_count() -> None:
    """Every segment of the third bin comes twice; the second copies are not payload."""
    arrivals = [(at * MS, at) for at in range(600)]
    arrivals = sorted([*arrivals, *((at * MS + 1, at) for at in range(200, 300))])
    series, delivered = noted(arrivals, bins=5)
    found = bins_of(series, 5)
    for counted in found:
        assert counted == pytest.approx(100 * MSS, abs=2 * MSS)
    assert sum(found) == pytest.approx(delivered * 5 / 6, abs=2 * MSS)


def test_silence_at_the_end_is_counted_as_nothing() -> None:
    series, delivered = noted([(at * MS, at) for at in range(120)], bins=10)
    found = bins_of(series, 10)
    assert len(found) == 10
    assert found[2:] == [0] * 8
    assert sum(found) == delivered


def test_merged_segments_fall_back_to_what_was_delivered() -> None:
    """A kernel whose counter takes ten merged segments for one must not bend the bins."""
    series, _ = noted([(at * MS, at) for at in range(501)], bins=5, merged=10)
    for counted in bins_of(series, 5):
        assert counted == pytest.approx(100 * MSS, abs=2 * MSS)


def test_no_segments_counted_at_all() -> None:
    """So it is before Linux 4.6: bins follow what was delivered."""
    series = Series(2)
    for at in range(201):
        series.note(at * MS, segments=0, delivered_bytes=at * MSS, mss_bytes=MSS)
    assert bins_of(series, 2) == [100 * MSS, 100 * MSS]


@given(
    st.lists(st.tuples(st.integers(1, 30), st.booleans(), st.booleans()), min_size=1, max_size=80),
    st.integers(5, 60),
)
def test_what_was_delivered_is_what_is_counted(
    steps: list[tuple[int, bool, bool]], repeat_after_ms: int
) -> None:
    """However segments are lost, repeated and doubled: with all holes closed, the delivered is counted."""
    arrivals, at_ms = [], 0
    for number, (gap_ms, lost, doubled) in enumerate(steps):
        at_ms += gap_ms
        arrivals.append(((at_ms + repeat_after_ms if lost else at_ms) * MS, number))
        if doubled:
            arrivals.append(((at_ms + repeat_after_ms) * MS, number))
    arrivals.sort()
    bins = arrivals[-1][0] // BIN_NS + 1
    series, delivered = noted(arrivals, bins=bins)
    found = series.arrived(bins)
    assert found[-1] == delivered == len(steps) * MSS
    assert found == list(accumulate(found, max))


def test_flows_add_up_from_the_first_byte_of_any() -> None:
    """The second flow begins half a bin later; both are counted on the first one's bins."""
    tally = Tally(seconds=0.3)
    first, second = tally.series(), tally.series()
    assert tally.counted(0) == ()
    origin_ns = tally.begin(5_000)
    assert tally.begin(9_000) == origin_ns == 5_000
    for at in range(401):
        first.note(at * MS, segments=at, delivered_bytes=at * MSS, mss_bytes=MSS)
        later = max(0, at - 50)
        second.note(at * MS, segments=later, delivered_bytes=later * MSS, mss_bytes=MSS)
    assert tally.counted(origin_ns + 250 * MS) == (150 * MSS, 200 * MSS)
    assert tally.counted(origin_ns + 9_000 * MS) == (150 * MSS, 200 * MSS, 200 * MSS)
    assert tally.end_ns == 5_000 + 3 * BIN_NS
