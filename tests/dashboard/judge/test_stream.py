"""Go, Tight, Hold or Unknown against the worked plans of an invented practice site; what never improves it.

The worked plans are hand arithmetic: a class of 4.85 Mb/s, its rescue rung of 2.73, three destinations
of 29.1 with a peak of 34.3, on floors of 5.1, 15.8 and 548 Mb/s of payload; demand within 0.7 of the
floor and peak within 0.85 (common practice, no source).
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import stream
from dashboard.judge.bursting import Bucket
from dashboard.judge.changes import Kind
from dashboard.judge.stream import Answer, Check
from store.clock import NS_PER_S, local
from store.records import Direction, RateRun, Stall, TrainSpan
from store.site import Destination, StreamPlan, Times, Transport
from tests.dashboard.judge.made import EVENINGS, ZONE, at, destination, plan, run, span, stall

NOW = at("2026-03-09 12:00")  # a Monday; its show is at 19:00
MORNINGS = replace(EVENINGS, from_minute=8 * 60, to_minute=10 * 60)
SATURDAY = Times(weekdays=frozenset({5}), dates=frozenset(), from_minute=900, to_minute=1080)
CLASS = destination(4_500_000)
RESCUE = destination(2_500_000, audio_bps=128_000)
PUSH = destination(6_500_000, name="push", frames_per_second=60.0)
ARQ = destination(
    14_000_000, name="contribution", transport=Transport.ARQ, buffer_s=1.5, picture="2160p30 HEVC"
)
OPENING = (PUSH, replace(PUSH, name="mirror"), ARQ)
WORSE = [Answer.GO, Answer.TIGHT, Answer.HOLD]
R = TypeVar("R", RateRun, TrainSpan)


def days(times: Times) -> list[int]:
    """The starts of a plan's comparable hours in the four weeks before NOW."""
    day = 86_400 * NS_PER_S
    noons = [NOW - back * day for back in range(1, 28)]
    weekend = min(times.weekdays) >= 5
    alike = [noon for noon in noons if (local(noon, ZONE).weekday() >= 5) is weekend]
    return [noon + (times.from_minute - 60 - 720) * 60 * NS_PER_S for noon in alike]


def runs(times: Times, floor_bps: int, usual_bps: int, *, n: int = 59) -> list[RateRun]:
    """So many runs in comparable hours, the slowest at the floor."""
    starts = days(times)
    return [
        run(usual_bps if place else floor_bps, started_unix_ns=starts[place % len(starts)] + place * NS_PER_S)
        for place in range(n)
    ]


def spans(times: Times, *, seconds: float = 3 * 3600, **bent: object) -> list[TrainSpan]:
    """One span over each day's comparable hours."""
    return [span(start, seconds=seconds, **bent) for start in days(times)]


def stalls(times: Times, *, per_hour: int, lengths_s: Sequence[float], how: str = "held") -> list[Stall]:
    """Stalls evenly over the three hours of each day, their lengths in turn."""
    step_ns = 3600 * NS_PER_S // per_hour
    found = [start + (place + 1) * step_ns for start in days(times) for place in range(3 * per_hour - 1)]
    return [
        stall(start, seconds=lengths_s[place % len(lengths_s)], how=how) for place, start in enumerate(found)
    ]


def checked(
    made: StreamPlan,
    found: Sequence[RateRun],
    train: Sequence[TrainSpan],
    silences: Sequence[Stall] = (),
    **more: Any,
) -> Check:
    return stream.check(made, runs=found, spans=train, stalls=silences, now_unix_ns=NOW, zone=ZONE, **more)


def micro_stalls() -> list[Stall]:
    """Five an hour, 1.48 s on average, packets held."""
    return stalls(EVENINGS, per_hour=5, lengths_s=(0.6, 1.0, 1.3, 1.6, 2.0, 2.4))


def evening(*destinations: Destination, n: int = 59) -> Check:
    """A plan on the old line in the evening: floor 5.1, five stalls an hour."""
    found = runs(EVENINGS, 5_100_000, 9_200_000, n=n)
    return checked(plan(*destinations), found, spans(EVENINGS), micro_stalls())


def test_the_class_in_the_evening() -> None:
    """4.85 on a floor of 5.1: Hold. A lower rung is the only change left, and 4.16 x 1.04 = 4.33 of 5.28 is
    82 %, so the first rung down already makes it Tight."""
    found = evening(CLASS)
    assert found.answer is Answer.HOLD
    assert "capacity" in found.reasons
    assert found.demand_bps / 1e6 == pytest.approx(4.85, abs=0.005)
    assert found.floor_goodput_bps == 5_100_000
    assert found.floor_bps == pytest.approx(5_100_000 * 1500 / 1448, abs=2)  # at the IP layer, as demand is
    assert found.smallest_change == "class at 1080p30 (4.00 Mb/s of video) makes it Tight."


def test_a_line_that_cannot_carry_the_plan_says_what_happens() -> None:
    """6.93 on a floor of 5.1: a buffer of 1 s overflows after 3.8 s, then 26 % of the frames go."""
    floor_bps = 5_100_000 * 1448 // 1500
    found = checked(plan(PUSH), runs(EVENINGS, floor_bps, floor_bps), spans(EVENINGS))
    assert (
        "a buffer of 1 s is full after 3.8 s, and from then on 26 % of the picture is lost" in found.because
    )


def test_the_rescue_rung_in_the_evening() -> None:
    """2.73 fits, and stalls that outlast a second of buffer make it Tight; a longer buffer makes it Go."""
    found = evening(RESCUE)
    assert (found.answer, found.reasons) == (Answer.TIGHT, ("stalls",))
    assert found.stalls_per_hour == pytest.approx(
        14 / 3, abs=0.01
    )  # the last of three hours' fifteen is left out
    assert found.smallest_change == "Raising the buffer of class to 2.4 s makes it Go."


def test_the_class_in_the_morning() -> None:
    """4.85 on a floor of 15.8 with hardly a stall: Go."""
    found = checked(plan(CLASS, times=MORNINGS), runs(MORNINGS, 15_800_000, 16_900_000), spans(MORNINGS), ())
    assert (found.answer, found.smallest_change, found.reasons) == (Answer.GO, None, ())


@pytest.mark.parametrize("floor_bps", [5_100_000, 15_800_000, 18_000_000])
def test_three_destinations_on_the_old_line(floor_bps: int) -> None:
    """29.1 and a peak of 34.3 on 18 Mb/s: Hold at any hour, and nothing within the plan fits the evening."""
    found = checked(plan(*OPENING, times=SATURDAY), runs(SATURDAY, floor_bps, floor_bps), spans(SATURDAY), ())
    assert found.answer is Answer.HOLD
    assert found.demand_bps / 1e6 == pytest.approx(29.1, abs=0.05)
    assert found.peak_bps / 1e6 == pytest.approx(34.3, abs=0.05)
    assert found.keyframes_bytes / 1000 == pytest.approx(622, abs=1)
    if floor_bps == 5_100_000:
        assert found.smallest_change is None
        assert "nothing within the plan helps" in found.because


def test_three_destinations_on_the_new_circuit() -> None:
    """A floor of 548: Go, with 5 to 6 % of it used."""
    found = checked(
        plan(*OPENING, times=SATURDAY), runs(SATURDAY, 548_000_000, 570_000_000, n=59), spans(SATURDAY), ()
    )
    assert found.answer is Answer.GO


def test_dropping_one_destination_is_tried_first() -> None:
    """29.1 of a floor of 30 at the IP layer is Hold; without the 2160p30 destination 13.85 is Go, without a
    push 22.2 is 74 % and Tight: the cheaper loss that improves is named."""
    floor_bps = 30_000_000 * 1448 // 1500
    found = checked(plan(*OPENING, times=SATURDAY), runs(SATURDAY, floor_bps, floor_bps), spans(SATURDAY), ())
    assert found.answer is Answer.HOLD
    assert found.smallest_change == "Dropping push makes it Tight."


@pytest.mark.parametrize(
    ("n", "share", "answer"),
    [
        (59, 0.69, Answer.GO),
        (59, 0.71, Answer.TIGHT),
        (59, 0.84, Answer.TIGHT),
        (59, 0.86, Answer.HOLD),
        (58, 0.49, Answer.GO),
        (58, 0.51, Answer.TIGHT),
        (58, 0.69, Answer.TIGHT),
        (58, 0.71, Answer.HOLD),
        (1, 0.49, Answer.GO),
    ],
)
def test_shares_of_the_floor(n: int, share: float, answer: Answer) -> None:
    """0.7 of an exact floor, 0.5 with fewer than 59 runs; Tight to 0.85 and to 0.7. Peaks of 1.1 fit in."""
    demand_bps = (4_500_000 + 160_000) * 1.004 * 1500 / 1448
    floor_bps = int(demand_bps / share * 1448 / 1500)
    found = checked(plan(CLASS), runs(EVENINGS, floor_bps, floor_bps, n=n), spans(EVENINGS))
    assert (found.answer, found.floor_exact) == (answer, n >= 59)


@pytest.mark.parametrize(
    ("peak_factor", "answer"),
    [(1.69, Answer.GO), (1.71, Answer.TIGHT), (1.99, Answer.TIGHT), (2.01, Answer.HOLD)],
)
def test_peaks(peak_factor: float, answer: Answer) -> None:
    """Demand at half of the floor: a peak of 0.85 of it is still Go, the whole of it Tight."""
    demand_bps = (4_500_000 + 160_000) * 1.004 * 1500 / 1448
    floor_bps = int(demand_bps / 0.5 * 1448 / 1500)
    made = plan(replace(CLASS, peak_factor=peak_factor))
    assert checked(made, runs(EVENINGS, floor_bps, floor_bps), spans(EVENINGS)).answer is answer


@pytest.mark.parametrize(
    ("per_hour", "seconds", "answer"),
    [
        (1, 0.9, Answer.GO),
        (1, 1.1, Answer.TIGHT),
        (12, 1.1, Answer.TIGHT),
        (13, 1.1, Answer.HOLD),
        (2, 30.0, Answer.HOLD),
    ],
)
def test_stall_headroom_alone(per_hour: int, seconds: float, answer: Answer) -> None:
    """With capacity to spare: none outlasts 1 s, some, more than twelve an hour, over 1 % of the show."""
    silences = stalls(EVENINGS, per_hour=per_hour, lengths_s=(seconds,))
    found = checked(plan(CLASS), runs(EVENINGS, 100_000_000, 100_000_000), spans(EVENINGS), silences)
    assert found.answer is answer


@pytest.mark.parametrize(
    ("found", "train", "codes"),
    [
        ([], spans(EVENINGS), ("no_runs",)),
        (runs(EVENINGS, 9_200_000, 9_200_000), [], ("no_train",)),
        ([], [], ("no_runs", "no_train")),
        (runs(MORNINGS, 9_200_000, 9_200_000), spans(MORNINGS), ("no_runs", "no_train")),
    ],
)
def test_unknown_says_what_is_missing(
    found: list[RateRun], train: list[TrainSpan], codes: tuple[str, ...]
) -> None:
    """No run, no train, or only ones of other hours."""
    answer = checked(plan(CLASS), found, train)
    assert (answer.answer, answer.reasons, answer.smallest_change) == (Answer.UNKNOWN, codes, None)
    assert ("let the schedule's runs go" in answer.because) is ("no_runs" in codes)


def test_what_does_not_count_is_passed_over() -> None:
    """Void runs, spans left out, stalls seen only in those, stalls down, and records over four weeks old."""
    old = 29 * 86_400 * NS_PER_S
    made = [
        *runs(EVENINGS, 100_000_000, 100_000_000),
        run(1_000_000, started_unix_ns=days(EVENINGS)[0], reasons=("aborted",)),
        run(1_000_000, started_unix_ns=days(EVENINGS)[0] - old),
        run(
            1_000_000,
            started_unix_ns=days(EVENINGS)[0],
            endpoint="north",
            limited_by="path",
            reasons=("wireless",),
        ),
    ]
    first, *rest = spans(EVENINGS)
    train = [replace(first, reasons=("endpoint_restarted",)), *rest]
    silences = [
        stall(first.started_unix_ns, seconds=60.0),
        stall(rest[0].started_unix_ns, seconds=60.0, direction=Direction.DOWN),
    ]
    found = checked(plan(CLASS), made, train, silences)
    assert (found.answer, found.n_runs, found.stalls_per_hour) == (Answer.GO, 59, 0.0)


@pytest.mark.parametrize("light_bps", [500_000, 50_000_000])
def test_light_runs_leave_the_floor_as_it_is(light_bps: int) -> None:
    """Neither one that asked for little nor one that asked for more than the floor is a run of the floor."""
    full = runs(EVENINGS, 5_100_000, 9_200_000)
    light = [run(light_bps, started_unix_ns=one.started_unix_ns + NS_PER_S, light=True) for one in full]
    alone, beside = (
        checked(plan(CLASS), found, spans(EVENINGS), micro_stalls()) for found in (full, [*full, *light])
    )
    assert alone == beside
    only = checked(plan(CLASS), light, spans(EVENINGS))
    assert (only.answer, only.floor_bps, only.reasons) == (Answer.UNKNOWN, None, ("no_runs",))


@pytest.mark.parametrize(
    ("count", "seconds", "answer"),
    [
        (28, 2.4, Answer.GO),  # 28 in 57 h are 0.49 an hour
        (29, 2.4, Answer.TIGHT),
        (5, 4905.0, Answer.GO),  # an outage of 82 min says no more of buffers than one of 10 s
        (6, 4905.0, Answer.HOLD),  # more than one in ten hours
        (6, 9.9, Answer.GO),
    ],
)
def test_rare_stalls_and_outages(count: int, seconds: float, answer: Answer) -> None:
    """Go allows fewer than one freeze in two hours (0.4 an hour in the morning of the invented old line), and
    outages of more than 10 s up to one in ten hours."""
    starts = days(EVENINGS)
    silences = [
        stall(starts[place % 19] + (600 + place // 19 * 5000) * NS_PER_S, seconds=seconds)
        for place in range(count)
    ]
    found = checked(plan(CLASS), runs(EVENINGS, 100_000_000, 100_000_000), spans(EVENINGS), silences)
    assert found.answer is answer


def test_packets_lost_in_stalls_are_judged_as_stalls() -> None:
    """An outage that lost 4 % of all packets is no loss that cuts a conversation's rate."""
    train = spans(EVENINGS, lost_up=0)
    lost = round(0.04 * sum(one.sent for one in train))
    broken = [replace(train[0], lost_up=lost), *train[1:]]
    outage = stall(train[0].started_unix_ns, seconds=2000.0, how="lost", lost=lost)
    talk = plan(replace(RESCUE, transport=Transport.RTP))
    made = runs(EVENINGS, 100_000_000, 100_000_000)
    assert checked(talk, made, broken).answer is Answer.TIGHT
    found = checked(talk, made, broken, [outage])
    assert (found.answer, found.loss_up_ratio) == (Answer.GO, 0.0)
    assert "outages of more than 10 s an hour among them" in found.because


def test_no_stall_seen_supports_a_bound() -> None:
    """None in 57 hours supports fewer than 3 in 57 hours: 0.0526, said as 0.06."""
    found = checked(plan(CLASS), runs(EVENINGS, 100_000_000, 100_000_000), spans(EVENINGS))
    assert "57.0 h of trains saw no stall, which supports fewer than 0.06 an hour" in found.because


def test_half_an_hour_of_train_is_the_least_for_go() -> None:
    """With less, Tight, and no change to the plan is offered for it."""
    made = runs(EVENINGS, 100_000_000, 100_000_000)
    brief = [span(days(EVENINGS)[0], seconds=1799.0)]
    found = checked(plan(CLASS), made, brief)
    assert (found.answer, found.reasons, found.smallest_change) == (Answer.TIGHT, ("train_short",), None)
    assert "nothing within" not in found.because
    assert checked(plan(CLASS), made, [span(days(EVENINGS)[0], seconds=1800.0)]).answer is Answer.GO


@pytest.mark.parametrize(
    ("transport", "lost", "answer"),
    [
        (Transport.RTP, 24, Answer.GO),  # of 1200: 2 %
        (Transport.RTP, 25, Answer.TIGHT),
        (Transport.RTP, 61, Answer.HOLD),
        (Transport.ARQ, 61, Answer.TIGHT),
        (Transport.TCP, 61, Answer.GO),  # what loss does to TCP is in the floor
    ],
)
def test_loss_by_transport(transport: Transport, lost: int, answer: Answer) -> None:
    """Above 2 to 5 % a real-time sender cuts its rate, repeats are good for 1 to 5 % (common practice)."""
    made = plan(replace(CLASS, transport=transport))
    found = checked(made, runs(EVENINGS, 100_000_000, 100_000_000), spans(EVENINGS, lost_up=lost))
    assert found.answer is answer


def test_keyframes_that_a_limit_drops_make_it_tight() -> None:
    """622 kB at one instant: Tight behind a policer of 1.4 Gb/s that lets 128 kB pass at once; Go when 4 MB
    pass, when nobody looked, and when a shaper holds them for 3 ms."""
    policer = Bucket(
        cbs_bytes=128_000, rate_bps=1_400_000_000, line_bps=10_000_000_000, drops=True, source="burst run"
    )
    cases = {
        policer: Answer.TIGHT,
        replace(policer, cbs_bytes=4_000_000): Answer.GO,
        replace(policer, drops=False): Answer.GO,
        None: Answer.GO,
    }
    for bucket, answer in cases.items():
        found = checked(
            plan(*OPENING, times=SATURDAY),
            runs(SATURDAY, 1_200_000_000, 1_300_000_000),
            spans(SATURDAY),
            buckets={} if bucket is None else {"old": bucket},
        )
        assert (found.answer, found.bucket) == (answer, bucket)
        assert ("keyframes" in found.reasons) is (answer is Answer.TIGHT)


def test_what_the_house_sends_beside_the_show_counts() -> None:
    """4.85 and 2 beside are 6.85 of a floor of 8.3 at the IP layer, 83 %: Tight where 4.85 alone is Go."""
    floor_bps = 8_000_000
    alone = plan(CLASS)
    both = replace(alone, beside_bps=2_000_000)
    answers = [checked(made, runs(EVENINGS, floor_bps, floor_bps), spans(EVENINGS)) for made in (alone, both)]
    assert [each.answer for each in answers] == [Answer.GO, Answer.TIGHT]
    assert answers[1].demand_bps - answers[0].demand_bps == 2_000_000
    assert "2.00 Mb/s of it beside the show" in answers[1].because


def elsewhere(records: Sequence[R], handoff: str) -> list[R]:
    """The same records of another handoff."""
    return [replace(each, handoff=handoff) for each in records]


def test_every_change_that_helps_is_named() -> None:
    """29.1 of 30 at the IP layer: one destination less, a rung less, the other uplink, a relay (15.25 of 30
    is 51 %). A longer buffer helps nothing where rate lacks."""
    floor_bps = 30_000_000 * 1448 // 1500
    here = runs(SATURDAY, floor_bps, floor_bps), spans(SATURDAY)
    there = (
        elsewhere(runs(SATURDAY, 548_000_000, 570_000_000), "A"),
        elsewhere(spans(SATURDAY), "A"),
    )
    found = checked(
        plan(*OPENING, times=SATURDAY),
        [*here[0], *there[0]],
        [*here[1], *there[1]],
        uplinks=("old", "A"),
        thorough=True,
    )
    assert [(one.kind, one.answer) for one in found.options] == [
        (Kind.DROP, "tight"),
        (Kind.RUNG, "go"),  # 14 down to 4: 18.3 of 30 is 61 %
        (Kind.UPLINK, "go"),
        (Kind.RELAY, "go"),
    ]
    assert found.options[2].text == "Sending it by handoff A makes it Go."
    assert found.options[3].destinations == (ARQ,)
    assert found.smallest_change == found.options[0].text


def test_another_uplink_where_nothing_within_the_plan_helps() -> None:
    """29.1 on 5.1 is Hold whatever is dropped; an uplink of which nothing is known is not offered."""
    here = runs(SATURDAY, 5_100_000, 5_100_000), spans(SATURDAY)
    made = plan(*OPENING, times=SATURDAY)
    there = elsewhere(runs(SATURDAY, 548_000_000, 570_000_000), "A")
    watched = elsewhere(spans(SATURDAY), "A")
    found = checked(made, [*here[0], *there], [*here[1], *watched], uplinks=("old", "A"))
    assert found.smallest_change == "Sending it by handoff A makes it Go."
    unwatched = checked(made, [*here[0], *there], here[1], uplinks=("old", "A"))
    assert unwatched.smallest_change is None


def test_a_longer_latency_says_what_it_outlasts() -> None:
    """Stalls of 0.5 s with all packets lost: ARQ with repeats of 25 % needs 0.021 + 0.5/0.25 = 2.021 s, in
    tenths 2.1, which outlast 0.25 x (2.1 - 0.021) = 0.52 s."""
    made = replace(ARQ, picture=None)
    found = checked(
        plan(made),
        runs(EVENINGS, 100_000_000, 100_000_000),
        spans(EVENINGS),
        stalls(EVENINGS, per_hour=2, lengths_s=(0.5,), how="lost"),
    )
    assert found.answer is Answer.TIGHT
    assert found.smallest_change == (
        "Raising the latency of contribution to 2.1 s (ARQ then outlasts 0.52 s without any packet) makes it "
        "Go."
    )
    assert found.survives_s == pytest.approx(0.37, abs=0.001)
    ((name, latency),) = found.latencies
    assert (name, latency.latency_s) == ("contribution", pytest.approx(2.03, abs=0.001))


def test_json_has_what_other_programs_rely_on() -> None:
    """The common head, the answer, and rates as integers."""
    found = stream.as_json(evening(CLASS))
    assert {
        "kind": "check",
        "schema": 1,
        "started": "2026-03-09T12:00:00.000Z",
        "standing": "valid",
    }.items() <= (found.items())
    assert found["answer"] == "hold"
    assert found["reasons"] == ["capacity"]
    for name in ("demand_bps", "peak_bps", "floor_bps"):
        assert isinstance(found[name], int)
    for name in ("because", "smallest_change"):
        assert isinstance(found[name], str)


def test_json_of_unknown() -> None:
    """No figure is made up: void, the floor and the change null."""
    found = stream.as_json(checked(plan(CLASS), [], []))
    assert (found["answer"], found["standing"], found["floor_bps"], found["smallest_change"]) == (
        "unknown",
        "void",
        None,
        None,
    )


plans = st.builds(
    lambda video, transport, buffer_s: replace(
        CLASS, video_bps=video, transport=transport, buffer_s=buffer_s
    ),
    st.integers(500_000, 12_000_000),
    st.sampled_from(Transport),
    st.sampled_from([0.3, 1.0, 2.5]),
)
silence = st.tuples(st.integers(0, 3 * 3599), st.floats(0.5, 12), st.sampled_from(["lost", "held", "mixed"]))
EVENING_RUNS = runs(EVENINGS, 9_000_000, 10_000_000)
EVENING_SPANS = spans(EVENINGS)[:2]


def placed(found: Sequence[tuple[int, float, str]]) -> list[Stall]:
    return [
        stall(days(EVENINGS)[0] + after_s * NS_PER_S, seconds=seconds, how=how)
        for after_s, seconds, how in found
    ]


@given(plans, st.lists(silence, min_size=1, max_size=12), st.floats(0, 10), st.data())
def test_a_longer_stall_never_improves_an_answer(
    made: Destination, found: list[tuple[int, float, str]], more_s: float, data: st.DataObject
) -> None:
    """Any one of them."""
    place = data.draw(st.integers(0, len(found) - 1))
    start_s, seconds, how = found[place]
    longer = [*found[:place], (start_s, seconds + more_s, how), *found[place + 1 :]]
    answers = [
        WORSE.index(checked(plan(made), EVENING_RUNS, EVENING_SPANS, placed(each)).answer)
        for each in (found, longer)
    ]
    assert answers[0] <= answers[1]


@given(plans, st.lists(silence, min_size=1, max_size=8), st.floats(0, 5))
def test_a_larger_buffer_never_worsens_an_answer(
    made: Destination, found: list[tuple[int, float, str]], more_s: float
) -> None:
    """Or a longer latency: the same line, the same stalls."""
    larger = replace(made, buffer_s=made.buffer_s + more_s)
    answers = [
        WORSE.index(checked(plan(each), EVENING_RUNS, EVENING_SPANS, placed(found)).answer)
        for each in (made, larger)
    ]
    assert answers[1] <= answers[0]


@given(plans, st.lists(silence, max_size=8), st.integers(0, 5_000_000))
def test_a_larger_demand_never_improves_an_answer(
    made: Destination, found: list[tuple[int, float, str]], more_bps: int
) -> None:
    """More video on the same line, with the same stalls."""
    larger = replace(made, video_bps=made.video_bps + more_bps)
    answers = [
        WORSE.index(checked(plan(each), EVENING_RUNS, EVENING_SPANS, placed(found)).answer)
        for each in (made, larger)
    ]
    assert answers[0] <= answers[1]


@given(plans, st.integers(0, 1200), st.integers(0, 1200))
def test_more_loss_never_improves_an_answer(made: Destination, one: int, other: int) -> None:
    """On the way up, and where its direction is not known."""
    answers = []
    for lost in sorted((one, other)):
        train = [
            replace(each, lost_up=lost // 2, lost_unattributed=lost - lost // 2) for each in EVENING_SPANS
        ]
        answers.append(WORSE.index(checked(plan(made), EVENING_RUNS, train).answer))
    assert answers[0] <= answers[1]


@given(plans, st.lists(silence, max_size=6), st.randoms(use_true_random=False))
def test_the_order_of_records_does_not_matter(
    made: Destination, found: list[tuple[int, float, str]], chance: random.Random
) -> None:
    """Judges sort for themselves."""
    records = [*EVENING_RUNS], [*EVENING_SPANS], placed(found)
    straight = checked(plan(made), *records)
    for each in records:
        chance.shuffle(each)
    assert checked(plan(made), *records) == straight


@given(plans, st.lists(silence, max_size=6))
def test_a_change_does_what_it_says(made: Destination, found: list[tuple[int, float, str]]) -> None:
    """Go and nothing to change, or a change whose word is better than the answer."""
    answer = checked(plan(made, CLASS), EVENING_RUNS, EVENING_SPANS, placed(found))
    if answer.smallest_change is None:
        assert answer.answer is Answer.GO or "nothing within the plan helps" in answer.because
    else:
        word = answer.smallest_change.rsplit(maxsplit=1)[1].rstrip(".").lower()
        assert WORSE.index(Answer(word)) < WORSE.index(answer.answer)


def test_destinations_are_shared_out_among_uplinks() -> None:
    """Hold on 18 Mb/s together; one push of 6.93 is 37 % of it, two are 74 and Tight, so two of the three go
    by A."""
    here = runs(SATURDAY, 18_000_000, 18_000_000), spans(SATURDAY)
    there = elsewhere(runs(SATURDAY, 548_000_000, 570_000_000), "A"), elsewhere(spans(SATURDAY), "A")
    found = checked(
        plan(*OPENING, times=SATURDAY),
        [*here[0], *there[0]],
        [*here[1], *there[1]],
        uplinks=("old", "A"),
        thorough=True,
    )
    assert found.shares is not None
    assert dict(found.shares.carries) == {"push": "A", "mirror": "old", "contribution": "A"}
    assert found.notes == (
        "Best shared out: push and contribution by handoff A; mirror by handoff old. Together Go.",
    )
    assert stream.as_json(found)["uplinks"] == dict(found.shares.carries)


@pytest.mark.parametrize(
    ("transport", "added_ms", "answer"),
    [
        (Transport.RTP, 99, Answer.GO),
        (Transport.RTP, 101, Answer.HOLD),
        (Transport.TCP, 299, Answer.GO),
        (Transport.TCP, 640, Answer.HOLD),
    ],
)
def test_beside_an_upload(transport: Transport, added_ms: int, answer: Answer) -> None:
    """1.4 MB of queue at 18 Mb/s add 622 ms: over 100 ms spoils guests, over 300 ms everything (common
    practice). The show alone stays Go."""
    made = plan(replace(RESCUE, transport=transport))
    found = checked(
        made, runs(EVENINGS, 18_000_000, 18_000_000), spans(EVENINGS), upload_adds_ms={"old": added_ms}
    )
    assert (found.answer, found.beside_upload) == (Answer.GO, answer)
    assert bool(found.notes) is (answer is Answer.HOLD)


@pytest.mark.parametrize(
    ("figure", "text"),
    [(0, "0.0"), (0.018, "0.02"), (0.44, "0.4"), (0.96, "1.0"), (3.12, "3.1"), (128.4, "128")],
)
def test_what_was_seen_is_never_written_as_none(figure: float, text: str) -> None:
    """One stall in 56 hours is not 0.0 an hour."""
    assert stream.few(figure) == text
