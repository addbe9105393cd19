"""Small honest records for judges: a healthy run, a minute of train, a stall, each bent where a test asks."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from store.clock import NS_PER_S
from store.histogram import Histogram
from store.layers import tcp_framing
from store.records import (
    Circumstances,
    Direction,
    Limit,
    RateRun,
    RateSide,
    Stall,
    Stamps,
    TrainSpan,
)
from store.site import (
    Card,
    Destination,
    EndpointRef,
    Handoff,
    Site,
    StreamPlan,
    Times,
    TrainPlan,
    Transport,
    Where,
)

ZONE: tzinfo = ZoneInfo("Europe/Lisbon")
FULL = tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True)


def at(text: str, where: tzinfo = ZONE) -> int:
    """Unix nanoseconds of a local time such as ``2026-03-09 19:00``."""
    return int(datetime.fromisoformat(text).replace(tzinfo=where).timestamp()) * NS_PER_S


NOON = at("2026-03-09 12:00")  # a Monday


def side(goodput_bps: int, **bent: Any) -> RateSide:
    """A side held by the path; its slowest second is its mean unless bent."""
    made = RateSide(
        rates=FULL.rates(goodput_bps),
        lowest_second_bps=goodput_bps,
        bins=(),
        steady_from_ms=2000,
        steady_to_ms=10_000,
        received_bytes=goodput_bps,
        mss_bytes=1448,
        ip_version=4,
        tcp_timestamps=True,
        sent_bytes=goodput_bps,
        retransmitted_bytes=0,
        retransmitted_ratio=0.0,
        limited_by=Limit.PATH,
        congestion="cubic",
    )
    return replace(made, **bent)


def run(
    up_bps: int | None = None,
    *,
    down_bps: int | None = None,
    started_unix_ns: int = NOON,
    reasons: tuple[str, ...] = (),
    endpoint: str = "north",
    light: bool = False,
    **bent: Any,
) -> RateRun:
    """A run up, down, or both at once where both rates are given; `bent` bends each side.

    A light one got just what it asked for.
    """
    up = None if up_bps is None else side(up_bps, **bent)
    down = None if down_bps is None else side(down_bps, **bent)
    direction = Direction.BOTH if up and down else Direction.UP if up else Direction.DOWN
    return RateRun(
        handoff="old",
        endpoint=endpoint,
        started_unix_ns=started_unix_ns,
        seconds=10.0,
        direction=direction,
        flows=4,
        up=up,
        down=down,
        rtt_idle_us=None,
        rtt_loaded_us=None,
        timestamps=Stamps.KERNEL,
        spent_bytes=0,
        reasons=(*reasons, "light") if light else reasons,
        circumstances=Circumstances(),
        at_most_up_goodput_bps=up_bps if light else None,
        at_most_down_goodput_bps=down_bps if light else None,
    )


def span(started_unix_ns: int = NOON, **bent: Any) -> TrainSpan:
    """A clean minute at 20 packets a second, 21 ms there and back."""
    made = TrainSpan(
        handoff="old",
        endpoint="north",
        started_unix_ns=started_unix_ns,
        seconds=60.0,
        per_second=20.0,
        packet_bytes=112,
        waiting_s=3.0,
        sent=1200,
        received=1200,
        lost_up=0,
        lost_down=0,
        lost_unattributed=0,
        held_up=0,
        held_down=0,
        duplicated_up=0,
        duplicated_down=0,
        reordered_up=0,
        reordered_down=0,
        blips=0,
        rtt=Histogram([21_000] * 1200),
        pdv_up=Histogram([300] * 1200),
        pdv_down=Histogram([200] * 1200),
        jitter_up_us=100.0,
        jitter_down_us=100.0,
        timestamps=Stamps.KERNEL,
    )
    return replace(made, **bent)


def stall(started_unix_ns: int = NOON, *, seconds: float = 1.3, how: str = "held", **bent: Any) -> Stall:
    """A stall on the way up."""
    made = Stall(
        handoff="old",
        endpoint="north",
        started_unix_ns=started_unix_ns,
        duration_us=round(seconds * 1e6),
        direction=Direction.UP,
        how=how,
        lost=0,
        held=0,
    )
    return replace(made, **bent)


def destination(video_bps: int, **bent: Any) -> Destination:
    """A TCP push of 30 pictures a second, a keyframe every 2 s, 160 kb/s of audio and 1 s of buffer."""
    made = Destination(
        name="class",
        video_bps=video_bps,
        audio_bps=160_000,
        transport=Transport.TCP,
        buffer_s=1.0,
        peak_factor=1.1,
        repeat_ceiling=0.25,
        keyframe_s=2.0,
        frames_per_second=30.0,
        picture=None,
    )
    return replace(made, **bent)


EVENINGS = Times(weekdays=frozenset(range(4)), dates=frozenset(), from_minute=19 * 60, to_minute=21 * 60)


def plan(*destinations: Destination, times: Times = EVENINGS) -> StreamPlan:
    """An evening class on the old line, Monday to Thursday 19:00 to 21:00 unless said otherwise."""
    return StreamPlan(
        name="evening",
        title="Evening class",
        handoff="old",
        times=times,
        destinations=destinations or (destination(4_500_000),),
    )


def site(*plans: StreamPlan, card: Card | None = None) -> Site:
    """One handoff, an endpoint outside and one in the house, a train of minute spans."""
    return Site(
        name="Quillet Lane",
        invented=True,
        timezone="Europe/Lisbon",
        database=Path("line.db"),
        file=Path("site.toml"),
        handoffs=(
            Handoff(
                name="old",
                title="Old line",
                interface=None,
                source=None,
                metered=False,
                allowance_bytes=None,
                card=card or Card(),
            ),
        ),
        endpoints=(
            EndpointRef(name="north", where=Where.OUTSIDE, invitation=""),
            EndpointRef(name="lan", where=Where.HOUSE, invitation=""),
        ),
        trains=(TrainPlan(handoff="old", endpoint="north", per_second=20.0),),
        runs=(),
        plans=plans,
        windows=(),
    )
