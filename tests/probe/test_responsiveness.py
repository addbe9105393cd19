"""Round trips per minute against the worked values of draft-ietf-ippm-responsiveness-09."""

from __future__ import annotations

import pytest

from probe.responsiveness import Probe, foreign, foreign_rpm, trimmed_mean

MS = 1_000_000


@pytest.mark.parametrize(("most", "mean"), [(20, 10.0), (100, 48.0)])
def test_trimmed_mean(most: int, mean: float) -> None:
    """Single-sided: of 1 to 20 the one above the 95th percentile goes, of 1 to 100 five; sums by hand."""
    assert trimmed_mean(range(most, 0, -1)) == mean


def test_nothing_has_no_mean() -> None:
    with pytest.raises(ValueError, match="nothing"):
        trimmed_mean([])


def test_the_drafts_foreign_figure() -> None:
    """40, 50 and 60 ms are 1200 round trips per minute; one step of 10, 60, 200 ms is 6000, 1000, 300."""
    assert foreign_rpm([40], [50], [60]) == pytest.approx(1200)
    for delay_ms, rpm in ((10, 6000), (60, 1000), (200, 300)):
        assert foreign_rpm([delay_ms], [delay_ms], [delay_ms]) == pytest.approx(rpm)


def _probe(began_ms: int, ended_ms: int, *times_ms: int) -> Probe:
    tcp_ns, tls_ns, http_ns = (each * MS for each in times_ms) if times_ms else (None, None, None)
    return Probe(
        began_ns=began_ms * MS, ended_ns=ended_ms * MS, tcp_ns=tcp_ns, tls_ns=tls_ns, http_ns=http_ns
    )


def test_of_a_part_those_that_began_and_ended_in_it() -> None:
    """The one over its end was partly without load; one without an answer is counted and no more."""
    probes = [_probe(0, 150, 40, 50, 60), _probe(100, 200), _probe(900, 1100, 1, 1, 1)]
    found = foreign(probes, from_ns=0, to_ns=1000 * MS)
    assert found is not None
    assert (found.count, found.failed, found.foreign_rpm) == (1, 1, 1200.0)
    assert (found.tcp_us, found.tls_us, found.http_us) == (40_000, 50_000, 60_000)
    assert foreign(probes, from_ns=200 * MS, to_ns=1000 * MS) is None
