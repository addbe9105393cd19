"""The daemon counts what passes, hour by hour, and gives its tests what the provider's cap leaves."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import pytest

from dashboard import doing
from probe.allowance import Allowance, tightest, under_cap
from probe.daemon import Daemon, Methods, prepared
from probe.reach import Reach
from probe.status import as_json
from store import cap
from store.clock import NS_PER_S, Clock, zone
from store.reader import Reader
from store.records import Direction, Skipped
from store.site import Cap, CapCounts, Handoff, Site
from store.traffic import Reading, Traffic
from store.writer import Writer
from tests.probe.jumping import run_from
from tests.probe.living import FakeRate, FakeTrain, MemoryStore
from tests.probe.sites import handoff, rate_run, run_plan, site, train_plan
from tests.store import samples

START_NS = 1_780_268_400 * NS_PER_S  # 1 June 2026, 00:00 in Lisbon
GB = 10**9
LISBON = zone("Europe/Lisbon")


@dataclass
class Counter:
    """An interface whose counters grow evenly, on a host that started before all this."""

    up_bps: float
    down_bps: float
    boot: str = "5e1f0c2a"

    async def __call__(self, where: Reach, clock: Clock) -> Reading | None:
        seconds = (clock.unix_ns() - START_NS) / NS_PER_S
        return Reading(
            unix_ns=clock.unix_ns(),
            boot=self.boot,
            interface="eth7",
            index=3,
            header_bytes=14,
            sent_bytes=round(10**9 + self.up_bps * seconds / 8),
            sent_packets=10**6,
            received_bytes=round(10**9 + self.down_bps * seconds / 8),
            received_packets=10**6,
        )


class Store(MemoryStore):
    """One whose database has nothing to let go."""

    def drop_tens(self, before_ns: int) -> None:
        assert before_ns < START_NS


@dataclass
class Life:
    daemon: Daemon
    store: MemoryStore
    clock: Clock


def lived(
    asked: Site, count: Counter, body: Callable[[Life], Awaitable[None]], *, from_ns: int = START_NS
) -> MemoryStore:
    """What is on record after a life of the daemon, in jumping time; it ends when the body does."""

    async def live(clock: Clock) -> MemoryStore:
        store = Store()
        methods = Methods(
            rate=FakeRate(outcome=lambda number: rate_run(spent_bytes=25_000_000)),
            train=FakeTrain(),
            count=count,
        )
        made = await prepared(asked, clock=clock, writer=store, methods=methods, spent_bytes={})
        task = asyncio.create_task(made.run(), name="daemon")
        await made.began.wait()
        await body(Life(daemon=made, store=store, clock=clock))
        task.cancel()
        (ended,), _ = await asyncio.wait({task})
        assert ended.cancelled()
        return store

    return run_from(from_ns, live)


def asked_site(folder: Path, *, limit: Cap | None, **more: object) -> Site:
    """A site whose database is there, as the writer leaves it."""
    path = folder / "line.db"
    if not path.exists():
        Writer.open(path, clock=Clock(), timezone="Europe/Lisbon").close()
    return site(database=path, handoffs=(replace(handoff(), cap=limit),), **more)


def kept_for(seconds: float) -> Callable[[Life], Awaitable[None]]:
    async def body(life: Life) -> None:
        await asyncio.sleep(seconds)

    return body


class TestRecord:
    def test_hour_by_hour(self, tmp_path: Path) -> None:
        """8 Mb/s up and 80 down are 3.6 and 36 GB an hour."""
        asked = asked_site(tmp_path, limit=None)
        found = lived(asked, Counter(8e6, 80e6), kept_for(2.5 * 3600)).of(Traffic)
        assert [(one.ended_unix_ns - one.started_unix_ns) // NS_PER_S for one in found] == [3600, 3600, 1800]
        assert [one.up_bytes for one in found] == pytest.approx([3.6 * GB, 3.6 * GB, 1.8 * GB])
        assert [one.down_bytes for one in found] == pytest.approx([36 * GB, 36 * GB, 18 * GB])
        assert {(one.handoff, one.interface) for one in found} == {("A", "eth7")}

    def test_goes_on_after_a_kill(self, tmp_path: Path) -> None:
        """What the database has from before is where it begins: nothing of four hours is missing."""
        asked = asked_site(tmp_path, limit=None)
        first = lived(asked, Counter(8e6, 0), kept_for(1.5 * 3600)).of(Traffic)[0]  # the rest is lost
        with closing(Writer.open(asked.database, clock=Clock())) as writer:
            writer.append(first)
        again_ns = START_NS + 2 * 3600 * NS_PER_S
        more = lived(asked, Counter(8e6, 0), kept_for(2 * 3600), from_ns=again_ns).of(Traffic)
        assert first.up_bytes + sum(one.up_bytes for one in more) == pytest.approx(4 * 3.6 * GB)
        assert more[0].started_unix_ns == first.ended_unix_ns
        assert not any(one.missed for one in more)

    def test_a_host_that_started_again_is_named(self, tmp_path: Path) -> None:
        asked = asked_site(tmp_path, limit=None)
        first = lived(asked, Counter(8e6, 0), kept_for(3600)).of(Traffic)
        with closing(Writer.open(asked.database, clock=Clock())) as writer:
            writer.append(first[0])
        again_ns = START_NS + 2 * 3600 * NS_PER_S
        more = lived(asked, Counter(8e6, 0, boot="b"), kept_for(60), from_ns=again_ns).of(Traffic)
        assert "the host started again" in str(more[0].missed)

    def test_a_reload_loses_nothing(self, tmp_path: Path) -> None:
        asked = asked_site(tmp_path, limit=None)

        async def body(life: Life) -> None:
            for nth in range(5):
                await asyncio.sleep(600)
                await life.daemon.reload(replace(asked, name=f"the same but for its name {nth}"))
            await asyncio.sleep(600)

        found = lived(asked, Counter(8e6, 0), body).of(Traffic)
        assert sum(one.up_bytes for one in found) == pytest.approx(3.6 * GB)
        assert all(later.started_unix_ns == one.ended_unix_ns for one, later in pairwise(found))

    def test_tests_are_in_it(self, tmp_path: Path) -> None:
        """Three runs of 25 MB up in their hour; a train of 20 packets a second, 140 bytes each way."""
        asked = asked_site(
            tmp_path, limit=None, runs=(run_plan(every_s=1200),), trains=(train_plan(per_second=20),)
        )
        first = lived(asked, Counter(8e6, 8e6), kept_for(3600)).of(Traffic)[0]
        train_bytes = 20 * 3600 * 140
        assert first.own_down_bytes == pytest.approx(train_bytes, rel=0.04)  # a minute's span is under way
        assert first.own_up_bytes - first.own_down_bytes == 75_000_000


class TestCapAndTests:
    LIMIT = Cap(limit_bytes=1000 * GB)

    def recorded(self, hours: int, *, gb: float, own_gb: float = 0.0) -> list[Traffic]:
        """Hours from the beginning of June, so much each up."""
        return [
            replace(
                samples.traffic(START_NS + nth * 3600 * NS_PER_S),
                up_bytes=round(gb * GB),
                down_bytes=0,
                own_up_bytes=round(own_gb * GB),
                own_down_bytes=0,
            )
            for nth in range(hours)
        ]

    def purse(
        self, *, gb: float, own_gb: float = 0.0, counts: CapCounts = CapCounts.BOTH, **more: object
    ) -> Allowance:
        limit = replace(self.LIMIT, counts=counts)
        asked = site(handoffs=(replace(handoff(), cap=limit),), **more)
        now_ns = START_NS + 360 * 3600 * NS_PER_S
        state = cap.state(limit, self.recorded(360, gb=gb, own_gb=own_gb), now_ns=now_ns, where=LISBON)
        return under_cap(asked, asked.handoffs[0], state, where=LISBON)

    def test_they_get_what_others_leave(self) -> None:
        """Half of June at 1.3 GB an hour, 0.1 of it tests: others come to 1.2 x 720 = 864 GB of 1000."""
        found = self.purse(gb=1.3, own_gb=0.1)
        assert (found.limit_bytes, found.spent_bytes) == (136 * GB, 36 * GB)

    def test_runs_thin_before_they_stop_and_trains_last(self) -> None:
        """Of 64, 44, 40 and 36 GB that others leave, 36 are spent, and 18 of runs are planned: by hand.

        56 % spent is not near; 8 GB left for 17.6, 4 for 17.6, and nothing left.
        """
        found = [self.left(room_gb) for room_gb in (64, 44, 40, 36)]
        assert [one.thin.one_in for one in found] == [1, 4, 8, 0]
        assert all(one.trains_bytes > 0 for one in found)
        assert found[-1].forecast_bytes == found[-1].spent_bytes + found[-1].trains_bytes

    def left(self, room_gb: float) -> Allowance:
        """With so much left by others, one run of 25 MB every half an hour, and a slow train."""
        trains = (train_plan(per_second=0.01),)
        return self.purse(
            gb=(1000 - room_gb) / 720 + 0.1, own_gb=0.1, runs=(run_plan(every_s=1800),), trains=trains
        )

    def test_only_what_counts_is_counted(self) -> None:
        """A cap on downloads leaves upward runs alone; trains go half each way."""
        both = self.purse(gb=1, runs=(run_plan(every_s=1800),), trains=(train_plan(),))
        down = self.purse(gb=1, counts=CapCounts.DOWN, runs=(run_plan(every_s=1800),), trains=(train_plan(),))
        assert (down.runs_bytes, down.busy_bytes) == (0, 0)
        assert down.trains_bytes == pytest.approx(both.trains_bytes / 2, abs=1)

    def test_the_tighter_of_the_two_decides(self) -> None:
        roomy, tight, stopped = (self.left(room_gb) for room_gb in (64, 44, 36))
        assert tightest([roomy, tight]) is tight
        assert tightest([stopped, tight]) is stopped

    def test_when_others_fill_the_cap_runs_stop_on_record_and_trains_go_on(self, tmp_path: Path) -> None:
        """96 Mb/s by others are 43.2 GB an hour: 981 GB after 22 h 43 min, and trains need 19 GB a month.

        Slots are thinned shortly before, so the first that is skipped may be that hour's.
        """
        asked = asked_site(tmp_path, limit=self.LIMIT, runs=(run_plan(every_s=3600),), trains=(train_plan(),))
        store = lived(asked, Counter(96e6, 0), kept_for(26 * 3600))
        whys = [one.why for one in store.of(Skipped)]
        said = "nothing is left of what the provider's cap of 1 TB leaves for tests"
        assert whys[-1] == said
        assert all("the provider's cap of 1 TB leaves for tests" in why for why in whys)
        assert 22.6 <= (store.of(Skipped)[0].planned_unix_ns - START_NS) / 3600e9 <= 24.7
        assert len(store.of(Traffic)) >= 26
        last = store.of(Traffic)[-2]
        assert last.own_down_bytes > 0  # trains went on


def test_the_status_tells_of_it(tmp_path: Path) -> None:
    """What the interface counted, and the sentence that Today and `linebook status` say of its tests."""
    asked = asked_site(tmp_path, limit=Cap(limit_bytes=1000 * GB))
    told: list[dict[str, object]] = []

    async def body(life: Life) -> None:
        await asyncio.sleep(3600)
        told.append(as_json(life.daemon.status()))

    lived(asked, Counter(8e6, 0), body)
    (found,) = told[0]["caps"]  # type: ignore[attr-defined]
    assert (found["handoff"], found["limit_bytes"], found["one_in"]) == ("A", 1000 * GB, 1)
    assert found["used_bytes"] == pytest.approx(3.6 * GB, rel=0.02)
    said = list(doing.sentences(told[0], LISBON))
    assert said[-1].startswith(
        "Handoff A: 0 % of the 996 GB that the provider's cap of 1 TB leaves for tests"
    )


def test_direction_of_runs_is_told_apart() -> None:
    """A cap on uploads leaves downward runs alone."""
    limit = Cap(limit_bytes=10 * GB, counts=CapCounts.UP)
    down = replace(run_plan(every_s=3600), direction=Direction.DOWN)
    asked = site(handoffs=(replace(handoff(), cap=limit),), runs=(down,))
    state = cap.state(limit, [], now_ns=START_NS, where=LISBON)
    assert under_cap(asked, _only(asked), state, where=LISBON).runs_bytes == 0


def _only(asked: Site) -> Handoff:
    (found,) = asked.handoffs
    return found


def test_the_reader_has_them(tmp_path: Path) -> None:
    """Written and read back through the database, oldest first."""
    path = tmp_path / "line.db"
    with closing(Writer.open(path, clock=Clock())) as writer:
        writer.append(samples.traffic(3600 * NS_PER_S))
        writer.append(samples.traffic(0))
    with closing(Reader.open(path)) as reader:
        assert reader.documents(Traffic, handoff="old") == [
            samples.traffic(0),
            samples.traffic(3600 * NS_PER_S),
        ]
