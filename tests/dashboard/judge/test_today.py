"""Notices: what is said, in which order, who must act, and which words are never used."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard import history
from dashboard.judge import today
from dashboard.judge.today import Notice
from store.cases import cases
from store.clock import NS_PER_S
from store.events import Event, EventKind
from store.layers import Layer
from store.records import Direction, Failed, Owner, Record, Skipped
from store.site import Card, RunPlan, Safety, Site
from tests.dashboard.judge.made import at, destination, plan, run, site, span, stall

NOW = at("2026-03-09 17:30")  # a Monday, an hour and a half before the class
HOUR = 3600 * NS_PER_S
DAY = 24 * HOUR
CARD = Card(rate_up_bps=15_000_000, layer=Layer.PAYLOAD)
FRESH = span(NOW - 60 * NS_PER_S)
FAILED = Failed(
    what="run rate",
    why="the endpoint gave no answer",
    whose=Owner.ENDPOINT,
    started_unix_ns=NOW - HOUR,
    handoff="old",
    endpoint="north",
)
SKIPPED = Skipped(
    what="run rate", why="show window evening", planned_unix_ns=NOW - HOUR, handoff="old", endpoint="north"
)


def noticed(
    made: Site, *records: Record, now_ns: int = NOW, events: Sequence[Event] = ()
) -> tuple[Notice, ...]:
    """The notices, with the verdicts and answers that the same records give."""
    return today.notices(
        made,
        records,
        verdicts=[
            one
            for handoff in made.handoffs
            for one in history.verdicts(made, handoff, records, now_unix_ns=now_ns)
        ],
        checks={one.name: history.check(made, one, records, now_unix_ns=now_ns) for one in made.plans},
        now_unix_ns=now_ns,
        cases=cases(events, gap_s=600, now_ns=now_ns),
    )


def texts(found: Sequence[Notice]) -> str:
    return "\n".join(f"{notice.text} {notice.next_step}" for notice in found)


def runs(rate_bps: int, n: int = 59) -> list[Record]:
    """Runs in the evenings of the three weeks before."""
    evenings = [back for back in range(1, 22) if back % 7 not in (1, 2)]  # Monday to Friday
    return [
        run(
            rate_bps,
            started_unix_ns=NOW + 2 * HOUR - evenings[place % len(evenings)] * DAY + place * NS_PER_S,
        )
        for place in range(n)
    ]


def test_nothing_measured_comes_before_all_else() -> None:
    """An empty database: the house must start the probe."""
    found = noticed(site(plan(), card=CARD))
    assert (found[0].text, found[0].owner) == ("Nothing has been measured yet.", Owner.HOUSE)


def test_a_record_that_ended_long_ago_is_not_none() -> None:
    """All of it is older than the four weeks that are looked at."""
    made = site()
    (found,) = today.notices(made, [], verdicts=[], checks={}, now_unix_ns=NOW, measured=True)
    assert found.text == "Nothing has been measured for weeks."


def test_old_records_are_named_by_their_age() -> None:
    """Three hours without a record, and the gap is neither good nor bad."""
    found = noticed(site(), span(NOW - 3 * HOUR - 60 * NS_PER_S))
    assert found[0].text.startswith("The newest measurement is 3 h old")
    assert not noticed(site(), FRESH)


def test_minutes_of_an_outage_that_lasts_may_wait_and_are_no_gap() -> None:
    """The probe keeps them up to ten minutes until it is known whether the endpoint was away."""
    began = NOW - 9 * 60 * NS_PER_S
    outage = Event(
        handoff="A",
        endpoint="north",
        started_unix_ns=began,
        what=EventKind.OUTAGE_START,
        says="nothing came back",
        owner=Owner.UNKNOWN,
    )
    last = span(began - 60 * NS_PER_S)
    assert "newest measurement" not in texts(noticed(site(), last, events=[outage]))
    late = noticed(site(), last, events=[outage], now_ns=NOW + 8 * 60 * NS_PER_S)
    assert "The newest measurement is 17 min old" in texts(late)
    assert "The newest measurement is 9 min old" in texts(noticed(site(), last))


@pytest.mark.parametrize(
    ("rate_bps", "card", "owner", "says"),
    [
        (9_200_000, CARD, Owner.PROVIDER, "not met"),
        (16_900_000, CARD, None, ": met."),
        (14_600_000, replace(CARD, layer=Layer.NOT_STATED), Owner.HOUSE, "At which layer"),
        (15_000_000, CARD, None, "undecided"),
    ],
)
def test_contract(rate_bps: int, card: Card, owner: Owner | None, says: str) -> None:
    """One notice a stated direction: who acts, and what is asked of the provider when the card is silent."""
    (found,) = noticed(site(card=card), FRESH, *runs(rate_bps))
    assert found.owner is owner
    assert says in f"{found.text} {found.next_step}"


def test_house_endpoints_never_convict_the_line() -> None:
    """Slow runs inside the house leave the line untested."""
    inside = [replace(one, endpoint="lan") for one in runs(1_000_000) if hasattr(one, "flows")]
    (found,) = noticed(site(card=CARD), FRESH, *inside)
    assert "not tested" in found.text


def test_the_next_show_gets_its_answer() -> None:
    """The class at 19:00 on a floor of 5.1: Hold comes first, with the change that helps as the next step."""
    trains: list[Record] = [span(NOW + HOUR - back * DAY, seconds=7200.0) for back in (3, 4, 5)]
    found = noticed(site(plan(destination(4_500_000))), FRESH, *trains, *runs(5_100_000))
    assert found[0].text.startswith("Evening class on handoff old, Mon 09 Mar 19:00: Hold.")
    assert found[0].next_step.startswith("class at 1080p30")


def test_a_show_beyond_a_day_is_not_judged_yet() -> None:
    """Friday's noon has no class within 24 hours."""
    friday = at("2026-03-13 12:00")
    assert noticed(site(plan()), span(friday - 60 * NS_PER_S), now_ns=friday) == ()


def test_stalls_of_the_last_hours() -> None:
    """Counted with the longest and its local time; older ones and those of void spans are left out."""
    found = noticed(
        site(),
        FRESH,
        span(NOW - HOUR, seconds=1800.0),
        span(NOW - 3 * HOUR, seconds=1800.0, reasons=("late_schedule",)),
        stall(NOW - HOUR + 30 * NS_PER_S, seconds=2.4, how="lost"),
        stall(NOW - HOUR + 90 * NS_PER_S, seconds=0.7),
        stall(NOW - 3 * HOUR + NS_PER_S, seconds=9.0),
        stall(NOW - 7 * HOUR, seconds=9.0),
    )
    assert [notice.text for notice in found] == [
        "Old line: 2 stalls observed in the last 6 hours, the longest 2.4 s at 16:30:30; 1 with every packet "
        "lost, 1 with every packet held."
    ]


def test_light_runs_are_left_out_and_said_to_be() -> None:
    """A line that reaches its rate in every full run is met, whatever light runs beside them carried."""
    light = [run(1_500_000, started_unix_ns=NOW - nth * HOUR, light=True) for nth in range(1, 60)]
    (found,) = (
        one for one in noticed(site(card=CARD), FRESH, *runs(16_900_000), *light) if "upload" in one.text
    )
    assert "upload: met. " in found.text
    assert "left out: 59 runs (59 light)" in found.text


def test_failed_and_skipped_runs() -> None:
    """A failure goes to whom it belongs, with its reason; a skipped run is no trouble."""
    failed, skipped = noticed(site(), FRESH, FAILED, SKIPPED)
    assert (failed.owner, skipped.owner) == (Owner.ENDPOINT, None)
    assert "the endpoint gave no answer" in failed.text
    assert "show window evening" in skipped.text


def test_what_has_not_happened_yet_is_not_told() -> None:
    """Records from after the time asked about, as a page that looks back has them."""
    assert noticed(site(), FRESH, replace(FAILED, started_unix_ns=NOW + 1)) == ()


@given(
    st.sampled_from([1_000_000, 9_200_000, 15_000_000, 16_900_000]),
    st.integers(0, 70),
    st.sampled_from(Layer),
    st.lists(st.floats(0.5, 30), max_size=5),
)
def test_words_that_are_never_used(rate_bps: int, n: int, layer: Layer, silences: list[float]) -> None:
    """No word of intent, none that claims more than a measurement; each notice is whole sentences."""
    made = site(plan(), card=replace(CARD, layer=layer))
    gone = [
        stall(NOW - HOUR + place * 60 * NS_PER_S, seconds=each, direction=Direction.BOTH)
        for place, each in enumerate(silences)
    ]
    found = noticed(made, span(NOW - HOUR, seconds=3600.0), *runs(rate_bps, n), *gone, FAILED, SKIPPED)
    banned = r"\b(cheat\w*|throttl\w*|lie[ds]?|lying|fraud|always|never|prove[nsd]?)\b"
    assert not re.search(banned, texts(found), re.IGNORECASE)
    assert all(notice.text.endswith((".", "?")) and notice.next_step for notice in found)
    assert [notice.weight for notice in found] == sorted((notice.weight for notice in found), reverse=True)


def test_a_silence_of_two_trains_is_one_stall() -> None:
    """Two seconds in which nothing passed, as two trains to outside saw them, are not two stalls."""
    made = site()
    far = replace(made.endpoints[0], name="south")
    both = [
        replace(one, endpoint=name)
        for name in ("north", "south")
        for one in (span(NOW - HOUR, seconds=3000.0), stall(NOW - HOUR + 30 * NS_PER_S, seconds=2.0))
    ]
    (found,) = noticed(replace(made, endpoints=(*made.endpoints, far)), FRESH, *both)
    assert "Old line: 1 stall observed" in found.text
    assert "1 with every packet held." in found.text


ANSWERED = Safety(emergency_calls=False, alarms=False, medical_devices=False)
HOURLY = RunPlan(handoff="old", endpoint="north", direction=Direction.UP, seconds=10, flows=4, every_s=3600)


@pytest.mark.parametrize(
    ("safety", "runs_", "step"),
    [
        (ANSWERED, (), "Schedule rate runs in this direction"),
        (ANSWERED, (HOURLY,), "Let the schedule run on"),
        (ANSWERED, (replace(HOURLY, share_ratio=0.1),), "Schedule rate runs"),
        (ANSWERED, (replace(HOURLY, endpoint="lan"),), "Schedule rate runs"),
        (Safety(), (HOURLY,), "Answer the safety questions"),
    ],
)
def test_what_an_untested_rate_wants(safety: Safety, runs_: tuple[RunPlan, ...], step: str) -> None:
    """On its first day a schedule needs no other one; without answers to the safety questions none helps."""
    made = site(card=CARD)
    made = replace(made, handoffs=(replace(made.handoffs[0], safety=safety),), runs=runs_)
    (found,) = noticed(made, FRESH)
    assert "not tested" in found.text
    assert found.next_step.startswith(step)


@pytest.mark.parametrize(("day", "told"), [(9, 1), (10, 0)])
def test_a_circuit_that_nobody_has_yet_is_not_untested(day: int, told: int) -> None:
    """Its handover is tomorrow, or today."""
    card = replace(CARD, handover=date(2026, 3, day), service_start=date(2026, 3, 1))
    assert len(noticed(site(card=card), FRESH)) == told
