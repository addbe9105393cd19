"""A soak held against nftables' own counter, over a kill and a restart."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.links.house import LINEBOOK, PORT, House, house

pytestmark = [pytest.mark.namespace, pytest.mark.few]

SECONDS, PER_SECOND, DROPPING_S = 20, 100, 2.0


def spans_in(kept: Path) -> list[dict[str, Any]]:
    lines = [json.loads(line) for line in kept.read_bytes().splitlines(keepends=True) if line[-1:] == b"\n"]
    return [line for line in lines if line["kind"] == "train"]


def ended_ns(span: dict[str, Any]) -> int:
    return int(span["started_unix_ns"] + span["seconds"] * 1e9)


def wait_until(true: Callable[[], bool], *, within_s: float) -> None:
    ends = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < ends
        time.sleep(0.05)


def dropped_for_a_while(far: House, kept: Path) -> int:
    """Once the soak goes, drop 5 % up for some time and no longer; what nft counted, once a span shows it."""
    goes = len(spans_in(kept)) if kept.exists() else 0
    wait_until(lambda: kept.exists() and len(spans_in(kept)) > goes, within_s=15)
    far.line.drop(50, up=True, port=PORT)
    time.sleep(DROPPING_S)
    dropped = far.line.end_drops(up=True)
    over_ns = time.time_ns()
    wait_until(lambda: ended_ns(spans_in(kept)[-1]) > over_ns, within_s=10)
    return dropped


@pytest.mark.long
def test_a_kill_costs_time_and_no_count(tmp_path: Path) -> None:
    """Killed (SIGKILL) and started again it ends as planned, and has every counted drop on its side.

    Nothing is dropped around the kill: what was under way then is nobody's, and belongs to the gap.
    """
    kept = tmp_path / "kept"
    words = ("--seconds", str(SECONDS), "--per-second", str(PER_SECOND), "--kept", str(kept), "--json")
    with house(tmp_path / "endpoint") as far:
        command = (sys.executable, LINEBOOK, "run", "soak", "--endpoint", far.invitation, *words)
        first = far.line.start("probe", *command)
        dropped = dropped_for_a_while(far, kept)
        first.kill()
        first.wait()
        killed_ns, before = time.time_ns(), kept.read_bytes()
        second = far.line.start("probe", *command)
        dropped += dropped_for_a_while(far, kept)
        out, complaints = second.communicate(timeout=40)
        over_ns = time.time_ns()
    assert second.returncode == 0, complaints
    assert kept.read_bytes().startswith(before[: before.rfind(b"\n") + 1])
    assert sum(span["lost_up"] for span in spans_in(kept)) == dropped > 5
    assert sum(span["lost_down"] + span["lost_unattributed"] for span in spans_in(kept)) == 0
    found = json.loads(out)
    assert found["lost_up"] == sum(span["lost_up"] for span in spans_in(kept) if not span["reasons"])
    began_ns = json.loads(before.splitlines()[0])["started_unix_ns"]
    assert (over_ns - began_ns) / 1e9 == pytest.approx(SECONDS, abs=4)
    [gap] = found["gaps"]
    assert gap["started_unix_ns"] < killed_ns < gap["ended_unix_ns"]
    assert found["watched_s"] + (gap["ended_unix_ns"] - gap["started_unix_ns"]) / 1e9 == pytest.approx(
        SECONDS, abs=0.5
    )
