"""The search of RFC 9097 against the traces that follow from its pseudocode (section 8.1, Appendix A)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.load_rate import FEEDBACK_NS, ROWS, Feedback, Search, most_bytes, rate_bps, row_at_most

# RFC 9097 section 8.1, table 1; the rows between are computed from its steps.
TABLE_MBPS = {
    **{0: 0.5, 1: 1, 10: 10, 999: 999, 1000: 1000, 1001: 1100},
    **{1010: 2000, 1090: 10_000, 1091: 11_000, 1100: 20_000},
}

# (sequence errors, delay range in ms) of each report, and the rows that the pseudocode of Appendix A gives.
TRACES = [
    (0, [(0, 0)] * 5, [10, 20, 30, 40, 50]),
    (
        500,
        [(0, 95), (11, 5), (0, 91), (0, 5), (0, 5), (0, 30), (0, 90), (10, 29.9), (11, 0), (0, 100)],
        [499, 498, 468, 469, 470, 470, 470, 471, 470, 469],
    ),
    (500, [(0, 95), (0, 95), (0, 5), (0, 95), (0, 95), (0, 95)], [499, 498, 508, 507, 506, 476]),
    (20, [(0, 95)] * 4, [19, 18, 0, 0]),
]

reports = st.builds(Feedback, sequence_errors=st.integers(0, 30), delay_range_ns=st.integers(0, 150_000_000))


def told(errors: int, range_ms: float) -> Feedback:
    return Feedback(sequence_errors=errors, delay_range_ns=round(range_ms * 1_000_000))


@pytest.mark.parametrize(("row", "mbps"), TABLE_MBPS.items())
def test_table(row: int, mbps: float) -> None:
    assert rate_bps(row) == mbps * 1_000_000


def test_rows_below_ten_gigabit() -> None:
    """1090 of them, row 0 aside (RFC 9097 table 1)."""
    assert sum(rate_bps(row) <= 10_000_000_000 for row in range(1, ROWS)) == 1090


@pytest.mark.parametrize("row", [-1, ROWS])
def test_there_is_no_other_row(row: int) -> None:
    with pytest.raises(ValueError, match="no row"):
        rate_bps(row)


@pytest.mark.parametrize(("row", "said", "rows"), TRACES)
def test_traces(row: int, said: list[tuple[int, float]], rows: list[int]) -> None:
    search = Search(row=row)
    assert [search.report(told(*each)) for each in said] == rows


def test_a_clean_line_takes_five_seconds_to_a_gigabit() -> None:
    """100 reports of 50 ms to row 1000, and one row at a time from there."""
    search = Search()
    assert [search.report(told(0, 0)) for _ in range(103)][99:] == [1000, 1001, 1002, 1003]
    assert FEEDBACK_NS * 100 == 5_000_000_000


def test_silence_is_waited_for_longer_each_time() -> None:
    """RFC 9097 section 8.1: upper + (2 + w) FT after the last message; 190, 240, 290, 340 ms."""
    search = Search(row=500)
    waits = []
    for _ in range(4):
        waits.append(search.patience_ns // 1_000_000)
        search.silence()
    assert waits == [190, 240, 290, 340]
    assert search.row == 500 - 1 - 1 - 30 - 1
    search.report(told(0, 0))
    assert search.patience_ns == 190_000_000


@given(st.lists(reports, max_size=200), st.integers(0, ROWS - 1), st.integers(0, ROWS - 1))
def test_never_beyond_what_is_allowed(said: list[Feedback], row_max: int, row: int) -> None:
    search = Search(row=min(row, row_max), row_max=row_max)
    assert all(0 <= search.report(each) <= row_max for each in said)


@given(st.lists(reports, max_size=60), reports, reports)
def test_a_worse_report_never_leads_higher(said: list[Feedback], one: Feedback, other: Feedback) -> None:
    """Of two reports after the same ones before, the one with more of both gives no higher row."""
    worse = Feedback(
        sequence_errors=max(one.sequence_errors, other.sequence_errors),
        delay_range_ns=max(one.delay_range_ns, other.delay_range_ns),
    )
    rows = []
    for last in (one, worse):
        search = Search(row=400)
        for each in said:
            search.report(each)
        rows.append(search.report(last))
    assert rows[1] <= rows[0]


@given(st.integers(500_000, 10**12))
def test_the_highest_row_within_a_rate(bps: int) -> None:
    row = row_at_most(bps)
    assert rate_bps(row) <= bps
    assert row == ROWS - 1 or rate_bps(row + 1) > bps


def test_no_row_is_that_slow() -> None:
    with pytest.raises(ValueError, match="no row"):
        row_at_most(499_999)


def test_what_a_search_sends_at_most() -> None:
    """Row 0 for 50 ms, then 10, 20, ... Mb/s: a clean second holds 0.5 + 10 + ... + 190 Mb/s x 50 ms."""
    assert most_bytes(1.0, ROWS - 1) == round((0.5 + sum(range(10, 200, 10))) * 1e6 * 0.05 / 8)
    assert most_bytes(10.0, 20) == round((0.5 + 10) * 1e6 * 0.05 / 8 + 20e6 * 9.9 / 8)
    assert most_bytes(0.0, ROWS - 1) == 0
