"""Both ends' reports of a capacity run as one record: the standard's example, arithmetic by hand, limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from probe import capacity_outcome
from probe.capacity_outcome import Criterion, maximum
from probe.paced_outcome import Ends
from probe.wire.paced_control import PacedReceived, PacedRequest, PacedSearch, PacedSent, SearchStep
from store.capacity import CapacityRun, SubInterval
from store.histogram import Histogram
from store.records import Carrier, Circumstances, Limit, Standing

REQUEST = PacedRequest(direction="up", offered_bps=10**10, payload_bytes=1220, seconds=3)  # 1248 octets of IP
PACKET_BITS = 1248 * 8
ARRIVED = (1000, 2000, 1900)  # packets in each second
LOST = (0, 100, 180)
UNSENT = (0, 0, 0)
WIRED = Circumstances(carrier=Carrier.WIRED, port_rate_bps=1_000_000_000)


def spread(seconds: Sequence[int]) -> list[int]:
    """Ten bins a second, all alike."""
    return [count // 10 for count in seconds for _ in range(10)]


def sums(bins: Sequence[int]) -> tuple[int, ...]:
    return tuple(sum(bins[: at + 1]) for at in range(len(bins)))


def received(arrived: Sequence[int] = ARRIVED, lost: Sequence[int] = LOST) -> PacedReceived:
    bins, gone = spread(arrived), spread(lost)
    return PacedReceived(
        ip_version=4,
        packets=sum(bins),
        expected=sum(bins) + sum(gone),
        duplicated=0,
        reordered=0,
        late=0,
        dropped_socket=0,
        dropped_host=0,
        buffer_bytes=1 << 21,
        kernel_stamps=True,
        cpu_ratio=0.1,
        bins=tuple(bins),
        bases_us=tuple(range(len(bins))),
        pdv_p99_us=(10,) * len(bins),
        pdv_max_us=(20,) * len(bins),
        pdv=Histogram([0, 20]).pack(),
        expected_at=sums([one + other for one, other in zip(bins, gone, strict=True)]),
    )


def sent(
    arrived: Sequence[int] = ARRIVED,
    lost: Sequence[int] = LOST,
    unsent: Sequence[int] = UNSENT,
    *,
    congested: bool = True,
    top_bps: int = 30_000_000,
) -> PacedSent:
    packets = [one + other for one, other in zip(spread(arrived), spread(lost), strict=True)]
    search = PacedSearch(
        congested=congested,
        top_bps=top_bps,
        burst_bytes=5_000,
        steps=(SearchStep(at_us=50_100, rate_bps=10_000_000, sequence_errors=0, delay_range_us=20),),
        packets_at=sums(packets),
        unsent_at=sums(spread(unsent)),
    )
    return PacedSent(
        ip_version=4,
        packets=sum(packets),
        elapsed_us=3_000_000,
        burst_us=2_100,
        segments=1,
        forgone=sum(unsent),
        refused=0,
        paused_us=0,
        cpu_ratio=0.2,
        search=search,
    )


def judged(
    got: PacedReceived | None = None,
    gave: PacedSent | None = None,
    *,
    whole: bool = True,
    around: Circumstances = WIRED,
    request: PacedRequest = REQUEST,
    report: bool = True,
) -> CapacityRun:
    found = capacity_outcome.record(
        request,
        Ends(received=got or received(), sent=(gave or sent()) if report else None, whole=whole),
        started_unix_ns=5,
        circumstances=around,
        names={"handoff": "A", "endpoint": "north"},
    )
    assert found is not None
    return found


def test_the_example_of_the_standard() -> None:
    """600, 780, 810, 805, 799 Mbit in a second, losses 0, 0, 0.002, 0, 0, bound 0: 805 Mb/s.

    Computed from the definition in RFC 9097 sections 5.3 and 6.3.
    """
    strict = Criterion(loss_ratio=0.0, lost=0)
    seconds = [
        SubInterval(
            start_ms=at * 1000,
            ip_bps=mbit * 1_000_000,
            lost=round(loss * 100_000),
            loss_ratio=loss,
            counts=strict.holds(lost=round(loss * 100_000), loss_ratio=loss),
        )
        for at, (mbit, loss) in enumerate([(600, 0.0), (780, 0.0), (810, 0.002), (805, 0.0), (799, 0.0)])
    ]
    best = maximum(seconds)
    assert best is not None
    assert (best.ip_bps, best.start_ms) == (805_000_000, 3000)


def test_the_best_second_at_each_layer() -> None:
    """2000 packets a second: 1220 octets of payload, 1248 of IP, 1266 to the FCS, 1286 on the wire."""
    run = judged()
    assert (run.ip_capacity_bps, run.maximum_from_ms) == (2000 * PACKET_BITS, 1000)
    rates = run.rates
    assert (rates.goodput_bps, rates.ip_bps) == (2000 * 1220 * 8, 2000 * PACKET_BITS)
    assert (rates.ethernet_bps, rates.wire_bps) == (2000 * 1266 * 8, 2000 * 1286 * 8)
    assert run.maximum_loss_ratio == pytest.approx(100 / 2100, abs=1e-9)
    assert [each.lost for each in run.sub_intervals] == [0, 100, 180]
    assert [each.sent_bps for each in run.sub_intervals] == [n * PACKET_BITS for n in (1000, 2100, 2080)]
    assert [(each.delay_low_us, each.delay_high_us) for each in run.sub_intervals] == [
        (0, 29),
        (10, 39),
        (20, 49),
    ]
    assert (run.sent, run.received, run.lost) == (5180, 4900, 280)
    assert (run.limited_by, run.standing) == (Limit.PATH, Standing.VALID)
    assert [(step.at_ms, step.rate_bps) for step in run.steps] == [(50, 10_000_000)]


def test_a_second_that_lost_too_much_does_not_count() -> None:
    """More than a tenth, and more than ten in each of twenty reports; if it carried more, the run says so."""
    arrived, lost = (1000, 2000, 1900), (0, 300, 180)
    run = judged(received(arrived, lost), sent(arrived, lost))
    assert (run.maximum_from_ms, run.reasons) == (2000, ("unsettled",))
    assert run.standing is Standing.EXCLUDED
    few = (100, 200, 190), (0, 190, 180)  # of a slow line, two hundred lost packets are what a search needs
    assert judged(received(*few), sent(*few)).maximum_from_ms == 1000


def test_nothing_without_a_whole_second() -> None:
    short = replace(
        received(),
        **{
            name: getattr(received(), name)[:9]
            for name in ("bins", "bases_us", "pdv_p99_us", "pdv_max_us", "expected_at")
        },
    )
    ends = Ends(received=short, sent=sent(), whole=False)
    found = capacity_outcome.record(
        REQUEST, ends, started_unix_ns=5, circumstances=WIRED, names={"handoff": "A", "endpoint": "north"}
    )
    assert found is None


def dropped(socket: int = 0, host: int = 0) -> PacedReceived:
    return replace(received(), dropped_socket=socket, dropped_host=host)


@pytest.mark.parametrize(
    ("got", "gave", "limit", "reasons"),
    [
        (None, None, Limit.PATH, ()),
        (dropped(socket=100), None, Limit.ENDPOINT, ("endpoint_limit",)),
        (dropped(host=100), None, Limit.ENDPOINT, ("endpoint_limit",)),
        (None, sent(unsent=(0, 10, 0)), Limit.PATH, ()),  # less than a hundredth
        (None, sent(unsent=(0, 200, 0)), Limit.PROBE, ("probe_limit",)),  # more than the line lost
        (None, sent(unsent=(0, 90, 0)), Limit.PATH, ()),  # the line lost more, and was full throughout
        (None, sent(congested=False), Limit.UNDECIDED, ("never_full",)),
        (None, sent(congested=False, top_bps=10**10), Limit.ENDPOINT, ("endpoint_limit",)),
    ],
)
def test_what_ended_the_rise(
    got: PacedReceived | None, gave: PacedSent | None, limit: Limit, reasons: tuple[str, ...]
) -> None:
    run = judged(got, gave)
    assert (run.limited_by, run.reasons) == (limit, reasons)


def test_a_sender_with_gaps_cannot_convict_the_line() -> None:
    """As many left out as the line lost, but one 100 ms brought 4 % more than the mean: there were gaps."""
    uneven = list(received().bins)
    uneven[10], uneven[11] = 208, 192
    got = replace(received(), bins=tuple(uneven))
    assert judged(got, sent(unsent=(0, 90, 0))).limited_by is Limit.PROBE


def test_down_the_ends_are_the_other_way_round() -> None:
    request = replace(REQUEST, direction="down")
    assert judged(dropped(socket=100), request=request).limited_by is Limit.PROBE
    assert judged(gave=sent(unsent=(0, 200, 0)), request=request).limited_by is Limit.ENDPOINT


def test_the_top_of_a_port_is_the_ports() -> None:
    """A known one, or one of a class that two seconds come near (common practice, no source)."""
    arrived, lost = (1000, 9720, 9700), (0, 100, 180)  # 9720 packets of 1286 octets a second are 100.0 Mb/s
    got, gave = received(arrived, lost), sent(arrived, lost)
    assert judged(got, gave, around=replace(WIRED, port_rate_bps=100_000_000)).limited_by is Limit.PORT
    assert judged(got, gave, around=Circumstances(carrier=Carrier.UNKNOWN)).limited_by is Limit.PORT
    assert judged(got, gave, around=WIRED).limited_by is Limit.PATH
    assert judged(got, gave, around=Circumstances(carrier=Carrier.LOOPBACK)).limited_by is Limit.PATH


def test_what_else_leaves_a_run_out() -> None:
    assert judged(whole=False).reasons == ("aborted",)
    assert judged(gave=replace(sent(), paused_us=1_200_000)).reasons == ("paused",)
    assert judged(around=replace(WIRED, carrier=Carrier.WIRELESS)).reasons == ("wireless",)
    assert judged(around=replace(WIRED, other_up_bps=5_000_000)).reasons == ("other_traffic",)
    lost_report = judged(report=False, whole=False)
    assert (lost_report.limited_by, lost_report.reasons) == (Limit.UNDECIDED, ("aborted", "never_full"))
    assert (lost_report.top_bps, lost_report.steps) == (None, ())
