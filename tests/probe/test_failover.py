"""The stopwatch of a failover on made trains: every class of failure, and moments to one spacing."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from probe.failover import IN_A_ROW, Carrier, Stopwatch, Train, judge
from store.clock import NS_PER_MS, NS_PER_S
from store.failovers import Failure
from store.samples import Sample

SPACING_NS = 20 * NS_PER_MS
SLOTS = 500  # 10 s
T0_NS = 1_800_000_000 * NS_PER_S
KEPT = Carrier(known=True)

Fate = str | None  # "up", "down", "unattributed", "held", "unsent", None for back
GOES_ON: Callable[[float], Fate] = lambda _: None  # noqa: E731 - a train's fate by second


def made(fate: Callable[[float], Fate], *, phase_ns: int = 0) -> Train:
    """A train whose packets have this fate, by the second in which they leave."""
    packets: list[Sample] = []
    for slot in range(SLOTS):
        found = fate((slot * SPACING_NS + phase_ns) / NS_PER_S)
        if found == "unsent":
            continue
        lost = found if found not in (None, "held") else None
        packets.append(
            Sample(
                sequence=len(packets),
                sent_unix_ns=T0_NS + phase_ns + slot * SPACING_NS,
                rtt_ns=None if lost else 5 * NS_PER_MS,
                lost=lost,
                held=found == "held",
            )
        )
    return Train(packets=packets, spacing_ns=SPACING_NS, planned=SLOTS)


def between(first_s: float, after_s: float, fate: str) -> Callable[[float], Fate]:
    return lambda at_s: fate if first_s <= at_s < after_s else None


def seconds(moment_ns: int | None) -> float:
    assert moment_ns is not None
    return (moment_ns - T0_NS) / NS_PER_S


def judged(
    main: Callable[[float], Fate],
    unbound: Callable[[float], Fate] = GOES_ON,
    backup: Callable[[float], Fate] = GOES_ON,
    carrier: Carrier = KEPT,
) -> Stopwatch:
    return judge(
        made(main),
        made(backup, phase_ns=7 * NS_PER_MS),
        made(unbound, phase_ns=13 * NS_PER_MS),
        carrier,
    )


def lost_carrier(at_s: float) -> Carrier:
    return Carrier(known=True, lost_unix_ns=(T0_NS + round(at_s * NS_PER_S),))


class TestClass:
    def test_nothing_happened(self) -> None:
        """Nine packets in a row at most, and below a tenth of any 2 s."""
        found = judged(between(3, 3 + 0.02 * (IN_A_ROW - 1) - 0.01, "up"))
        assert found.failure is Failure.NONE
        assert found.failed_ns is None
        assert found.without_packets is None

    def test_the_carrier_of_the_same_second_makes_it_clean(self) -> None:
        for fate in ("up", "down", "unattributed", "unsent", "held"):
            assert judged(between(3, 6, fate), carrier=lost_carrier(3.4)).failure is Failure.CLEAN
        assert judged(between(3, 6, "up"), carrier=lost_carrier(4.5)).failure is Failure.SILENT

    def test_silent_when_packets_are_lost_on_the_way_there(self) -> None:
        found = judged(between(3, 6, "up"))
        assert found.failure is Failure.SILENT
        assert "whether that way was dead too does not show" in found.because

    def test_silent_when_they_are_lost_both_ways(self) -> None:
        found = judged(lambda at_s: ("up" if at_s < 4.5 else "down") if 3 <= at_s < 6 else None)
        assert found.failure is Failure.SILENT
        assert "both ways" in found.because

    def test_half_dead_when_they_arrived_there(self) -> None:
        """The first packet may have been lost elsewhere."""
        found = judged(lambda at_s: ("up" if at_s < 3.01 else "down") if 3 <= at_s < 6 else None)
        assert found.failure is Failure.HALF_DEAD

    @pytest.mark.parametrize("seed", range(5))
    def test_half_dead_when_part_of_them_is_lost(self, seed: int) -> None:
        """Three of ten, as trade has it; both moments within some packets that came through."""
        chance = random.Random(seed)
        found = judged(lambda at_s: "down" if 3 <= at_s < 7 and chance.random() < 0.3 else None)
        assert found.failure is Failure.HALF_DEAD
        assert 3 <= seconds(found.failed_ns) < 3.4
        assert 6.6 < seconds(found.returned_ns) <= 7.02
        assert found.further == 0

    def test_a_twentieth_lost_is_no_failure(self) -> None:
        assert judged(lambda at_s: "up" if round(at_s * 50) % 20 == 0 else None).failure is Failure.NONE

    def test_undecided_where_nobody_knows_the_direction(self) -> None:
        found = judged(between(3, 11, "unattributed"))
        assert found.failure is Failure.UNDECIDED
        assert found.returned_ns is None

    def test_undecided_where_the_backup_fell_silent_too(self) -> None:
        found = judged(between(3, 6, "up"), backup=between(3.3, 6, "up"))
        assert found.failure is Failure.UNDECIDED
        assert "share" in found.because

    def test_undecided_where_the_carrier_is_not_known(self) -> None:
        assert judged(between(3, 6, "up"), carrier=Carrier(known=False)).failure is Failure.UNDECIDED

    def test_undecided_where_this_host_refused_to_send(self) -> None:
        found = judged(between(3, 6, "unsent"))
        assert found.failure is Failure.UNDECIDED
        assert "refused to send 150 of 150" in found.because
        assert (seconds(found.failed_ns), seconds(found.returned_ns)) == (3.0, 6.0)

    def test_undecided_where_packets_only_came_late(self) -> None:
        found = judged(between(3, 4, "held"))
        assert found.failure is Failure.UNDECIDED
        assert "stall" in found.because


class TestMoments:
    def test_a_switch_and_a_return(self) -> None:
        """The unbound train's slots lie 13 ms later: 3.013 is the first lost, 5.013 the first back."""
        found = judged(between(3, 6, "up"), unbound=between(3, 5, "up"))
        assert seconds(found.failed_ns) == pytest.approx(3.0)
        assert seconds(found.silent_ns) == pytest.approx(3.013)
        assert seconds(found.switched_ns) == pytest.approx(5.013)
        assert found.without_ns == 2 * NS_PER_S
        assert found.without_packets == 100
        assert seconds(found.returned_ns) == pytest.approx(6.0)
        assert found.lost_after_return == 0

    def test_what_it_loses_after_the_return(self) -> None:
        found = judged(
            between(3, 6, "up"),
            unbound=lambda at_s: "up" if 3 <= at_s < 5 or 6.5 <= at_s < 6.6 else None,
        )
        assert (found.without_packets, found.lost_after_return) == (100, 5)

    def test_no_switch_where_it_is_back_only_with_the_main_uplink(self) -> None:
        found = judged(between(3, 6, "up"), unbound=between(3, 6, "up"))
        assert found.switched_ns is None
        assert found.without_ns == 3 * NS_PER_S

    def test_no_switch_where_it_never_comes_back(self) -> None:
        found = judged(between(3, 11, "up"), unbound=between(3, 11, "up"))
        assert (found.switched_ns, found.without_ns, found.returned_ns) == (None, None, None)
        assert (found.without_packets, found.lost_after_return) == (350, None)

    def test_a_switch_without_a_return(self) -> None:
        found = judged(between(3, 11, "up"), unbound=between(3, 5, "up"))
        assert seconds(found.switched_ns) == pytest.approx(5.013)
        assert (found.returned_ns, found.lost_after_return) == (None, None)

    def test_unbound_traffic_that_went_on(self) -> None:
        found = judged(between(3, 6, "up"))
        assert (found.silent_ns, found.switched_ns, found.without_packets) == (None, None, 0)

    def test_a_second_failure_is_counted(self) -> None:
        found = judged(lambda at_s: "up" if 3 <= at_s < 4 or 7 <= at_s < 8 else None)
        assert seconds(found.returned_ns) == pytest.approx(4.0)
        assert found.further == 1

    def test_packets_that_left_late_in_haste_are_not_missing(self) -> None:
        """A host that was busy for 0.4 s sends what was due at once; every packet has its number."""
        train = made(GOES_ON)
        late = [
            Sample(
                sequence=one.sequence,
                sent_unix_ns=max(one.sent_unix_ns, T0_NS + 3_400 * NS_PER_MS)
                if 150 <= one.sequence < 171
                else one.sent_unix_ns,
                rtt_ns=one.rtt_ns,
                lost=None,
                held=False,
            )
            for one in train.packets
        ]
        busy = Train(packets=late, spacing_ns=SPACING_NS, planned=SLOTS)
        assert judge(busy, train, train, KEPT).failure is Failure.NONE

    def test_nothing_sent_until_the_end(self) -> None:
        found = judged(between(8, 11, "unsent"), carrier=lost_carrier(8))
        assert found.failure is Failure.CLEAN
        assert seconds(found.failed_ns) == pytest.approx(8.0)
        assert found.returned_ns is None
