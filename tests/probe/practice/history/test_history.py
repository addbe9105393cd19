"""The invented months are what their script says, the same from the same seed, and what the writer stores."""

from __future__ import annotations

import statistics
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import TypeVar

import pytest

import linebook
from dashboard import found
from dashboard.judge import findings
from probe.practice.history import command, place, write
from probe.practice.history.records import bounds_ns, records, started_ns
from probe.practice.history.script import CLEAN, FIRST_DAY, MONTHS, TIMEZONE, USUAL, last_day
from store import site as sites
from store.clock import NS_PER_S, local, zone
from store.errors import UserMistake
from store.reader import Reader
from store.records import Gap, RateRun, Record, Stall, TrainSpan
from tests.examined import days, site_of

R = TypeVar("R", bound=Record)
WHERE = zone(TIMEZONE)
SUNDAY = date(2026, 3, 1)


def week(first: date, last: date, kind: type[R]) -> list[R]:
    return [one for one in records(first, last, handoff="old-wan") if isinstance(one, kind)]


def test_the_same_from_the_same_seed() -> None:
    """A day alone is the day within a week, and another seed is another day."""
    day = date(2026, 3, 3)
    since_ns, until_ns = bounds_ns(day, day)
    alone = list(records(day, day, handoff="old-wan"))
    week_of_it = records(date(2026, 3, 2), date(2026, 3, 4), handoff="old-wan")
    within = [one for one in week_of_it if since_ns <= started_ns(one) < until_ns]
    assert within == alone
    assert list(records(SUNDAY, SUNDAY, handoff="old-wan", seed=29)) != list(
        records(SUNDAY, SUNDAY, handoff="old-wan")
    )


def test_rates_are_the_script_s() -> None:
    """Up 16.9 Mb/s at the median and 15.8 at the 5th percentile outside the sag, 9.2 in it (trade, 9.2)."""
    runs = [one for one in week(date(2026, 3, 2), date(2026, 3, 8), RateRun) if one.up]
    kept = [one for one in runs if "other_traffic" not in one.reasons]
    hours = {id(one): local(one.started_unix_ns, WHERE) for one in kept}
    day = [one.up.rates.goodput_bps / 1e6 for one in kept if one.up and 4 <= hours[id(one)].hour < 17]
    evening = [one.up.rates.goodput_bps / 1e6 for one in kept if one.up and 19 <= hours[id(one)].hour < 22]
    assert statistics.median(day) == pytest.approx(16.9, abs=0.15)
    assert statistics.quantiles(day, n=20)[0] == pytest.approx(15.8, abs=0.3)
    assert statistics.median(evening) == pytest.approx(9.2, abs=0.7)
    downs = [one.down.rates.goodput_bps / 1e6 for one in week(SUNDAY, SUNDAY, RateRun) if one.down]
    assert 260 <= min(downs) <= max(downs) <= 272


def test_silences_and_gaps_are_the_script_s() -> None:
    """The outage of 19 March lasts 81 min 45 s; on the 21st the probe is off, and nothing is measured."""
    (outage,) = {
        (one.started_unix_ns // NS_PER_S, one.seconds)
        for one in week(date(2026, 3, 19), date(2026, 3, 19), Stall)
        if one.seconds > 10 and one.endpoint == "north"
    }
    assert local(outage[0] * NS_PER_S, WHERE).isoformat()[:19] == "2026-03-19T16:41:20"
    assert outage[1] == 81 * 60 + 45
    (gap,) = week(date(2026, 3, 21), date(2026, 3, 21), Gap)
    spans = week(date(2026, 3, 21), date(2026, 3, 21), TrainSpan)
    assert (gap.ended_unix_ns - gap.started_unix_ns) / NS_PER_S == 7.5 * 3600
    assert not [one for one in spans if gap.started_unix_ns <= one.started_unix_ns < gap.ended_unix_ns]
    assert sum(one.seconds for one in spans if one.endpoint == "north") == 16.5 * 3600


def test_spans_count_what_they_say() -> None:
    """Received is sent less lost, and every histogram counts the received."""
    for one in week(date(2026, 3, 10), date(2026, 3, 10), TrainSpan):
        assert one.sent == one.received + one.lost
        assert one.rtt.count == one.pdv_up.count == one.pdv_down.count == one.received


def test_months() -> None:
    assert (FIRST_DAY, last_day(MONTHS), last_day(1)) == (
        date(2026, 3, 1),
        date(2027, 8, 31),
        date(2026, 3, 31),
    )


def test_kiln_list(tmp_path: Path) -> None:
    """Tuesdays and Thursdays but in the week with the kiln off, as `findings --list` reads it."""
    path = tmp_path / "kiln.csv"
    path.write_text(place.kiln_list(USUAL, date(2026, 4, 30)))
    marks = found.read_list(path, WHERE)
    told = [local(mark.started_unix_ns, WHERE) for mark in marks]
    assert {moment.weekday() for moment in told} == {1, 3}
    assert {moment.date() for moment in told}.isdisjoint({date(2026, 4, 7), date(2026, 4, 9)})
    assert len(told) == 16


def test_writer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A day through the writer: sealed, all of it there, and the judges see in it what they see without."""
    made = write.write(tmp_path / "made", last=SUNDAY)
    with closing(Reader.open(made.database)) as reader:
        since_ns, until_ns = bounds_ns(SUNDAY, SUNDAY)
        site = sites.load(made.site)
        stored = found.examined(reader, site, site.handoff("old-wan"), since_ns=since_ns, until_ns=until_ns)
        counts = (
            len(reader.rate_runs(bins=False)),
            len(reader.train_spans(histograms=False)),
            len(reader.stalls()),
        )
    drawn = list(records(SUNDAY, SUNDAY))
    assert counts == tuple(
        sum(isinstance(one, kind) for one in drawn) for kind in (RateRun, TrainSpan, Stall)
    )
    assert made.records == len(drawn)
    straight = days(site_of(tmp_path), "old-wan", SUNDAY, SUNDAY)
    assert [one.number for one in stored.found] == [one.number for one in straight.findings]
    assert linebook.main(["verify", str(made.database)]) == 0
    assert "verified" in capsys.readouterr().out
    again = command.make(tmp_path / "made", months=1, say=lambda _: None)
    assert again.written is None
    shown, clock = command.end_of(again)
    assert (shown, local(clock.unix_ns(), WHERE).isoformat()[:19]) == (SUNDAY, "2026-03-01T23:59:59")
    with pytest.raises(UserMistake, match="is there already"):
        write.write(tmp_path / "made")


def test_command_mistakes(capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["practice", "--history"]) == 2
    assert "--history needs --keep DIR" in capsys.readouterr().err


def test_clean_script(tmp_path: Path) -> None:
    """Without faults there is but the queue of the modem, which any full line meets."""
    first = date(2026, 3, 2)
    clean = days(site_of(tmp_path), "old-wan", first, date(2026, 3, 8), script=CLEAN)
    assert {one.number for one in findings.find(clean.material())} == {8}
