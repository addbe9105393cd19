"""What tests cost: the byte table of the trade (rate x seconds / 8), and the sentence that stops a run."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from probe.allowance import (
    TRAIN_PAYLOAD_BYTES,
    CostLine,
    may_start,
    megabytes,
    month_start_ns,
    monthly_cost,
    packet_at_ip,
    run_bytes,
    train_bytes,
)
from probe.methods.train import KEPT_PACKET_BYTES
from probe.schedule import runs_in
from store.clock import NS_PER_S, zone
from store.records import Direction
from store.site import Card
from tests.probe.sites import handoff, run_plan, site, train_plan

MB, GB, TB = 10**6, 10**9, 10**12
MONTH_S = 30 * 86_400


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
    assert KEPT_PACKET_BYTES == TRAIN_PAYLOAD_BYTES
    assert 128 + 8 + 20 == packet_at_ip()


def test_a_small_lines_whole_schedule() -> None:
    """A capped 250/20 line: trains 5/s always and 1/s for 5 h a day, 10 s up hourly, 5 s down each 4 h.

    Worked by hand: 3.318 + 0.138 + 18 + 28.125 = 49.58 GB, just within 5 % of a cap of 1 TB.
    """
    card = Card(rate_up_bps=20_000_000, rate_down_bps=250_000_000)
    up = run_bytes(card, direction=Direction.UP, seconds=10) or 0
    down = run_bytes(card, direction=Direction.DOWN, seconds=5) or 0
    total = (
        train_bytes(per_second=5, seconds=MONTH_S, ip_packet_bytes=128)
        + train_bytes(per_second=1, seconds=30 * 5 * 3600, ip_packet_bytes=128)
        + up * runs_in(30, every_s=3600)
        + down * runs_in(30, every_s=4 * 3600)
    )
    assert "49.6 GB" == megabytes(total)


def test_monthly_cost_names_each_plan() -> None:
    """20/s x 156 bytes x 2 x 2,592,000 s = 16.17408 GB; 720 runs of 25 MB = 18 GB; metered, no run."""
    asked = site(
        handoffs=(handoff(), replace(handoff("B"), metered=True), handoff("C", up_mbps=None)),
        trains=(train_plan(),),
        runs=tuple(run_plan(every_s=3600, handoff=name) for name in "ABC"),
    )
    assert monthly_cost(asked) == {
        "A": (
            CostLine("train to north, 20 packets a second", 16_174_080_000),
            CostLine("rate run to north, up, 10 s every hour", 18_000_000_000),
        ),
        "B": (),
        "C": (CostLine("rate run to north, up, 10 s every hour, not counted as the card states no rate", 0),),
    }


def test_without_an_allowance_any_run_may_start() -> None:
    """No limit is no limit, and an unknown cost does not matter then."""
    assert may_start(handoff(), spent_bytes=10**15, cost_bytes=None) is None


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
    limited = replace(handoff(), allowance_bytes=1000 * MB)
    assert starts == (may_start(limited, spent_bytes=spent_bytes, cost_bytes=cost_bytes) is None)


def test_the_refusal_says_what_is_left() -> None:
    """The reason is stored with the skipped run, so it is a sentence with figures."""
    limited = replace(handoff(), allowance_bytes=1000 * MB)
    why = may_start(limited, spent_bytes=990 * MB, cost_bytes=25 * MB)
    assert "10 MB of this month's test allowance of 1 GB are left and the run needs about 25 MB" == why


def test_a_metered_handoff_gets_no_rate_runs() -> None:
    """Common practice, no source: a tariff by volume is not for saturating runs, whatever is allowed."""
    metered = replace(handoff(), metered=True, allowance_bytes=TB)
    assert may_start(metered, spent_bytes=0, cost_bytes=1) == (
        "handoff A is metered, so it gets no rate runs"
    )


def test_a_month_begins_at_local_midnight() -> None:
    """Lisbon has summer time until 25 October 2026 (Directive 2000/84/EC): October began at 23:00 UTC."""
    moment, begin = datetime(2026, 10, 31, 23, 59, tzinfo=UTC), datetime(2026, 9, 30, 23, tzinfo=UTC)
    moment_ns, begin_ns = (int(when.timestamp()) * NS_PER_S for when in (moment, begin))
    assert begin_ns == month_start_ns(moment_ns, where=zone("Europe/Lisbon"))
