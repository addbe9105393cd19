"""When a row of bursts ends, and what it says together."""

from __future__ import annotations

from dataclasses import replace

import pytest

from probe.burst_outcome import Bursts
from store.bursts import Burst, Fate, Limiter, foreseen_bytes


def burst(packets: int, fate: Fate, **more: int) -> Burst:
    lost = 0 if fate is Fate.PASSED else 7
    given: dict[str, int] = {"undisturbed_bytes": packets * 1500, "lost": lost, "received": packets - lost}
    return Burst(sent=packets, fate=fate, **given | more)


def row(*fates: Fate, most: int = 5_333) -> Bursts:
    """Bursts as they are asked for, each with the next of these fates."""
    made = Bursts(ip_bytes=1500, most_packets=most)
    for fate in fates:
        packets = made.next_packets()
        assert packets is not None
        made.seen.append(burst(packets, fate))
    return made


def test_bursts_grow_until_one_meets_the_limit_and_then_three_have_to_agree() -> None:
    made = row(Fate.PASSED, Fate.PASSED, Fate.UNCLEAR, Fate.DROPPED, Fate.DROPPED, Fate.DROPPED)
    assert [one.sent for one in made.seen] == [16, 64, 256, 1024, 1024, 1024]
    assert made.next_packets() is None
    limiter, because, telling = made.judged()
    assert (limiter, len(telling)) == (Limiter.POLICER, 3)
    assert "3 of 3 bursts of 1536000 bytes" in because


def test_three_that_held_are_a_shaper() -> None:
    made = row(Fate.HELD, Fate.HELD, Fate.HELD)
    made.seen[-1] = replace(made.seen[-1], delay_us=41_300)
    limiter, because, _ = made.judged()
    assert (limiter, "41.3 ms" in because) == (Limiter.SHAPER, True)


@pytest.mark.parametrize("last", [Fate.HELD, Fate.UNCLEAR, Fate.PASSED])
def test_what_does_not_agree_is_undecided(last: Fate) -> None:
    made = row(Fate.DROPPED, Fate.DROPPED, last)
    assert made.next_packets() is None
    assert made.judged()[0] is Limiter.UNDECIDED


def test_no_limit_up_to_the_largest() -> None:
    made = row(*[Fate.PASSED] * 6)
    assert [one.sent for one in made.seen] == [16, 64, 256, 1024, 4096, 5333]
    assert made.next_packets() is None
    assert made.judged()[0] is Limiter.NONE


def test_a_largest_burst_that_tells_nothing_is_sent_three_times() -> None:
    made = row(Fate.PASSED, *[Fate.UNCLEAR] * 3, most=64)
    assert made.next_packets() is None
    limiter, because, telling = made.judged()
    assert (limiter, telling) == (Limiter.UNDECIDED, ())
    assert "too few passed" in because


def test_losses_of_the_receiving_host_tell_nothing_of_the_line() -> None:
    made = row(Fate.PASSED, Fate.DROPPED)
    made.dropped_socket = 3
    assert made.next_packets() is None
    assert made.judged()[0] is Limiter.UNDECIDED


@pytest.mark.parametrize(
    "fates", [[Fate.PASSED] * 9, [*[Fate.PASSED] * 4, *[Fate.HELD] * 5], [Fate.UNCLEAR] * 9]
)
def test_no_more_is_sent_than_was_foreseen(fates: list[Fate]) -> None:
    made = Bursts(ip_bytes=1500, most_packets=4096)
    for fate in fates:
        if (packets := made.next_packets()) is None:
            break
        made.seen.append(burst(packets, fate))
    assert made.next_packets() is None
    assert sum(one.sent for one in made.seen) * 1500 <= foreseen_bytes(4096 * 1500)
