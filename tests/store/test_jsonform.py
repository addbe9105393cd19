"""Records as JSON: the fields other programs were promised, in the units that their names say."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given

from store.jsonform import SCHEMA, as_json, failed_json
from store.records import Direction, Failed, Owner, RateRun, Record, Stall, TrainSpan
from tests import strategies

# The promise: names, not values. The public surface of the project; a field may come, none may go.
HEAD = {"kind", "schema", "started", "standing", "reasons"}
SIDE = {
    "goodput_bps",
    "ip_bps",
    "ethernet_bps",
    "wire_bps",
    "bins",
    "retransmitted_ratio",
    "limited_by",
}
RATE = {"direction", "flows", "seconds", "rtt_idle_us", "rtt_loaded_us"}
TRAIN = {
    "sent",
    "lost_up",
    "lost_down",
    "held_up",
    "duplicated",
    "reordered",
    "rtt_us",
    "pdv_up_us",
    "pdv_down_us",
    "jitter_up_us",
    "jitter_down_us",
    "stalls",
    "timestamps",
}
DELAYS = {"min", "p50", "p95", "p99", "max"}


@given(strategies.records)
def test_every_record_is_one_json_object_with_the_head(record: Record) -> None:
    found = json.loads(json.dumps(as_json(record), allow_nan=False))
    assert set(found) >= HEAD
    assert (found["kind"], found["schema"]) == (record.kind, SCHEMA)
    assert found["standing"] in {"valid", "excluded", "void"}
    assert datetime.fromisoformat(found["started"]).utcoffset() is not None


@given(strategies.rate_runs)
def test_a_run_has_its_rates_where_they_were_promised(run: RateRun) -> None:
    """Under `up` and `down` for both at once, else at the top."""
    found = as_json(run)
    assert set(found) >= RATE
    if run.direction is Direction.BOTH:
        assert set(found["up"]) >= SIDE
        assert set(found["down"]) >= SIDE
    else:
        assert set(found) >= SIDE
        (side,) = run.sides().values()
        assert found["bins"] == [{"start_ms": each.start_ms, "bytes": each.bytes} for each in side.bins]
        assert (found["goodput_bps"], found["wire_bps"]) == (side.rates.goodput_bps, side.rates.wire_bps)
    assert found["rtt_idle_us"] is None or set(found["rtt_idle_us"]) >= DELAYS


@given(strategies.train_spans, strategies.stalls)
def test_a_train_carries_its_stalls(span: TrainSpan, stall: Stall) -> None:
    found = as_json(span, stalls=(stall,))
    assert set(found) >= TRAIN
    (listed,) = found["stalls"]
    assert set(listed) >= {"start", "seconds", "direction", "how"}
    assert listed["seconds"] == pytest.approx(stall.duration_us / 1e6, abs=1e-6)
    assert found["timestamps"] in {"kernel", "clock"}
    assert found["rtt_us"] is None or set(found["rtt_us"]) >= DELAYS


def test_a_failure_says_what_why_and_whose() -> None:
    failed = Failed(what="run rate", why="nobody answers", whose=Owner.ENDPOINT)
    found: dict[str, Any] = failed_json(failed)
    assert {"kind": "failed", "what": "run rate", "why": "nobody answers", "whose": "endpoint"}.items() <= (
        found.items()
    )
    assert found["standing"] == "void"
