"""Rate runs under safety, allowance and metering, as the daemon lives them in jumping time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from probe import allowance
from probe.load_rate import ROWS, most_bytes
from probe.schedule import midnight_ns
from store.capacity import CapacityRun
from store.clock import NS_PER_S, Clock, local, zone
from store.loaded_delay import LoadedDelayRun
from store.pace import FULL, Pace
from store.paced import PacedRun
from store.reader import Reader
from store.records import Direction, Failed, Owner, RateRun, Skipped, TrainSpan
from store.site import EVENINGS, Method, Safety, Times, WindowKind
from store.writer import Writer
from tests.probe.sites import EVERY_DAY, handoff, run_plan, site, train_plan, window
from tests.probe.test_daemon import HOUR_S, FakeRate, lived
from tests.store import samples

LISBON = zone("Europe/Lisbon")
NIGHT = Times(weekdays=EVERY_DAY, dates=frozenset(), from_minute=22 * 60, to_minute=6 * 60)


def utc_ns(text: str) -> int:
    """A moment in UTC as Unix nanoseconds."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * NS_PER_S


@pytest.mark.parametrize("first", ["2026-03-28 00:00", "2026-10-24 00:00", "2028-02-28 00:00"])
def test_three_days_of_full_runs_have_one_each_evening(first: str) -> None:
    """Over both clock changes and a leap day: four runs a day, one at least from 18:00 to 23:00 local."""
    rate = FakeRate()
    day = datetime.fromisoformat(first).date()
    from_ns = midnight_ns(day, where=LISBON)
    ends_ns = midnight_ns(day.fromordinal(day.toordinal() + 3), where=LISBON)
    lived(
        site(runs=(run_plan(every_s=6 * 3600),)),
        for_s=(ends_ns - from_ns) / NS_PER_S,
        rate=rate,
        from_ns=from_ns,
    )
    starts = [local(began_ns, LISBON) for _, began_ns, _ in rate.runs]
    assert 12 == len(starts)
    evenings = {start.toordinal() - day.toordinal() for start in starts if 18 <= start.hour < 23}
    assert {0, 1, 2} == evenings


def test_nothing_fills_a_line_that_nobody_answered_for() -> None:
    """Every slot says which keys to write; the train goes on."""
    open_ = replace(handoff(), safety=Safety())
    rate = FakeRate()
    kept = lived(
        site(handoffs=(open_,), runs=(run_plan(every_s=3600),), trains=(train_plan(),)),
        for_s=3 * HOUR_S,
        rate=rate,
    )
    assert [] == rate.runs
    assert 180 == len(kept.of(TrainSpan))
    assert 3 == len(kept.of(Skipped))
    assert all(
        key in one.why for one in kept.of(Skipped) for key in ("emergency_calls", "alarms", "medical_devices")
    )


def test_no_run_in_the_hours_that_are_never_allowed() -> None:
    """22:00 to 06:00 by the local clock: of a day of hourly runs eight are skipped with the reason."""
    asked = replace(handoff(), safety=replace(handoff().safety, alarms=True, never=(NIGHT,)))
    rate = FakeRate()
    kept = lived(
        site(handoffs=(asked,), runs=(run_plan(every_s=3600),)),
        for_s=24 * HOUR_S,
        rate=rate,
        from_ns=midnight_ns(datetime(2026, 6, 3, tzinfo=UTC).date(), where=LISBON),
    )
    assert list(range(6, 22)) == [local(began_ns, LISBON).hour for _, began_ns, _ in rate.runs]
    assert ["it would touch hours of [safety] in which nothing may fill the line"] * 8 == [
        one.why for one in kept.of(Skipped)
    ]


def test_a_metered_line_gets_runs_only_when_the_site_file_says_so() -> None:
    """Common practice, no source: paid by volume, so not without being told."""
    told = replace(handoff(), metered=True, metered_runs=True)
    kept = lived(site(handoffs=(told,), runs=(run_plan(every_s=3600),)), for_s=3 * HOUR_S)
    assert 3 == len(kept.of(RateRun))


def test_a_run_of_the_schedule_knows_the_moment_that_was_drawn_for_it() -> None:
    """So that a reader sees that nobody chose it."""
    rate = FakeRate()
    kept = lived(site(runs=(run_plan(every_s=3600),)), for_s=3 * HOUR_S, rate=rate)
    assert [began_ns for _, began_ns, _ in rate.runs] == [
        run.circumstances.planned_unix_ns for run in kept.of(RateRun)
    ]
    assert {None} == {run.circumstances.campaign for run in kept.of(RateRun)}


def test_a_paced_run_is_a_run_in_every_rule() -> None:
    """Its hours, slot and allowance are those of any run; it costs what it offers: 20 Mb/s for 10 s."""
    offering = replace(run_plan(every_s=3600), method=Method.PACED, offered_bps=20_000_000)
    limited = replace(handoff(), allowance_bytes=60_000_000, safety=replace(handoff().safety, never=(NIGHT,)))
    run = replace(samples.paced(handoff="A"), spent_bytes=25_000_000)
    rate = FakeRate(outcome=lambda number: run)
    kept = lived(
        site(handoffs=(limited,), runs=(offering,)),
        for_s=24 * HOUR_S,
        rate=rate,
        from_ns=midnight_ns(datetime(2026, 6, 3, tzinfo=UTC).date(), where=LISBON),
    )
    runs = kept.of(PacedRun)
    assert 1 <= len(runs) == len(rate.runs) <= 2  # 60 MB hold two of them
    assert 24 == len(runs) + len(kept.of(Skipped))
    assert all(run.circumstances.planned_unix_ns is not None for run in runs)
    assert all(6 <= local(began_ns, LISBON).hour < 22 for _, began_ns, _ in rate.runs)
    assert allowance.once_bytes(offering, limited.card) == 25_000_000


def test_a_loaded_delay_run_is_a_run_in_every_rule() -> None:
    """It costs what its loads do by the card, up, down and both; no allowance for all of that, no run."""
    loads = (Direction.UP, Direction.DOWN, Direction.BOTH)
    loaded = replace(
        run_plan(every_s=3600), method=Method.LOADED_DELAY, direction=Direction.BOTH, loads=loads
    )
    card = replace(handoff().card, rate_up_bps=20_000_000, rate_down_bps=100_000_000)
    cost = 2 * (20_000_000 + 100_000_000) * loaded.seconds // 8
    assert allowance.once_bytes(loaded, card) == cost
    assert allowance.once_bytes(loaded, replace(card, rate_down_bps=None)) is None
    limited = replace(
        handoff(),
        card=card,
        allowance_bytes=int(1.5 * cost),
        safety=replace(handoff().safety, never=(NIGHT,)),
    )
    run = replace(samples.loaded_delay(handoff="A"), spent_bytes=cost)
    rate = FakeRate(outcome=lambda number: run)
    kept = lived(
        site(handoffs=(limited,), runs=(loaded,)),
        for_s=24 * HOUR_S,
        rate=rate,
        from_ns=midnight_ns(datetime(2026, 6, 3, tzinfo=UTC).date(), where=LISBON),
    )
    (found,) = kept.of(LoadedDelayRun)
    assert found.circumstances.planned_unix_ns is not None
    assert len(kept.of(Skipped)) == 23
    assert all(6 <= local(began_ns, LISBON).hour < 22 for _, began_ns, _ in rate.runs)


def test_a_paced_run_that_failed_says_what_it_was() -> None:
    refused = Failed(what="run paced", why="refused", whose=Owner.ENDPOINT)
    offering = replace(run_plan(every_s=3600), method=Method.PACED, offered_bps=20_000_000)
    rate = FakeRate(outcome=lambda number: refused)
    kept = lived(site(runs=(offering,)), for_s=3 * HOUR_S, rate=rate)
    assert {"run paced"} == {one.what for one in kept.of(Failed)}


def test_a_capacity_run_fills_the_line_so_every_rule_holds_for_it() -> None:
    """Hours, slot and allowance; forecast at the card's rate, 20 Mb/s up for 10 s, which it is never told."""
    searching = replace(run_plan(every_s=3600, seconds=10), direction=Direction.UP, method=Method.CAPACITY)
    limited = replace(handoff(), allowance_bytes=60_000_000, safety=replace(handoff().safety, never=(NIGHT,)))
    run = replace(samples.capacity(handoff="A"), spent_bytes=25_000_000)
    rate = FakeRate(outcome=lambda number: run)
    kept = lived(
        site(handoffs=(limited,), runs=(searching,)),
        for_s=24 * HOUR_S,
        rate=rate,
        from_ns=midnight_ns(datetime(2026, 6, 3, tzinfo=UTC).date(), where=LISBON),
    )
    runs = kept.of(CapacityRun)
    assert 1 <= len(runs) == len(rate.runs) <= 2  # 60 MB hold two of them
    skipped = kept.of(Skipped)
    assert (24 - len(runs), {"run capacity"}) == (len(skipped), {one.what for one in skipped})
    assert all(6 <= local(began_ns, LISBON).hour < 22 for _, began_ns, _ in rate.runs)
    assert allowance.once_bytes(searching, limited.card) == 25_000_000
    fast = replace(limited.card, rate_up_bps=10**10)  # a search of 10 s does not come to 10 Gb/s x 10 s
    assert allowance.once_bytes(searching, fast) == most_bytes(10, ROWS - 1) < 10**10 * 10 / 8 / 2


def test_no_capacity_run_before_the_safety_question_is_answered() -> None:
    searching = replace(run_plan(every_s=3600), direction=Direction.UP, method=Method.CAPACITY)
    rate = FakeRate()
    kept = lived(
        site(handoffs=(replace(handoff(), safety=Safety()),), runs=(searching,)), for_s=3 * HOUR_S, rate=rate
    )
    assert rate.runs == []
    assert all("nobody has answered" in one.why for one in kept.of(Skipped))


def test_thinned_days_keep_their_evening_run() -> None:
    """At 80 % with eight days to go: far fewer runs than slots, one each evening, within the allowance."""
    limited = replace(handoff(), allowance_bytes=10**10)
    rate = FakeRate()
    kept = lived(
        site(handoffs=(limited,), runs=(run_plan(every_s=3600),)),
        for_s=8 * 24 * HOUR_S,
        rate=rate,
        from_ns=utc_ns("2026-06-22 23:00"),
        spent_bytes={"A": 8 * 10**9},
    )
    starts = [local(began_ns, LISBON) for _, began_ns, _ in rate.runs]
    assert 8 * 24 == len(kept.of(RateRun)) + len(kept.of(Skipped))
    assert len(starts) <= 2 * 10**9 / 25_000_000
    assert set(range(23, 31)) <= {start.day for start in starts if 18 <= start.hour < 23}


def test_a_train_keeps_to_its_hours() -> None:
    """18:00 to 23:00 in Lisbon is 17:00 to 22:00 UTC in June; what lies between is no gap."""
    asked = site(trains=(replace(train_plan(), times=EVENINGS),))
    kept = lived(asked, for_s=48 * HOUR_S, from_ns=utc_ns("2026-06-03 00:00"))
    spans = kept.of(TrainSpan)
    assert kept.records == spans
    assert 2 * 5 * 3600 == round(sum(span.seconds for span in spans))
    assert {18, 19, 20, 21, 22} == {local(span.started_unix_ns, LISBON).hour for span in spans}


def test_what_failed_runs_may_have_moved_survives_a_restart(tmp_path: Path) -> None:
    """The estimate is in the database, and a month's sum has it: 25 MB of a failed run, 7 and 3 of others."""
    path = tmp_path / "line.db"
    writer = Writer.open(path, clock=Clock())
    failed = Failed(what="run rate", why="refused", whose=Owner.ENDPOINT, handoff="A", started_unix_ns=5)
    for record in (
        replace(failed, spent_bytes=25_000_000),
        failed,
        replace(samples.run(), handoff="A", started_unix_ns=5, spent_bytes=7_000_000),
        replace(samples.paced(), handoff="A", started_unix_ns=5, spent_bytes=3_000_000),
        replace(samples.capacity(), handoff="A", started_unix_ns=5, spent_bytes=2_000_000),
    ):
        writer.append(record)
    writer.close()
    reader = Reader.open(path)
    assert [37_000_000, 0] == [reader.spent_bytes("A", since_ns) for since_ns in (5, 6)]
    reader.close()


class TestLight:
    """A share of the rate of handoff A, 20 Mb/s up and 250 down; its card names no layer."""

    def test_it_is_asked_for_its_share_and_no_other_run_is(self) -> None:
        """The lowest payload that a tenth can mean: of a full packet of 1538 octets on the wire 1428 are
        payload (RFC 6349 section 4.1.1, RFC 8468 section 5)."""
        light = replace(run_plan(every_s=3600, seconds=5), direction=Direction.BOTH, share_ratio=0.1)
        rate = FakeRate()
        lived(site(runs=(light, run_plan(every_s=3600))), for_s=6 * HOUR_S, rate=rate)
        paces = {plan.light: pace for (plan, _, _), pace in zip(rate.runs, rate.paces, strict=True)}
        share = Pace(up_bps=round(2_000_000 * 1428 / 1538), down_bps=round(25_000_000 * 1428 / 1538))
        assert {True: share, False: FULL} == paces

    @pytest.mark.parametrize("kind", [WindowKind.SHOW, WindowKind.QUIET])
    def test_it_keeps_out_of_the_windows_of_full_runs(self, kind: WindowKind) -> None:
        """And what is skipped does not call itself a rate run, which a verdict would count."""
        light = replace(run_plan(every_s=3600, seconds=5), share_ratio=0.1)
        rate = FakeRate()
        shut = window(kind, minutes=(0, 24 * 60))
        kept = lived(site(runs=(light,), windows=(shut,)), for_s=3 * HOUR_S, rate=rate)
        assert [] == rate.runs
        assert [("light run", True)] * 3 == [
            (one.what, f"{kind} window" in one.why) for one in kept.of(Skipped)
        ]

    def test_it_keeps_out_of_the_hours_that_are_never_allowed(self) -> None:
        asked = replace(handoff(), safety=replace(handoff().safety, never=(NIGHT,)))
        rate = FakeRate()
        lived(
            site(handoffs=(asked,), runs=(replace(run_plan(every_s=3600, seconds=5), share_ratio=0.1),)),
            for_s=24 * HOUR_S,
            rate=rate,
            from_ns=midnight_ns(datetime(2026, 6, 3, tzinfo=UTC).date(), where=LISBON),
        )
        assert list(range(6, 22)) == [local(began_ns, LISBON).hour for _, began_ns, _ in rate.runs]

    def test_a_failed_one_is_charged_its_share_and_is_no_failed_rate_run(self) -> None:
        """20 Mb/s x 10 % x 5 s / 8 = 1.25 MB."""
        light = replace(run_plan(every_s=3600, seconds=5), share_ratio=0.1)
        rate = FakeRate(outcome=lambda number: Failed(what="run rate", why="refused", whose=Owner.ENDPOINT))
        kept = lived(site(runs=(light,)), for_s=HOUR_S, rate=rate)
        (failed,) = kept.of(Failed)
        assert ("light run", 1_250_000) == (failed.what, failed.spent_bytes)
