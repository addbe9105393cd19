"""Stalls of a show beside the buffers: each drawn once at its length, each buffer a line of its own dash."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from dashboard.figures import stalls
from dashboard.figures.pooling import Stretch
from dashboard.judge.after import Seen
from store.clock import NS_PER_S, zone
from tests.dashboard import invented
from tests.store import samples


def test_what_outlasts_a_buffer_stands_above_its_line(tmp_path: Path) -> None:
    """A sign a train, a dash a length of buffer; destinations of one length share a line."""
    plan = invented.site(tmp_path).plans[0]
    first = plan.destinations[0]
    plan = replace(
        plan,
        destinations=(
            first,
            replace(first, name="second"),
            replace(first, name="patient", buffer_s=4.0),
        ),
    )
    at_ns = invented.NOW_NS - 600 * NS_PER_S
    stretch = Stretch(from_ns=at_ns - 600 * NS_PER_S, to_ns=invented.NOW_NS, zone=zone("UTC+01:00"))
    seen = [
        Seen(
            endpoint=name,
            stalls=tuple(replace(samples.stall(at_ns), duration_us=us) for us in lengths),
            watched=(),
        )
        for name, lengths in (("north", (700_000, 2_500_000)), ("south", (5_000_000,)), ("quiet", ()))
    ]
    figure = json.loads(stalls.figure(plan, seen, gaps=[], stretch=stretch))
    points = [trace for trace in figure["data"] if trace["mode"] == "markers"]
    lines = [trace for trace in figure["data"] if trace["mode"] == "lines"]
    assert [trace["y"] for trace in points] == [[0.7, 2.5], [5.0]]
    assert {trace["x"][0] for trace in points} == {"2026-11-25T18:40:00.000"}
    assert [trace["y"][0] for trace in lines] == [1.0, 4.0]
    assert [trace["name"] for trace in lines] == ["buffer of class, second", "buffer of patient"]
    assert len({trace["marker"]["symbol"] for trace in points}) == 2
    assert len({trace["line"]["dash"] for trace in lines}) == 2
