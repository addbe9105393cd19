"""Admission: who may, how much, and for how long, all with times handed in."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.endpoint.admission import Admission, PacedTerms, RehearsalTerms, RunTerms
from probe.endpoint.ledger import Ledger
from probe.endpoint.limits import Limits
from probe.wire.control import Refusal, RunRequest, TrainRequest
from probe.wire.paced_control import CapacityRequest, PacedRequest
from probe.wire.rehearsal_control import RehearsalRequest, StreamRequest

S = 10**9
NOVEMBER = int(datetime.fromisoformat("2026-11-30T23:00:00+00:00").timestamp()) * S
DECEMBER = NOVEMBER + 3600 * S
KEYS = {name: hashlib.sha256(name.encode()).digest() for name in ("a", "b", "c")}
TRAIN = TrainRequest(per_second=20, packet_bytes=128)
RUN = RunRequest(direction="both", flows=4, seconds=10)


def admission(limits: Limits | None = None, ledger: Ledger | None = None) -> Admission:
    return Admission(callers=KEYS, limits=limits or Limits(), ledger=ledger or Ledger())


def open_run(
    door: Admission,
    caller: str = "a",
    request: RunRequest = RUN,
    *,
    now_s: float = 0,
    unix_ns: int = NOVEMBER,
) -> RunTerms | Refusal:
    return door.open_run(caller, request, now_ns=round(now_s * S), unix_ns=unix_ns)


def granted(found: RunTerms | Refusal) -> RunTerms:
    assert isinstance(found, RunTerms)
    return found


def refused(found: object) -> Refusal:
    assert isinstance(found, Refusal)
    return found


def test_a_key_is_known_by_its_digest() -> None:
    """The caller holds the key, the endpoint only its SHA-256 (FIPS 180-4, by the standard library)."""
    door = admission()
    assert [door.caller_of(key) for key in (b"a", b"c", b"d", b"", KEYS["a"])] == ["a", "c", None, None, None]


PACED = PacedRequest(direction="up", offered_bps=20_000_000, payload_bytes=1472, seconds=10)


def open_paced(door: Admission, request: PacedRequest = PACED) -> PacedTerms | Refusal:
    return door.open_paced("a", request, now_ns=0, unix_ns=NOVEMBER)


@pytest.mark.parametrize(
    ("more", "code", "word"),
    [
        ({"direction": "both"}, "bad_request", "direction"),
        ({"offered_bps": 99_999}, "bad_request", "offered_bps"),
        ({"offered_bps": 10**9 + 1}, "limit", "paced_bps"),
        ({"payload_bytes": 58}, "bad_request", "payload_bytes"),
        ({"payload_bytes": 1471}, "bad_request", "payload_bytes"),
        ({"payload_bytes": 9000}, "bad_request", "payload_bytes"),
        ({"seconds": 0.0}, "bad_request", "seconds"),
        ({"seconds": 901.0}, "limit", "seconds_per_run"),
        ({"seconds": 900.0, "offered_bps": 10**9}, "limit", "bytes_per_run"),
    ],
)
def test_paced_runs_beyond_a_limit(more: dict[str, Any], code: str, word: str) -> None:
    """Rate, seconds and bytes; what a run needs is known before, so nothing begins that would be cut off."""
    door = admission(Limits(paced_bps=10**9, bytes_per_run=10**11))
    found = refused(open_paced(door, replace(PACED, **more)))
    assert found.code == code
    assert word in found.why
    assert door.runs_of("a") == []


def test_a_paced_run_and_a_rate_run_never_run_together() -> None:
    door = admission()
    terms = open_paced(door)
    assert isinstance(terms, PacedTerms)
    # 20 Mb/s for 10 s at the IP layer are 25 MB, of which 1472 of 1500 octets are payload
    assert 25_000_000 * 1472 // 1500 <= terms.bytes_max <= 25_000_000 * 1472 // 1500 + 140_000
    assert refused(open_run(door, "b")).code == "busy"
    door.close_run(terms.run, moved_bytes=5, unix_ns=NOVEMBER)
    granted(open_run(door, "b"))
    assert refused(open_paced(door)).code == "busy"


def test_a_burst_moves_its_packets_and_no_more() -> None:
    """Ten packets of 1472 octets, whatever its rate and time; more than can be told of are none."""
    burst = replace(PACED, offered_bps=10**9, burst_packets=10)
    terms = open_paced(admission(), burst)
    assert isinstance(terms, PacedTerms)
    assert (terms.burst_packets, terms.bytes_max) == (10, 11 * 1472)
    for wrong in (0, 1 << 20):
        assert "burst_packets" in refused(open_paced(admission(), replace(burst, burst_packets=wrong))).why


def test_a_paced_run_of_more_than_the_month_has_left() -> None:
    door = admission(Limits(bytes_per_month=20_000_000))
    assert "bytes_per_month" in refused(open_paced(door)).why


STREAM = StreamRequest(transport="tcp", frames_per_second=30.0, group=60, buffer_s=1.0, ip_bps=5_000_000)


def open_rehearsal(
    door: Admission, *streams: StreamRequest, seconds: float = 60.0
) -> RehearsalTerms | Refusal:
    request = RehearsalRequest(streams=streams, seconds=seconds)
    return door.open_rehearsal("a", request, now_ns=0, unix_ns=NOVEMBER)


def test_a_rehearsal_may_take_an_hour_and_no_run_goes_beside_it() -> None:
    """Its bytes are what its streams may take in its time, and a first keyframe's."""
    door = admission()
    terms = open_rehearsal(door, STREAM, replace(STREAM, transport="arq"), seconds=3600)
    assert isinstance(terms, RehearsalTerms)
    assert terms.bytes_max == pytest.approx(10_000_000 * 3600 / 8, rel=0.01)
    assert refused(open_run(door, "b")).code == "busy"
    door.close_run(terms.run, moved_bytes=1_000, unix_ns=NOVEMBER)
    assert granted(open_run(door, "b")).caller == "b"


@pytest.mark.parametrize(
    ("more", "code", "word"),
    [
        ({"transport": "quic"}, "bad_request", "transport"),
        ({"frames_per_second": 0.5}, "bad_request", "frames_per_second"),
        ({"frames_per_second": 301.0}, "bad_request", "frames_per_second"),
        ({"group": 0}, "bad_request", "group"),
        ({"buffer_s": 0.0}, "bad_request", "buffer_s"),
        ({"buffer_s": 61.0}, "bad_request", "buffer_s"),
        ({"ip_bps": 0}, "bad_request", "ip_bps"),
        ({"ip_bps": 10**9}, "limit", "paced_bps"),  # with the stream beside it
    ],
)
def test_streams_beyond_a_limit(more: dict[str, Any], code: str, word: str) -> None:
    found = refused(open_rehearsal(admission(Limits(paced_bps=10**9)), STREAM, replace(STREAM, **more)))
    assert (found.code, word in found.why) == (code, True)


@pytest.mark.parametrize(
    ("streams", "seconds", "code", "word"),
    [
        (0, 60.0, "bad_request", "streams"),
        (17, 60.0, "bad_request", "flows"),
        (1, 0.0, "bad_request", "seconds"),
        (1, 3601.0, "limit", "seconds_per_rehearsal"),
        (4, 3600.0, "limit", "bytes_per_run"),
    ],
)
def test_rehearsals_beyond_a_limit(streams: int, seconds: float, code: str, word: str) -> None:
    door = admission(Limits(bytes_per_run=5_000_000_000))
    found = refused(open_rehearsal(door, *[STREAM] * streams, seconds=seconds))
    assert (found.code, word in found.why) == (code, True)


CAPACITY = CapacityRequest(direction="down", payload_bytes=1220, seconds=10)


def open_capacity(
    door: Admission, caller: str = "a", request: CapacityRequest = CAPACITY
) -> PacedTerms | Refusal:
    return door.open_capacity(caller, request, now_ns=0, unix_ns=NOVEMBER)


@pytest.mark.parametrize("runs", [1, 4])
def test_nothing_runs_beside_a_capacity_run(runs: int) -> None:
    """One at a time on a path (RFC 9097 section 8.3), whatever the endpoint else allows at a time."""
    door = admission(Limits(runs=runs))
    terms = open_capacity(door)
    assert isinstance(terms, PacedTerms)
    assert (terms.searches, terms.up, terms.offered_bps) == (True, False, 10**10)
    for other in (open_capacity(door), open_capacity(door, "b"), open_paced(door), open_run(door, "b")):
        found = refused(other)
        assert (found.code, found.why, found.retry_after_s) == (
            "busy",
            "a capacity run is under way, and nothing else runs beside it",
            10.0,
        )
    door.close_run(terms.run, moved_bytes=5, unix_ns=NOVEMBER)
    granted(open_run(door, "b"))
    found = refused(open_capacity(door))
    assert (found.code, "has the path to itself" in found.why) == ("busy", True)


def test_a_paced_run_ends_before_its_moments_do() -> None:
    """They have 32 bits of microseconds, which are over after 4294.97 s, whatever an endpoint grants."""
    door = admission(Limits(seconds_per_run=100_000))
    request = PacedRequest(direction="up", offered_bps=100_000, payload_bytes=1472, seconds=4294)
    assert isinstance(door.open_paced("a", request, now_ns=0, unix_ns=NOVEMBER), PacedTerms)
    found = door.open_paced("b", replace(request, seconds=4295), now_ns=0, unix_ns=NOVEMBER)
    assert (refused(found).code, "4294 at most" in refused(found).why) == ("bad_request", True)


@pytest.mark.parametrize(
    ("more", "code", "word"),
    [
        ({"direction": "both"}, "bad_request", "direction"),
        ({"payload_bytes": 1221}, "bad_request", "payload_bytes"),
        ({"payload_bytes": 1476}, "bad_request", "payload_bytes"),
        ({"seconds": 1.9}, "bad_request", "seconds"),
        ({"seconds": 61.0}, "bad_request", "seconds"),
        ({"seconds": 30.0}, "limit", "seconds_per_run"),
    ],
)
def test_capacity_runs_beyond_a_limit(more: dict[str, Any], code: str, word: str) -> None:
    door = admission(Limits(seconds_per_run=20))
    found = refused(open_capacity(door, request=replace(CAPACITY, **more)))
    assert (found.code, word in found.why) == (code, True)


def test_a_capacity_run_stays_within_the_endpoints_rate_and_bytes() -> None:
    """Its rates are those of the table up to `paced_bps`; it ends at its bytes rather than not begin."""
    terms = open_capacity(admission(Limits(paced_bps=25_900_000, bytes_per_run=10_000_000)))
    assert isinstance(terms, PacedTerms)
    assert (terms.offered_bps, terms.bytes_max) == (25_000_000, 10_000_000)
    assert "paced_bps" in refused(open_capacity(admission(Limits(paced_bps=400_000)))).why


def test_a_replaced_key_is_gone() -> None:
    door = admission()
    assert door.renew(KEYS | {"a": hashlib.sha256(b"new").digest()}, {})
    assert (door.caller_of(b"a"), door.caller_of(b"new")) == (None, "a")


def test_a_new_caller_ends_nobody() -> None:
    door = admission()
    assert door.renew(KEYS | {"d": hashlib.sha256(b"d").digest()}, {})
    assert not door.renew(KEYS | {"d": hashlib.sha256(b"d").digest()}, {})
    assert (door.caller_of(b"a"), door.caller_of(b"d")) == ("a", "d")


@pytest.mark.parametrize(("direction", "flows"), [("up", (4, 0)), ("down", (0, 4)), ("both", (4, 4))])
def test_flows_by_direction(direction: str, flows: tuple[int, int]) -> None:
    terms = granted(open_run(admission(), request=RunRequest(direction=direction, flows=4, seconds=10)))
    assert (terms.up_flows, terms.down_flows) == flows


@pytest.mark.parametrize(
    ("request_", "code", "why"),
    [
        (RunRequest(direction="sideways", flows=1, seconds=1), "bad_request", "up, down or both"),
        (RunRequest(direction="up", flows=0, seconds=1), "bad_request", "flows: expected 1 or more"),
        (RunRequest(direction="up", flows=1, seconds=0), "bad_request", "seconds: expected more than 0"),
        (RunRequest(direction="up", flows=1, seconds=-5), "bad_request", "seconds: expected more than 0"),
        (RunRequest(direction="up", flows=1, seconds=1, congestion="a b"), "bad_request", "congestion"),
        (RunRequest(direction="up", flows=1, seconds=1, congestion="x" * 16), "bad_request", "congestion"),
        (
            RunRequest(direction="down", flows=4, seconds=1, down_at_most_bps=199_999),
            "bad_request",
            "down_at_most_bps: expected 50000 or more for each flow, not '199999'",
        ),
        (
            RunRequest(direction="up", flows=17, seconds=1),
            "limit",
            "at most 16 flows in each direction (flows",
        ),
        (RunRequest(direction="up", flows=1, seconds=900.1), "limit", "at most 900 s (seconds_per_run"),
    ],
)
def test_a_run_that_is_not_granted(request_: RunRequest, code: str, why: str) -> None:
    refusal = refused(open_run(admission(), request=request_))
    assert (refusal.code, why in refusal.why) == (code, True), refusal


@pytest.mark.parametrize(
    ("request_", "code", "why"),
    [
        (TrainRequest(per_second=0, packet_bytes=128), "bad_request", "per_second: expected more than 0"),
        (TrainRequest(per_second=200.5, packet_bytes=128), "limit", "at most 200 packets a second"),
        # RFC 8762 section 4.2: an authenticated packet has 112 octets
        (TrainRequest(per_second=20, packet_bytes=111), "bad_request", "packet_bytes: expected 112 to"),
        (TrainRequest(per_second=20, packet_bytes=8973), "bad_request", "packet_bytes: expected 112 to 8972"),
    ],
)
def test_a_train_that_is_not_granted(request_: TrainRequest, code: str, why: str) -> None:
    refusal = refused(admission().open_train("a", request_, now_ns=0))
    assert (refusal.code, why in refusal.why) == (code, True), refusal


def test_the_edges_are_granted() -> None:
    door = admission()
    assert isinstance(door.open_train("a", TrainRequest(per_second=200, packet_bytes=112), now_ns=0), int)
    assert granted(open_run(door, request=RunRequest(direction="up", flows=16, seconds=900))).seconds == 900


def test_ssids_are_distinct_and_not_zero() -> None:
    """RFC 8972 section 3: 16 bits, not zero, one a session."""
    door = admission(Limits(trains=2000))
    ssids = [door.open_train("a", TRAIN, now_ns=0) for _ in range(2000)]
    assert len(set(ssids)) == 2000
    assert all(isinstance(ssid, int) and 0 < ssid < 1 << 16 for ssid in ssids)


def test_trains_per_caller() -> None:
    """One caller's trains are not counted against another's, and a closed one makes room."""
    door = admission(Limits(trains=2))
    first = door.open_train("a", TRAIN, now_ns=0)
    assert isinstance(first, int)
    door.open_train("a", TRAIN, now_ns=0)
    assert refused(door.open_train("a", TRAIN, now_ns=0)).code == "limit"
    assert isinstance(door.open_train("b", TRAIN, now_ns=0), int)
    door.close_train(first)
    assert isinstance(door.open_train("a", TRAIN, now_ns=0), int)


def test_one_run_at_a_time() -> None:
    """RFC 9097 section 8.3: one capacity test at a time. The refusal says when to come again."""
    door = admission()
    terms = granted(open_run(door, "a", now_s=100))
    refusal = refused(open_run(door, "b", now_s=104))
    assert (refusal.code, refusal.retry_after_s) == ("busy", 6.0)
    door.close_run(terms.run, moved_bytes=0, unix_ns=NOVEMBER)
    assert granted(open_run(door, "b", now_s=104)).caller == "b"


def test_who_has_just_had_a_run_gives_way_to_those_who_wait() -> None:
    """Round robin, as in any fair queue: of those who come again, the one whose run is the longest ago."""
    door = admission()
    first = granted(open_run(door, "a", now_s=0))
    assert refused(open_run(door, "b", now_s=1)).code == "busy"
    door.close_run(first.run, moved_bytes=0, unix_ns=NOVEMBER)
    assert "the turn of 1 caller whose last run was before" in refused(open_run(door, "a", now_s=2)).why
    second = granted(open_run(door, "b", now_s=3))
    door.close_run(second.run, moved_bytes=0, unix_ns=NOVEMBER)
    assert refused(open_run(door, "b", now_s=3.5)).code == "busy"  # it is a's turn
    assert granted(open_run(door, "c", now_s=4)).caller == "c"  # who has had none never gives way


def test_who_gave_up_holds_nobody_for_long() -> None:
    """Told to come in 9 s, and not seen again: after 8 s nobody waits for it."""
    door = admission()
    first = granted(open_run(door, "a", now_s=0))
    assert refused(open_run(door, "b", now_s=1)).retry_after_s == 9.0
    door.close_run(first.run, moved_bytes=0, unix_ns=NOVEMBER)
    assert refused(open_run(door, "a", now_s=8.9)).code == "busy"
    assert granted(open_run(door, "a", now_s=9.1)).caller == "a"


def test_concurrent_callers() -> None:
    """A caller with something under way takes a place; its own next train does not take another."""
    door = admission(Limits(callers=1))
    first = door.open_train("a", TRAIN, now_ns=0)
    assert isinstance(first, int)
    assert isinstance(door.open_train("a", TRAIN, now_ns=0), int)
    assert refused(door.open_train("b", TRAIN, now_ns=0)).code == "busy"
    assert refused(open_run(door, "b")).code == "busy"


def test_a_silent_caller_gives_its_place_up() -> None:
    """After 10 s without a sign of life, its trains hold no place."""
    door = admission(Limits(callers=1))
    door.heard("a", now_ns=0)
    door.open_train("a", TRAIN, now_ns=0)
    assert refused(door.open_train("b", TRAIN, now_ns=10 * S)).code == "busy"
    assert isinstance(door.open_train("b", TRAIN, now_ns=10 * S + 1), int)


def test_silent_runs() -> None:
    """A run is silent once its caller was for more than 10 s; news of an older sign changes nothing."""
    door = admission()
    door.heard("a", now_ns=50 * S)
    terms = granted(open_run(door, "a", now_s=50))
    door.heard("a", now_ns=55 * S)
    door.heard("a", now_ns=20 * S)
    assert door.silent_runs(now_ns=65 * S) == []
    assert door.silent_runs(now_ns=65 * S + 1) == [terms]


def test_bytes_a_month() -> None:
    """What a run moved is booked; at the end of the allowance runs are refused until the next month."""
    door = admission(Limits(bytes_per_month=1000))
    terms = granted(open_run(door))
    assert terms.bytes_max == 1000
    door.close_run(terms.run, moved_bytes=400, unix_ns=NOVEMBER)
    assert door.bytes_left("a", unix_ns=NOVEMBER) == 600
    terms = granted(open_run(door))
    assert terms.bytes_max == 600
    door.close_run(terms.run, moved_bytes=650, unix_ns=NOVEMBER)  # a block more than it should
    refusal = refused(open_run(door))
    assert refusal.code == "allowance"
    assert "the 1 000 bytes a month" in refusal.why
    assert "until 2026-12-01 UTC" in refusal.why
    assert granted(open_run(door, unix_ns=DECEMBER)).bytes_max == 1000


def test_an_allowance_is_each_callers_own() -> None:
    ledger = Ledger()
    ledger.book("a", 1000, month="2026-11")
    door = admission(Limits(bytes_per_month=1000), ledger)
    assert refused(open_run(door, "a")).code == "allowance"
    assert granted(open_run(door, "b")).bytes_max == 1000


def test_bytes_under_way_are_set_aside() -> None:
    """Two runs at once cannot both use up what is left."""
    door = admission(Limits(runs=2, bytes_per_run=700, bytes_per_month=1000))
    assert granted(open_run(door)).bytes_max == 700
    assert granted(open_run(door)).bytes_max == 300
    door = admission(Limits(runs=3, bytes_per_month=1000))
    open_run(door)
    assert refused(open_run(door)).code == "busy"


def test_a_run_across_the_months() -> None:
    """It is booked to the month it ended in."""
    door = admission(Limits(bytes_per_month=1000))
    terms = granted(open_run(door))
    door.close_run(terms.run, moved_bytes=400, unix_ns=DECEMBER)
    assert (door.bytes_left("a", unix_ns=NOVEMBER), door.bytes_left("a", unix_ns=DECEMBER)) == (1000, 600)


def test_closing_twice_books_once() -> None:
    door = admission(Limits(bytes_per_month=1000))
    terms = granted(open_run(door))
    for _ in range(2):
        door.close_run(terms.run, moved_bytes=400, unix_ns=NOVEMBER)
    assert door.bytes_left("a", unix_ns=NOVEMBER) == 600


def test_each_sees_its_own() -> None:
    door = admission()
    terms = granted(open_run(door, "a"))
    ssid = door.open_train("b", TRAIN, now_ns=0)
    assert (door.runs_of("a"), door.runs_of("b")) == ([terms.run], [])
    assert (door.trains_of("a"), door.trains_of("b")) == ([], [ssid])


@given(
    st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(["train", "run", "end"])), max_size=40),
    st.builds(Limits, callers=st.integers(1, 3), runs=st.integers(1, 3), trains=st.integers(1, 3)),
)
def test_no_sequence_exceeds_a_limit(asked: list[tuple[str, str]], limits: Limits) -> None:
    """Whatever is asked in whatever order, no more is under way than the limits say."""
    door = admission(limits)
    for caller, what in asked:
        if what == "train":
            door.open_train(caller, TRAIN, now_ns=0)
        elif what == "run":
            open_run(door, caller)
        for run in door.runs_of(caller) if what == "end" else ():
            door.close_run(run, moved_bytes=1, unix_ns=NOVEMBER)
    runs = {name: len(door.runs_of(name)) for name in KEYS}
    trains = {name: len(door.trains_of(name)) for name in KEYS}
    assert sum(runs.values()) <= limits.runs
    assert max(trains.values()) <= limits.trains
    assert sum(bool(runs[name] or trains[name]) for name in KEYS) <= limits.callers


def test_a_paced_run_each_way_is_one() -> None:
    """As a rate run both ways is: they need one place, whoever waits; a second pair, or a burst, has none."""
    door = admission()
    assert isinstance(open_paced(door), PacedTerms)
    assert refused(open_run(door, "b")).code == "busy"
    assert refused(open_paced(door)).code == "busy"  # the same way again
    down = replace(PACED, direction="down")
    assert refused(open_paced(door, replace(down, burst_packets=20))).code == "busy"
    assert isinstance(open_paced(door, down), PacedTerms)
    for again in (PACED, down):
        assert refused(open_paced(door, again)).code == "busy"
    assert refused(open_run(door, "a")).code == "busy"
    two = admission(Limits(runs=2))
    assert all(isinstance(open_paced(two, each), PacedTerms) for each in (PACED, down, PACED, down))
    assert refused(open_paced(two)).code == "busy"
