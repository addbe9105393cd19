"""When frames arrived, and what that makes of the picture: cases done by hand."""

from __future__ import annotations

import pytest

from probe.bulk.frame_book import FrameBook

MS, S = 10**6, 10**9


def book(frames: int = 60, *, in_time: bool = False, per_second: float = 10.0, group: int = 10) -> FrameBook:
    return FrameBook(frames_per_second=per_second, group=group, frames=frames, late_s=0.5, in_time=in_time)


def fill(
    found: FrameBook, *, delays_ms: dict[int, int | None], frames: int = 60, zero_ns: int = 7 * S
) -> None:
    """Every frame 20 ms after it was due, but for those in `delays_ms`; None never came."""
    for frame in range(frames):
        delay_ms = delays_ms.get(frame, 20)
        if delay_ms is not None:
            found.note(frame, at_ns=zero_ns + frame * 100 * MS + delay_ms * MS)


def test_all_in_time() -> None:
    """The clocks' zeros do not matter, nor does the delay that all have."""
    found = book()
    fill(found, delays_ms={})
    told = found.told()
    assert (told.arrived, told.shown) == ((10,) * 6, (10,) * 6)
    assert (told.late, told.worst_ms) == ((0,) * 6, (0,) * 6)
    assert told.delay_us.delays().max == 0  # type: ignore[union-attr]


def test_late_is_more_than_the_buffer_over_the_least() -> None:
    """520 ms is in time for a buffer of 500 over a least of 20; 521 is not, and is shown all the same."""
    found = book()
    fill(found, delays_ms={13: 520, 14: 521})
    told = found.told()
    assert (told.late, told.worst_ms) == ((0, 1, 0, 0, 0, 0), (0, 501, 0, 0, 0, 0))
    assert sum(told.shown) == 60


def test_what_is_lost_takes_the_rest_of_its_group_along() -> None:
    """Frame 25 never came: 25 to 29 cannot be shown. Of keyframe 40 the whole group depends."""
    found = book()
    fill(found, delays_ms={25: None, 40: None})
    told = found.told()
    assert told.arrived == (10, 10, 9, 10, 9, 10)
    assert told.shown == (10, 10, 5, 10, 0, 10)


def test_a_stream_with_a_latency_cannot_show_what_is_late() -> None:
    found = book(in_time=True)
    fill(found, delays_ms={17: 800})
    assert found.told().shown == (10, 7, 10, 10, 10, 10)


@pytest.mark.parametrize(("ppm", "late"), [(40, 0), (-90, 0)])
def test_clocks_that_run_apart_make_nothing_late(ppm: int, late: int) -> None:
    """An hour of them, 0.14 and 0.32 s apart at its end, more than the 100 ms that are late here."""
    found = FrameBook(frames_per_second=1.0, group=10, frames=3600, late_s=0.1, in_time=False)
    for frame in range(3600):
        found.note(frame, at_ns=round(frame * S * (1 + ppm / 1e6)))
    told = found.told()
    assert (sum(told.late), max(told.worst_ms)) == (late, 0)


def test_a_queue_that_grows_is_no_clock() -> None:
    """2 % more than the line takes, for a minute: 1.2 s stand in the queue at its end."""
    found = FrameBook(frames_per_second=10.0, group=10, frames=600, late_s=0.5, in_time=False)
    for frame in range(600):
        found.note(frame, at_ns=round(frame * 100 * MS * 1.02))
    told = found.told()
    assert max(told.worst_ms) == pytest.approx(1200, rel=0.02)
    assert sum(told.late) == pytest.approx(350, abs=5)


def test_a_frame_counts_once_and_only_if_there_is_one() -> None:
    found = book(frames=3)
    found.note(1, at_ns=S)
    found.note(1, at_ns=9 * S)
    found.note(3, at_ns=S)
    assert found.arrived == 1
    assert [found.settled(frame) for frame in range(4)] == [False, True, False, True]
    assert found.told().worst_ms == (0,)


def test_nothing_arrived() -> None:
    told = book(frames=25).told()
    assert (told.arrived, told.shown, told.delay_us.count) == ((0, 0, 0), (0, 0, 0), 0)
