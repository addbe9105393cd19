"""A soak on a terminal."""

from __future__ import annotations

from dashboard.judge.soak import judge
from dashboard.text_soak import soak
from tests.store import samples


def test_everything_is_told() -> None:
    """The sentence, what was watched, delays in ms, stalls, gaps, what is left out, and the standing."""
    found = samples.soak()
    lines = soak(found, judge(found)).splitlines()
    assert lines[0].startswith("4 packets in 1 min, 1 lost up: less than 76 % at 95 %")  # scipy.stats.beta
    assert lines[1] == "Watched 60 s of 120 s; 60 s count."
    assert (
        lines[3].split() == "PDV up p50 0.249 p95 0.900 p99 0.900 max 0.900 ms".split()
    )  # 250 is in a bucket
    assert lines[5:8] == [
        "Stalls of 0.5 s or more: 1",
        "  1970-01-01T00:00:00.000Z  0.70 s up, lost",
        "Gap of 60.0 s from 1970-01-01T00:01:00.000Z: the probe was not running.",
    ]
    assert lines[8].startswith("Left out: 1 spans, 60 s: the probe could not keep")
    assert "excluded" in lines[9]
