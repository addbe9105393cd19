"""What goes with age: exactly what was shown, nothing younger, nothing of a claim, and the chain holds."""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from probe import letting_go
from store import schema, thinning, verify
from store.cells import Length
from store.chain import SealedDay
from store.clock import NS_PER_S, Clock
from store.errors import StoreTrouble
from store.events import Event
from store.reader import Reader
from store.records import TrainSpan
from store.samples import Samples
from store.site import Claim, Keep, Site
from store.thinning import Due
from store.writer import Writer
from tests.store import samples

DAY_NS = 86_400 * NS_PER_S
START_NS = 1_770_000_000 * NS_PER_S // DAY_NS * DAY_NS  # 2 February 2026, UTC
DAYS = 12
LOG = logging.getLogger("probe")


class Days:
    """A clock that is set from day to day."""

    def __init__(self) -> None:
        self.now_ns = START_NS

    @property
    def clock(self) -> Clock:
        return Clock(unix_ns=lambda: self.now_ns)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve days: a minute an hour on two handoffs; a stall with its packets, a run and a failure a day."""
    path, days = tmp_path_factory.mktemp("made") / "line.db", Days()
    with closing(Writer.open(path, clock=days.clock, timezone="Europe/Lisbon")) as writer:
        for day in range(DAYS):
            for hour in range(24):
                for handoff in ("old", "A"):
                    writer.append(samples.span(_at(day, hour), handoff=handoff))
            writer.append(samples.stall(_at(day, 3)))
            writer.append(samples.run(_at(day, 4)))
            writer.append(samples.failed(_at(day, 5)))
            writer.append(samples.event(_at(day, 6)))
            for handoff in ("old", "A"):
                writer.append(samples.packets(_at(day, 3), handoff=handoff))
            days.now_ns = _at(day, 23.99)
            writer.flush_blocking()
        days.now_ns = _at(DAYS, 1)
        writer.append(samples.span(_at(DAYS, 1)))
    return path


@pytest.fixture
def path(made: Path, tmp_path: Path) -> Path:
    for each in made.parent.iterdir():
        (tmp_path / each.name).write_bytes(each.read_bytes())
        (tmp_path / each.name).chmod(0o600)
    return tmp_path / made.name


def _at(day: int, hour: float) -> int:
    return START_NS + day * DAY_NS + round(hour * 3600) * NS_PER_S


def _site(path: Path, keep: Keep, *claims: Claim) -> Site:
    return Site(
        name="Invented",
        invented=True,
        timezone="Europe/Lisbon",
        database=path,
        file=path,
        handoffs=(),
        endpoints=(),
        trains=(),
        runs=(),
        plans=(),
        windows=(),
        keep=keep,
        claims=claims,
    )


NOW_NS = _at(DAYS, 2)
KEEP = Keep(minutes_days=5, minute_counts_days=None, bins_days=7, samples_days=None)
EVER = Keep(minutes_days=None, minute_counts_days=None, bins_days=None, samples_days=None)


def _thin(site: Site) -> list[Due]:
    """What was shown, after it went."""
    clock = Clock(unix_ns=lambda: NOW_NS)
    with closing(Reader.open(site.database)) as reader:
        shown = reader.due(thinning.plan(site, now_ns=NOW_NS))
    with closing(Writer.open(site.database, clock=clock)) as writer:
        asyncio.run(letting_go.thin(site, store=writer, clock=clock, log=LOG))
    return shown


def _spans(path: Path) -> Iterator[tuple[TrainSpan, bool]]:
    """(span, whether it has its histograms), oldest first."""
    with closing(Reader.open(path)) as reader:
        for span in reader.train_spans():
            yield span, span.rtt.count > 0


def _packets(path: Path) -> list[Samples]:
    with closing(Reader.open(path)) as reader:
        return reader.documents(Samples)


class TestMinutes:
    def test_lose_their_histograms_and_nothing_else(self, path: Path) -> None:
        before = dict(enumerate(span for span, _ in _spans(path)))
        _thin(_site(path, KEEP))
        limit_ns = NOW_NS - 5 * DAY_NS
        for nth, (span, whole) in enumerate(_spans(path)):
            assert whole == (span.started_unix_ns >= limit_ns)
            was = before[nth]
            assert replace(span, rtt=was.rtt, pdv_up=was.pdv_up, pdv_down=was.pdv_down) == was

    def test_as_many_go_as_were_shown(self, path: Path) -> None:
        shown = _thin(_site(path, KEEP))
        gone = [span for span, whole in _spans(path) if not whole]
        assert len(gone) == sum(due.rows for due in shown if due.rule.key == "minutes") > 200
        with closing(sqlite3.connect(path)) as connection:
            bins = connection.execute("SELECT count(*) FROM rate_side WHERE length(bins) = 0").fetchone()[0]
        assert bins == sum(due.rows for due in shown if due.rule.key == "bins") > 3
        assert _thin(_site(path, KEEP)) == []

    def test_years_that_go_at_once_are_counted_without_being_held(
        self, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A rule that is new in the site file: of six trains nine million minutes in three years."""
        day = SealedDay(day="2026-02-02", first_seq=1, last_seq=1 << 40, before=b"", after=b"")
        monkeypatch.setattr(thinning, "sealed_days", lambda _: [day])
        rules = tuple(
            thinning.Rule(key=key, days=1, before_ns=1 << 62) for key in ("minute_counts", "minutes")
        )
        with closing(sqlite3.connect(path)) as connection:
            columns = [name for _, name, *_ in connection.execute("PRAGMA table_info(train)")]
            rest = ", ".join(name for name in columns if name not in ("path", "started_unix_ns", "seq"))
            connection.execute(
                f"INSERT INTO train (path, started_unix_ns, seq, {rest}) "
                "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 15000) "
                f"SELECT path, i, 1000000 + i, {rest} FROM (SELECT * FROM train LIMIT 1), n"
            )
            tracemalloc.start()
            try:
                (one,) = thinning.due(connection, thinning.Plan(rules=rules, spared=()))
                _, peak = tracemalloc.get_traced_memory()
            finally:
                tracemalloc.stop()
        assert one.rows > 15_000
        assert peak < 10 * one.rows

    def test_and_their_counts_where_the_rule_says_so(self, path: Path) -> None:
        before = list(_spans(path))
        shown = _thin(_site(path, replace(KEEP, minute_counts_days=8)))
        left = list(_spans(path))
        rows = sum(due.rows for due in shown if due.rule.key == "minute_counts")
        assert len(before) - len(left) == rows > 100
        assert min(span.started_unix_ns for span, _ in left) >= NOW_NS - 8 * DAY_NS


class TestSamples:
    def test_go_by_age_and_the_stall_stays(self, path: Path) -> None:
        """As many as were shown, none younger, no other document, and the record is what was sealed."""
        shown = _thin(_site(path, replace(EVER, samples_days=6)))
        left = _packets(path)
        assert sum(due.rows for due in shown) == 2 * DAYS - len(left) == 2 * 6
        assert min(one.started_unix_ns for one in left) >= NOW_NS - 6 * DAY_NS
        with closing(Reader.open(path)) as reader:
            assert len(reader.stalls()) == len(reader.documents(Event)) == DAYS
        found = verify.database(path)
        assert found.findings == []
        assert {stretch.why for stretch in found.thinned} == {"keep.samples = 6 days"}

    def test_of_a_claim_stay_as_long_as_it_stands(self, path: Path) -> None:
        claim = Claim(name="c", first_day=date(2026, 2, 4), last_day=date(2026, 2, 5), handoff="old")
        keep = replace(EVER, samples_days=6)
        _thin(_site(path, keep, claim))
        old = [one for one in _packets(path) if one.started_unix_ns < NOW_NS - 6 * DAY_NS]
        assert [(one.handoff, one.started_unix_ns) for one in old] == [("old", _at(2, 3)), ("old", _at(3, 3))]
        assert sum(due.rows for due in _thin(_site(path, keep))) == 2
        assert verify.database(path).findings == []

    def test_what_is_left_out_otherwise_is_found(self, path: Path) -> None:
        """One more of them gone than the rule took: the chain says so."""
        _thin(_site(path, replace(EVER, samples_days=6)))
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("DROP TRIGGER document_refuses_delete")
            last = "SELECT max(seq) FROM document WHERE kind = 'samples'"
            connection.execute(f"DELETE FROM document WHERE seq = ({last})")
            connection.commit()
        (found,) = verify.database(path).findings
        assert found.what == "missing"


class TestKept:
    def test_sums_say_what_they_said(self, path: Path) -> None:
        with closing(Reader.open(path)) as reader:
            before = reader.train_sums(handoff="old", endpoint="north", since_ns=0, longest=Length.HOUR)
        _thin(_site(path, replace(KEEP, minute_counts_days=8)))
        with closing(Writer.open(path, clock=Clock(), timezone="Asia/Kolkata")):
            pass  # another zone makes the younger sums anew, and those of thinned days stay
        with closing(Reader.open(path)) as reader:
            after = reader.train_sums(handoff="old", endpoint="north", since_ns=0, longest=Length.HOUR)
        assert sum(one.spans for one in after) == sum(one.spans for one in before)
        old = [one for one in before if one.ended_unix_ns <= NOW_NS - 6 * DAY_NS]
        assert after[: len(old)] == old

    def test_stalls_failures_and_figures_of_runs(self, path: Path) -> None:
        def told() -> tuple[object, ...]:
            with closing(Reader.open(path)) as reader:
                return reader.stalls(), reader.troubles(), reader.rate_runs(bins=False)

        before = told()
        _thin(_site(path, KEEP))
        assert told() == before

    def test_the_days_of_a_claim_as_long_as_it_stands(self, path: Path) -> None:
        """Its days are the site's; the other handoff's go."""
        claim = Claim(name="c", first_day=date(2026, 2, 4), last_day=date(2026, 2, 5), handoff="old")
        _thin(_site(path, KEEP, claim))
        from_ns, until_ns = _at(2, 0), _at(4, 0)  # Lisbon keeps UTC in February
        for span, whole in _spans(path):
            spared = span.handoff == "old" and from_ns <= span.started_unix_ns < until_ns
            assert whole == (spared or span.started_unix_ns >= NOW_NS - 5 * DAY_NS)
        later = _thin(_site(path, KEEP))
        assert {due.rule.key: due.rows for due in later} == {"minutes": 24, "bins": 1}  # a day each
        assert len(later) == 4
        assert verify.database(path).findings == []

    def test_what_no_day_sealed_yet(self, path: Path) -> None:
        site = _site(path, replace(KEEP, minutes_days=0))
        _thin(site)
        assert [span.started_unix_ns for span, whole in _spans(path) if whole] == [_at(DAYS, 1)]

    def test_a_day_that_does_not_fit_its_seal_and_no_other(self, path: Path) -> None:
        """One bit that a disk gave back wrong must not let the file grow for ever."""
        with closing(sqlite3.connect(path)) as connection:
            schema.allow_changes(connection, "stall")
            connection.execute("UPDATE stall SET lost = lost + 1 WHERE started_unix_ns = ?", (_at(0, 3),))
            schema.refuse_changes(connection, "stall")
            connection.commit()
        with pytest.raises(StoreTrouble, match="2026-02-02 does not fit its seal"):
            _thin(_site(path, KEEP))
        thinned = {span.started_unix_ns for span, whole in _spans(path) if not whole}
        assert thinned == {_at(day, hour) for day in range(1, 7) for hour in range(24)} | {
            _at(7, hour) for hour in range(2)
        }

    def test_all_of_it_where_only_the_clock_says_that_it_is_old(self, path: Path) -> None:
        """A year ahead, by a time server that lies; only twelve days came since the first one."""
        plan = thinning.plan(_site(path, replace(KEEP, minutes_days=100)), now_ns=_at(365, 0))
        with closing(Reader.open(path)) as reader:
            assert {one.rule.key for one in reader.due(plan)} == {"bins"}  # of 7 days

    def test_for_ever_is_for_ever(self, path: Path) -> None:
        assert _thin(_site(path, EVER)) == []


class TestSeal:
    def test_holds_and_tells(self, path: Path) -> None:
        _thin(_site(path, KEEP))
        found = verify.database(path)
        assert found.findings == []
        assert any(
            stretch.why.startswith("keep.minutes = 5 days; hours and days") for stretch in found.thinned
        )

    @pytest.mark.parametrize(
        "change",
        [
            "UPDATE rolled SET lost_up = 0 WHERE length = 'hour'",
            "DELETE FROM rolled WHERE length = 'day'",
            "UPDATE rolled SET delays = replace(delays, '1', '2')",
        ],
    )
    def test_sums_that_are_all_that_is_left_cannot_be_changed(self, path: Path, change: str) -> None:
        _thin(_site(path, KEEP))
        with closing(sqlite3.connect(path)) as connection:
            connection.execute(change)
            connection.commit()
        (found,) = verify.database(path).findings
        assert (found.what, found.kind) == ("changed", "sums")

    @pytest.mark.parametrize(
        ("before", "zone", "now_ns"),
        [
            ("Europe/Lisbon", "Europe/Prague", NOW_NS),
            ("America/New_York", "America/New_York", _at(DAYS, 23.5)),  # read again by the running probe
        ],
    )
    def test_holds_when_the_site_file_has_another_time_zone(
        self, path: Path, before: str, zone: str, now_ns: int
    ) -> None:
        """Sums of the zone they were made in are thinned; the next start makes those after them anew."""
        site, clock = replace(_site(path, KEEP), timezone=before), Clock(unix_ns=lambda: now_ns)
        thinning.plan(site, now_ns=now_ns)  # loads the zone, as reading the site file does
        with closing(Writer.open(path, clock=clock)) as writer:
            asyncio.run(letting_go.thin(site, store=writer, clock=clock, log=LOG))
        Writer.open(path, clock=clock, timezone=zone).close()
        assert verify.database(path).findings == []

    def test_a_late_minute_of_a_thinned_day_stays_out_of_its_sums(self, path: Path) -> None:
        _thin(_site(path, KEEP))
        with closing(Writer.open(path, clock=Clock(unix_ns=lambda: NOW_NS))) as writer:
            writer.append(samples.span(_at(1, 0.5)))
        assert verify.database(path).findings == []


class TestSpace:
    def test_is_used_again(self, path: Path) -> None:
        """SQLite's own count of free pages grows by what was removed."""
        with closing(sqlite3.connect(path)) as connection:
            before = connection.execute("PRAGMA freelist_count").fetchone()[0]
        _thin(_site(path, replace(KEEP, minute_counts_days=5)))
        with closing(sqlite3.connect(path)) as connection:
            assert connection.execute("PRAGMA freelist_count").fetchone()[0] > before
