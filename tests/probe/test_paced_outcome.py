"""Both ends' reports of a paced run as one record: arithmetic by hand, and who is to blame for what."""

from __future__ import annotations

from dataclasses import replace

import pytest

from probe import paced_outcome
from probe.paced_outcome import Ends
from probe.wire.paced_control import PacedReceived, PacedRequest, PacedSent
from store.histogram import Histogram
from store.paced import PacedRun
from store.records import Carrier, Circumstances, Limit, Standing

REQUEST = PacedRequest(direction="up", offered_bps=12_000_000, payload_bytes=1472, seconds=4)  # 1000 a second
BINS = (100,) * 40
RECEIVED = PacedReceived(
    ip_version=4,
    packets=4000,
    expected=4000,
    duplicated=0,
    reordered=0,
    late=0,
    dropped_socket=0,
    dropped_host=0,
    buffer_bytes=1 << 21,
    kernel_stamps=True,
    cpu_ratio=0.1,
    bins=BINS,
    bases_us=(0,) * 40,
    pdv_p99_us=(10,) * 40,
    pdv_max_us=(20,) * 40,
    pdv=Histogram([0, 20]).pack(),
)
SENT = PacedSent(
    ip_version=4,
    packets=4000,
    elapsed_us=4_000_000,
    burst_us=2_100,
    segments=1,
    forgone=0,
    refused=0,
    paused_us=0,
    cpu_ratio=0.2,
)
WIRED = Circumstances(carrier=Carrier.WIRED, port_rate_bps=1_000_000_000)


def judged(
    received: PacedReceived = RECEIVED,
    sent: PacedSent | None = SENT,
    *,
    whole: bool = True,
    around: Circumstances = WIRED,
    request: PacedRequest = REQUEST,
    slept: bool = False,
    clock_set: bool = False,
) -> PacedRun:
    return paced_outcome.record(
        request,
        Ends(received=received, sent=sent, whole=whole, slept=slept, clock_set=clock_set),
        started_unix_ns=5,
        circumstances=around,
        names={"handoff": "A", "endpoint": "north"},
    )


def test_all_of_it_arrived() -> None:
    """1000 packets a second at each layer: 1472 octets of payload, 1500 of IP, 1518 to the FCS, 1538."""
    run = judged()
    rates = run.rates
    assert (rates.goodput_bps, rates.ip_bps) == (1472 * 8000, 12_000_000)
    assert (rates.ethernet_bps, rates.wire_bps) == (1518 * 8000, 1538 * 8000)
    assert (run.sent_bps, run.burst_bytes) == (12_000_000, 3150)  # 2.1 ms of 12 Mb/s
    assert (run.steady_from_ms, run.steady_to_ms) == (500, 4000)
    assert (run.lost, run.limited_by, run.standing) == (0, None, Standing.VALID)


def lossy(lost: int, *, dropped: int = 0, dropped_host: int = 0) -> PacedReceived:
    return replace(RECEIVED, packets=4000 - lost - dropped, dropped_socket=dropped, dropped_host=dropped_host)


@pytest.mark.parametrize(
    ("received", "sent", "lost", "limit", "standing"),
    [
        (lossy(1), SENT, 1, Limit.PATH, Standing.VALID),
        (lossy(0, dropped=400), SENT, 0, Limit.ENDPOINT, Standing.VOID),
        (lossy(100, dropped=400), SENT, 100, Limit.ENDPOINT, Standing.VOID),
        (lossy(100, dropped_host=50), SENT, 100, Limit.ENDPOINT, Standing.VOID),
        (lossy(0, dropped_host=50), SENT, 0, None, Standing.VALID),  # somebody else's packets
        (RECEIVED, replace(SENT, forgone=30), 0, None, Standing.VALID),
        (RECEIVED, replace(SENT, forgone=300), 0, Limit.PROBE, Standing.VOID),
        (RECEIVED, replace(SENT, refused=300), 0, Limit.PROBE, Standing.VOID),
        (replace(RECEIVED, packets=3990, expected=3995), SENT, 10, Limit.PATH, Standing.VALID),  # the last 5
    ],
)
def test_whose_loss_it_is(
    received: PacedReceived, sent: PacedSent, lost: int, limit: Limit | None, standing: Standing
) -> None:
    """What a receiver's buffer dropped is no loss of the line; where two explain it, the line is spared."""
    run = judged(received, sent)
    assert (run.lost, run.limited_by, run.standing) == (lost, limit, standing)
    assert run.loss_ratio == pytest.approx(lost / 4000, abs=1e-9)


def test_down_the_ends_are_the_other_way_round() -> None:
    request = replace(REQUEST, direction="down")
    assert judged(lossy(0, dropped=400), request=request).limited_by is Limit.PROBE
    assert judged(RECEIVED, replace(SENT, forgone=300), request=request).limited_by is Limit.ENDPOINT


def test_the_top_of_a_port_is_the_ports() -> None:
    """A known one, or one of a class where the rate is flat (common practice, no source)."""
    offered = replace(REQUEST, offered_bps=110_000_000)
    flat = replace(lossy(50), bins=(813,) * 40)  # 813 packets of 1538 octets in 100 ms are 100.0 Mb/s
    known = replace(WIRED, port_rate_bps=100_000_000)
    assert judged(flat, around=known, request=offered).limited_by is Limit.PORT
    unknown = Circumstances(carrier=Carrier.UNKNOWN)
    assert judged(flat, around=unknown, request=offered).limited_by is Limit.PORT
    uneven = replace(flat, bins=(400,) * 20 + (1226,) * 20)
    assert judged(uneven, around=unknown, request=offered).limited_by is Limit.PATH
    assert judged(flat, around=WIRED, request=offered).limited_by is Limit.PATH


def test_what_else_leaves_a_run_out() -> None:
    assert judged(whole=False).reasons == ("aborted",)
    assert judged(slept=True).reasons == ("slept",)
    assert judged(clock_set=True).reasons == ("clock_set",)
    assert judged(sent=replace(SENT, paused_us=2_000_000)).reasons == ("paused",)
    assert judged(around=replace(WIRED, carrier=Carrier.WIRELESS)).reasons == ("wireless",)
    assert judged(around=replace(WIRED, other_up_bps=5_000_000)).reasons == ("other_traffic",)
    assert judged(around=replace(WIRED, other_down_bps=5_000_000)).reasons == ()
    short = replace(
        RECEIVED,
        bins=(100,) * 12,
        **{name: (0,) * 12 for name in ("bases_us", "pdv_p99_us", "pdv_max_us")},
    )
    assert judged(short).reasons == ("too_short",)


def test_without_the_senders_report() -> None:
    """Its count is the largest number seen, and nothing is said of its rate."""
    run = judged(replace(RECEIVED, packets=3900, expected=3950), None, whole=False)
    assert (run.sent, run.lost, run.sent_bps, run.burst_us, run.unsent) == (3950, 50, None, None, None)
