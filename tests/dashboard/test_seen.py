"""Outages from a record: a simulated line whose loss is known, its packets told by the probe's own tally."""

from __future__ import annotations

import json
from bisect import bisect_left
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from dashboard import quality, seen, statements
from dashboard.judge import availability, months, promises
from dashboard.judge.availability import Count, Time
from dashboard.judge.verdict import Word
from store.card import Card
from store.clock import NS_PER_S, Clock
from store.histogram import Histogram
from store.reader import Reader
from store.records import Circumstances, Record, Stall, TrainSpan
from store.samples import SampledFor, samples_of
from store.site import EndpointRef, Site, Where
from store.terms import AvailabilityTerms, LossInterval, OutageRule
from store.writer import Writer
from tests.dashboard.judge.made import NOON, ZONE, site, span
from tests.probe.test_train_samples import AHEAD, Near, Watched, line, lost_within

LENGTH_S = 900
OUTAGE = (120.4, 400.7)  # seconds after noon
BASE = NOON // NS_PER_S
NONE = Histogram()
MINUTE = span(rtt=NONE, pdv_up=NONE, pdv_down=NONE)


@pytest.fixture(scope="module")
def dark() -> Watched:
    """The train of a line that lost everything for 280.3 s, and a tenth of it a while later."""
    fate = lost_within(OUTAGE, *((600 + n, 600 + n + 0.1) for n in range(60)))
    return Watched(line(LENGTH_S, fate), until=(LENGTH_S + 20) * NS_PER_S)


def minutes(watched: Watched | None, endpoint: str, phase_s: float) -> Iterator[TrainSpan]:
    """The minutes of a train, from `phase_s` on, counted from the line's own list; clean without a line."""
    gone = [sent for sent, copies in watched.line.packets if not copies] if watched else []
    for low in range(-7200, LENGTH_S + 3600, 60):
        from_s = low + phase_s
        first, after = (bisect_left(gone, at_s * NS_PER_S) for at_s in (from_s, from_s + 60))
        lost = after - first
        started_ns = NOON + round(from_s * NS_PER_S)
        yield replace(
            MINUTE, started_unix_ns=started_ns, endpoint=endpoint, lost_up=lost, received=1200 - lost
        )


def details(watched: Watched, endpoint: str) -> Iterator[Record]:
    """Its stalls and the packets around them."""
    for silence in watched.stalls:
        yield Stall(
            handoff="old",
            endpoint=endpoint,
            started_unix_ns=NOON + silence.started_ns,
            duration_us=silence.duration_ns // 1000,
            direction=silence.direction,
            how="lost" if not silence.held else "mixed" if silence.lost else "held",
            lost=silence.lost,
            held=silence.held,
        )
    for told in watched.told:
        if told.near is Near.STALL:
            packets = [replace(one, sent_unix_ns=one.sent_unix_ns - AHEAD + NOON) for one in told.packets]
            yield samples_of(packets, handoff="old", endpoint=endpoint, kept_for=SampledFor.STALL)


def kept(folder: Path, *records: Record) -> Path:
    path = folder / "line.db"
    writer = Writer.open(path, clock=Clock(), timezone="Europe/Lisbon")
    for record in records:
        writer.append(record)
    writer.close()
    return path


def place(path: Path) -> Site:
    made = site()
    terms = AvailabilityTerms(rule=OutageRule.SEVERE_SECONDS)
    card = replace(
        made.handoffs[0].card,
        outages=terms,
        availability_ratio=0.9993,
        loss_interval=LossInterval(every_s=300, loss_ratio=0.01),
    )
    return replace(
        made,
        database=path,
        handoffs=(replace(made.handoffs[0], card=card),),
        endpoints=(*made.endpoints, EndpointRef(name="south", where=Where.OUTSIDE, invitation="")),
    )


def count_of(path: Path, *, only: OutageRule = OutageRule.SEVERE_SECONDS) -> Count:
    made = place(path)
    time = Time(from_s=BASE, until_s=BASE + LENGTH_S, now_s=BASE + LENGTH_S)
    with closing(Reader.open(path)) as reader:
        found = seen.read(reader, made, made.handoffs[0], from_s=time.from_s, until_s=time.until_s)
    return availability.judge(
        found,
        terms=made.handoffs[0].card.outages,
        promised=0.9993,
        maintenance_cap_s=None,
        time=time,
        where=ZONE,
        only=only,
    ).counts[0]


def everything(dark: Watched, *, kinds: tuple[type, ...] = (object,)) -> list[Record]:
    """Two trains outside, begun at odd moments, that saw the outage, and one in the house that saw none."""
    found: list[Record] = list(minutes(None, "lan", 0.0))
    for endpoint, phase_s in (("north", 23.4), ("south", 41.0)):
        found += minutes(dark, endpoint, phase_s)
        found += [each for each in details(dark, endpoint) if isinstance(each, kinds)]
    return found


def test_ends_of_an_outage_are_known_to_a_second(dark: Watched, tmp_path: Path) -> None:
    """More than half of the first second, 120.4 on, was lost, and of the last, up to 400.7."""
    count = count_of(kept(tmp_path, *everything(dark)))
    assert [(one.from_s - BASE, one.to_s - BASE) for one in count.outages] == [(120.0, 401.0)]
    assert count.sure_down_s == count.down_s == count.most_down_s == 281
    assert count.bound_s == pytest.approx(1.05, rel=1e-3)
    assert (count.unwatched_s, count.unsure_s, count.watched_s) == (0, 0, LENGTH_S)


def test_without_single_packets_the_stall_tells_its_ends(dark: Watched, tmp_path: Path) -> None:
    count = count_of(kept(tmp_path, *everything(dark, kinds=(Stall,))))
    assert count.sure_down_s <= 281 <= count.most_down_s
    assert count.most_down_s - count.sure_down_s <= 4


def test_with_minutes_alone_the_ends_are_known_to_a_minute(dark: Watched, tmp_path: Path) -> None:
    """As after samples and stalls were let go: the truth lies between, two minutes apart at most."""
    count = count_of(kept(tmp_path, *everything(dark, kinds=())))
    assert 160 <= count.sure_down_s <= 281 <= count.most_down_s <= 400
    assert count.unsure_s > 0


def test_an_hour_of_the_house_is_not_the_lines(dark: Watched, tmp_path: Path) -> None:
    """The house endpoint lost too: nothing is said of the line meanwhile."""
    records = [
        *(each for name in ("north", "south", "lan") for each in minutes(dark, name, 0.0)),
        *(each for name in ("north", "south", "lan") for each in details(dark, name)),
    ]
    count = count_of(kept(tmp_path, *records))
    assert (count.down_s, count.house_s) == (0, 281)


def test_a_probe_that_was_off_leaves_a_gap(dark: Watched, tmp_path: Path) -> None:
    def on(record: Record) -> bool:
        return not isinstance(record, TrainSpan) or not (
            NOON + 600 * NS_PER_S <= record.started_unix_ns < NOON + 720 * NS_PER_S
        )

    count = count_of(kept(tmp_path, *(each for each in everything(dark) if on(each))))
    assert count.sure_down_s == 281
    assert count.unwatched_s == pytest.approx(120, abs=25)  # the trains began 18 s apart
    assert count.most_down_s >= 281 + 100


def test_one_rule_alone_says_what_it_says_among_all(dark: Watched, tmp_path: Path) -> None:
    """Trains are then read only as finely as that rule asks, which changes nothing of what it counts."""
    path = kept(tmp_path, *everything(dark))
    made, time = place(path), Time(from_s=BASE, until_s=BASE + LENGTH_S, now_s=BASE + LENGTH_S)
    counts = []
    with closing(Reader.open(path)) as reader:
        for only in (None, OutageRule.SEVERE_SECONDS):
            found = seen.read(
                reader, made, made.handoffs[0], from_s=time.from_s, until_s=time.until_s, only=only
            )
            judged = availability.judge(
                found,
                terms=made.handoffs[0].card.outages,
                promised=0.9993,
                maintenance_cap_s=None,
                time=time,
                where=ZONE,
                only=OutageRule.SEVERE_SECONDS,
            )
            counts.append(judged.counts[0])
    assert counts[0] == counts[1]
    assert counts[0].down_s == 281


def test_a_carrier_that_nobody_watched_is_not_tested(dark: Watched, tmp_path: Path) -> None:
    """Without an event and without a kernel's count of carriers (sysfs carrier_changes) nothing is known;
    with the count in the minutes no carrier was lost, but while the probe was off."""

    def signal(folder: str, circumstances: Circumstances | None) -> Count:
        folder_ = tmp_path / folder
        folder_.mkdir()
        records = (
            replace(each, circumstances=circumstances) if isinstance(each, TrainSpan) else each
            for each in everything(dark, kinds=())
            if not NOON + 600 * NS_PER_S <= each.started_unix_ns < NOON + 720 * NS_PER_S
        )
        return count_of(kept(folder_, *records), only=OutageRule.SIGNAL_LOSS)

    unwatched = signal("no", Circumstances(interface="eth0"))
    assert (unwatched.word, unwatched.ratio) == (Word.NOT_TESTED, None)
    watched = signal("yes", Circumstances(interface="eth0", carrier_changes=0))
    assert (watched.down_s, watched.ratio) == (0, 1.0)
    assert watched.unwatched_s == watched.most_down_s == 79  # 641, as the last minute ended, to 720


def test_a_statement_of_the_month(dark: Watched, tmp_path: Path) -> None:
    """The month of a quarter of an hour's outage: 281 s are sure, and the rest was hardly watched."""
    path = kept(tmp_path, *everything(dark))
    made = place(path)
    with closing(Reader.open(path)) as reader:
        found = statements.find(
            reader, made, made.handoffs[0], day=date(2026, 3, 9), now_ns=NOON + 86_400 * NS_PER_S
        )
    assert found.month == months.month(date(2026, 3, 1), ZONE)
    assert found.availability.contract is not None
    assert found.availability.contract.sure_down_s == 281
    assert found.credits is None
    assert found.no_credits == "The card states no credits."
    [north, south] = found.quality
    assert (north.endpoint, north.left_out_s) == ("north", 281 + 60)  # and the minute that it began in
    up, down = north.loss  # 60 times 0.1 s after the outage
    assert (up.lost, up.events, down.lost) == (120, 2, 0)
    assert north.intervals[0].word is Word.NOT_MET  # 120 of 6000 in five minutes, 1 % is allowed
    assert south.rtt.word is Word.NOT_TESTED  # nothing is promised
    said = statements.as_json(found)
    json.dumps(said)
    assert said["availability"][0]["rule"] == "severe seconds"
    assert len(said["availability"]) == 6


@pytest.mark.parametrize(
    ("endpoint", "word"),
    [("ref", Word.NOT_MET), ("ref.example.net", Word.NOT_MET), ("north", Word.UNDECIDED)],
)
def test_a_far_end_that_was_not_promised_convicts_nobody(endpoint: str, word: Word) -> None:
    """10 ms to each of them, 9 ms promised to ref.example.net: beyond it the rest may be another's way."""
    late = promises.delay("RTT p95", Histogram([10_000] * 100), share=0.95, limit_us=9_000, lost=0)
    card = Card(rtt_p95_us=9_000, measured_to="ref.example.net")
    found = quality.Quality(
        endpoint=endpoint,
        seconds=5.0,
        left_out_s=0.0,
        rtt=late,
        pdv=(),
        loss=(),
        intervals=(),
        shape=None,
        classes=None,
        note="",
    )
    assert quality.word(found, card) is word
