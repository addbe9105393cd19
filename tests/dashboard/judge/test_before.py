"""What a check shortly before a show makes of what it finds: rows by hand, and that nothing found now raises
an answer."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import before, comparable, stream
from dashboard.judge.before import Found
from dashboard.judge.stream import Answer, Check
from store.clock import NS_PER_S
from store.histogram import Delays
from store.records import Circumstances, Failed, Owner
from store.shows import LookedAt
from tests.dashboard.judge.made import NOON, ZONE, destination, plan, run, span, stall
from tests.store import samples

PLAN = plan(destination(4_500_000))  # 4.85 at the IP layer, 5.33 at its peak
CHECK: Check = stream.check(PLAN, runs=[], spans=[], stalls=[], now_unix_ns=NOON, zone=ZONE)
ASKED_BPS = 7_273_000  # one and a half times what is planned
PAYLOAD_OF_IP = 1448 / 1500


def made(up_mbps: float, slowest_mbps: float | None = None, reasons: tuple[str, ...] = ()) -> LookedAt:
    """The row of a run that shows these rates at the IP layer, asked for 1.5 times what is planned."""
    up_bps = round(up_mbps * 1e6 * PAYLOAD_OF_IP)
    slowest = round((slowest_mbps or up_mbps) * 1e6 * PAYLOAD_OF_IP)
    found = run(up_bps, lowest_second_bps=slowest, reasons=("ceiling_unknown", *reasons))
    return before.carried(found, CHECK, asked_bps=ASKED_BPS, own=True, name="old")


@pytest.mark.parametrize(
    ("row", "found"),
    [
        (made(7.27, 6.9), Found.FINE),
        (made(7.27, 5.4), Found.FINE),
        (made(7.27, 5.2), Found.BAD),  # its slowest second is below the peak of 5.33
        (made(6.5, 5.6), Found.AMISS),
        (made(4.0), Found.BAD),
        (made(4.0, reasons=("host_ceiling",)), Found.NOT_DONE),  # says nothing of the line
        (made(7.27, reasons=("wireless",)), Found.FINE),  # what arrived, arrived
    ],
)
def test_a_capped_run(row: LookedAt, found: Found) -> None:
    """Asked for 7.27: all of it, some of it but the peak, less than the peak."""
    assert row.found == found
    assert row.what == "run up on old"


@pytest.mark.parametrize(
    ("up_mbps", "found"), [(7.0, Found.FINE), (6.9, Found.AMISS), (5.75, Found.AMISS), (5.65, Found.BAD)]
)
def test_a_full_run(up_mbps: float, found: Found) -> None:
    """4.85 is 0.7 of 6.93 and 0.85 of 5.71; the peak of 5.33 is within each."""
    full = run(round(up_mbps * 1e6 * PAYLOAD_OF_IP))
    assert before.carried(full, CHECK, asked_bps=None, own=True, name="old").found == found


def test_a_run_elsewhere_is_a_note() -> None:
    """What another uplink carries decides nothing about this one; what was not made says why."""
    slow = run(1_000_000)
    assert before.carried(slow, CHECK, asked_bps=ASKED_BPS, own=False, name="A").found == Found.NOTE
    missing = before.carried("all tests are stopped", CHECK, asked_bps=ASKED_BPS, own=True, name="old")
    assert (missing.found, missing.said) == (Found.NOT_DONE, "Not made: all tests are stopped.")
    broken = Failed(what="run rate", why="no answer", whose=Owner.UNKNOWN)
    assert before.carried(broken, CHECK, asked_bps=ASKED_BPS, own=True, name="old").found == Found.NOT_DONE


def test_a_run_says_what_it_added_to_the_delay() -> None:
    """p95 under load less p95 before it."""
    idle = Delays(count=9, min=20_000, p50=21_000, p95=22_000, p99=22_000, max=23_000)
    loaded = replace(idle, p95=662_000)
    found = replace(run(9_000_000), rtt_idle_us=idle, rtt_loaded_us=loaded)
    row = before.carried(found, CHECK, asked_bps=None, own=True, name="old")
    assert "it added 640 ms to the delay (p95)" in row.said


def history() -> comparable.History:
    """A floor of 9.3 at the IP layer."""
    runs = [run(9_000_000, started_unix_ns=NOON - back * NS_PER_S) for back in range(60)]
    always = replace(PLAN, times=replace(PLAN.times, from_minute=11 * 60, to_minute=13 * 60))
    return comparable.gather(always, runs, [], [], now_unix_ns=NOON + NS_PER_S, zone=ZONE)


@pytest.mark.parametrize(
    ("seconds", "watched_s", "found"),
    [
        ([], 1740.0, Found.FINE),
        ([0.8], 1740.0, Found.FINE),  # the buffer of 1 s outlasts it
        ([0.8, 2.0], 1740.0, Found.AMISS),
        ([2.0], 240.0, Found.NOT_DONE),
    ],
)
def test_stalls_of_the_last_half_hour(seconds: list[float], watched_s: float, found: Found) -> None:
    """Through the plan's buffers; four minutes of train are too few."""
    stalls = [stall(NOON + place * 60 * NS_PER_S, seconds=each) for place, each in enumerate(seconds)]
    assert before.recent(PLAN.destinations, history(), [(stalls, watched_s)]).found == found


def test_the_house_segment() -> None:
    """Clean, some packets lost, a stall, no house endpoint."""
    assert before.house(span(), []).found == Found.FINE
    assert before.house(span(lost_up=3), []).found == Found.AMISS
    assert before.house(span(), [stall()]).found == Found.BAD
    assert before.house(None, []).found == Found.NOT_DONE


@pytest.mark.parametrize(
    ("rate_bps", "duplex", "found"),
    [
        (1_000_000_000, "full", Found.FINE),
        (100_000_000, "full", Found.NOTE),  # the card says 1 Gb/s
        (100_000_000, "half", Found.BAD),
        (6_000_000, "full", Found.BAD),
        (None, None, Found.NOT_DONE),
    ],
)
def test_the_port(rate_bps: int | None, duplex: str | None, found: Found) -> None:
    """Half duplex and a port below the peak are bad, one below the contract is worth a note."""
    known = Circumstances(interface="eth0", port_rate_bps=rate_bps, duplex=duplex)
    assert before.port(known, CHECK, contracted_bps=1_000_000_000).found == found


def test_what_else_is_looked_at() -> None:
    """Backups, works, the cap and the last failover."""
    assert before.others(Circumstances(other_up_bps=240_000), CHECK).found == Found.FINE
    assert before.others(Circumstances(other_up_bps=250_000), CHECK).found == Found.AMISS
    assert before.others(None, CHECK).found == Found.NOT_DONE
    assert before.maintenance([]).found == Found.FINE
    assert before.maintenance(["works Tue 02:00 to 05:00"]).found == Found.BAD
    two_hours = 7200.0  # 4.85 Mb/s x 7200 s / 8 = 4.37 GB
    left = {4_300_000_000: Found.BAD, 5_000_000_000: Found.AMISS, 9_000_000_000: Found.FINE, None: Found.FINE}
    for left_bytes, found in left.items():
        assert before.allowance(left_bytes, CHECK, two_hours).found == found
    tried = samples.failover(NOON - 10 * 86_400 * NS_PER_S)
    assert "Exercised 10 days ago" in before.exercised(tried, now_unix_ns=NOON, uplinks=2).said
    assert "Not exercised" in before.exercised(None, now_unix_ns=NOON, uplinks=2).said


rows = st.lists(
    st.builds(LookedAt, what=st.just("row"), found=st.sampled_from(Found), said=st.just("so")), max_size=6
)


@given(st.sampled_from([Answer.GO, Answer.TIGHT, Answer.HOLD]), rows)
def test_what_is_found_now_never_raises_an_answer(forecast: Answer, found: list[LookedAt]) -> None:
    """And the answer is Hold exactly if the forecast is or something is bad."""
    order = [Answer.GO, Answer.TIGHT, Answer.HOLD]
    answer, decides = before.answer(forecast, found)
    assert order.index(answer) >= order.index(forecast)
    assert (answer is Answer.HOLD) is (
        forecast is Answer.HOLD or any(row.found is Found.BAD for row in found)
    )
    assert (decides is None) is (answer is forecast)


def test_unknown_stays_unknown_unless_something_is_bad() -> None:
    """A fine run of ten seconds makes no forecast."""
    fine, bad = (LookedAt(what="run", found=found, said="so") for found in (Found.FINE, Found.BAD))
    assert before.answer(Answer.UNKNOWN, [fine]) == (Answer.UNKNOWN, None)
    assert before.answer(Answer.UNKNOWN, [fine, bad]) == (Answer.HOLD, bad)
