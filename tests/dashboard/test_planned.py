"""A plan's answer is the same wherever it is told, and an earlier check of the same evening lowers it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from commands import reading
from dashboard.judge import before
from dashboard.judge.changes import Kind
from dashboard.judge.stream import Answer
from dashboard.pages import shows, today
from store import site as sites
from store.clock import NS_PER_S, Clock
from store.reader import Reader
from store.shows import LookedAt
from store.site import Site
from store.writer import Writer
from tests.dashboard.judge import made
from tests.dashboard.judge.made import at, run, span
from tests.store import samples

NOW = at("2026-03-10 18:50")
PLAN = made.plan()
BAD = LookedAt(what="stalls of the last 30 min", found="bad", said="12 in 30 min of trains.")


@pytest.fixture
def site(tmp_path: Path) -> Site:
    """Evenings that hold on both uplinks, and a check of tonight that found the own one bad."""
    found = made.site(PLAN)
    (old,) = found.handoffs
    found = replace(found, database=tmp_path / "line.db", handoffs=(old, replace(old, name="A")))
    writer = Writer.open(found.database, clock=Clock(), timezone=found.timezone)
    for day in (2, 3, 4, 5, 9):
        for hour in (18, 19, 20):
            for name in ("old", "A"):
                start_ns = at(f"2026-03-{day:02d} {hour}:00")
                writer.append(replace(span(start_ns, seconds=3600.0), handoff=name))
                runs = [
                    replace(run(18_000_000, started_unix_ns=start_ns + k * 60 * NS_PER_S), handoff=name)
                    for k in range(4)
                ]
                for one in runs:
                    writer.append(one)
    check = replace(
        samples.forecast(NOW - 3600 * NS_PER_S),
        plan=PLAN.name,
        show_start_unix_ns=at("2026-03-10 19:00"),
        show_end_unix_ns=at("2026-03-10 21:00"),
        rows=(BAD,),
    )
    writer.append(check)
    writer.close()
    return found


@pytest.fixture
def reader(site: Site) -> Iterator[Reader]:
    opened = Reader.open(site.database)
    yield opened
    opened.close()


def test_an_earlier_check_lowers_the_command_as_it_does_the_pages(
    site: Site, reader: Reader, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`linebook check` without a new look, Today and Shows: the same answer, reason and change."""
    monkeypatch.setattr(sites, "load", lambda _: site)
    monkeypatch.setattr(reading, "Clock", lambda: Clock(unix_ns=lambda: NOW))
    asked = argparse.Namespace(site=site.file, plan=PLAN.name, before=None, keep=False, paper=[], json=True)
    assert reading.check(asked) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["answer"] == "hold"
    assert told["because"] == "Looked at Tue 17:50, stalls of the last 30 min: 12 in 30 min of trains."
    for page in (today, shows):
        (plan,) = page.as_json(page.find(reader, site=site, now_ns=NOW))["plans"]
        for name in ("answer", "because", "smallest_change"):
            assert plan[name] == told[name], (page.__name__, name)


def test_what_helps_a_lowered_answer_is_another_uplink_alone(site: Site, reader: Reader) -> None:
    """Comparable hours know nothing of what is wrong tonight: no change within the plan is said to help, none
    at all where the house is what is wrong."""
    (found,) = shows.find(reader, site=site, now_ns=NOW).planned
    assert [(one.kind, one.handoff, one.answer) for one in found.check.options] == [(Kind.UPLINK, "A", "go")]
    assert found.check.smallest_change == "Sending it by handoff A makes it Go."
    house = replace(BAD, what="house segment")
    assert before.still_helping(found.check, Answer.HOLD, house, PLAN) == ()


def test_shows_that_overlap_on_one_handoff_are_said_to(site: Site, reader: Reader) -> None:
    """One that begins an hour later, one after it, one elsewhere: only the first is planned meanwhile."""
    later, after = (
        replace(PLAN.times, from_minute=hour * 60, to_minute=(hour + 2) * 60) for hour in (20, 21)
    )
    plans = (
        PLAN,
        replace(PLAN, name="later", title="Later", times=later),
        replace(PLAN, name="after", title="After", times=after),
        replace(PLAN, name="far", title="Far", handoff="A"),
    )
    told = shows.find(reader, site=replace(site, plans=plans), now_ns=NOW)
    notes = {one.plan.name: one.notes for one in told.planned}
    assert notes["evening"][0].startswith("Planned meanwhile on the same handoff: Later. This answer is for")
    assert [len(notes[name]) for name in ("later", "after", "far")] == [1, 1, 0]
    assert "Later and" not in notes["after"][0]
