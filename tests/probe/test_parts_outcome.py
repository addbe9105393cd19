"""What several paced runs say together."""

from __future__ import annotations

from dataclasses import replace

from probe import parts_outcome
from store.records import Standing
from store.sizes import FRAMES_BYTES, Counted
from tests.store import samples

NAMES = {"handoff": "old", "endpoint": "north"}


def test_losses_at_random_are_no_limit() -> None:
    """One in a hundred of every size arrives as a limit at the IP layer would have it, and is none."""
    run = replace(samples.paced(), lost=17, loss_ratio=0.01)
    found = parts_outcome.sizes([(frame, run) for frame in FRAMES_BYTES], broken=False, names=NAMES)
    assert (found.counted, found.overhead_bytes) == (Counted.UNDECIDED, None)
    assert not any(one.used for one in found.sizes)


def test_a_run_that_broke_off_is_void() -> None:
    found = parts_outcome.sizes([(1518, samples.paced())], broken=True, names=NAMES)
    assert (found.reasons, found.standing) == (("aborted",), Standing.VOID)
