"""What counters say of months: wraps, restarts and absences, against sums made by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.meter import Growth, Meter, growth
from store.site import Cap
from store.traffic import Reading, Traffic

S = 10**9
HOUR = 3600 * S
START = 1_780_272_000 * S  # 1 June 2026, 00:00 UTC
WRAP = 2**32  # a counter of 32 bits; linux/if_link.h, struct rtnl_link_stats

FIRST = Reading(
    unix_ns=START,
    boot="5e1f0c2a",
    interface="eth0",
    index=3,
    header_bytes=14,
    sent_bytes=1_000_000,
    sent_packets=1_000,
    received_bytes=9_000_000,
    received_packets=9_000,
)


def later(
    before: Reading = FIRST,
    *,
    seconds: float = 60,
    up: tuple[int, int] = (0, 0),
    down: tuple[int, int] = (0, 0),
) -> Reading:
    """After so many IP bytes in so many packets each way, each counted with 14 bytes of Ethernet header."""
    return replace(
        before,
        unix_ns=before.unix_ns + round(seconds * S),
        sent_bytes=before.sent_bytes + up[0] + 14 * up[1],
        sent_packets=before.sent_packets + up[1],
        received_bytes=before.received_bytes + down[0] + 14 * down[1],
        received_packets=before.received_packets + down[1],
    )


def grown(before: Reading, after: Reading) -> Growth:
    return growth(before, after, where=UTC)


class TestGrowth:
    def test_ip_bytes_without_their_headers(self) -> None:
        """IEEE 802.3: 6 + 6 bytes of addresses and 2 of type before each IP packet."""
        after = later(up=(150_000, 100), down=(1_500_000, 1_000))
        assert grown(FIRST, after) == Growth(150_000, 1_500_000)

    @given(st.integers(WRAP - 10**9, WRAP - 1), st.integers(15, 10**6))
    def test_a_byte_counter_of_32_bits_that_wraps(self, at: int, packets: int) -> None:
        """Its packets go on, so what passed is known to the byte."""
        before = replace(FIRST, sent_bytes=at)
        true = later(before, up=(1400 * packets + WRAP - at, packets), down=(500, 5))
        seen = replace(true, sent_bytes=true.sent_bytes - WRAP)
        if seen.sent_bytes < before.sent_bytes:
            assert grown(before, seen) == Growth(1400 * packets + WRAP - at, 500)

    def test_a_packet_counter_that_wraps(self) -> None:
        before = replace(FIRST, sent_packets=WRAP - 10)
        true = later(before, up=(150_000, 100))
        assert grown(before, replace(true, sent_packets=true.sent_packets - WRAP)) == Growth(150_000, 0)

    def test_counters_that_began_anew(self) -> None:
        """Bytes and packets are both less: what they show has passed since, and the gap is named."""
        after = replace(later(), sent_bytes=5_014, sent_packets=1, received_bytes=70_140, received_packets=10)
        found = grown(FIRST, after)
        assert (found.up_bytes, found.down_bytes) == (5_000, 70_000)
        assert found.missed == "the counters of eth0 began anew: not counted from 2026-06-01 00:00 until then"

    def test_a_host_that_started_again(self) -> None:
        """Even when its counters have passed the old ones meanwhile."""
        after = replace(later(seconds=7200, up=(10**9, 10**6)), boot="00000001")
        found = grown(FIRST, after)
        assert found.up_bytes == after.sent_bytes - 14 * after.sent_packets
        assert "the host started again" in str(found.missed)

    def test_an_interface_that_was_made_anew(self) -> None:
        after = replace(
            FIRST, index=9, sent_bytes=1_014, sent_packets=1, received_bytes=0, received_packets=0
        )
        found = grown(FIRST, after)
        assert (found.up_bytes, found.down_bytes) == (1_000, 0)
        assert "eth0 was made anew" in str(found.missed)

    def test_an_older_one_that_took_its_name(self) -> None:
        """Its counters are of another time, so nothing of them is taken."""
        found = grown(FIRST, replace(later(up=(10**12, 10**9)), index=2))
        assert (found.up_bytes, found.down_bytes) == (0, 0)
        assert "another interface is called eth0 now" in str(found.missed)

    def test_another_way_out(self) -> None:
        found = grown(FIRST, replace(later(up=(10**12, 10**9)), interface="eth1"))
        assert (found.up_bytes, found.down_bytes) == (0, 0)
        assert "changed from eth0 to eth1" in str(found.missed)


def steady(minutes: int, *, up: int = 60_000, down: int = 600_000) -> list[Reading]:
    """A reading a minute, so many IP bytes apart."""
    found = [FIRST]
    for _ in range(minutes):
        found.append(later(found[-1], up=(up, 60), down=(down, 600)))
    return found


def meter(records: list[Traffic] | None = None) -> Meter:
    return Meter(handoff="A", where=UTC, records=records or [])


def taken(counting: Meter, readings: list[Reading]) -> list[Traffic]:
    return [made for one in readings if (made := counting.take(one, own=(0, 0))) is not None]


class TestHours:
    def test_a_record_an_hour_and_the_rest_at_the_end(self) -> None:
        counting = meter()
        hours = taken(counting, steady(150))
        rest = counting.close()
        assert [(one.started_unix_ns, one.ended_unix_ns) for one in hours] == [
            (START, START + HOUR),
            (START + HOUR, START + 2 * HOUR),
        ]
        assert {(one.up_bytes, one.down_bytes) for one in hours} == {(60 * 60_000, 60 * 600_000)}
        assert rest is not None
        assert (rest.up_bytes, rest.ended_unix_ns) == (30 * 60_000, START + 150 * 60 * S)
        assert counting.close() is None

    def test_what_was_there_before_the_first_look_is_not_counted(self) -> None:
        counting = meter()
        assert taken(counting, [FIRST]) == []
        assert counting.close() is None

    def test_tests_are_told_apart(self) -> None:
        counting = meter()
        readings = steady(60)
        counting.take(readings[0], own=(100, 1000))
        for one in readings[1:-1]:
            counting.take(one, own=(150, 1300))
        made = counting.take(readings[-1], own=(200, 1500))
        assert made is not None
        assert (made.own_up_bytes, made.own_down_bytes) == (100, 500)

    def test_a_kill_loses_nothing_where_the_counters_go_on(self) -> None:
        """90 minutes, killed without a word, and again after ten minutes: the sum is that of 160 minutes."""
        readings = steady(160)
        first = meter()
        kept = taken(first, readings[:90])
        second = meter(kept)
        more = taken(second, readings[100:])
        last = second.close()
        assert last is not None
        everything = [*kept, *more, last]
        assert sum(one.up_bytes for one in everything) == 160 * 60_000
        assert sum(one.down_bytes for one in everything) == 160 * 600_000
        assert not any(one.missed for one in everything)
        ends = [one.ended_unix_ns for one in everything]
        assert [one.started_unix_ns for one in everything[1:]] == ends[:-1]

    def test_tests_before_a_kill_are_not_taken_for_others(self) -> None:
        kept = taken(meter(), steady(60))
        again = Meter(handoff="A", where=UTC, records=kept, unrecorded=(700, 300))
        again.take(later(kept[-1].at_end), own=(50, 0))
        made = again.close()
        assert made is not None
        assert (made.own_up_bytes, made.own_down_bytes) == (750, 300)

    def test_an_interface_that_is_away_for_a_while(self) -> None:
        counting = meter()
        readings = steady(30)
        taken(counting, readings[:10])
        assert counting.take(None, own=(0, 0)) is None
        counting.take(readings[20], own=(0, 0))
        made = counting.close()
        assert made is not None
        assert (made.up_bytes, made.missed) == (20 * 60_000, None)

    def test_several_breaks_are_all_named(self) -> None:
        counting = meter()
        counting.take(FIRST, own=(0, 0))
        counting.take(replace(later(), boot="b"), own=(0, 0))
        counting.take(replace(later(seconds=120), boot="c", interface="eth1"), own=(0, 0))
        made = counting.close()
        assert made is not None
        assert str(made.missed).count("; ") == 1
        assert made.interface == "eth1"

    @pytest.mark.parametrize("back_s", [1, 5000])
    def test_a_clock_that_is_set_back(self, back_s: int) -> None:
        """No record ends before it starts, and no byte is lost."""
        readings = steady(100)
        moved = [replace(one, unix_ns=one.unix_ns - back_s * S) for one in readings[40:]]
        counting = meter()
        made = taken(counting, [*readings[:40], *moved])
        last = counting.close()
        assert last is not None
        assert sum(one.up_bytes for one in (*made, last)) == 100 * 60_000
        assert all(one.ended_unix_ns >= one.started_unix_ns for one in (*made, last))


def test_the_cap_holds_the_hour_under_way() -> None:
    counting = meter()
    taken(counting, steady(90))
    found = counting.state(Cap(limit_bytes=10**9), now_ns=START + 90 * 60 * S)
    assert found.used_bytes == 90 * 660_000
    assert found.uncounted_s == 0
