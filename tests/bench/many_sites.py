"""Days of a thousand invented sites in Parquet, and how long the queries of docs/many-sites.md take on them.

    python -m tests.bench.many_sites [SITES [DAYS]]

Prints the first rows and the time of each query, cold and again, and judges none of it. The first three
sites are measured minute by minute in a database and go through the exporter; the others are drawn from what
it wrote for them, with losses, rates and stalls of their own, and written through the exporter's schema.
Seeds are fixed, so two runs ask the same days.
"""

from __future__ import annotations

import random
import re
import resource
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet

from store import export, parquet
from store.clock import Clock, zone
from store.dictionary import TABLES, Type
from store.export import Choice, Format
from store.histogram import Histogram
from store.layers import tcp_framing
from store.reader import Reader
from store.records import (
    Bin,
    Circumstances,
    Direction,
    Limit,
    RateRun,
    RateSide,
    Record,
    Stall,
    Stamps,
    TrainSpan,
)
from store.writer import Writer

QUERIES = Path(__file__).parents[2] / "docs" / "many-sites.md"
FIRST_DAY = datetime(2026, 11, 23, tzinfo=UTC)  # a Monday
WHERE = "UTC+01:00"
HANDOFFS = ("A", "old")
DAY_S = 86_400


def queries() -> dict[str, str]:
    """The queries of the page by their heading."""
    found = re.findall(r"^## (.+?)$.*?^```sql\n(.*?)^```", QUERIES.read_text(), re.MULTILINE | re.DOTALL)
    return dict(found)


def asked(root: Path, sql: str, *, threads: int = 2) -> list[dict[str, Any]]:
    """The rows of a query over what lies in `root`/exports."""
    with duckdb.connect(config={"threads": threads}) as engine:
        engine.execute("SET file_search_path = ?", (str(root),))
        found = engine.execute(sql)
        names = [column[0] for column in found.description or ()]
        return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def measured(chance: random.Random, *, days: int, every_s: int) -> Iterator[Record]:
    """What a site could have measured on two handoffs: spans `every_s` apart, hourly runs, some stalls."""
    start_s = int(FIRST_DAY.timestamp()) - 3600  # local midnight
    worst_bps, loss = chance.choice((4, 12, 16)) * 10**6, chance.choice((0.0, 0.0005, 0.004))
    for handoff in HANDOFFS:
        for second in range(start_s, start_s + days * DAY_S, every_s):
            evening = (second // 3600 + 1) % 24 >= 18
            yield _span(chance, second, handoff=handoff, loss=loss * (4 if evening else 1))
            if chance.random() < (0.03 if evening else 0.005):
                yield _stall(chance, second + chance.randrange(every_s), handoff=handoff)
        for second in range(start_s, start_s + days * DAY_S, 3600):
            rate_bps = worst_bps + chance.randrange(10**6 if handoff == "old" else 9 * 10**7)
            yield _run(second + chance.randrange(3600), handoff=handoff, rate_bps=rate_bps)


def _span(chance: random.Random, started_s: int, *, handoff: str, loss: float) -> TrainSpan:
    up, down = ([int(chance.expovariate(1 / mean)) for _ in range(60)] for mean in (900, 200))
    lost = sum(chance.random() < loss for _ in range(60))
    none = dict.fromkeys(
        ("lost_down", "lost_unattributed", "held_up", "held_down", "duplicated_up", "duplicated_down"), 0
    )
    return TrainSpan(
        handoff=handoff,
        endpoint="north",
        started_unix_ns=started_s * 10**9,
        seconds=60.0,
        per_second=1.0,
        packet_bytes=128,
        waiting_s=3.0,
        sent=60,
        received=60 - lost,
        lost_up=lost,
        **none,
        reordered_up=0,
        reordered_down=0,
        blips=0,
        rtt=Histogram(19_000 + one + other for one, other in zip(up, down, strict=True)),
        pdv_up=Histogram(delay - min(up) for delay in up),
        pdv_down=Histogram(delay - min(down) for delay in down),
        jitter_up_us=310.5,
        jitter_down_us=40.25,
        timestamps=Stamps.KERNEL,
        reasons=("late_schedule",) if chance.random() < 0.02 else (),
    )


def _stall(chance: random.Random, started_s: int, *, handoff: str) -> Stall:
    return Stall(
        handoff=handoff,
        endpoint="north",
        started_unix_ns=started_s * 10**9,
        duration_us=chance.randrange(500_000, 4_000_000),
        direction=Direction.UP,
        how="held",
        lost=0,
        held=2,
    )


def _run(started_s: int, *, handoff: str, rate_bps: int) -> RateRun:
    side = RateSide(
        rates=tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True).rates(rate_bps),
        lowest_second_bps=rate_bps * 9 // 10,
        bins=tuple(Bin(start_ms=100 * nth, bytes=rate_bps // 80) for nth in range(100)),
        steady_from_ms=2000,
        steady_to_ms=10_000,
        received_bytes=rate_bps * 10 // 8,
        mss_bytes=1448,
        ip_version=4,
        tcp_timestamps=True,
        sent_bytes=rate_bps * 10 // 8,
        retransmitted_bytes=0,
        retransmitted_ratio=0.0,
        limited_by=Limit.PATH,
        congestion="cubic",
    )
    return RateRun(
        handoff=handoff,
        endpoint="north",
        started_unix_ns=started_s * 10**9,
        seconds=10.0,
        direction=Direction.UP,
        flows=4,
        up=side,
        down=None,
        rtt_idle_us=None,
        rtt_loaded_us=None,
        timestamps=Stamps.KERNEL,
        spent_bytes=side.sent_bytes,
        reasons=("aborted",) if rate_bps % 50 == 0 else ("short",),
        circumstances=Circumstances(interface="eth0"),
    )


def through_exporter(root: Path, site: str, records: list[Record]) -> None:
    """A site's records into a database and out of it into `root`/exports."""
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "line.db"
        with closing(Writer.open(path, clock=Clock())) as writer:
            for nth, record in enumerate(records):
                writer.append(record)
                if nth % 10_000 == 9_999:
                    writer.flush_blocking()
        with closing(Reader.open(path)) as reader:
            choice = Choice(site=site, where=zone(WHERE))
            export.write(reader, root / "exports", choice, format_=Format.PARQUET)


class Drawn:
    """Days of sites that were never measured, drawn from those of one that was."""

    def __init__(self, root: Path, *, like: str, days: int) -> None:
        self._root, self._days = root / "exports", days
        day = self._root / export.partition(like, self._day(0))
        self._tables = {
            kind: pyarrow.parquet.read_table(day / f"{kind}.parquet") for kind in ("train", "rate", "stall")
        }

    def _day(self, nth: int) -> str:
        return (FIRST_DAY + timedelta(days=nth)).date().isoformat()

    def write(self, site: str, seed: int) -> None:
        chance = np.random.default_rng(seed)
        loss, rate = chance.choice((0.0, 0.0005, 0.004)), chance.uniform(0.2, 2)
        for nth in range(self._days):
            for kind, like in self._tables.items():
                rows = like if kind != "stall" else like.take(_some(chance, len(like)))
                table = _moved(rows, days=nth)
                if kind == "train":
                    table = _lost(table, chance, loss)
                if kind == "rate":
                    table = _scaled(table, chance, rate)
                to = self._root / export.partition(site, self._day(nth)) / f"{kind}.parquet"
                to.parent.mkdir(parents=True, exist_ok=True)
                pyarrow.parquet.write_table(
                    table.cast(parquet.schema_of(TABLES[kind])), to, compression="zstd"
                )


def _some(chance: np.random.Generator, count: int) -> Any:
    return np.sort(chance.integers(0, count, chance.integers(1, 2 * count)))


def _put(table: pa.Table, name: str, values: Any) -> pa.Table:
    field = table.schema.field(name)
    return table.set_column(table.schema.get_field_index(name), field, pa.array(values, type=field.type))


def _moved(table: pa.Table, *, days: int) -> pa.Table:
    """The same rows some days later."""
    unix_ns = table["started_unix_ns"].to_numpy() + days * DAY_S * 10**9
    table = _put(table, "started_unix_ns", unix_ns)
    table = _put(table, "started", unix_ns // 1000)
    day = (FIRST_DAY + timedelta(days=days)).date().isoformat()
    return _put(table, "started_local", [f"{day}{text[10:]}" for text in table["started_local"].to_pylist()])


def _lost(table: pa.Table, chance: np.random.Generator, loss: float) -> pa.Table:
    lost = chance.binomial(60, loss, len(table))
    return _put(_put(table, "lost_up", lost), "received", 60 - lost)


def _scaled(table: pa.Table, chance: np.random.Generator, rate: float) -> pa.Table:
    factors = rate * chance.uniform(0.8, 1, len(table))
    for column in TABLES["rate"].columns:
        if column.type is Type.INTEGER and column.name.startswith("up_") and column.name.endswith("_bps"):
            table = _put(table, column.name, (table[column.name].to_numpy() * factors).astype(np.int64))
    return table


def main(sites: int, days: int) -> None:
    with tempfile.TemporaryDirectory() as directory:
        root = Path(directory)
        began = time.perf_counter()
        exported = [f"Site {nth:04}" for nth in range(min(sites, 3))]
        for seed, site in enumerate(exported):
            through_exporter(root, site, list(measured(random.Random(seed), days=days, every_s=60)))
        print(f"{len(exported)} sites through the exporter: {time.perf_counter() - began:.0f} s")
        began = time.perf_counter()
        for seed in range(len(exported), sites):
            Drawn(root, like=exported[seed % len(exported)], days=days).write(f"Site {seed:04}", seed)
        files = list(root.rglob("*.parquet"))
        print(f"{sites - len(exported)} sites drawn: {time.perf_counter() - began:.0f} s")
        size_mb = sum(file.stat().st_size for file in files) / 1e6
        print(f"{sites} sites, {days} days: {len(files)} files, {size_mb:.0f} MB")
        for kind in ("train", "rate", "stall"):
            count = f"SELECT count(*) AS rows FROM read_parquet('exports/*/*/{kind}.parquet')"
            print(f"  {kind}: {asked(root, count)[0]['rows']} rows")
        asking = {heading: sql for heading, sql in queries().items() if "sealed/" not in sql}
        for heading, sql in asking.items():
            took = []
            for _ in range(2):
                began = time.perf_counter()
                rows = asked(root, sql)
                took.append(time.perf_counter() - began)
            print(f"\n{heading}: {took[0]:.1f} s, again {took[1]:.1f} s (2 threads)")
            for row in rows[:3]:
                print("  " + ", ".join(f"{name}={value}" for name, value in row.items()))
    print(f"\npeak memory of this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024} MB")


if __name__ == "__main__":
    main(*(int(each) for each in (*sys.argv[1:], *("1000", "7")[len(sys.argv) - 1 :])))
