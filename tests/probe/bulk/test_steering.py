"""The rate of a search at its sender: traces of RFC 9097 through reports, and the waits of section 8.1."""

from __future__ import annotations

from probe.bulk.steering import Steering
from probe.wire.paced import Status

MS = 10**6
START_NS = 7 * 10**9


def told(errors: int, range_ms: float) -> Status:
    return Status(
        sequence_errors=errors, delay_range_us=round(range_ms * 1000), packets=100, covers_us=50_000
    )


def test_clean_reports_from_the_first_row() -> None:
    """Five of them lead to rows 10 to 50 (the pseudocode of RFC 9097 Appendix A), in steps that are kept."""
    made = Steering(most_bps=10**10, start_ns=START_NS)
    assert made.rate_bps == 500_000
    for nth in range(1, 6):
        made.heard(told(0, 5), START_NS + nth * 50 * MS)
    assert [step.rate_bps // 10**6 for step in made.steps] == [10, 20, 30, 40, 50]
    assert [step.at_us for step in made.steps] == [50_000, 100_000, 150_000, 200_000, 250_000]
    assert (made.top_bps, made.congested) == (50_000_000, False)


def test_three_bad_reports_are_congestion() -> None:
    made = Steering(most_bps=10**10, start_ns=START_NS)
    for nth, report in enumerate([told(0, 5)] * 10 + [told(11, 5), told(0, 91), told(0, 95)]):
        made.heard(report, START_NS + nth * 50 * MS)
    assert [step.rate_bps // 10**6 for step in made.steps[-4:]] == [100, 99, 98, 68]
    assert (made.congested, made.top_bps) == (True, 100_000_000)


def test_a_missed_report_is_waited_for_190_and_then_50_ms_more() -> None:
    """Upper + (2 + w) FT after the last message (RFC 9097 section 8.1); before the first none is missed."""
    made = Steering(most_bps=10**10, start_ns=START_NS)
    made.look(START_NS + 5_000 * MS)
    assert made.steps == []
    heard_ns = START_NS + 6_000 * MS
    made.heard(told(0, 0), heard_ns)
    missed_ms = []
    for ms in range(400):
        before = len(made.steps)
        made.look(heard_ns + ms * MS)
        if len(made.steps) > before:
            missed_ms.append(ms)
    assert missed_ms == [190, 240, 290, 340, 390]
    assert {(step.sequence_errors, step.delay_range_us) for step in made.steps[1:]} == {(None, None)}


def test_never_above_what_was_granted() -> None:
    made = Steering(most_bps=25_000_000, start_ns=START_NS)
    for nth in range(10):
        made.heard(told(0, 0), START_NS + nth * 50 * MS)
    assert (made.rate_bps, made.top_bps) == (25_000_000, 25_000_000)
