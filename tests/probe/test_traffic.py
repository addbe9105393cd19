"""Other traffic: what makes a run wait, what opens a show by itself, held against counters that are made up.

The marks (5 % of the rate, 2 Mb/s for 60 s, 10 min below) are common practice, no source.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.schedule import slot_at
from probe.traffic import Interfaces, Others, Seen, Sustained, others, too_busy
from probe.wire.invitation import Invitation
from store.clock import NS_PER_S, Clock, zone
from store.records import Carrier, Direction, Opener, Skipped, WindowClosed, WindowOpened
from store.site import Rules
from tests.probe.endpoint.far import reach
from tests.probe.jumping import run_from
from tests.probe.living import START_NS, FakeRate, Wire, alive
from tests.probe.sites import handoff, run_plan, site, train_plan

MBPS = 1_000_000
HOUR_S = 3600.0
SEEN = Seen(interface="eth7", carrier=Carrier.WIRED, port_rate_bps=None, sent_bytes=0, received_bytes=0)


# What others moved


@pytest.mark.parametrize(
    ("after", "found"),
    [
        (
            replace(SEEN, sent_bytes=250_000, received_bytes=500_000),
            Others(up_bps=990_000, down_bps=1_990_000),
        ),
        (replace(SEEN, sent_bytes=1_000), Others(up_bps=0, down_bps=0)),  # less than our own trains
        (None, None),
        (replace(SEEN, interface="eth8", sent_bytes=250_000), None),  # the route changed
        (replace(SEEN, carrier=Carrier.LOOPBACK, sent_bytes=250_000), None),
        (replace(SEEN, sent_bytes=-5), None),  # the interface came up anew: its counters began again
    ],
    ids=["both ways", "our own", "gone", "another", "loopback", "anew"],
)
def test_what_others_moved(after: Seen | None, found: Others | None) -> None:
    """Octets x 8 over 2 s, less 10 kb/s of our own each way; nothing where it cannot be told."""
    assert found == others(SEEN, after, seconds=2, own_bps=10_000)


@pytest.mark.parametrize(
    ("direction", "up_mbps", "down_mbps", "port_mbps", "moved", "waits"),
    [
        (Direction.UP, 20, 250, None, (1.0, 90.0), False),  # 5 % of 20 is 1, and down is not asked
        (Direction.UP, 20, 250, None, (1.01, 0.0), True),
        (Direction.DOWN, 20, 250, None, (9.0, 12.4), False),  # 5 % of 250 is 12.5
        (Direction.DOWN, 20, 250, None, (0.0, 12.6), True),
        (Direction.BOTH, 20, 250, None, (0.0, 12.6), True),
        (Direction.BOTH, 20, 250, None, (1.01, 0.0), True),
        (Direction.UP, None, 250, 1000, (49.0, 0.0), False),  # no rate stated: 5 % of the port's
        (Direction.UP, None, 250, 1000, (51.0, 0.0), True),
        (Direction.UP, None, 250, None, (900.0, 0.0), False),  # nothing to hold it against
    ],
)
def test_when_a_run_waits(
    direction: Direction,
    up_mbps: int | None,
    down_mbps: int | None,
    port_mbps: int | None,
    moved: tuple[float, float],
    waits: bool,
) -> None:
    """More than 5 % of the stated rate, in a direction that the run would fill."""
    found = too_busy(
        Others(up_bps=moved[0] * MBPS, down_bps=moved[1] * MBPS),
        direction=direction,
        card=handoff(up_mbps=up_mbps, down_mbps=down_mbps).card,
        port_rate_bps=None if port_mbps is None else port_mbps * MBPS,
        rules=Rules(),
    )
    assert waits == (found is not None)


# Runs that wait


def test_a_run_waits_for_others_within_its_slot() -> None:
    """Ten minutes of 3 Mb/s up at the planned start: the run comes after them, in the same slot."""
    rate = FakeRate()

    async def life(clock: Clock) -> None:
        wire = Wire(clock=clock)
        asked = site(runs=(run_plan(every_s=4 * 3600),), rules=Rules(show_upload_bps=None))
        async with alive(clock, asked, rate=rate, wire=wire) as one:
            ((planned_ns, _),) = one.daemon.status().due
            await asyncio.sleep(one.seconds(planned_ns) - 300)
            wire.set(up_bps=3 * MBPS)
            await asyncio.sleep(600)
            wire.set(up_bps=0)
            await asyncio.sleep(60)
            ((_, began_ns, _),) = rate.runs
            assert 300 <= (began_ns - planned_ns) / NS_PER_S <= 340
            slots = {
                slot_at(at_ns, every_s=4 * 3600, where=zone("Europe/Lisbon"))
                for at_ns in (began_ns, planned_ns)
            }
            assert 1 == len(slots)
            assert [] == one.store.of(Skipped)

    run_from(START_NS, life)


def test_a_run_that_others_hold_back_until_the_end_is_skipped() -> None:
    """The reason names what moved and the rule; a run whose line is quiet starts when it was planned."""
    rate = FakeRate()

    async def life(clock: Clock) -> None:
        wire = Wire(clock=clock)
        async with alive(clock, site(runs=(run_plan(every_s=3600),)), rate=rate, wire=wire) as one:
            wire.set(up_bps=1.5 * MBPS)
            await asyncio.sleep(HOUR_S)
            (skipped,) = one.store.of(Skipped)
            why = "other traffic moved 1.50 Mb/s up, more than 5 % of 20 Mb/s"
            assert f"{why}, until it was too late in its slot" == skipped.why
            wire.set(up_bps=0.9 * MBPS)
            ((planned_ns, _),) = one.daemon.status().due
            await asyncio.sleep(HOUR_S)
            ((_, began_ns, _),) = rate.runs
            assert planned_ns == began_ns

    run_from(START_NS, life)


def test_our_own_train_holds_no_run_back() -> None:
    """A train of 200/s x 156 bytes x 8 = 0.25 Mb/s is 12.5 % of 2 Mb/s, and ours."""
    rate = FakeRate()

    async def life(clock: Clock) -> None:
        wire = Wire(clock=clock, up_bps=200 * 156 * 8, down_bps=200 * 156 * 8)
        slow = site(
            handoffs=(handoff(up_mbps=2),),
            runs=(run_plan(every_s=3600),),
            trains=(train_plan(per_second=200),),
        )
        async with alive(clock, slow, rate=rate, wire=wire):
            await asyncio.sleep(3 * HOUR_S)
        assert 3 == len(rate.runs)

    run_from(START_NS, life)


def test_loopback_is_never_judged() -> None:
    """It carries everybody's traffic, the endpoint's included: runs go, no show opens."""
    rate = FakeRate()

    async def life(clock: Clock) -> None:
        wire = Wire(clock=clock, up_bps=900 * MBPS, down_bps=900 * MBPS, carrier=Carrier.LOOPBACK)
        async with alive(clock, site(runs=(run_plan(every_s=3600),)), rate=rate, wire=wire) as one:
            await asyncio.sleep(3 * HOUR_S)
            assert (3, []) == (len(rate.runs), one.store.of(WindowOpened))

    run_from(START_NS, life)


# Shows that open by themselves


def test_upload_that_lasts_opens_a_show_and_closes_it() -> None:
    """4.7 Mb/s for two hours: open after a minute, closed ten minutes after its end, runs skipped between."""
    rate = FakeRate()

    async def life(clock: Clock) -> None:
        wire = Wire(clock=clock)
        async with alive(clock, site(runs=(run_plan(every_s=600),)), rate=rate, wire=wire) as one:
            await asyncio.sleep(HOUR_S)
            wire.set(up_bps=4.7 * MBPS)
            await asyncio.sleep(2 * HOUR_S)
            wire.set(up_bps=0.1 * MBPS)
            await asyncio.sleep(HOUR_S)
            (opened,), (closed,) = one.store.of(WindowOpened), one.store.of(WindowClosed)
            assert (Opener.UPLOAD, "A") == (opened.opener, opened.handoff)
            assert 60 <= one.seconds(opened.started_unix_ns) - HOUR_S <= 80
            assert 600 <= one.seconds(closed.started_unix_ns) - 3 * HOUR_S <= 620
            assert "others uploaded more than 2 Mb/s for 60 s, 4.7 Mb/s at last" == opened.why
            assert "others uploaded no more than 2 Mb/s for 10 min" == closed.why
            in_show = [
                began_ns
                for _, began_ns, _ in rate.runs
                if opened.started_unix_ns < began_ns < closed.started_unix_ns
            ]
            assert [] == in_show
            assert {f"a show window is open: {opened.why}"} <= {one.why for one in one.store.of(Skipped)}

    run_from(START_NS, life)


@pytest.mark.parametrize("restarted", [False, True])
def test_a_show_by_upload_ends_where_nobody_watches_uploads_any_more(restarted: bool) -> None:
    """Or no run of the handoff would go again: ``show_upload = "never"``, read while one is open."""
    never = site(runs=(run_plan(every_s=600),), rules=Rules(show_upload_bps=None))

    async def life(clock: Clock) -> None:
        wire = Wire(clock=clock, up_bps=4.7 * MBPS)
        async with alive(clock, site(), wire=wire) as one:
            await asyncio.sleep(300)
            (opened,) = one.store.of(WindowOpened)
            wire.set(up_bps=0)
            if not restarted:
                await one.daemon.reload(never)
                await asyncio.sleep(HOUR_S)
                assert one.rate.runs
        if restarted:
            async with alive(clock, never, opened=[opened], wire=wire) as one:
                await asyncio.sleep(HOUR_S)
                assert one.rate.runs
        (closed,) = one.store.of(WindowClosed)
        assert (closed.opener, closed.handoff) == (Opener.UPLOAD, "A")

    run_from(START_NS, life)


def test_our_own_run_opens_no_show() -> None:
    """A run of two minutes at 20 Mb/s is upload, but not by others."""

    async def life(clock: Clock) -> None:
        wire = Wire(clock=clock)
        rate = FakeRate()
        async with alive(
            clock, site(runs=(run_plan(every_s=600, seconds=120),)), rate=rate, wire=wire
        ) as one:
            board = one.daemon.book.board
            for _ in range(5):
                await board.until(lambda: True if board.runs else None)
                wire.set(up_bps=20 * MBPS)
                await board.until(lambda: None if board.runs else True)
                wire.set(up_bps=0)
            assert ([], 5) == (one.store.of(WindowOpened), len(rate.runs))

    run_from(START_NS, life)


def test_a_show_closed_by_hand_stays_closed_while_the_same_upload_goes_on() -> None:
    """It opens again for another upload, after a minute without."""

    async def life(clock: Clock) -> None:
        wire = Wire(clock=clock, up_bps=5 * MBPS)
        async with alive(clock, site(), wire=wire) as one:
            await asyncio.sleep(600)
            assert 1 == one.daemon.close_show("", why="this is a backup, not a show")
            await asyncio.sleep(HOUR_S)
            assert 1 == len(one.store.of(WindowOpened))
            wire.set(up_bps=0)
            await asyncio.sleep(120)
            wire.set(up_bps=5 * MBPS)
            await asyncio.sleep(120)
            assert 2 == len(one.store.of(WindowOpened))

    run_from(START_NS, life)


def test_never_means_never() -> None:
    """``show_upload = "never"`` leaves it to people."""

    async def life(clock: Clock) -> None:
        wire = Wire(clock=clock, up_bps=500 * MBPS)
        async with alive(clock, site(rules=Rules(show_upload_bps=None)), wire=wire) as one:
            await asyncio.sleep(HOUR_S)
            assert [] == one.store.of(WindowOpened)

    run_from(START_NS, life)


@given(st.lists(st.tuples(st.booleans(), st.integers(1, 30)), max_size=200))
def test_sustained_is_what_a_plain_look_back_says(looks: list[tuple[bool, int]]) -> None:
    """Independent reading: it opens where all of the last 60 s were above, closes where 600 s were below."""
    sustained, second_by_second, is_open = Sustained(rules=Rules()), [], False
    for above, seconds in looks:
        change = sustained.take(3 * MBPS if above else 0, seconds=seconds)
        second_by_second += [above] * seconds
        opens = not is_open and len(second_by_second) >= 60 and all(second_by_second[-60:])
        closes = is_open and len(second_by_second) >= 600 and not any(second_by_second[-600:])
        is_open = is_open ^ (opens or closes)
        assert (True if opens else False if closes else None) == change


@pytest.mark.asyncio
async def test_this_hosts_loopback_is_found_and_named() -> None:
    """The kernel routes 127.0.0.1 by lo, whose type is ARPHRD_LOOPBACK (linux/if_arp.h)."""
    invited = Invitation(host="127.0.0.1", port=1, flow_port=2, key=bytes(32), pin=bytes(32))
    seen = await Interfaces().look(reach(invited, port=1))
    assert seen is not None
    assert ("lo", Carrier.LOOPBACK) == (seen.interface, seen.carrier)
