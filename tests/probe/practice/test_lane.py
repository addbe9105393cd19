"""One direction of a practice line as arithmetic: its queue, its stalls, its losses, its order."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from probe.practice import line
from probe.practice.lane import Fate, Lane
from probe.practice.line import How, LaneBehaviour, LineBehaviour, Spell
from store.clock import NS_PER_MS, NS_PER_S
from store.records import Direction

TRAIN_BYTES = 128


def lane_of(behaviour: LineBehaviour, direction: Direction = Direction.UP) -> Lane:
    """A lane at its start."""
    return Lane(behaviour.lane(direction), cycle_ns=behaviour.cycle_ns, source=random.Random(behaviour.seed))


def fill(lane: Lane, *, for_ns: int = 2 * NS_PER_S) -> int:
    """Let TCP send as fast as it may for a while; the moment after that."""
    now_ns = 0
    while now_ns < for_ns:
        if room_bytes := lane.chunk_bytes(now_ns):
            lane.chunk(room_bytes, now_ns)
        else:
            now_ns = max(now_ns + 1, lane.room_at_ns(now_ns))
    return now_ns


# The queue


def test_a_full_queue_delays_as_its_bytes_do() -> None:
    """1.4 MB at 18 Mb/s add 622 ms: 1 400 000 x 8 / 18 000 000. TCP leaves 1 % of it to datagrams."""
    lane = lane_of(line.fixed_line(delay_ms=0, rate_up_bps=18_000_000, queue_bytes=1_400_000))
    now_ns = fill(lane)
    (leaves_ns,) = lane.datagram(TRAIN_BYTES, now_ns).leaves_ns
    assert (leaves_ns - now_ns) / NS_PER_MS == pytest.approx(622, rel=0.025)


def test_tcp_fills_the_queue_at_its_own_pace() -> None:
    """Entering at twice the rate (RFC 5681 3.1, two segments for one), 1.4 MB have gathered after 622 ms.

    Datagrams sent every 50 ms meanwhile arrive 100 ms apart: no silence, as one sudden heap would make.
    """
    lane = lane_of(line.fixed_line(delay_ms=10, rate_up_bps=18_000_000, queue_bytes=1_400_000))
    left_ns: list[int] = []
    waiting, now_ns = list[int](), 0
    for sent_ns in range(0, 600_000_000, 50_000_000):
        while now_ns < sent_ns:
            if room_bytes := lane.chunk_bytes(now_ns):
                lane.chunk(room_bytes, now_ns)
            now_ns = max(now_ns + 1, lane.room_at_ns(now_ns))
        waiting.append(lane.waiting_bytes(now_ns))
        left_ns += lane.datagram(TRAIN_BYTES, now_ns).leaves_ns
    assert waiting[-1] == pytest.approx(0.55 * 18e6 / 8, rel=0.02)
    gaps_ms = [(after - before) / NS_PER_MS for before, after in pairwise(left_ns)]
    assert gaps_ms == pytest.approx([100] * len(gaps_ms), rel=0.05)


def test_a_datagram_fits_behind_tcp_and_not_into_a_full_queue() -> None:
    """TCP alone never fills the queue; datagrams can, and what comes then is dropped."""
    lane = lane_of(line.fixed_line(delay_ms=1, rate_up_bps=5_000_000, queue_bytes=100_000))
    now_ns = fill(lane)
    fates = [lane.datagram(1000, now_ns).fate for _ in range(10)]
    assert fates[0] is Fate.CARRIED
    assert fates[-1] is Fate.QUEUE
    assert lane.waiting_bytes(now_ns) <= 100_000


def test_an_empty_line_takes_its_delay_and_the_time_of_service() -> None:
    """1000 bytes at 8 Mb/s are served in 1 ms; then comes the way."""
    lane = lane_of(line.fixed_line(delay_ms=10, rate_up_bps=8_000_000))
    assert lane.datagram(1000, 5_000_000).leaves_ns == (16_000_000,)


def test_a_change_of_rate_in_the_middle_of_service_counts_from_its_moment() -> None:
    """1000 bytes: 4000 bits in 1 ms at 4 Mb/s, the other 4000 in 0.5 ms at 8 Mb/s."""
    spells = (
        Spell(start_ns=0, rate_bps=4_000_000, delay_ns=0),
        Spell(start_ns=NS_PER_MS, rate_bps=8_000_000, delay_ns=0),
    )
    behaviour = LaneBehaviour(queue_bytes=10_000, spells=spells)
    lane = Lane(behaviour, cycle_ns=NS_PER_S, source=random.Random(1))
    assert lane.chunk(1000, 0) == 1_500_000


def test_the_cycle_repeats() -> None:
    """In the second cycle the first spell holds again."""
    spells = (
        Spell(start_ns=0, rate_bps=8_000_000, delay_ns=0),
        Spell(start_ns=NS_PER_S // 2, rate_bps=1_000_000, delay_ns=0),
    )
    lane = Lane(LaneBehaviour(queue_bytes=10_000, spells=spells), cycle_ns=NS_PER_S, source=random.Random(1))
    assert lane.chunk(1000, 3 * NS_PER_S) == 3 * NS_PER_S + NS_PER_MS


arrivals = st.lists(st.tuples(st.integers(1, 1500), st.integers(0, 50_000_000)), min_size=1, max_size=60)


@given(arrivals)
def test_a_queue_without_stalls_is_the_textbook_one(packets: list[tuple[int, int]]) -> None:
    """Each is served when it has come and the one before is done: Lindley's recursion (1952, from memory)."""
    lane = lane_of(line.fixed_line(delay_ms=3, rate_up_bps=4_000_000, queue_bytes=10**9))
    now_ns = done_ns = 0
    for size_bytes, gap_ns in packets:
        now_ns += gap_ns
        done_ns = max(now_ns, done_ns) + size_bytes * 2_000  # 8 bits at 4 Mb/s take 2 us
        assert lane.datagram(size_bytes, now_ns).leaves_ns == (done_ns + 3 * NS_PER_MS,)


@given(arrivals, st.lists(st.integers(1, 400), max_size=4, unique=True))
def test_nothing_overtakes_and_nothing_is_served_in_a_stall(
    packets: list[tuple[int, int]], stalls_ms: list[int]
) -> None:
    """Whatever arrives and stalls, order is kept and no last bit leaves within a stall."""
    planned = [line.stall_at(start_ms / 1000, 0.0009) for start_ms in sorted(stalls_ms)]
    lane = lane_of(line.fixed_line(delay_ms=3, rate_up_bps=4_000_000, queue_bytes=10**9, stalls_up=planned))
    now_ns, left_ns = 0, []
    for size_bytes, gap_ns in packets:
        now_ns += gap_ns
        left_ns.append(lane.datagram(size_bytes, now_ns).leaves_ns[0] - 3 * NS_PER_MS)
    assert left_ns == sorted(left_ns)
    assert not [at for at in left_ns for stalled in planned if stalled.start_ns < at <= stalled.end_ns]


# Stalls, losses, order


def test_a_held_stall_delivers_in_a_bunch_at_its_end() -> None:
    """What came within the stall leaves just behind it, in order; service alone parts the packets."""
    lane = lane_of(line.fixed_line(delay_ms=10, rate_up_bps=16_000_000, stalls_up=[line.stall_at(1, 1.3)]))
    sent_ns = range(900_000_000, 2_500_000_000, 50_000_000)
    left_ns = [lane.datagram(TRAIN_BYTES, at_ns).leaves_ns[0] for at_ns in sent_ns]
    bunch = [left for at, left in zip(sent_ns, left_ns, strict=True) if NS_PER_S <= at < 2.3 * NS_PER_S]
    assert len(bunch) == 26
    assert min(bunch) >= 2_310_000_000
    assert max(bunch) <= 2_310_000_000 + 26 * 64_000  # 128 bytes at 16 Mb/s take 64 us
    assert left_ns == sorted(left_ns)


def test_a_losing_stall_takes_datagrams_and_holds_tcp() -> None:
    """A relay cannot lose TCP bytes, so a stall holds them in either case."""
    planned = [line.stall_at(1, 1, how=How.LOST)]
    lane = lane_of(line.fixed_line(delay_ms=10, stalls_up=planned))
    assert lane.datagram(TRAIN_BYTES, 1_500_000_000).fate is Fate.STALL
    assert lane.chunk(1000, 1_500_000_000) >= 2_010_000_000
    assert lane.datagram(TRAIN_BYTES, 2_000_000_000).fate is Fate.CARRIED


def test_ended_stalls_are_told_once() -> None:
    """Every stall appears in exactly one of the spans that follow each other."""
    planned = [line.stall_at(1.5, 1), line.stall_at(4, 0.5, how=How.LOST)]
    lane = lane_of(line.fixed_line(delay_ms=1, stalls_up=planned))
    told = [
        past for second in range(8) for past in lane.stalls_ended(second * NS_PER_S, (second + 1) * NS_PER_S)
    ]
    assert told == planned


@pytest.mark.parametrize("ratio", [0.0001, 0.018, 0.1])
def test_loss_has_its_share(ratio: float) -> None:
    """Random loss within the exact binomial bounds (scipy) at one in a thousand."""
    lane = lane_of(line.fixed_line(delay_ms=1, loss_up=ratio))
    count = 20_000
    lost = sum(lane.datagram(TRAIN_BYTES, n * NS_PER_MS).fate is Fate.LOSS for n in range(count))
    assert stats.binomtest(lost, count, ratio).pvalue > 0.001


def test_duplicates_and_late_ones_have_their_shares() -> None:
    """Both are drawn apart from each other; a late one leaves behind its successors."""
    lane = lane_of(line.fixed_line(delay_ms=1, duplicate=0.05, reorder=0.03, reorder_by_ms=60))
    count = 20_000
    passages = [lane.datagram(TRAIN_BYTES, n * 50 * NS_PER_MS) for n in range(count)]
    late = sum(passage.late for passage in passages)
    twice = sum(len(passage.leaves_ns) == 2 for passage in passages)
    assert stats.binomtest(late, count, 0.03).pvalue > 0.001
    assert stats.binomtest(twice, count - late, 0.05).pvalue > 0.001
    first = next(n for n, passage in enumerate(passages[:-1]) if passage.late and not passages[n + 1].late)
    assert passages[first].leaves_ns[0] > passages[first + 1].leaves_ns[0]


def test_jitter_is_uniform() -> None:
    """Uniform from 0 to 5 ms has the variance 25/12 (any table of distributions); Kolmogorov by scipy."""
    lane = lane_of(line.fixed_line(delay_ms=10, jitter_ms=5))
    sent = [n * 50 * NS_PER_MS for n in range(4000)]
    extra_ms = [lane.datagram(TRAIN_BYTES, at).leaves_ns[0] / NS_PER_MS - at / NS_PER_MS - 10 for at in sent]
    assert stats.kstest(extra_ms, stats.uniform(0, 5).cdf).pvalue > 0.001
