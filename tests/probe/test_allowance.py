"""What tests cost: the byte table of the trade (rate x seconds / 8), and the sentence that stops a run."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from random import Random

import pytest

from probe.allowance import (
    TRAIN_PAYLOAD_BYTES,
    Allowance,
    CostLine,
    Purse,
    Thin,
    Thinning,
    may_start,
    month_start_ns,
    monthly_cost,
    packet_at_ip,
    refused,
    run_bytes,
    state,
    train_bytes,
)
from probe.methods.train import PACKET_BYTES
from probe.schedule import runs_in
from store import default_schedule
from store.clock import NS_PER_S, zone
from store.default_schedule import ScheduleClass, class_of
from store.quantities import size_text
from store.records import Direction
from store.site import EVENINGS, CampaignPlan, Card, EndpointRef, Handoff, Site, Where
from tests.probe.sites import INVITATION, handoff, run_plan, site, train_plan

MB, GB, TB = 10**6, 10**9, 10**12
MONTH_S = 30 * 86_400
LISBON = zone("Europe/Lisbon")
PLACES = tuple(
    EndpointRef(name=name, where=where, invitation=INVITATION)
    for name, where in (("lan", Where.HOUSE), ("north", Where.OUTSIDE), ("south", Where.OUTSIDE))
)


def moment_ns(text: str) -> int:
    """A moment such as ``2026-06-03 19:00``, read in UTC, as Unix nanoseconds."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * NS_PER_S


def standing(
    limit_bytes: int | None,
    *,
    spent_bytes: int,
    trains_bytes: int = 0,
    campaigns_bytes: int = 0,
    busy_bytes: int = 0,
    runs_bytes: int = 0,
) -> Allowance:
    return Allowance(
        handoff="A",
        limit_bytes=limit_bytes,
        spent_bytes=spent_bytes,
        trains_bytes=trains_bytes,
        campaigns_bytes=campaigns_bytes,
        busy_bytes=busy_bytes,
        runs_bytes=runs_bytes,
    )


def by_default(asked: Handoff) -> Site:
    """A site that names no schedule, with two endpoints outside and one in the house."""
    return site(
        handoffs=(asked,),
        endpoints=PLACES,
        trains=default_schedule.trains(asked, PLACES, busy=EVENINGS),
        runs=default_schedule.runs(asked, PLACES),
    )


@pytest.mark.parametrize(
    ("rate_mbps", "one_run", "hourly", "each_quarter"),
    [  # rate x seconds / 8, worked by hand: 10 s once, then 720 and 2880 times in 30 days
        (20, 25 * MB, 18 * GB, 72 * GB),
        (250, 312.5 * MB, 225 * GB, 900 * GB),
        (600, 750 * MB, 540 * GB, 2160 * GB),
        (1000, 1.25 * GB, 900 * GB, 3.6 * TB),
        (1400, 1.75 * GB, 1.26 * TB, 5.04 * TB),
        (2000, 2.5 * GB, 1.8 * TB, 7.2 * TB),
    ],
)
def test_a_run_costs_its_rate_times_its_seconds(
    rate_mbps: int, one_run: float, hourly: float, each_quarter: float
) -> None:
    """One direction of 10 s, and its month at one an hour and one each 15 minutes."""
    found = run_bytes(Card(rate_up_bps=rate_mbps * 1_000_000), direction=Direction.UP, seconds=10)
    assert found is not None
    months = [found * runs_in(30, every_s=every_s) for every_s in (3600, 900)]
    assert [one_run, hourly, each_quarter] == [found, *months]


def test_both_directions_cost_both_rates() -> None:
    """250 down and 20 up for 8 s: 250 MB and 20 MB."""
    card = Card(rate_up_bps=20_000_000, rate_down_bps=250_000_000)
    assert 270 * MB == run_bytes(card, direction=Direction.BOTH, seconds=8)


def test_an_unstated_rate_costs_nobody_knows_what() -> None:
    """The card is never guessed at."""
    assert run_bytes(Card(rate_up_bps=20_000_000), direction=Direction.BOTH, seconds=8) is None


@pytest.mark.parametrize(
    ("per_second", "gigabytes"), [(1, 0.66), (5, 3.3), (10, 6.6), (20, 13.3), (50, 33.2)]
)
def test_a_train_of_128_byte_packets_for_30_days(per_second: float, gigabytes: float) -> None:
    """packets x 128 bytes x 2 directions x 2,592,000 s, worked by hand and rounded to what is printed."""
    found = train_bytes(per_second=per_second, seconds=MONTH_S, ip_packet_bytes=128)
    assert gigabytes == pytest.approx(found / GB, abs=0.05)


def test_our_packets_at_the_ip_layer() -> None:
    """What the daemon's trains carry, 8 bytes of UDP (RFC 768) and 20 of IPv4 (RFC 791)."""
    assert PACKET_BYTES == TRAIN_PAYLOAD_BYTES
    assert 152 + 8 + 20 == packet_at_ip()


def test_a_small_lines_whole_schedule() -> None:
    """A capped 250/20 line, class A: 5/s always, 1/s for 5 h a day, 10 s up hourly, 5 s down each 4 h.

    Worked by hand with packets of 128 bytes: 3.318 + 0.138 + 18 + 28.125 = 49.58 GB, just within 5 % of a
    cap of 1 TB. Ours are of 152 bytes and 28 of headers: 4.666 + 0.194 in place of the first two.
    """
    asked = by_default(replace(handoff(up_mbps=20, down_mbps=250), allowance_bytes=50 * GB))
    lines = dict(monthly_cost(asked)["A"])
    at_128 = {what: round(cost * 128 / 180) if "train" in what else cost for what, cost in lines.items()}
    assert [4 * GB + 666 * MB, 194 * MB, 18 * GB, 28 * GB + 125 * MB] == [
        pytest.approx(cost, abs=MB) for cost in lines.values()
    ]
    assert "49.6 GB" == size_text(sum(at_128.values()))


def test_an_open_lines_whole_schedule() -> None:
    """2 Gb/s each way, class B: full runs of 10 s each way every 6 h 600 GB, weekly pairs 86, light runs 180.

    Worked by hand: 2.5 GB x 2 x 120, and 5 GB x 4 x 30/7; trains of 20/s at 128 bytes 13.27 GB each; light
    runs at a tenth 0.125 GB x 2 x 720. Together 0.89 TB, trains in the house aside.
    """
    asked = by_default(replace(handoff(up_mbps=2000, down_mbps=2000), allowance_bytes=TB))
    lines = monthly_cost(asked)["A"]
    full = [line.bytes for line in lines if "every 6 hours" in line.what]
    pairs = [line.bytes for line in lines if "every 7 days" in line.what]
    trains = [line.bytes * 128 / 180 for line in lines if "train" in line.what]
    light = [line for line in lines if "light" in line.what]
    assert [("light run at 10 % to north, both ways, 5 s every hour", 180 * GB)] == light
    assert ([300 * GB] * 2, 4, 3) == (full, len(pairs), len(trains))
    assert 86 * GB == pytest.approx(sum(pairs), abs=GB / 2)
    assert 26.5 * GB == pytest.approx(sum(trains[:2]), abs=GB / 20)
    outside = sum(full) + sum(pairs) + sum(trains[:2]) + light[0].bytes
    assert 0.89 == pytest.approx(outside / TB, abs=0.005)


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        (handoff(up_mbps=20, down_mbps=250), ScheduleClass.A),
        (handoff(up_mbps=300, down_mbps=300), ScheduleClass.A),
        (handoff(up_mbps=20, down_mbps=301), ScheduleClass.B),
        (handoff(up_mbps=None, down_mbps=None), ScheduleClass.A),
        (replace(handoff(up_mbps=600), allowance_bytes=100 * GB), ScheduleClass.A),
        (replace(handoff(up_mbps=600), allowance_bytes=100 * GB + 1), ScheduleClass.B),
        (replace(handoff(up_mbps=600), metered=True), ScheduleClass.A),
    ],
)
def test_which_class_a_line_is_of(asked: Handoff, expected: ScheduleClass) -> None:
    """Capped or slow lines are spared. Common practice, no source."""
    assert expected is class_of(asked)


def test_monthly_cost_names_each_plan() -> None:
    """20/s x 180 bytes x 2 x 2,592,000 s = 18.6624 GB; 720 runs of 25 MB = 18 GB; metered, no run."""
    asked = site(
        handoffs=(handoff(), replace(handoff("B"), metered=True), handoff("C", up_mbps=None)),
        trains=(train_plan(),),
        runs=tuple(run_plan(every_s=3600, handoff=name) for name in "ABC"),
    )
    assert monthly_cost(asked) == {
        "A": (
            CostLine("train to north, 20 packets a second", 18_662_400_000),
            CostLine("rate run to north, up, 10 s every hour", 18_000_000_000),
        ),
        "B": (),
        "C": (CostLine("rate run to north, up, 10 s every hour, not counted as the card states no rate", 0),),
    }


def test_without_an_allowance_any_run_may_start() -> None:
    """No limit is no limit, and an unknown cost does not matter then."""
    assert may_start(handoff(), standing(None, spent_bytes=10**15), cost_bytes=None) is None


@pytest.mark.parametrize(
    ("spent_bytes", "cost_bytes", "starts"),
    [
        (975 * MB, 25 * MB, True),  # to the byte
        (975 * MB + 1, 25 * MB, False),
        (999 * MB, None, True),  # unknown cost: until it is used up
        (1000 * MB, None, False),
        (1000 * MB, 0, False),
    ],
)
def test_an_allowance_is_kept_to_the_byte(spent_bytes: int, cost_bytes: int | None, starts: bool) -> None:
    """With 1 GB a month, a run starts when it fits into what is left."""
    found = standing(1000 * MB, spent_bytes=spent_bytes)
    assert starts == (may_start(handoff(), found, cost_bytes=cost_bytes) is None)


def test_the_refusal_says_what_is_left() -> None:
    """The reason is stored with the skipped run, so it is a sentence with figures."""
    why = may_start(handoff(), standing(1000 * MB, spent_bytes=990 * MB), cost_bytes=25 * MB)
    assert "10 MB of this month's test allowance of 1 GB are left and the run needs about 25 MB" == why


def test_a_run_costs_what_the_card_of_its_time_says() -> None:
    """20 Mb/s for 10 s are 25 MB, 40 from the next version on are 50."""
    begins_ns = moment_ns("2026-12-01T00:00")
    cards = Card(rate_up_bps=20_000_000), Card(rate_up_bps=40_000_000, from_unix_ns=begins_ns)
    found, own = standing(30 * MB, spent_bytes=0), replace(handoff(), card=cards[1], earlier=cards[:1])
    plan = run_plan(every_s=3600)
    assert refused(own, plan, [found], at_ns=begins_ns - 1) is None
    why = refused(own, plan, [found], at_ns=begins_ns)
    assert why is not None
    assert "needs about 50 MB" in why


def test_what_the_trains_need_is_set_aside() -> None:
    """Trains last: a run may not take what they will move until the month ends."""
    found = standing(1000 * MB, spent_bytes=500 * MB, trains_bytes=480 * MB)
    assert may_start(handoff(), found, cost_bytes=20 * MB) is None
    assert (
        "500 MB of this month's test allowance of 1 GB are left, of which the trains need 480 MB until the "
        "month ends and the run needs about 21 MB"
    ) == may_start(handoff(), found, cost_bytes=21 * MB)


def test_a_metered_handoff_gets_no_rate_runs() -> None:
    """Common practice, no source: a tariff by volume is not for saturating runs, whatever is allowed."""
    metered, found = replace(handoff(), metered=True), standing(TB, spent_bytes=0)
    assert may_start(metered, found, cost_bytes=1) == "handoff A is metered, so it gets no rate runs"
    assert may_start(replace(metered, metered_runs=True), found, cost_bytes=1) is None


def test_a_month_begins_at_local_midnight() -> None:
    """Lisbon has summer time until 25 October 2026 (Directive 2000/84/EC): October began at 23:00 UTC."""
    moment, begin = datetime(2026, 10, 31, 23, 59, tzinfo=UTC), datetime(2026, 9, 30, 23, tzinfo=UTC)
    moment_ns, begin_ns = (int(when.timestamp()) * NS_PER_S for when in (moment, begin))
    assert begin_ns == month_start_ns(moment_ns, where=zone("Europe/Lisbon"))


# Thinning


@pytest.mark.parametrize(
    ("spent", "runs", "busy", "thin"),
    [  # of 1000, with 50 for the trains: worked by hand
        (749, 10_000, 0, Thin(1, spares_busy=True)),  # not yet 80 % with what is set aside
        (800, 150, 0, Thin(1, spares_busy=True)),  # it fits as it is
        (800, 151, 0, Thin(2, spares_busy=True)),
        (800, 300, 0, Thin(2, spares_busy=True)),
        (800, 301, 0, Thin(4, spares_busy=True)),
        (800, 300, 50, Thin(4, spares_busy=True)),  # 100 left beside the busy hours' own
        (800, 300, 150, Thin(4, spares_busy=False)),  # these alone would take all that is left
        (950, 300, 0, Thin(0, spares_busy=False)),
    ],
)
def test_from_80_percent_on_runs_are_thinned_so_that_the_forecast_stays_within(
    spent: int, runs: int, busy: int, thin: Thin
) -> None:
    """One of 2, 4, 8, ... slots; the run that the busy hours have every day goes last."""
    found = standing(1000, spent_bytes=spent, trains_bytes=50, busy_bytes=busy, runs_bytes=runs)
    assert thin == found.thin
    assert found.forecast_bytes <= 1000 or spent == 749


def test_the_fact_for_a_notice() -> None:
    """At 80 % it says what is spent, what the month comes to, and what is thinned."""
    before = standing(50 * GB, spent_bytes=40 * GB - 1)
    at = standing(50 * GB, spent_bytes=40 * GB, trains_bytes=GB, runs_bytes=20 * GB)
    assert [False, True] == [before.warns, at.warns]
    assert (
        "handoff A: 80 % of the test allowance of 50 GB are spent; forecast to the month's end 46 GB; one of "
        "4 slots has its run"
    ) == at.said()
    assert not standing(None, spent_bytes=TB).warns


def test_of_each_row_of_slots_one_at_random_has_its_run() -> None:
    """A row of four has one, whichever it is; every place of a row comes up as often (binomial, 5 sigma)."""
    thinning = Thinning(random=Random(4))
    rows = [[thinning.leaves_out(4) for _ in range(4)] for _ in range(2000)]
    assert {3} == {sum(row) for row in rows}
    counts = [sum(not row[place] for row in rows) for place in range(4)]
    assert all(abs(count - 500) < 5 * (2000 * 0.25 * 0.75) ** 0.5 for count in counts)


@pytest.mark.parametrize("limit_gb", [10, 20, 40, 49])
def test_a_month_of_class_a_stays_within_any_allowance_and_never_stops_its_train(limit_gb: int) -> None:
    """October in Lisbon, 745 hours: hour by hour what the daemon does with the figures it has then,
    with the slots from 18:00 and from 20:00 for those that the busy hours have every day.

    The schedule alone would cost 52 GB (18.6 up, 29.2 down, 4.2 of the train). Runs thin out and go on:
    each of the last three stretches of five days has some.
    """
    limited = replace(handoff(), allowance_bytes=limit_gb * GB)
    asked = site(
        handoffs=(limited,), trains=(train_plan(per_second=5),), runs=default_schedule.runs(limited, PLACES)
    )
    random = Random(limit_gb)
    thinnings = {plan: Thinning(random=random) for plan in asked.runs}
    spent, train_bytes_sent, ran = 0, 0, []
    for hour in range(745):
        now_ns = moment_ns("2026-09-30 23:00") + hour * 3600 * NS_PER_S
        for plan in asked.runs:
            if hour * 3600 % plan.every_s == 0:
                found = state(asked, limited, spent_bytes=spent, now_ns=now_ns, where=LISBON)
                cost = run_bytes(limited.card, direction=plan.direction, seconds=plan.seconds)
                may = may_start(limited, found, cost_bytes=cost) is None
                busy = hour % 24 == (18 if plan.every_s == 3600 else 20) and found.thin.spares_busy
                if may and (busy or not thinnings[plan].leaves_out(found.thin.one_in)):
                    ran.append(hour)
                    spent += cost or 0
        train_bytes_sent += train_bytes(per_second=5, seconds=3600, ip_packet_bytes=180)
        spent += train_bytes(per_second=5, seconds=3600, ip_packet_bytes=180)
    assert 745 * 3600 * 5 * 180 * 2 == train_bytes_sent
    assert 0.8 * limit_gb * GB <= spent <= limit_gb * GB
    assert all(any(start <= hour < start + 120 for hour in ran) for start in (385, 505, 625))


def test_campaigns_are_set_aside_by_their_days() -> None:
    """Ten runs of 25 MB a day in the busy hours, from 10 to 19 June: 2.5 GB before, half in the middle."""
    plan = replace(run_plan(every_s=1800), times=EVENINGS)
    campaign = CampaignPlan(
        name="c",
        question="?",
        run=plan,
        first_day=date(2026, 6, 10),
        last_day=date(2026, 6, 19),
        count=None,
    )
    asked = site(campaigns=(campaign,))
    found = [
        state(asked, handoff(), spent_bytes=0, now_ns=moment_ns(text), where=LISBON).campaigns_bytes
        for text in ("2026-06-01 00:00", "2026-06-14 23:00", "2026-06-20 00:00")
    ]
    assert [2500 * MB, 1250 * MB, 0] == found


def test_a_clock_that_is_set_to_another_month_and_back_forgets_nothing_spent() -> None:
    november_ns, december_ns = (moment_ns(f"2026-{month}-15 12:00") for month in ("11", "12"))
    purse = Purse(where=UTC, month_ns=month_start_ns(november_ns, where=UTC), spent={"A": 70})
    purse.charge("A", 5, now_ns=december_ns)
    assert [purse.spent_bytes("A", now_ns=at_ns) for at_ns in (november_ns, december_ns)] == [70, 5]


def test_a_record_that_lags_behind_takes_nothing_off() -> None:
    """Read with another site file while what was measured waits for a full disk."""
    now_ns = moment_ns("2026-11-15 12:00")
    purse = Purse(where=UTC, month_ns=month_start_ns(now_ns, where=UTC), spent={"A": 70})
    purse.learn({"A": 60, "B": 9}, now_ns=now_ns, where=UTC)
    assert [purse.spent_bytes(name, now_ns=now_ns) for name in "AB"] == [70, 9]
