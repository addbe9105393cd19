"""Size sweeps and steps against a real endpoint on 127.0.0.1; limited lines stand in tests/links."""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.methods import sizes, steps
from probe.methods.sizes import SizesPlan
from probe.methods.steps import StepsPlan
from store.clock import Clock
from store.errors import UserMistake
from store.paced import OFFERED_BPS
from store.records import Direction, Failed, Owner
from store.sizes import FRAMES_BYTES, Counted, SizesRun
from store.steps import StepsRun
from tests.probe.endpoint.far import far_end


@pytest.mark.asyncio
async def test_every_size_is_sent_and_no_limit_is_undecided(tmp_path: Path) -> None:
    """Frames of just 128 to 1518 octets: 18 of Ethernet, 28 of IPv4 and UDP around the payload."""
    plan = SizesPlan(direction=Direction.UP, offered_bps=2_000_000, seconds=2)
    async with far_end(tmp_path / "endpoint") as far:
        run = await sizes.run(plan, far.reaches["a"], Clock())
    assert isinstance(run, SizesRun), run
    assert tuple(one.frame_bytes for one in run.sizes) == FRAMES_BYTES
    assert [one.part.payload_bytes + 28 + 18 for one in run.sizes] == list(FRAMES_BYTES)
    assert all(one.part.received == one.part.sent > 0 and not one.used for one in run.sizes)
    assert (run.counted, run.overhead_bytes) == (Counted.UNDECIDED, None)
    assert "fewer than 3 sizes" in run.because
    assert run.spent_bytes == sum(one.part.sent * one.part.payload_bytes for one in run.sizes)


@pytest.mark.asyncio
async def test_a_step_that_the_endpoint_refuses_ends_the_run(tmp_path: Path) -> None:
    """What was measured before stays, and says that it ended early."""
    plan = StepsPlan(direction=Direction.DOWN, stated_bps=4_000_000, seconds=2)
    limits = "[caller]\npaced_bps = 2_500_000\n"
    async with far_end(tmp_path / "endpoint", limits=limits) as far:
        run = await steps.run(plan, far.reaches["a"], Clock())
        refused = await steps.run(
            StepsPlan(direction=Direction.UP, stated_bps=12_000_000, seconds=2), far.reaches["a"], Clock()
        )
    assert isinstance(run, StepsRun), run
    assert [(one.percent, one.part.direction) for one in run.steps] == [
        (25, Direction.DOWN),
        (50, Direction.DOWN),
    ]
    assert [one.part.offered_bps for one in run.steps] == [1_000_000, 2_000_000]
    assert (run.first_lost_up, run.first_lost_down) == (None, None)
    assert "aborted" in run.reasons
    assert isinstance(refused, Failed)
    assert (refused.what, "paced_bps" in refused.why, refused.whose) == ("run steps", True, Owner.ENDPOINT)


def test_what_no_endpoint_grants() -> None:
    with pytest.raises(UserMistake, match="seconds"):
        SizesPlan(direction=Direction.UP, offered_bps=10**7, seconds=1)
    with pytest.raises(UserMistake, match="direction"):
        SizesPlan(direction=Direction.BOTH, offered_bps=10**7)
    with pytest.raises(UserMistake, match="seconds"):
        StepsPlan(direction=Direction.UP, stated_bps=10**7, seconds=1)
    with pytest.raises(UserMistake, match="rate"):
        StepsPlan(direction=Direction.UP, stated_bps=OFFERED_BPS[1])
