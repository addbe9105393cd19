"""Cases as they are read: whole, whatever time is asked for, and against plain SQL; their words."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from store import case_words, fault_log
from store.cases import Case, cases
from store.clock import Clock, zone
from store.events import Event, EventKind
from store.reader import Reader
from store.records import Owner
from store.writer import Writer
from tests.store.test_cases import MIN, event

DAY_MIN = 24 * 60


drawn_days = st.lists(
    st.builds(
        event,
        st.integers(0, 30 * DAY_MIN) | st.integers(14 * DAY_MIN, 14 * DAY_MIN + 300),
        st.sampled_from([*EventKind, EventKind.OUTAGE_START, EventKind.OUTAGE_END, EventKind.STALL]),
        handoff=st.sampled_from(["A", "B", ""]),
        endpoint=st.sampled_from(["n", "s"]),
        seconds=st.none() | st.floats(0, 900),
    ),
    max_size=40,
)


def written(path: Path, *events: Event) -> Path:
    writer = Writer.open(path, clock=Clock())
    for one in events:
        writer.append(one)
    writer.close()
    return path


def read(path: Path, since_min: float, until_min: float, now_min: float) -> tuple[Case, ...]:
    with closing(Reader.open(path)) as reader:
        return fault_log.read(
            reader,
            gap_s=600,
            since_ns=round(since_min * MIN),
            until_ns=round(until_min * MIN),
            now_ns=round(now_min * MIN),
        )


@pytest.fixture
def stalling(tmp_path: Path) -> Path:
    """Stalls every five minutes over two midnights, an outage that began a week before, and an old port."""
    base = 40 * DAY_MIN
    return written(
        tmp_path / "line.db",
        event(base - 20 * DAY_MIN, EventKind.PORT, owner=Owner.HOUSE),
        event(base - 7 * DAY_MIN, EventKind.OUTAGE_START, handoff="B", endpoint="n"),
        *(event(base + 5 * nth) for nth in range(-100, 600)),
    )


def test_a_case_is_the_same_whatever_time_is_asked_for(stalling: Path) -> None:
    base, now = 40 * DAY_MIN, 50 * DAY_MIN
    (outage, whole) = read(stalling, base - DAY_MIN, base + 3 * DAY_MIN, now)
    assert [len(outage.events), len(whole.events)] == [1, 700]
    for since in range(-8, 50, 7):
        found = read(stalling, base + 60 * since, base + 60 * since + 30, now)
        assert found == (outage, whole), since


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(drawn_days, st.integers(0, 30 * DAY_MIN), st.integers(1, 3 * DAY_MIN))
def test_reading_a_part_finds_the_cases_of_the_whole(
    tmp_path: Path, events: list[Event], since: int, length: int
) -> None:
    """What is read is what joining all events on record gives."""
    path = tmp_path / "line.db"
    path.unlink(missing_ok=True)
    written(path, *events)
    now = 40 * DAY_MIN
    window = {"since_ns": since * MIN, "until_ns": (since + length) * MIN}
    every = cases(events, gap_s=600, now_ns=now * MIN)
    assert read(path, since, since + length, now) == tuple(one for one in every if one.touches(**window))


def test_an_outage_that_lasts_is_found_on_any_later_day(stalling: Path) -> None:
    found = read(stalling, 43 * DAY_MIN, 44 * DAY_MIN, 45 * DAY_MIN)
    assert [(one.handoff, one.under_way) for one in found] == [("B", True)]


def test_no_event_is_lost_or_told_twice(stalling: Path) -> None:
    """Against plain SQL."""
    found = read(stalling, 0, 50 * DAY_MIN, 50 * DAY_MIN)
    with closing(sqlite3.connect(stalling)) as connection:
        (counted,) = connection.execute("SELECT count(*) FROM document WHERE kind = 'event'").fetchone()
    assert sum(len(one.events) for one in found) == counted == 702


def test_days_are_local_and_may_have_23_hours() -> None:
    """29 March 2026 in Lisbon, when summer time begins (IANA tz database)."""
    since_ns, until_ns = fault_log.days(date(2026, 3, 29), date(2026, 3, 29), where=zone("Europe/Lisbon"))
    assert (until_ns - since_ns) // 10**9 == 23 * 3600


class TestWords:
    @pytest.mark.parametrize("kind", EventKind)
    @pytest.mark.parametrize("owner", Owner)
    def test_every_kind_has_a_sentence_and_a_next_step(self, kind: EventKind, owner: Owner) -> None:
        (case,) = cases([event(0, kind, endpoint="north", owner=owner)], gap_s=600, now_ns=0)
        assert case_words.says(case).startswith("Handoff A: ")
        assert case_words.says(case).endswith(".")
        assert case_words.next_step(case).endswith(".")

    def said(self, *events: Event, now_min: float = 10_000) -> str:
        (case,) = cases(events, gap_s=600, now_ns=round(now_min * MIN))
        return case_words.says(case)

    def test_an_outage_that_two_trains_saw_is_one(self) -> None:
        starts = [event(0, EventKind.OUTAGE_START, endpoint=name) for name in ("north", "south")]
        assert self.said(*starts) == "Handoff A: outage, north and south silent."
        ends = [event(1, EventKind.OUTAGE_END, endpoint=name, seconds=60.0) for name in ("north", "south")]
        assert (
            self.said(*starts, *ends) == "Handoff A: outage, north and south silent, the longest for 1 min."
        )
        assert self.said(*starts, ends[0]) == (
            "Handoff A: outage, north and south silent for 1 min; south silent still."
        )

    def test_a_night_of_stalls_is_counted(self) -> None:
        minutes = [replace(event(nth, seconds=1.0 + nth / 10), count=3) for nth in range(20)]
        assert self.said(*minutes) == "Handoff A: 60 stalls, the longest 2.9 s."

    def test_a_pulled_lead_that_came_back_slower(self) -> None:
        lost = replace(event(0, EventKind.CARRIER_LOST), says="no carrier on port eth1")
        back = event(0.7, EventKind.CARRIER_BACK, seconds=42.0)
        slow = replace(event(0.7, EventKind.PORT), says="port eth1 runs at 100 Mb/s, before at 1 Gb/s")
        assert self.said(lost, back, slow) == (
            "Handoff A: no carrier on port eth1, 42 s; port eth1 runs at 100 Mb/s, before at 1 Gb/s."
        )
        (case,) = cases([lost, back, slow], gap_s=600, now_ns=10**18)
        assert case_words.next_step(case).startswith("Change the lead")
        (case,) = cases([lost], gap_s=600, now_ns=10**18)
        assert case_words.next_step(case).startswith("Look at the port's light")
        assert self.said(lost) == "Handoff A: no carrier on port eth1, and not back."

    def test_what_concerns_all_names_no_handoff(self) -> None:
        clock = replace(event(0, EventKind.CLOCK, handoff=""), says="the clock was set by +0.420 s")
        assert self.said(clock) == "The clock was set by +0.420 s."

    def test_the_object_for_programs(self) -> None:
        (case,) = cases([event(1, seconds=1.5)], gap_s=600, now_ns=MIN)
        found = json.loads(json.dumps(case_words.as_json(case)))
        assert {"kind", "schema", "started", "standing", "reasons"} <= set(found)
        assert (found["id"], found["open"], found["ended"]) == ("A-line-60000000000", True, None)
        assert found["events"][0]["seconds"] == 1.5


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(1.3, "1.3 s"), (42, "42 s"), (600, "10 min"), (11_100, "3 h 5 min"), (187_200, "2 d 4 h")],
)
def test_lengths(seconds: float, said: str) -> None:
    assert case_words.length(seconds) == said
