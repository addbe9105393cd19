"""Both ends' reports as one record: counts done by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from probe import rehearsal_outcome
from probe.rehearsal_outcome import Ends
from probe.wire.rehearsal_control import Received, Sent, StreamReceived, StreamSent
from store.histogram import Histogram
from store.records import Carrier, Circumstances
from store.rehearsals import Rehearsal, RehearsedSecond
from store.site import StreamPlan, Times
from tests.dashboard.judge.made import destination

PLAN = StreamPlan(
    name="P1",
    title="Evening class",
    handoff="old",
    times=Times(weekdays=frozenset({0}), dates=frozenset(), from_minute=1140, to_minute=1260),
    destinations=(destination(4_500_000, audio_bps=160_000),),
)
# 90 frames: in the third second ten do not fit and five wait, of those sent three came late and two never
SENT = StreamSent(
    frames=90,
    sent=75,
    dropped=10,
    waited=5,
    high_ms=1000,
    high_bytes=600_000,
    sent_bytes=1_448_000,
    packets=0,
    sent_each=(30, 30, 15),
    dropped_each=(0, 0, 10),
    waited_each=(0, 0, 5),
    high_ms_each=(33, 33, 1000),
)
RECEIVED = StreamReceived(
    frames=73,
    late=3,
    shown=70,
    received_bytes=1_400_000,
    arrived_each=(30, 30, 13),
    late_each=(0, 0, 3),
    shown_each=(30, 30, 10),
    worst_ms_each=(2, 3, 1400),
    delay=Histogram([0, 10, 1_400_000]).pack(),
)


def record(
    sent: StreamSent = SENT, received: StreamReceived = RECEIVED, *, whole: bool = True, **around: object
) -> Rehearsal:
    ends = Ends(
        received=Received(streams=(received,), cpu_ratio=0.1),
        sent=Sent(streams=(sent,), cpu_ratio=0.1),
        whole=whole,
    )
    known = {"carrier": Carrier.WIRED, **around}
    return rehearsal_outcome.record(
        PLAN,
        ends,
        seconds=3.0,
        started_unix_ns=7,
        circumstances=Circumstances(**known),  # type: ignore[arg-type]
        names={"handoff": "old", "endpoint": "north"},
    )


def test_frames_are_counted_where_they_went() -> None:
    run = record()
    (one,) = run.destinations
    assert (one.frames, one.sent, one.dropped, one.waited, one.lost, one.late) == (90, 75, 10, 5, 2, 3)
    assert one.unseen == 20
    assert (run.dropped_s, run.unseen_s) == (round(10 / 30, 3), round(20 / 30, 3))
    assert (one.buffer_ms, one.buffer_high_ms, one.buffer_high_bytes) == (1000, 1000, 600_000)
    assert (run.spent_bytes, run.reasons) == (1_448_000, ())


def test_only_seconds_in_which_something_was_amiss_are_kept() -> None:
    (one,) = record().destinations
    expected = RehearsedSecond(
        at_s=2, dropped=10, waited=5, lost=2, late=3, unseen=20, worst_ms=1400, buffer_ms=1000
    )
    assert one.seconds == (expected,)


def test_what_the_endpoint_never_told_of_counts_as_not_arrived() -> None:
    """A stream that did not come about: nothing of what was sent is known to be there."""
    (one,) = record(received=StreamReceived()).destinations
    assert (one.lost, one.unseen, one.delay_us) == (75, 90, None)
    assert [each.lost for each in one.seconds] == [30, 30, 15]


@pytest.mark.parametrize(
    ("sent", "received", "more", "reasons"),
    [
        (replace(SENT, behind=1), RECEIVED, {}, ("probe_limit",)),  # 1 in 90 is more than 1 %
        (SENT, replace(RECEIVED, dropped_socket=1), {}, ("endpoint_limit",)),
        (SENT, RECEIVED, {"whole": False}, ("aborted",)),
        (SENT, RECEIVED, {"carrier": Carrier.WIRELESS}, ("wireless",)),
        (SENT, RECEIVED, {"other_up_bps": 300_000}, ("other_traffic",)),  # more than 5 % of 4.85 Mb/s
        (SENT, RECEIVED, {"other_up_bps": 200_000}, ()),
    ],
)
def test_what_spoils_a_rehearsal(
    sent: StreamSent, received: StreamReceived, more: dict[str, object], reasons: tuple[str, ...]
) -> None:
    assert record(sent, received, **more).reasons == reasons  # type: ignore[arg-type]


def test_own_traffic_has_its_headers() -> None:
    """1000 full segments of 1448 octets are 1.5 MB in packets of 1500."""
    moved = rehearsal_outcome.own_traffic(PLAN, Sent(streams=(SENT,), cpu_ratio=0.0))
    assert (moved.up_bytes, moved.down_bytes) == (1_500_000, 0)
