"""What a page's questions cost on a record of five years, and what a year weighs.

    python tests/bench/five_years.py FOLDER [YEARS]

Makes in FOLDER (some 2.5 GB for five years, a few minutes) the invented example site with three handoffs
and two trains each: a row for every minute, sums of all lengths, runs by its schedule, stalls. As
after years of the default rules, only the last 400 days have the histograms of their minutes. The rows are
put in by a path of their own, without seal; the sums are exactly those of the minutes. Then it times, warm,
what the pages read and judge, and writes a day of the same six trains through the real writer, sealed and
summed up, for the time of a minute's commit and the weight of a year. Prints figures, judges none; rather
delete FOLDER afterwards.
"""

from __future__ import annotations

import random
import sqlite3
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

from dashboard import history
from dashboard.api import Period
from dashboard.pages import circuit, events, shows, today
from store import rollup, rows, schema
from store import site as sites
from store.cells import Length
from store.clock import NS_PER_S, Clock, local, zone
from store.events import Event, EventKind
from store.histogram import Histogram
from store.reader import Reader
from store.records import Owner, TrainSpan
from store.rows import row_of
from store.site import Site
from store.writer import Writer
from tests.store import samples

EXAMPLE = Path(__file__).parents[2] / "deploy" / "site.example.toml"
MINUTE_NS, HOUR_NS, DAY_NS = 60 * NS_PER_S, 3600 * NS_PER_S, 86_400 * NS_PER_S
NOW_NS = 1_893_500_000 * NS_PER_S // DAY_NS * DAY_NS + 19 * HOUR_NS  # an evening in January 2030
WHOLE_DAYS, TENS_DAYS = 400, 40
PATHS = (("old", "north"), ("old", "lan"), ("A", "north"), ("A", "south"), ("B", "north"), ("B", "south"))
RUN_EVERY_H = {"old": 1, "A": 6, "B": 6}  # as the example site has it
VARIANTS = 24  # minutes that differ; minute m of hour h of the day is number (h + m) % 24
OFFSET_NS = HOUR_NS  # the example site keeps UTC+01:00


def main() -> None:
    folder, years = Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 5.0
    folder.mkdir(parents=True)
    site = _site(folder)
    began = time.perf_counter()
    count = generate(site.database, days=round(365 * years))
    size = site.database.stat().st_size / 1e9
    print(f"{count} minutes in {time.perf_counter() - began:.0f} s, {size:.2f} GB without seal")
    ask(site)
    weigh(folder)


def _site(folder: Path) -> Site:
    (folder / "site.toml").write_text(EXAMPLE.read_text())
    secrets = folder / "secrets.toml"
    invitations = '[invitation]\nlan = "-"\nnorth = "-"\nsouth = "-"\n'
    secrets.write_text(f'{invitations}[notice]\nowner-mail = "-"\n')
    secrets.chmod(0o600)
    return sites.load(folder / "site.toml")


# The record


def generate(path: Path, *, days: int) -> int:
    """A record of so many days up to `NOW_NS`; how many minutes it holds."""
    with closing(sqlite3.connect(path)) as connection:
        schema.prepare(connection, path)
        connection.executescript("PRAGMA synchronous = OFF; PRAGMA journal_mode = MEMORY")
        first_ns = (NOW_NS + OFFSET_NS) // DAY_NS * DAY_NS - OFFSET_NS - days * DAY_NS  # a local midnight
        seqs = iter(range(1, 1 << 62))
        for number, (handoff, endpoint) in enumerate(PATHS, 1):
            minutes = _minutes(handoff, endpoint)
            _insert_minutes(connection, number, minutes, first_ns, seqs)
            _insert_sums(connection, number, minutes, first_ns)
            _insert_others(connection, number, first_ns, seqs)
        connection.execute("INSERT INTO rollup VALUES (1, 'UTC+01:00', 0, ?)", (_whole_ns(TENS_DAYS),))
        connection.execute("INSERT INTO alive VALUES (1, ?)", (NOW_NS - NS_PER_S,))
        connection.commit()
        connection.execute("PRAGMA optimize")
        connection.execute("PRAGMA journal_mode = WAL")
        found: int = connection.execute("SELECT count(*) FROM train").fetchone()[0]
        return found


def _whole_ns(days: int) -> int:
    return (NOW_NS + OFFSET_NS) // DAY_NS * DAY_NS - OFFSET_NS - days * DAY_NS


def _minutes(handoff: str, endpoint: str) -> list[TrainSpan]:
    chance = random.Random(f"{handoff} {endpoint}")
    delays, packets = (samples.cable_delays, 300) if handoff == "old" else (samples.fibre_delays, 1200)
    return [
        replace(
            samples.span(handoff=handoff, endpoint=endpoint, delays_us=delays(chance, packets)),
            per_second=packets / 60,
        )
        for _ in range(VARIANTS)
    ]


def _insert_minutes(
    connection: sqlite3.Connection, path: int, minutes: list[TrainSpan], first_ns: int, seqs: Iterator[int]
) -> None:
    row = row_of(minutes[0])
    for sql, values in rows.insertions(row, seq=0, link=b"\0\0\0\0")[:2]:
        connection.execute(sql, values)
    beside = {*rows.TRAIN_SETTING.split(", "), "circumstances"}  # in tables of their own
    names = [name for name in row.values if name not in beside]
    kept = [tuple(row_of(each).values[name] for name in names) for each in minutes]
    bare = [
        tuple(
            b"" if name in ("rtt_us", "pdv_up_us", "pdv_down_us") else value
            for name, value in zip(names, each, strict=True)
        )
        for each in kept
    ]
    started = names.index("started_unix_ns")
    (setting,) = connection.execute("SELECT max(id) FROM train_setting").fetchone()
    sql = (
        f"INSERT INTO train (path, seq, link, setting, {', '.join(names)}) "
        f"VALUES (?, ?, x'00000000', ?{', ?' * len(names)})"
    )
    whole_ns = _whole_ns(WHOLE_DAYS)

    def made() -> Iterator[tuple[Any, ...]]:
        for nth, at_ns in enumerate(range(first_ns, NOW_NS, MINUTE_NS)):
            values = (bare if at_ns < whole_ns else kept)[(nth // 60 % 24 + nth % 60) % VARIANTS]
            yield (path, next(seqs), setting, *values[:started], at_ns, *values[started + 1 :])

    connection.executemany(sql, made())


def _insert_sums(connection: sqlite3.Connection, path: int, minutes: list[TrainSpan], first_ns: int) -> None:
    """The sums of every cell; those of whole cells come again each day."""
    sums: dict[tuple[int, int], rollup._Sum] = {}

    def summed(first: int, after: int) -> tuple[Any, ...]:
        """The sum of the minutes of a day from the first one on."""
        key = (first, after)
        if key not in sums:
            found = sums[key] = rollup._Sum(0)
            for minute in range(first, after):
                found.add(minutes[(minute // 60 + minute % 60) % VARIANTS])
        return sums[key].values()

    cells: dict[tuple[int, int], tuple[Any, ...]] = {}

    def made() -> Iterator[tuple[Any, ...]]:
        for length in Length:
            step = length.seconds // 60
            since_ns = max(first_ns, _whole_ns(TENS_DAYS)) if length is Length.TEN else first_ns
            for at_ns in range(since_ns, NOW_NS, step * MINUTE_NS):
                minute = (at_ns + OFFSET_NS) % DAY_NS // MINUTE_NS
                after = min(minute + step, minute + (NOW_NS - at_ns) // MINUTE_NS)
                if (minute, after) not in cells:
                    cells[minute, after] = summed(minute, after)
                _, *values = cells[minute, after]
                yield (path, length, at_ns, at_ns + step * MINUTE_NS, *values)

    connection.executemany(rollup._PUT, made())


def _insert_others(connection: sqlite3.Connection, path: int, first_ns: int, seqs: Iterator[int]) -> None:
    """On the first train of a handoff its runs; on every one a stall every seven hours with its event, a skip
    a day."""
    handoff, endpoint = PATHS[path - 1]
    chance, whole_ns = random.Random(path), _whole_ns(WHOLE_DAYS)
    for nth, at_ns in enumerate(range(first_ns, NOW_NS - HOUR_NS, HOUR_NS)):
        made = []
        if endpoint == "north" and nth % RUN_EVERY_H[handoff] == 0:
            run = samples.run(at_ns + chance.randrange(HOUR_NS), handoff=handoff, endpoint=endpoint)
            side = replace(samples.side(chance.randrange(12_000_000, 17_000_000)), bins=_BINS)
            made.append(replace(run, up=side if at_ns >= whole_ns else replace(side, bins=()), reasons=()))
        if nth % 7 == 0:
            made.append(samples.stall(at_ns, handoff=handoff, endpoint=endpoint))
            made.append(replace(_STALL_EVENT, started_unix_ns=at_ns, handoff=handoff, endpoint=endpoint))
        if nth % 24 == 0:
            made.append(replace(samples.skipped(at_ns), handoff=handoff, endpoint=endpoint))
        for record in made:
            for sql, values in rows.insertions(row_of(record), seq=next(seqs), link=b"\0\0\0\0"):
                connection.execute(sql, values)


_BINS = samples.side().bins * 5
_STALL_EVENT = Event(
    started_unix_ns=0,
    what=EventKind.STALL,
    says="every packet of 1.3 s was lost on the way up",
    owner=Owner.UNKNOWN,
    seconds=1.3,
    count=1,
)


# The questions


def ask(site: Site) -> None:
    with closing(Reader.open(site.database)) as reader:
        questions: list[tuple[str, Callable[[], object]]] = [
            ("Today, reading", lambda: history.of_site(reader, site, now_unix_ns=NOW_NS)),
            ("Today, with its judging", lambda: today.find(reader, site=site, now_ns=NOW_NS)),
            ("Shows, with its judging", lambda: shows.find(reader, site=site, now_ns=NOW_NS)),
        ]
        for name in ("old", "A"):
            handoff = site.handoff(name)
            for period in Period:
                questions.append(
                    (
                        f"Circuit {name}, {period}",
                        lambda handoff=handoff, period=period: circuit.find(
                            reader, site=site, handoff=handoff, period=period, now_ns=NOW_NS
                        ),
                    )
                )
        for back_days in (0, 400):
            asked = events.Asked(
                last=local(NOW_NS - back_days * DAY_NS, zone(site.timezone)).date(), handoff=None
            )
            questions.append(
                (
                    f"Events, {back_days} days back",
                    lambda asked=asked: events.find(reader, site=site, asked=asked, now_ns=NOW_NS),
                )
            )
        questions += [
            (f"linebook check {plan.name}", lambda plan=plan: history.check_of(
                reader, site, plan, now_unix_ns=NOW_NS)) for plan in site.plans[:1]
        ]  # fmt: skip
        questions += [
            ("hour of the week, 30 days of a train", lambda: _hours_of_week(reader)),
            ("by day, 3 years of a train", lambda: _by_day(reader)),
            ("seconds available, a month of a handoff", lambda: _available(reader)),
            ("a month's statement, three handoffs", lambda: _statement(reader, site)),
        ]
        for name, question in questions:
            question()
            wall, cpu = zip(*(_timed(question) for _ in range(5)), strict=True)
            told = f"{statistics.median(wall) * 1000:7.1f} ms, {statistics.median(cpu) * 1000:7.1f} ms of CPU"
            print(f"{name:42} {told}")


def _timed(question: Callable[[], object]) -> tuple[float, float]:
    """Wall and CPU time; on a busy machine the second says what a free one would take."""
    began, cpu_began = time.perf_counter(), time.process_time()
    question()
    return time.perf_counter() - began, time.process_time() - cpu_began


def _hours_of_week(reader: Reader) -> list[int | None]:
    """The p95 of the round trip in each of 168 hours."""
    pooled = [Histogram() for _ in range(7 * 24)]
    for one in reader.train_sums(
        handoff="A", endpoint="north", since_ns=NOW_NS - 30 * DAY_NS, longest=Length.HOUR
    ):
        pooled[(one.started_unix_ns + OFFSET_NS) // HOUR_NS % (7 * 24)].merge(one.rtt)
    return [each.percentile(0.95) for each in pooled]


def _by_day(reader: Reader) -> list[tuple[int, int]]:
    found = reader.train_sums(
        handoff="A",
        endpoint="north",
        since_ns=_whole_ns(3 * 365),
        longest=Length.DAY,
        histograms=False,
    )
    return [(one.started_unix_ns, one.delays["rtt"].p95) for one in found if one.delays["rtt"]]


def _available(reader: Reader) -> float:
    """Seconds watched less those of outages, both trains of a handoff."""
    since_ns, until_ns = _whole_ns(30), _whole_ns(0)
    where: dict[str, Any] = {"handoff": "A", "since_ns": since_ns, "until_ns": until_ns}
    watched_s = sum(
        one.seconds
        for endpoint in ("north", "south")
        for one in reader.train_sums(**where, endpoint=endpoint, longest=Length.DAY, histograms=False)
    )
    out_s = sum(stall.seconds for stall in reader.stalls(**where) if stall.seconds >= 10)
    return watched_s - out_s - len(reader.troubles(**where))


def _statement(reader: Reader, site: Site) -> list[object]:
    since_ns, until_ns = _whole_ns(30), _whole_ns(0)
    found: list[object] = []
    for handoff, endpoint in PATHS:
        where: dict[str, Any] = {"handoff": handoff, "endpoint": endpoint, "since_ns": since_ns}
        pooled = Histogram()
        for one in reader.train_sums(**where, until_ns=until_ns, longest=Length.DAY):
            pooled.merge(one.rtt)
        found.append(pooled.delays())
        found.append(reader.rate_runs(**where, until_ns=until_ns, bins=False))
        found.append((reader.stalls(**where, until_ns=until_ns), reader.troubles(**where)))
    found += [history.verdicts_of(reader, site, each, now_unix_ns=NOW_NS) for each in site.handoffs]
    return found


# The writing


def weigh(folder: Path) -> None:
    """A day of six trains at 20 packets a second through the writer."""
    path, now_ns = folder / "day.db", [NOW_NS]
    trains = [[replace(each, per_second=20.0) for each in _minutes(*names)] for names in PATHS]
    taken = []
    minutes = 24 * 60
    with closing(Writer.open(path, clock=Clock(unix_ns=lambda: now_ns[0]), timezone="UTC+01:00")) as writer:
        before = path.stat().st_size
        for minute in range(minutes):
            now_ns[0] = NOW_NS + minute * MINUTE_NS
            began = time.perf_counter()
            for train in trains:
                writer.append(replace(train[minute % VARIANTS], started_unix_ns=now_ns[0]))
            writer.flush_blocking()
            taken.append(time.perf_counter() - began)
    size = path.stat().st_size - before
    with closing(sqlite3.connect(path)) as connection:
        pages = connection.execute("SELECT sum(pgsize) FROM dbstat WHERE name = 'rolled'").fetchone()[0]
        row = "length(rtt_us) + length(pdv_up_us) + length(pdv_down_us) + length(delays) + 80"
        ten = f"sum(CASE length WHEN 'ten minutes' THEN {row} ELSE 0 END)"
        share = connection.execute(f"SELECT 1.0 * {ten} / sum({row}) FROM rolled").fetchone()[0]
    tens = pages * share
    year = 365 * (size - tens) + TENS_DAYS * tens
    cuts = statistics.quantiles(taken, n=20)
    print(f"a minute of six trains written: median {cuts[9] * 1000:.1f} ms, p95 {cuts[18] * 1000:.1f} ms")
    print(f"a day weighs {size / 1e6:.2f} MB; {tens / 1e6:.2f} of them go after {TENS_DAYS} days")
    print(f"a year weighs {year / 1e9:.3f} GB, sealed, with its sums")
    for each in folder.glob("day.db*"):
        each.unlink()


if __name__ == "__main__":
    main()
