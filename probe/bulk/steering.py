"""The rate of a capacity run as its sender follows it: reports in, rates and their story out. Pure."""

from __future__ import annotations

from probe.load_rate import Feedback, Search, rate_bps, row_at_most
from probe.wire.paced import Status
from probe.wire.paced_control import SearchStep
from store.clock import NS_PER_MS, NS_PER_US

FEEDBACK_TIMEOUT_NS = 1_000 * NS_PER_MS
"""Without any report for so long nothing is sent: L = 20 feedback intervals (RFC 9097 section 4)."""


class Steering:
    """One search of a sender, from the table's first row up to the row of `most_bps`. Times are monotonic.

    A report is missed only once there has been one: how long the first takes is the way's own round trip.
    """

    def __init__(self, *, most_bps: int, start_ns: int) -> None:
        self._search = Search(row_max=row_at_most(most_bps))
        self._start_ns = start_ns
        self._told_ns: int | None = None
        self.steps: list[SearchStep] = []
        self.top_bps = self.rate_bps

    @property
    def rate_bps(self) -> int:
        """What to send at, at the IP layer."""
        return rate_bps(self._search.row)

    @property
    def congested(self) -> bool:
        """Whether the search ever met congestion."""
        return self._search.congested

    def heard(self, status: Status, now_ns: int) -> None:
        """A report came."""
        self._told_ns = now_ns
        said = Feedback(
            sequence_errors=status.sequence_errors, delay_range_ns=status.delay_range_us * NS_PER_US
        )
        self._search.report(said)
        self._note(now_ns, status)

    def look(self, now_ns: int) -> None:
        """Count a report as missed where its time has passed."""
        if self._told_ns is not None and now_ns - self._told_ns >= self._search.patience_ns:
            self._search.silence()
            self._note(now_ns, None)

    def _note(self, now_ns: int, status: Status | None) -> None:
        self.top_bps = max(self.top_bps, self.rate_bps)
        self.steps.append(
            SearchStep(
                at_us=(now_ns - self._start_ns) // NS_PER_US,
                rate_bps=self.rate_bps,
                sequence_errors=None if status is None else status.sequence_errors,
                delay_range_us=None if status is None else status.delay_range_us,
            )
        )
