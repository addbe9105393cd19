"""Records and trains to fill a database with, each possible and none special."""

from __future__ import annotations

import random
from typing import Any

from store.acceptance import About, AcceptanceNote
from store.asked_for import AskedFor
from store.bursts import Burst, BurstRun, Fate, Limiter
from store.capacity import CapacityRun, SearchStep, SubInterval
from store.ceilings import Ceiling, CeilingOf
from store.clock_change import ClockChange, ClockHow
from store.events import Event, EventKind
from store.failovers import Break, Failover, Failure, Watched
from store.histogram import Delays, Histogram
from store.layers import LayerRates, tcp_framing, udp_framing
from store.light import Light
from store.loaded_delay import Added, Foreign, LoadedDelayRun, PartDelay, UnderLoad
from store.lookups import Heard, Lookups, NameAsked
from store.notices import Notice, NoticeState
from store.paced import PacedBin, PacedPart, PacedRun
from store.papers import IssuedPaper
from store.path_mtu import Beyond, FamilyMtu, PathMtu
from store.receipts import Receipt
from store.records import (
    Bin,
    Campaign,
    Carrier,
    Circumstances,
    Correction,
    Direction,
    Failed,
    Gap,
    Limit,
    Opener,
    OpenKind,
    Owner,
    Planned,
    RateRun,
    RateSide,
    Record,
    Skipped,
    Stall,
    Stamps,
    Thinned,
    TrainSpan,
    WindowOpened,
)
from store.rehearsals import Rehearsal, Rehearsed, RehearsedSecond
from store.samples import Sample, SampledFor, Samples, samples_of
from store.segments import HopCount, Hops, Seen, Silent, Split, Station, Witnesses
from store.shows import CheckRun, Forecast, JoinedDrop, LookedAt, ShowReport
from store.sizes import Counted, Size, SizesRun
from store.soaks import LeftOut, Soak, SoakBegun, SoakGap, SoakStall
from store.steps import PERCENTS, Step, StepsRun
from store.tickets import TicketNote
from store.traffic import Reading, Traffic

MINUTE_NS = 60 * 10**9


def side(goodput_bps: int = 16_900_000) -> RateSide:
    """Two seconds of a steady rate."""
    return RateSide(
        rates=tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True).rates(goodput_bps),
        lowest_second_bps=goodput_bps,
        bins=tuple(Bin(start_ms=100 * nth, bytes=goodput_bps // 80) for nth in range(20)),
        steady_from_ms=0,
        steady_to_ms=2000,
        received_bytes=goodput_bps // 4,
        mss_bytes=1448,
        ip_version=4,
        tcp_timestamps=True,
        sent_bytes=goodput_bps // 4,
        retransmitted_bytes=0,
        retransmitted_ratio=0.0,
        limited_by=Limit.PATH,
        congestion="cubic",
    )


def run(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> RateRun:
    """An upward run of two seconds."""
    return RateRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        seconds=2.0,
        direction=Direction.UP,
        flows=4,
        up=side(),
        down=None,
        rtt_idle_us=None,
        rtt_loaded_us=None,
        timestamps=Stamps.KERNEL,
        spent_bytes=4_225_000,
        reasons=("short",),
        circumstances=Circumstances(interface="eth0"),
    )


AROUND = Circumstances(  # as the minute of a train has them
    interface="enp5s0",
    carrier=Carrier.WIRED,
    source_address="198.51.100.42",
    egress_address="198.51.100.42",
    port_rate_bps=1_000_000_000,
    duplex="full",
    mtu_bytes=1_500,
    other_up_bps=200_000,
    other_down_bps=2_000_000,
    interface_errors=0,
    clock_synchronised=True,
    clock_error_us=16_384,
    kernel="6.12.38-generic-amd64",
    carrier_changes=0,
    frame_errors=0,
    pause_received=0,
    pause_sent=0,
    host_cpu_ratio=0.2,
    path_mtu_up_bytes=1_500,
)


def span(
    started_unix_ns: int = 0,
    *,
    handoff: str = "old",
    endpoint: str = "north",
    delays_us: tuple[list[int], list[int]] = ([0, 250, 900], [0, 40, 90]),
) -> TrainSpan:
    """A minute of a train; `delays_us` are the PDVs up and down, on top of an RTT of 19 ms."""
    up, down = delays_us
    return TrainSpan(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        seconds=60.0,
        per_second=len(up) / 60,
        packet_bytes=112,
        waiting_s=3.0,
        sent=len(up) + 1,
        received=len(up),
        lost_up=1,
        lost_down=0,
        lost_unattributed=0,
        held_up=0,
        held_down=0,
        duplicated_up=0,
        duplicated_down=0,
        reordered_up=0,
        reordered_down=0,
        blips=0,
        rtt=Histogram(19_000 + one + other for one, other in zip(up, down, strict=True)),
        pdv_up=Histogram(up),
        pdv_down=Histogram(down),
        jitter_up_us=123.456,
        jitter_down_us=9.876,
        timestamps=Stamps.KERNEL,
    )


def stall(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> Stall:
    return Stall(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        duration_us=1_300_000,
        direction=Direction.UP,
        how="lost",
        lost=26,
        held=0,
    )


def failed(started_unix_ns: int = 0) -> Failed:
    return Failed(
        what="run rate",
        why="the endpoint does not answer",
        whose=Owner.ENDPOINT,
        started_unix_ns=started_unix_ns,
        handoff="old",
        endpoint="north",
    )


def skipped(planned_unix_ns: int = 0) -> Skipped:
    return Skipped(
        what="run rate", why="quiet window", planned_unix_ns=planned_unix_ns, handoff="old", endpoint="north"
    )


def thinned() -> Thinned:
    """A stretch that is thinned in name only."""
    return Thinned(
        first_seq=1,
        last_seq=2,
        thinned_unix_ns=7,
        before=bytes(32),
        after=b"a" * 32,
        remainder=b"r" * 32,
        why="kept for a year",
    )


def campaign() -> Campaign:
    """Two runs of an evening, fixed at midnight."""
    return Campaign(
        handoff="old",
        endpoint="north",
        name="busy-upload",
        question="Does the upload reach 15 Mb/s in 95 % of runs?",
        started_unix_ns=4,
        direction=Direction.UP,
        seconds=10.0,
        flows=4,
        every_s=1800,
        hours="every day 18:00-19:00",
        first_day="1970-01-01",
        last_day=None,
        count=2,
        timezone="UTC",
        seed="0" * 32,
        planned=(
            Planned(start_unix_ns=18 * 3600 * 10**9, latest_unix_ns=66_586 * 10**9),
            Planned(start_unix_ns=67_000 * 10**9, latest_unix_ns=68_386 * 10**9),
        ),
    )


def notice(started_unix_ns: int = 0) -> Notice:
    return Notice(
        handoff="old",
        started_unix_ns=started_unix_ns,
        channel="owner-mail",
        subject="line",
        case_unix_ns=started_unix_ns,
        queued_unix_ns=started_unix_ns,
        state=NoticeState.FAILED,
        says="Handoff old: outage, north silent.",
        tries=3,
        why="the mail server mail.example.net:587 did not answer in time",
    )


def acceptance_note(started_unix_ns: int = 0) -> AcceptanceNote:
    """Somebody typed in what they saw of row A4."""
    return AcceptanceNote(
        handoff="old",
        started_unix_ns=started_unix_ns,
        about=About.ROW,
        of="A4",
        word="met",
        says="tag 830 passes, untagged frames are dropped",
    )


def lookups(started_unix_ns: int = 0) -> Lookups:
    asked = (
        NameAsked(name="north.example.net", at_ms=120, told=Heard.ANSWERED, took_us=14_200, ttl_s=300),
        NameAsked(name="north.example.net", at_ms=601_000, told=Heard.SILENT),
        NameAsked(name="gone.example.net", at_ms=702_000, told=Heard.FAILED, took_us=900, why="refused"),
    )
    return Lookups(
        handoff="A",
        started_unix_ns=started_unix_ns,
        resolver="192.0.2.254",
        asked=asked,
        run_by=Owner.PROVIDER,
    )


def light(started_unix_ns: int = 0) -> Light:
    return Light(
        handoff="B",
        started_unix_ns=started_unix_ns,
        interface="enp6s0",
        received_nw=208_900,
        sent_nw=501_200,
        temperature_mc=41_500,
    )


def asked_for(started_unix_ns: int = 0) -> AskedFor:
    return AskedFor(
        handoff="A",
        endpoint="north",
        started_unix_ns=started_unix_ns,
        what="rate run up on A to north, 10 s",
        why="asked for on the Circuit page by anna",
    )


def issued(started_unix_ns: int = 0) -> IssuedPaper:
    """The second version of a month's statement."""
    return IssuedPaper(
        handoff="old",
        started_unix_ns=started_unix_ns,
        paper="statement",
        number="old-2026-05",
        version=2,
        sha256="ab" * 32,
        changed=("credits.ours.amount.amount: 42.00, was 16.80",),
        html="<p>A month</p>",
        figures='{"month":"2026-05"}',
        tables="Outages\r\n",
    )


def ticket(started_unix_ns: int = 0) -> TicketNote:
    return TicketNote(
        handoff="old",
        started_unix_ns=started_unix_ns,
        reference="T-1",
        opened_unix_ns=started_unix_ns,
        closed_unix_ns=started_unix_ns + 5,
        promised_unix_ns=started_unix_ns + 4,
        says="the access switch is down",
    )


def ceiling(started_unix_ns: int = 0) -> Ceiling:
    return Ceiling(
        endpoint="north",
        started_unix_ns=started_unix_ns,
        of=CeilingOf.ENDPOINT,
        flows=4,
        seconds=3.0,
        goodput_bps=21_400_000_000,
        kernel="6.1.0",
        port_rate_bps=10_000_000_000,
    )


def event(started_unix_ns: int = 0) -> Event:
    return Event(
        handoff="old",
        started_unix_ns=started_unix_ns,
        what=EventKind.PORT,
        says="the port went from 1 Gb/s to 100 Mb/s",
        owner=Owner.HOUSE,
        before="1 Gb/s full",
        after="100 Mb/s full",
    )


def paced(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> PacedRun:
    """20 Mb/s offered for a second over a line that carries 15 of them."""
    packet, kept = 1500 * 8, 1250
    return PacedRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        direction=Direction.UP,
        seconds=1.0,
        ip_version=4,
        payload_bytes=1472,
        offered_bps=20_000_000,
        sent_bps=20_000_000,
        rates=udp_framing(payload_bytes=1472, ip_version=4).rates(kept * 1472 * 8),
        steady_from_ms=500,
        steady_to_ms=1000,
        sent=20_000_000 // packet,
        received=kept,
        lost=20_000_000 // packet - kept,
        loss_ratio=0.25,
        duplicated=0,
        reordered=3,
        late=0,
        dropped_socket=0,
        dropped_host=0,
        burst_us=620,
        burst_bytes=1550,
        segments=1,
        unsent=0,
        paused_ms=0,
        pdv_us=Histogram([0, 40, 900]),
        timestamps=Stamps.KERNEL,
        buffer_bytes=2_097_152,
        limited_by=Limit.PATH,
        spent_bytes=20_000_000 // packet * 1472,
        bins=tuple(
            PacedBin(start_ms=at * 100, bytes=125 * 1472, base_us=at, pdv_p99_us=40, pdv_max_us=900)
            for at in range(10)
        ),
        circumstances=Circumstances(interface="eth1", carrier=Carrier.WIRED),
    )


def burst(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> BurstRun:
    """Three bursts of 384 kB that met a policer whose bucket holds 150 kB."""
    dropped = Burst(
        sent=256,
        received=104,
        lost=152,
        fate=Fate.DROPPED,
        undisturbed_bytes=151_500,
        line_bps=1_500_000_000,
        rate_bps=20_000_000,
        committed_bytes=149_500,
        bound_bytes=1_750,
        held=4,
        delay_us=21,
    )
    passed = Burst(sent=64, received=64, lost=0, fate=Fate.PASSED, undisturbed_bytes=96_000)
    return BurstRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        direction=Direction.UP,
        ip_version=4,
        payload_bytes=1472,
        idle_s=2.0,
        most_bytes=8_000_000,
        limiter=Limiter.POLICER,
        because="in 3 of 3 bursts of 384000 bytes the excess was dropped, none of it held",
        undisturbed_bytes=151_500,
        committed_bytes=149_500,
        committed_ethernet_bytes=151_294,
        bound_bytes=1_750,
        rate_bps=20_000_000,
        line_bps=1_500_000_000,
        bursts=(passed, dropped, dropped, dropped),
        dropped_socket=0,
        timestamps=Stamps.KERNEL,
        spent_bytes=(64 + 3 * 256) * 1472,
        circumstances=Circumstances(interface="eth1", carrier=Carrier.WIRED),
    )


def mtu(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> PathMtu:
    """A line with PPPoE in IPv4, and a black hole in IPv6."""
    v4 = FamilyMtu(
        ip_version=4,
        interface_bytes=1500,
        up_bytes=1492,
        down_bytes=1492,
        down_at_least=True,
        beyond=Beyond.ICMP,
        told_by="198.51.100.41",
        told_bytes=1492,
        probes=7,
    )
    v6 = FamilyMtu(
        ip_version=6, interface_bytes=1500, up_bytes=1440, down_bytes=1400, beyond=Beyond.SILENT, probes=31
    )
    return PathMtu(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        seconds=9.5,
        found=(v4, v6),
        spent_bytes=118_000,
        circumstances=Circumstances(interface="eth1", carrier=Carrier.WIRED),
    )


def capacity(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> CapacityRun:
    """Two seconds of a search on a line that carries 15 Mb/s: on the way up, and full."""
    packet, second = 1248 * 8, 1502
    full_bps = second * packet
    return CapacityRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        direction=Direction.UP,
        seconds=2.0,
        ip_version=4,
        payload_bytes=1220,
        ip_capacity_bps=full_bps,
        rates=udp_framing(payload_bytes=1220, ip_version=4).rates(second * 1220 * 8),
        maximum_from_ms=1000,
        maximum_loss_ratio=0.0613,
        sub_interval_ms=1000,
        sub_intervals=(
            SubInterval(
                start_ms=0,
                ip_bps=9_984_000,
                lost=0,
                loss_ratio=0.0,
                counts=True,
                sent_bps=9_984_000,
                unsent=0,
                delay_low_us=0,
                delay_high_us=2_000,
            ),
            SubInterval(
                start_ms=1000,
                ip_bps=full_bps,
                lost=98,
                loss_ratio=0.0613,
                counts=True,
                sent_bps=1600 * packet,
                unsent=2,
                delay_low_us=900,
                delay_high_us=20_100,
            ),
        ),
        loss_ratio_bound=0.1,
        lost_bound=200,
        most_bps=10_000_000_000,
        top_bps=30_000_000,
        congested=True,
        feedback_ms=50,
        sequence_errors_bound=10,
        delay_range_low_us=30_000,
        delay_range_high_us=90_000,
        sent=2600,
        received=1000 + second,
        lost=98,
        loss_ratio=0.037692308,
        duplicated=0,
        reordered=0,
        late=0,
        dropped_socket=0,
        dropped_host=0,
        burst_bytes=4_992,
        unsent=2,
        paused_ms=0,
        pdv_us=Histogram([0, 40, 900]),
        timestamps=Stamps.KERNEL,
        buffer_bytes=2_097_152,
        limited_by=Limit.PATH,
        spent_bytes=2600 * 1220,
        bins=tuple(PacedBin(start_ms=at * 100, bytes=122_000, base_us=at) for at in range(20)),
        steps=(
            SearchStep(at_ms=51, rate_bps=10_000_000, sequence_errors=0, delay_range_us=310),
            SearchStep(at_ms=101, rate_bps=9_000_000, sequence_errors=14, delay_range_us=20_100),
            SearchStep(at_ms=302, rate_bps=8_000_000),
        ),
        circumstances=Circumstances(interface="eth1", carrier=Carrier.WIRED),
    )


def loaded_delay(
    started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north"
) -> LoadedDelayRun:
    """An upload that adds 100 ms on its way, and nothing on the way down; gone within 120 ms."""

    def delays(*up_us: int, rpm: float) -> PartDelay:
        return PartDelay(
            seconds=5.0,
            sent=len(up_us) + 1,
            lost_up=1,
            lost_down=0,
            lost_unattributed=0,
            rtt_us=Histogram(20_000 + each for each in up_us),
            pdv_up_us=Histogram(up_us),
            pdv_down_us=Histogram([0, 10, 20]),
            foreign=Foreign(
                count=24, failed=1, tcp_us=20_000, tls_us=21_000, http_us=22_000, foreign_rpm=rpm
            ),
        )

    around = Circumstances(interface="eth1", carrier=Carrier.WIRED)
    load = UnderLoad(
        direction=Direction.UP,
        started_ms=5_010,
        seconds=10.15,
        after_s=5.0,
        up_goodput_bps=17_200_000,
        down_goodput_bps=None,
        up_limited_by=Limit.PATH,
        down_limited_by=None,
        delay=delays(90_000, 100_000, 104_000, rpm=480.0),
        added_rtt=Added(p50_us=100_000, p95_us=103_000),
        added_up=Added(p50_us=99_990, p95_us=103_980),
        added_down=Added(p50_us=0, p95_us=10),
        buffer_delay_ratio=4.9,
        back_ms=118,
        circumstances=around,
    )
    return LoadedDelayRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        seconds=10.0,
        flows=4,
        per_second=50.0,
        packet_bytes=112,
        timestamps=Stamps.KERNEL,
        clock_drift_ppm=-1.25,
        idle=delays(0, 10, 20, rpm=2857.1),
        loads=(load,),
        spent_bytes=22_000_000,
        reasons=("short",),
        circumstances=around,
    )


def part(*, offered_bps: int, payload_bytes: int = 1472, lost: int = 0, **more: Any) -> PacedPart:
    """A second of packets of which so many were lost."""
    sent = offered_bps // 8 // (payload_bytes + 28)
    framing = udp_framing(payload_bytes=payload_bytes, ip_version=4)
    given: dict[str, Any] = {
        "direction": Direction.UP,
        "started_unix_ns": 0,
        "payload_bytes": payload_bytes,
        "offered_bps": offered_bps,
        "sent_bps": offered_bps,
        "rates": framing.rates((sent - lost) * payload_bytes * 8),
        "error_ratio": 0.0002,
        "sent": sent,
        "received": sent - lost,
        "lost": lost,
        "loss_ratio": round(lost / sent, 9),
        "reordered": 0,
        "unsent": 0,
        "dropped_socket": 0,
        "queue_us": 300 if lost else 0,
        "pdv_us": Histogram([0, 40, 900]).delays(),
        "limited_by": Limit.PATH if lost else None,
        "reasons": (),
    }
    return PacedPart(**given | more)


def sizes(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> SizesRun:
    """Two sizes of a sweep over a limit that counts layer 2."""
    return SizesRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        direction=Direction.UP,
        seconds=10.0,
        ip_version=4,
        offered_bps=20_000_000,
        counted=Counted.ETHERNET,
        because="each packet costs 18.0 bytes beside its IP packet, give or take 0.3",
        overhead_bytes=18.02,
        bound_bytes=0.3,
        limit_bps=15_000_000,
        sizes=(
            Size(frame_bytes=128, used=True, part=part(offered_bps=20_000_000, payload_bytes=82, lost=8_078)),
            Size(frame_bytes=1518, used=True, part=part(offered_bps=20_000_000, lost=431)),
        ),
        spent_bytes=30_000_000,
        circumstances=Circumstances(interface="eth1", carrier=Carrier.WIRED),
    )


def steps(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> StepsRun:
    """Steps up a line that carries its 20 Mb/s and no more."""
    lost = {110: 166, 125: 416}
    return StepsRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        direction=Direction.UP,
        seconds=10.0,
        ip_version=4,
        payload_bytes=1472,
        stated_bps=20_000_000,
        first_lost_up=110,
        steps=tuple(
            Step(percent=percent, part=part(offered_bps=200_000 * percent, lost=lost.get(percent, 0)))
            for percent in PERCENTS
        ),
        spent_bytes=14_000_000,
        circumstances=Circumstances(interface="eth1", carrier=Carrier.WIRED),
    )


def packets(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> Samples:
    """Three packets of a train at 20 a second: one back, one lost on the way up, one held."""
    fates = [(19_000_000, None, False), (None, "up", False), (400_123_000, None, True)]
    return samples_of(
        [
            Sample(
                sequence=7 + nth,
                sent_unix_ns=started_unix_ns + nth * 50_000_000,
                rtt_ns=rtt_ns,
                lost=lost,
                held=held,
            )
            for nth, (rtt_ns, lost, held) in enumerate(fates)
        ],
        handoff=handoff,
        endpoint=endpoint,
        kept_for=SampledFor.STALL,
    )


def traffic(started_unix_ns: int = 0, *, seconds: float = 3600, handoff: str = "old") -> Traffic:
    """An hour of 1 GB up and 9 GB down."""
    ended_ns = started_unix_ns + round(seconds * 10**9)
    return Traffic(
        handoff=handoff,
        started_unix_ns=started_unix_ns,
        ended_unix_ns=ended_ns,
        interface="eth0",
        up_bytes=10**9,
        down_bytes=9 * 10**9,
        own_up_bytes=30_000_000,
        own_down_bytes=5_000_000,
        at_end=Reading(
            unix_ns=ended_ns,
            boot="5e1f0c2a",
            interface="eth0",
            index=2,
            header_bytes=14,
            sent_bytes=7 * 10**9,
            sent_packets=9_000_000,
            received_bytes=70 * 10**9,
            received_packets=60_000_000,
        ),
    )


def rehearsal(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> Rehearsal:
    """Ten seconds of one destination, of which a stall took a second and a half."""
    return Rehearsal(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        plan="evening-class",
        seconds=10.0,
        demand_bps=4_850_000,
        ip_version=4,
        dropped_s=1.0,
        unseen_s=1.5,
        destinations=(
            Rehearsed(
                name="class",
                transport="tcp",
                video_bps=4_500_000,
                audio_bps=160_000,
                frames_per_second=30.0,
                keyframe_ms=2000,
                buffer_ms=1000,
                frames=300,
                sent=255,
                dropped=30,
                waited=15,
                lost=0,
                late=20,
                unseen=45,
                buffer_high_ms=1000,
                buffer_high_bytes=640_000,
                delay_us=Histogram([0, 250, 2_000_000]).delays(),
                seconds=(
                    RehearsedSecond(at_s=4, late=20, worst_ms=1900, buffer_ms=1000),
                    RehearsedSecond(at_s=5, dropped=30, waited=15, unseen=45, buffer_ms=1000),
                ),
            ),
        ),
        spent_bytes=5_200_000,
        circumstances=Circumstances(interface="eth0"),
    )


def clock_change(started_unix_ns: int = 0) -> ClockChange:
    return ClockChange(
        started_unix_ns=started_unix_ns,
        how=ClockHow.STEP,
        ended_unix_ns=started_unix_ns + 1_420_000_000,
        elapsed_us=1_000_000,
        uncertainty_us=2,
        by_us=420_000,
        synchronised=True,
        error_us=900,
    )


def soak_begun(started_unix_ns: int = 0) -> SoakBegun:
    return SoakBegun(
        handoff="old",
        endpoint="north",
        started_unix_ns=started_unix_ns,
        ends_unix_ns=started_unix_ns + 120_000_000_000,
        per_second=0.05,
        span_s=60,
    )


def soak(started_unix_ns: int = 0) -> Soak:
    """Two minutes, of which the second was not watched."""
    return Soak(
        handoff="old",
        endpoint="north",
        started_unix_ns=started_unix_ns,
        seconds=120.0,
        per_second=0.05,
        watched_s=60.0,
        counted_s=60.0,
        spans=1,
        sent=4,
        received=3,
        lost_up=1,
        lost_down=0,
        lost_unattributed=0,
        held_up=0,
        held_down=0,
        duplicated=0,
        reordered=0,
        blips=0,
        rtt_us=Histogram([19_000, 19_290, 19_990]),
        pdv_up_us=Histogram([0, 250, 900]),
        pdv_down_us=Histogram([0, 40, 90]),
        timestamps=Stamps.KERNEL,
        stalls=(
            SoakStall(
                started_unix_ns=started_unix_ns + 5,
                duration_us=700_000,
                direction=Direction.UP,
                how="lost",
                lost=1,
                held=0,
            ),
        ),
        gaps=(
            SoakGap(
                started_unix_ns=started_unix_ns + 60_000_000_000,
                ended_unix_ns=started_unix_ns + 120_000_000_000,
                why="the probe was not running",
            ),
        ),
        left_out=(LeftOut(reason="late_schedule", spans=1, seconds=60.0),),
        reasons=("thin_watch",),
    )


def split(started_unix_ns: int = 0) -> Split:
    """Ten seconds of a way on which one router does not answer."""
    return Split(
        handoff="old",
        started_unix_ns=started_unix_ns,
        seconds=10.0,
        ip_version=4,
        house_hops=1,
        seen=(
            Seen(station=Station.HOUSE, name="lan", per_second=20.0, sent=200, rtt_us=None),
            Seen(
                station=Station.HOP,
                name="192.0.2.190",
                ttl=1,
                shared=True,
                sent=2,
                answered_ms=(5, 1255),
                rtts_us=(310, 290),
            ),
            Seen(station=Station.HOP, name="", ttl=2, sent=1, lost=1, missed_ms=(300,)),
            Seen(
                station=Station.OUTSIDE,
                name="north",
                per_second=20.0,
                sent=200,
                lost=26,
                stalls=(Silent(start_ms=4000, duration_ms=1300, direction=Direction.UP, how="lost"),),
                missed_ms=tuple(range(4000, 5300, 50)),
            ),
        ),
        spent_bytes=94_000,
    )


def forecast(started_unix_ns: int = 0, *, handoff: str = "old") -> Forecast:
    """Tight, an hour before a show of two hours."""
    return Forecast(
        handoff=handoff,
        started_unix_ns=started_unix_ns,
        plan="evening-class",
        show_start_unix_ns=started_unix_ns + 3600 * 10**9,
        show_end_unix_ns=started_unix_ns + 3 * 3600 * 10**9,
        before="1h",
        answer="tight",
        because="Stalls outlast the buffers.",
        smallest_change="Raising every buffer to 2.4 s makes it Go.",
        chance=0.4,
        chance_low=0.22,
        chance_high=0.61,
        days=20,
        demand_bps=4_850_000,
        peak_bps=5_330_000,
        floor_bps=9_000_000,
        rows=(LookedAt(what="house segment", found="fine", said="Clean."),),
        took_ms=35_000,
    )


def check_run(started_unix_ns: int = 0, *, handoff: str = "old", endpoint: str = "north") -> CheckRun:
    """30 s of what a plan of 4.85 Mb/s takes one and a half times."""
    return CheckRun(
        handoff=handoff,
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        reasons=("light",),
        plan="evening-class",
        before="1h",
        seconds=30.0,
        asked_bps=7_275_000,
        rates=LayerRates(goodput_bps=7_020_000, ip_bps=7_272_000, ethernet_bps=7_359_000, wire_bps=7_456_000),
        lowest_second_bps=6_900_000,
        rtt_idle_us=Delays(count=20, min=20_000, p50=21_000, p95=22_000, p99=22_000, max=23_000),
        rtt_loaded_us=None,
        limited_by=Limit.PATH,
        spent_bytes=27_000_000,
        circumstances=Circumstances(interface="eth0"),
    )


def receipt(started_unix_ns: int = 0, *, handoff: str = "old") -> Receipt:
    """64 GB in eight hours and a half."""
    return Receipt(
        handoff=handoff,
        started_unix_ns=started_unix_ns,
        to="course-store",
        size_bytes=64_000_000_000,
        seconds=30_600.0,
        ended_unix_ns=started_unix_ns + 30_600 * 10**9,
        sha256="ab" * 32,
        line_goodput_bps=16_900_000,
    )


def show_report(started_unix_ns: int = 0, *, handoff: str = "old") -> ShowReport:
    """A show of two hours with one stall and one drop, which were the same."""
    return ShowReport(
        handoff=handoff,
        started_unix_ns=started_unix_ns,
        plan="evening-class",
        show_start_unix_ns=started_unix_ns,
        show_end_unix_ns=started_unix_ns + 2 * 3600 * 10**9,
        watched_ratio=1.0,
        stalls=1,
        stalled_s=2.4,
        freezes=1,
        drops=(
            JoinedDrop(
                at_unix_ns=started_unix_ns + 60 * 10**9,
                seconds=1.4,
                destination="class",
                owner="line",
                why="The trains stalled for 2.4 s just then.",
            ),
        ),
        drops_known=True,
        line_clean=False,
        because="the line stalled once.",
        forecast_before="1h",
        forecast_unix_ns=started_unix_ns - 3600 * 10**9,
        answer="tight",
        chance=0.4,
        brier=0.16,
    )


def failover(started_unix_ns: int = 0) -> Failover:
    """The main uplink silent for 20 s; the other carried after 4.1 s."""
    broken = Break(from_ms=5_000, last_ms=4_951, until_ms=25_051, due=400, lost_up=400)
    gap = Break(from_ms=5_010, last_ms=4_961, until_ms=9_111, due=81, lost_up=81)
    return Failover(
        handoff="old",
        endpoint="north",
        started_unix_ns=started_unix_ns,
        backup="A",
        seconds=60.0,
        per_second=20.0,
        ip_version=4,
        failure=Failure.SILENT,
        because="No packet arrived at the endpoint, and none of 45 that it sent of its own accord came down.",
        switched=True,
        failed_ms=5_000,
        knocks=45,
        last_ms=4_961,
        first_ms=9_111,
        without_ms=4_150,
        lost_switching=81,
        egress_before="192.0.2.17",
        egress_after="198.51.100.42",
        main_back_ms=25_051,
        returned_ms=31_020,
        lost_returning=0,
        main=Watched(
            egress_address="192.0.2.17", due=1_200, lost_up=400, rtt_p50_us=21_000, breaks=(broken,)
        ),
        other=Watched(egress_address="198.51.100.42", due=1_200, rtt_p50_us=4_000),
        routed=Watched(egress_address="192.0.2.17", due=1_200, lost_up=81, rtt_p50_us=21_000, breaks=(gap,)),
        spent_bytes=1_200_000,
    )


def hops(started_unix_ns: int = 0) -> Hops:
    count = HopCount(ttl=1, names=("192.0.2.190",), sent=(48, 47), answered=(48, 40), p50_us=310)
    return Hops(
        handoff="old",
        endpoint="north",
        started_unix_ns=started_unix_ns,
        minutes=2,
        house_hops=1,
        counts=(count,),
    )


def witnesses(started_unix_ns: int = 0) -> Witnesses:
    return Witnesses(
        handoff="old",
        endpoint="north",
        started_unix_ns=started_unix_ns,
        duration_us=1_300_000,
        house_hops=1,
        seen=split().seen[1:3],
        sent_before=(200, 200),
        answered_before=(200, 0),
    )


EVERY_KIND: tuple[Record, ...] = (
    run(),
    span(),
    stall(),
    failed(),
    skipped(),
    Gap(started_unix_ns=0, ended_unix_ns=5, why="the probe was not running"),
    WindowOpened(started_unix_ns=3, name="show", window=OpenKind.SHOW, opener=Opener.PERSON, why="asked for"),
    campaign(),
    event(),
    light(),
    lookups(),
    ceiling(),
    acceptance_note(),
    issued(),
    ticket(),
    asked_for(),
    paced(),
    capacity(),
    loaded_delay(),
    burst(),
    sizes(),
    steps(),
    mtu(),
    rehearsal(),
    soak_begun(),
    soak(),
    clock_change(),
    notice(),
    split(),
    failover(),
    forecast(),
    show_report(),
    check_run(),
    receipt(),
    hops(),
    witnesses(),
    packets(),
    traffic(),
    Correction(
        handoff="old",
        endpoint="north",
        corrects_seq=1,
        written_unix_ns=9,
        what="the run used 8 flows, not 4",
        why="the site file of that day says so",
    ),
)


def cable_delays(chance: random.Random, count: int) -> tuple[list[int], list[int]]:
    """PDVs of a shared cable: upward a wait for the next grant, up to 4 ms; downward a short queue."""
    up = [int(chance.uniform(0, 4000) + chance.expovariate(1 / 800)) for _ in range(count)]
    down = [int(chance.expovariate(1 / 400) + abs(chance.gauss(0, 150))) for _ in range(count)]
    return _over_minimum(up), _over_minimum(down)


def fibre_delays(chance: random.Random, count: int) -> tuple[list[int], list[int]]:
    """PDVs of an own fibre: some tens of microseconds, now and then more."""
    up, down = (
        [int(abs(chance.gauss(60, 25)) + chance.expovariate(1 / 40)) for _ in range(count)] for _ in range(2)
    )
    return _over_minimum(up), _over_minimum(down)


def _over_minimum(delays_us: list[int]) -> list[int]:
    return [delay - min(delays_us) for delay in delays_us]
