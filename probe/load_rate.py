"""The search of RFC 9097 for what a line carries: which rate to send next, by what reports said. Pure.

It starts from the bottom and is never told what was sold. Section 8.1 and Appendix A: a table of rates, of
which each report from the receiver moves the sender some rows up or down. Imports the clock's units only.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from store.clock import NS_PER_MS, NS_PER_S

ROWS = 2_000  # "table size", Appendix A
_HIGH_SPEED_BPS = 1_000_000_000  # above this one row at a time, Appendix A
FEEDBACK_NS = 50 * NS_PER_MS  # FT, section 4: 50 ms, within a safe range of 20 to 250


def rate_bps(row: int) -> int:
    """What a row of the table sends, in bit/s at the IP layer (table 1). ValueError for no row of it."""
    if not 0 <= row < ROWS:
        raise ValueError(f"the table has no row {row}")
    if row == 0:
        return 500_000
    if row <= 1_000:
        return row * 1_000_000
    if row <= 1_090:
        return _HIGH_SPEED_BPS + (row - 1_000) * 100_000_000
    return 10_000_000_000 + (row - 1_090) * 1_000_000_000


def row_at_most(bps: int) -> int:
    """The highest row that sends no more than `bps`. ValueError where even row 0 sends more."""
    if bps < rate_bps(0):
        raise ValueError(f"no row of the table sends as little as {bps} bit/s")
    low, high = 0, ROWS - 1
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if rate_bps(middle) <= bps else (low, middle - 1)
    return low


def most_bytes(seconds: float, row_max: int) -> int:
    """What a search up to `row_max` sends at most in so many seconds, at the IP layer."""
    search, left_ns, bits = Search(row_max=row_max), round(seconds * NS_PER_S), 0
    while left_ns > 0 and search.row < row_max:
        step_ns = min(FEEDBACK_NS, left_ns)
        bits += rate_bps(search.row) * step_ns // NS_PER_S
        left_ns -= step_ns
        search.report(Feedback(sequence_errors=0, delay_range_ns=0))
    return (bits + rate_bps(search.row) * max(0, left_ns) // NS_PER_S) // 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """What a report is held against: the defaults of section 8.1."""

    sequence_errors: int = 10  # lost, reordered or duplicated packets
    low_ns: int = 30 * NS_PER_MS  # delay range
    high_ns: int = 90 * NS_PER_MS
    bad_in_a_row: int = 3  # so many bad reports are congestion
    fast_rows: int = 10
    fast_down_rows: int = 30  # three times the fast increase, once


@dataclass(frozen=True, slots=True, kw_only=True)
class Feedback:
    """What the receiver counted in one feedback interval; delay range is the largest less the smallest."""

    sequence_errors: int
    delay_range_ns: int


@dataclass(slots=True, kw_only=True)
class Search:
    """The row to send at, and how it moves. `row_max` is the highest that the caller allows."""

    row_max: int = ROWS - 1
    thresholds: Thresholds = field(default_factory=Thresholds)
    row: int = 0
    congested: bool = field(default=False, init=False)  # whether congestion was ever seen
    _bad: int = field(default=0, init=False)  # bad reports, since the last good one of the fast phase
    _missed: int = field(default=0, init=False)  # feedback intervals without a report, in a row

    def report(self, feedback: Feedback) -> int:
        """One report came; the row to send at from now on."""
        self._missed = 0
        limits = self.thresholds
        if feedback.sequence_errors > limits.sequence_errors or feedback.delay_range_ns > limits.high_ns:
            return self._down()
        if feedback.delay_range_ns < limits.low_ns:
            return self._up()
        return self.row

    def silence(self) -> int:
        """No report within `patience_ns`, which counts as a bad one; the row to send at from now on."""
        self._missed += 1
        return self._down()

    @property
    def patience_ns(self) -> int:
        """How long after the last report another is missed: the upper delay threshold and some intervals."""
        return self.thresholds.high_ns + (2 + self._missed) * FEEDBACK_NS

    def _up(self) -> int:
        if self._fast:
            self._bad = 0
            self.row += self.thresholds.fast_rows
        else:
            self.row += 1
        self.row = min(self.row, self.row_max)
        return self.row

    def _down(self) -> int:
        fast = rate_bps(self.row) < _HIGH_SPEED_BPS
        self._bad += 1
        if self._bad == self.thresholds.bad_in_a_row and fast:
            rows = self.thresholds.fast_down_rows
        else:
            rows = 1
        self.congested = self.congested or self._bad >= self.thresholds.bad_in_a_row
        self.row = max(0, self.row - rows)
        return self.row

    @property
    def _fast(self) -> bool:
        return rate_bps(self.row) < _HIGH_SPEED_BPS and self._bad < self.thresholds.bad_in_a_row
