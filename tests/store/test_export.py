"""Exports, read back with other programs' readers: the csv and json modules, pyarrow and DuckDB.

What is held against something outside: CSV against RFC 4180 section 2, formula cells against OWASP's list of
first characters ("CSV Injection", from memory), local days against zoneinfo, hive directories against what
pyarrow and DuckDB read out of them, copies against SQLite's own integrity check.
"""

from __future__ import annotations

import csv
import io
import json
import sqlite3
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import closing, redirect_stderr, redirect_stdout
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, get_args, get_type_hints
from zoneinfo import ZoneInfo

import duckdb
import pyarrow.dataset
import pyarrow.parquet
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

import linebook
from store import dictionary, documents, export, parquet, verify
from store.clock import Clock
from store.columns import values_of
from store.dictionary import EXPORTED, LIST_FIELDS, TABLES, Table, Type
from store.errors import DatabaseMistake, UserMistake
from store.export import Choice, Format
from store.histogram import Delays, Histogram
from store.layers import LayerRates
from store.reader import Reader
from store.records import (
    Bin,
    Campaign,
    Carrier,
    Circumstances,
    Correction,
    Direction,
    Document,
    Failed,
    Gap,
    Limit,
    Opener,
    OpenKind,
    Owner,
    Planned,
    RateRun,
    RateSide,
    Record,
    Skipped,
    Stall,
    Stamps,
    Thinned,
    TrainSpan,
    WindowClosed,
    WindowOpened,
)
from store.writer import Writer
from tests import strategies
from tests.store import samples

HOUSE = Path(__file__).parents[2]
HOUR_NS = 3600 * 10**9
ALL = Choice(site="Quillet Lane", where=UTC)

Row = dict[str, Any]


def database(directory: Path, records: Iterable[Record], *, timezone: str | None = None) -> Path:
    """A database with these records."""
    path = directory / "line.db"
    with closing(Writer.open(path, clock=Clock(), timezone=timezone)) as writer:
        for record in records:
            writer.append(record)
    return path


def exported(path: Path, to: Path, format_: Format, choice: Choice = ALL, *, force: bool = False) -> Path:
    with closing(Reader.open(path)) as reader:
        export.write(reader, to, choice, format_=format_, force=force)
    return to


# Readers that know nothing of ours but the dictionary beside the export


def types_in(root: Path) -> dict[str, dict[str, str]]:
    """The type of every column by kind, out of dictionary.json."""
    kinds = json.loads((root / "dictionary.json").read_text())["kinds"]
    return {kind["kind"]: {each["column"]: each["type"] for each in kind["columns"]} for kind in kinds}


def of_csv(root: Path, kind: str) -> list[Row]:
    typed: dict[str, Callable[[str], Any]] = {
        "integer": int,
        "real": float,
        "truth": lambda cell: {"true": True, "false": False}[cell],
        "text": lambda cell: cell.removeprefix("'"),
        "time": str,
    }
    types = types_in(root)[kind]
    with (root / f"{kind.replace(' ', '_')}.csv").open(encoding="utf-8", newline="") as file:
        return [
            {name: typed[types[name]](cell) if cell else None for name, cell in row.items()}
            for row in csv.DictReader(file, strict=True)
        ]


def of_json_lines(root: Path, kind: str) -> list[Row]:
    return [json.loads(line) for line in (root / f"{kind.replace(' ', '_')}.jsonl").read_bytes().splitlines()]


def of_pyarrow(root: Path, kind: str) -> list[Row]:
    files = sorted(root.glob(f"site=*/day=*/{kind.replace(' ', '_')}.parquet"))
    found = [pyarrow.parquet.read_table(file) for file in files]
    return [row for table in found for row in table.to_pylist()]


def of_duckdb(root: Path, kind: str) -> list[Row]:
    if not of_pyarrow(root, kind):
        return []
    with duckdb.connect() as engine:
        engine.execute("SET TimeZone = 'UTC'")
        found = engine.execute(
            f"SELECT * FROM read_parquet('{root}/*/*/{kind.replace(' ', '_')}.parquet', "
            "hive_partitioning = true, hive_types = {'site': VARCHAR, 'day': VARCHAR}) ORDER BY seq"
        )
        names = [column[0] for column in found.description or ()]
        return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


# From a row back to the record


def delays_in(row: Row, prefix: str) -> Delays | None:
    if row[f"{prefix}_min_us"] is None:
        return None
    figures = {name: row[f"{prefix}_{name}_us"] for name in ("min", "p50", "p95", "p99", "max")}
    return Delays(count=row[f"{prefix}_count"], **figures)


def histogram_in(row: Row, prefix: str) -> Histogram:
    """From buckets, sum, smallest and largest; an empty one where the format has no buckets."""
    made = Histogram()
    for bucket in row.get(f"{prefix}_buckets") or ():
        made.add(bucket["from_us"], bucket["count"])
    if made.count:
        made._sum = row[f"{prefix}_sum_us"]
        made._min, made._max = row[f"{prefix}_min_us"], row[f"{prefix}_max_us"]
    return made


def side_in(row: Row, way: str) -> RateSide | None:
    if row[f"{way}_goodput_bps"] is None:
        return None
    values = {each.name: row.get(f"{way}_{each.name}") for each in fields(RateSide)}
    rates = LayerRates(**{each.name: row[f"{way}_{each.name}"] for each in fields(LayerRates)})
    bins = tuple(Bin(start_ms=each["start_ms"], bytes=each["bytes"]) for each in values["bins"] or ())
    return RateSide(**values | {"rates": rates, "bins": bins, "limited_by": Limit(values["limited_by"])})


def record_in(kind: str, row: Row) -> Record:
    """The record that a row was made from."""
    texts = {each.name for each in fields(KINDS[kind]) if each.type == "str"} | {"reasons", "planned"}
    row = {name: "" if value is None and name in texts else value for name, value in row.items()}
    names = {"handoff": row["handoff"], "endpoint": row["endpoint"]}
    at = row["started_unix_ns"]
    match kind:
        case "rate":
            known = {each.name: row[each.name] for each in fields(Circumstances)}
            return RateRun(
                **names,
                started_unix_ns=at,
                seconds=row["seconds"],
                direction=Direction(row["direction"]),
                flows=row["flows"],
                up=side_in(row, "up"),
                down=side_in(row, "down"),
                rtt_idle_us=delays_in(row, "rtt_idle"),
                rtt_loaded_us=delays_in(row, "rtt_loaded"),
                timestamps=Stamps(row["timestamps"]),
                spent_bytes=row["spent_bytes"],
                reasons=tuple(row["reasons"].split()),
                circumstances=Circumstances(**known | {"carrier": Carrier(known["carrier"])}),
                at_most_up_goodput_bps=row["at_most_up_goodput_bps"],
                at_most_down_goodput_bps=row["at_most_down_goodput_bps"],
            )
        case "train":
            made = {each.name: row.get(each.name) for each in fields(TrainSpan) if each.init}
            made |= {name: histogram_in(row, name) for name in ("rtt", "pdv_up", "pdv_down")}
            made |= {"reasons": tuple(row["reasons"].split()), "timestamps": Stamps(row["timestamps"])}
            return TrainSpan(**made)
        case "stall":
            how = {name: row[name] for name in ("duration_us", "how", "lost", "held")}
            return Stall(**names, started_unix_ns=at, direction=Direction(row["direction"]), **how)
        case "failed":
            whose = Owner(row["whose"])
            told = {name: row[name] for name in ("what", "why", "spent_bytes")}
            return Failed(**names, started_unix_ns=at, whose=whose, **told)
        case "skipped":
            return Skipped(**names, planned_unix_ns=at, what=row["what"], why=row["why"])
        case "gap":
            return Gap(**names, started_unix_ns=at, ended_unix_ns=row["ended_unix_ns"], why=row["why"])
        case "campaign":
            said = {each.name: row[each.name] for each in fields(Campaign) if each.init}
            numbers = iter(int(each) for each in row["planned"].split())
            said["planned"] = tuple(
                Planned(start_unix_ns=start, latest_unix_ns=next(numbers)) for start in numbers
            )
            return Campaign(**said | {"direction": Direction(row["direction"])})
        case "correction":
            said = {name: row[name] for name in ("corrects_seq", "what", "why")}
            return Correction(**names, written_unix_ns=at, **said)
        case "thinned":
            heads = {name: bytes.fromhex(row[name]) for name in ("before", "after", "remainder")}
            stretch = {name: row[name] for name in ("first_seq", "last_seq", "why")}
            return Thinned(thinned_unix_ns=at, **stretch, **heads)
        case "window opened" | "window closed":
            shared = {
                "handoff": row["handoff"],
                "started_unix_ns": at,
                "name": row["name"],
                "window": OpenKind(row["window"]),
                "opener": Opener(row["opener"]),
                "why": row["why"],
            }
            if kind == "window closed":
                return WindowClosed(**shared, opened_unix_ns=row["opened_unix_ns"])
            return WindowOpened(**shared, ends_unix_ns=row["ends_unix_ns"], reference=row["reference"])
    return document_in(documents.KINDS[kind], row)


def document_in(kind: type[Document], row: Row) -> Document:
    """A document of a row: what its columns hold, and what stands in them as JSON."""
    said: Row = {name: row[name] for name in ("handoff", "endpoint", "started_unix_ns")}
    said["reasons"] = tuple(row["reasons"].split())
    hints = get_type_hints(kind, include_extras=True)
    for each in documents.fields_of(kind):
        if each.type is Delays:
            said[each.name] = delays_in(row, each.name.removesuffix("_us"))
        elif each.type is LayerRates:
            found = {one.name: row[one.name] for one in fields(LayerRates)}
            said[each.name] = None if found["ip_bps"] is None else LayerRates(**found)
        elif dictionary.column_type(each) is None:
            text = row[each.name]
            said[each.name] = None if text in (None, "") else documents.value_of(each.type, text)
        else:
            optional = type(None) in get_args(get_args(hints[each.name])[0])
            empty = each.type is str and not optional and row[each.name] is None
            value = "" if empty else row[each.name]
            said[each.name] = None if value is None else each.type(value)
    return kind(**said)


KINDS = {
    each.__dataclass_fields__["kind"].default: each for each in get_args(Record) if each is not Document
} | documents.KINDS


def flat(record: Record) -> Record:
    """The record as CSV can hold it: without lists, and nothing for an empty text that may be missing."""
    match record:
        case RateRun():
            sides = {way: side and replace(side, bins=()) for way, side in record_sides(record).items()}
            return replace(record, **sides)
        case TrainSpan():
            return replace(record, rtt=Histogram(), pdv_up=Histogram(), pdv_down=Histogram())
        case WindowOpened():
            return replace(record, reference=record.reference or None)
        case Document():
            texts = [each.name for each in documents.fields_of(type(record)) if each.type is str]
            hints = get_type_hints(type(record), include_extras=True)
            maybe = [name for name in texts if type(None) in get_args(get_args(hints[name])[0])]
            return replace(record, **{name: getattr(record, name) or None for name in maybe})
        case _:
            return record


def record_sides(run: RateRun) -> dict[str, RateSide | None]:
    return {"up": run.up, "down": run.down}


def by_kind(records: Iterable[Record]) -> dict[str, list[Record]]:
    """Records in the order of their writing."""
    found: dict[str, list[Record]] = {kind: [] for kind in TABLES}
    for record in records:
        found[record.kind].append(record)
    return found


def came_back(rows: list[Row], kind: str) -> list[Record]:
    return [record_in(kind, row) for row in sorted(rows, key=lambda row: row["seq"])]


class TestRoundTrip:
    @settings(max_examples=8, phases=[Phase.explicit, Phase.reuse, Phase.generate])  # shrinking takes minutes
    @given(drawn=st.lists(strategies.records, min_size=6, max_size=20))
    def test_every_record_comes_back_from_every_format(
        self, tmp_path_factory: pytest.TempPathFactory, drawn: list[Record]
    ) -> None:
        root = tmp_path_factory.mktemp("export")
        path = database(root, drawn)
        for format_ in (Format.CSV, Format.JSONL, Format.PARQUET):
            exported(path, root / format_, format_)
        for kind, records in by_kind(drawn).items():
            assert came_back(of_csv(root / "csv", kind), kind) == [flat(each) for each in records]
            assert came_back(of_json_lines(root / "jsonl", kind), kind) == records
            assert came_back(of_pyarrow(root / "parquet", kind), kind) == records
            assert came_back(of_duckdb(root / "parquet", kind), kind) == records

    def test_the_strategies_draw_every_kind(self) -> None:
        """A new kind of record needs its table in the dictionary and its way through the test above."""
        assert set(KINDS) == set(TABLES)

    def test_csv_has_the_figures_of_histograms_and_their_sums(self, tmp_path: Path) -> None:
        """Of 1, 2, ... 100 us, p95 by RFC 2330 section 11.3 is 95, to 1/64; the sum is 5050 (arithmetic)."""
        span = samples.span(delays_us=(list(range(1, 101)), [0] * 100))
        (row,) = of_csv(exported(database(tmp_path, [span]), tmp_path / "csv", Format.CSV), "train")
        assert (row["pdv_up_count"], row["pdv_up_sum_us"]) == (100, 5050)
        assert (row["pdv_up_min_us"], row["pdv_up_max_us"]) == (1, 100)
        assert row["pdv_up_p50_us"] == 50
        assert row["pdv_up_p95_us"] == pytest.approx(95, rel=1 / 64)

    def test_buckets_of_several_records_add_up_to_those_of_all_samples(self, tmp_path: Path) -> None:
        """Merged by whoever reads them, with nothing but the limits and counts that stand there."""
        parts = [[3, 70, 900], [70, 71, 120_000], [3, 2_000_000]]
        spans = [
            samples.span(nth * 60 * 10**9, delays_us=(part, [0] * len(part)))
            for nth, part in enumerate(parts)
        ]
        root = exported(database(tmp_path, spans), tmp_path / "p", Format.PARQUET)
        with duckdb.connect() as engine:
            merged = engine.execute(
                f"SELECT b.from_us, b.to_us, sum(b.count)::BIGINT FROM (SELECT unnest(pdv_up_buckets) AS b "
                f"FROM read_parquet('{root}/*/*/train.parquet')) GROUP BY ALL ORDER BY 1"
            ).fetchall()
        values = sorted(value for part in parts for value in part)
        assert sum(count for _, _, count in merged) == len(values)
        for first, last, count in merged:
            assert count == sum(first <= value <= last for value in values)
            assert last - first <= first / 32  # the stated error: half a bucket is 1/64 of its value


class TestSums:
    def test_an_hour_is_what_its_spans_add_up_to(self, tmp_path: Path) -> None:
        """Six spans of two hours, added up from their own rows in the same export."""
        spans = [
            samples.span(nth * HOUR_NS // 3, delays_us=([0, 100 * nth, 7000], [0, 5, nth]))
            for nth in range(6)
        ]
        root = exported(database(tmp_path, [*spans, samples.stall(1)]), tmp_path / "out", Format.JSONL)
        rows = of_json_lines(root, "train")
        hours = of_json_lines(root, "train hour")
        assert [hour["started_unix_ns"] for hour in hours] == [0, HOUR_NS]
        assert [hour["stalls"] for hour in hours] == [1, 0]
        for hour, parts in zip(hours, (rows[:3], rows[3:]), strict=True):
            assert hour["spans"] == 3
            for name in ("sent", "lost_up", "rtt_count", "rtt_sum_us", "pdv_up_count"):
                assert hour[name] == sum(part[name] for part in parts), name
            assert hour["pdv_up_max_us"] == max(part["pdv_up_max_us"] for part in parts)
            merged: Counter[tuple[int, int]] = Counter()
            for bucket in (bucket for part in parts for bucket in part["pdv_up_buckets"]):
                merged[bucket["from_us"], bucket["to_us"]] += bucket["count"]
            assert merged == {
                (each["from_us"], each["to_us"]): each["count"] for each in hour["pdv_up_buckets"]
            }

    def test_a_day_is_the_sites(self, tmp_path: Path) -> None:
        """The 25th of October 2026 has 25 hours in Lisbon, by zoneinfo."""
        where = ZoneInfo("Europe/Lisbon")
        start_ns, end_ns = (
            int(datetime(2026, 10, day, tzinfo=where).timestamp()) * 10**9 for day in (25, 26)
        )
        assert end_ns - start_ns == 25 * HOUR_NS
        spans = [samples.span(at) for at in (start_ns - 1, start_ns, end_ns - 1, end_ns)]
        path = database(tmp_path, spans, timezone="Europe/Lisbon")
        only = Choice(site="here", where=where, first=date(2026, 10, 25), last=date(2026, 10, 25))
        (day,) = of_csv(exported(path, tmp_path / "csv", Format.CSV, only), "train day")
        assert (day["started_unix_ns"], day["ended_unix_ns"], day["spans"]) == (start_ns, end_ns, 2)

    def test_what_a_rule_let_go_of_is_not_nought(self) -> None:
        """A span with replies and without any delay has lost its histograms, not its packets."""
        gone = replace(samples.span(), rtt=Histogram(), pdv_up=Histogram(), pdv_down=Histogram())
        row = values_of(gone, seq=1, site="here", where=UTC)
        assert (row["received"], row["rtt_count"], row["rtt_buckets"], row["pdv_up_sum_us"]) == (
            (3, None, None, None)
        )
        silent = replace(gone, received=0)
        assert values_of(silent, seq=1, site="here", where=UTC)["rtt_count"] == 0


class TestDictionary:
    @pytest.mark.parametrize("format_", [Format.CSV, Format.JSONL, Format.PARQUET])
    def test_describes_exactly_the_columns_of_every_file(self, tmp_path: Path, format_: Format) -> None:
        root = exported(database(tmp_path, ONE_OF_EACH), tmp_path / "out", format_)
        described = types_in(root)
        assert list(described) == [table.kind for table in EXPORTED]
        for kind, types in described.items():
            assert columns_in(root, kind, format_) == list(types), kind
        with (root / "dictionary.csv").open(newline="") as file:
            rows = list(csv.DictReader(file))
        assert [(row["kind"], row["column"], row["type"]) for row in rows] == [
            (kind, name, type_) for kind, types in described.items() for name, type_ in types.items()
        ]

    @pytest.mark.parametrize("table", EXPORTED, ids=lambda table: table.kind)
    def test_names_meaning_unit_and_layer(self, table: Table) -> None:
        """A number without a unit is a guess, a rate without its layer too."""
        units = {"_bps": "bit/s", "_bytes": "bytes", "_us": "us", "_ms": "ms", "_ns": "ns", "_ratio": "ratio"}
        for column in table.columns:
            assert column.meaning
            numeric = column.type in (Type.INTEGER, Type.REAL)
            assert bool(column.unit) or not numeric, column.name
            if column.unit in ("bit/s", "bytes"):
                assert column.layer, column.name
            for ending, unit in units.items():
                if column.name.endswith(ending) and numeric:
                    assert column.unit == unit, column.name

    def test_the_page_of_the_docs_is_up_to_date(self) -> None:
        page = (HOUSE / "docs" / "data-dictionary.md").read_text()
        assert page == dictionary.as_markdown(), "python -m store.dictionary > docs/data-dictionary.md"

    def test_parquet_files_carry_it_too(self) -> None:
        field = parquet.schema_of(TABLES["rate"]).field("up_goodput_bps")
        assert (field.metadata[b"unit"], field.metadata[b"layer"]) == (b"bit/s", b"payload")


def columns_in(root: Path, kind: str, format_: Format) -> list[str]:
    """The columns of a kind's file as it lies there; in Parquet the directory's site comes first."""
    name = kind.replace(" ", "_")
    if format_ is Format.CSV:
        return (root / f"{name}.csv").read_text().splitlines()[0].split(",")
    if format_ is Format.JSONL:
        return list(json.loads((root / f"{name}.jsonl").read_text().splitlines()[0]))
    (file,) = root.glob(f"*/*/{name}.parquet")
    assert file.parts[-3].startswith("site=")
    return ["site", *pyarrow.parquet.read_schema(file).names]


ONE_OF_EACH: tuple[Record, ...] = (
    samples.run(),
    samples.span(),
    samples.stall(),
    samples.failed(),
    samples.skipped(),
    Gap(started_unix_ns=0, ended_unix_ns=5, why="the probe was not running"),
    samples.campaign(),
    *(one for one in samples.EVERY_KIND if isinstance(one, Document)),
    Correction(handoff="old", endpoint="north", corrects_seq=1, written_unix_ns=9, what="x", why="y"),
    Thinned(
        first_seq=1,
        last_seq=2,
        thinned_unix_ns=9,
        before=bytes(32),
        after=bytes(32),
        remainder=bytes(32),
        why="minutes are kept for a year",
    ),
    WindowOpened(started_unix_ns=3, name="s", window=OpenKind.SHOW, opener=Opener.PERSON, why="asked"),
    WindowClosed(
        started_unix_ns=4, opened_unix_ns=3, name="s", window=OpenKind.SHOW, opener=Opener.PERSON, why="told"
    ),
)


class TestCsv:
    def test_lines_and_quotes_are_those_of_rfc_4180(self, tmp_path: Path) -> None:
        """Section 2: lines end in CRLF; a field with comma, quote or line break is quoted, quotes doubled."""
        failed = replace(samples.failed(), what='say "no", twice', why="one\r\ntwo")
        root = exported(database(tmp_path, [failed]), tmp_path / "csv", Format.CSV)
        raw = (root / "failed.csv").read_bytes()
        assert b',"say ""no"", twice","one\r\ntwo",endpoint' in raw
        assert raw.count(b"\n") == raw.count(b"\r\n") == 3

    @pytest.mark.parametrize("first", ["=", "+", "-", "@", "\t", "\r", "\n", "'"])
    def test_no_text_begins_as_a_formula(self, tmp_path: Path, first: str) -> None:
        why = f"{first}HYPERLINK(0)"
        root = exported(
            database(tmp_path, [replace(samples.failed(), why=why)]), tmp_path / "csv", Format.CSV
        )
        with (root / "failed.csv").open(newline="") as file:
            (row,) = csv.DictReader(file)
        assert row["why"] == f"'{why}"

    def test_numbers_stay_numbers(self) -> None:
        assert export.cell(-5, Type.INTEGER) == -5
        assert export.cell(-0.5, Type.REAL) == -0.5
        assert export.cell("-5", Type.TEXT) == "'-5"


class TestTime:
    @pytest.mark.parametrize(
        ("zone", "at"),
        [
            ("Europe/Lisbon", datetime(2026, 3, 28, 23, 59, 59, tzinfo=UTC)),
            ("Europe/Lisbon", datetime(2026, 7, 1, 23, 30, tzinfo=UTC)),
            ("America/Sao_Paulo", datetime(2018, 11, 4, 3, 0, tzinfo=UTC)),  # midnight skipped
            ("Pacific/Auckland", datetime(2026, 11, 25, 11, 0, tzinfo=UTC)),
        ],
    )
    def test_local_time_and_day_are_the_sites(self, tmp_path: Path, zone: str, at: datetime) -> None:
        """Against zoneinfo."""
        stall = samples.stall(int(at.timestamp()) * 10**9)
        choice = Choice(site="here", where=ZoneInfo(zone))
        root = exported(database(tmp_path, [stall]), tmp_path / "p", Format.PARQUET, choice)
        (row,) = of_duckdb(root, "stall")
        expected = at.astimezone(ZoneInfo(zone))
        assert row["started"] == at
        assert datetime.fromisoformat(row["started_local"]) == expected
        assert row["started_local"].endswith(expected.isoformat()[-6:])
        assert (row["site"], row["day"]) == ("here", expected.date().isoformat())

    def test_a_midnight_that_comes_twice_begins_one_day(self, tmp_path: Path) -> None:
        """St John's, 29 October 2006: at 00:01 clocks went back to 23:01 of the day before."""
        where = ZoneInfo("America/St_Johns")
        around = [datetime(2006, 10, 29, 2, minute, tzinfo=UTC) for minute in (29, 30, 31, 59)]
        assert [each.astimezone(where).day for each in around] == [28, 29, 28, 28]
        stalls = [samples.stall(int(each.timestamp()) * 10**9) for each in around]
        choice = Choice(site="here", where=where)
        root = exported(database(tmp_path, stalls), tmp_path / "p", Format.PARQUET, choice)
        assert [row["day"][-2:] for row in of_duckdb(root, "stall")] == ["28", "29", "29", "29"]

    def test_neighbouring_days_share_no_record_and_miss_none(self, tmp_path: Path) -> None:
        """Three days around a change of clocks, hour by hour, exported day by day and at once."""
        where = ZoneInfo("Europe/Lisbon")
        start_ns = int(datetime(2026, 10, 24, 0, 0, tzinfo=where).timestamp()) * 10**9
        path = database(tmp_path, [samples.stall(start_ns + nth * HOUR_NS) for nth in range(73)])
        parts = []
        for day in (24, 25, 26):
            only = Choice(site="here", where=where, first=date(2026, 10, day), last=date(2026, 10, day))
            parts.append(of_csv(exported(path, tmp_path / str(day), Format.CSV, only), "stall"))
        assert [len(part) for part in parts] == [24, 25, 24]  # clocks go back on the 25th
        whole = of_csv(
            exported(path, tmp_path / "all", Format.CSV, Choice(site="here", where=where)), "stall"
        )
        assert [row for part in parts for row in part] == whole


class TestChoice:
    def test_one_handoff_and_what_concerns_all(self, tmp_path: Path) -> None:
        everywhere = Gap(started_unix_ns=0, ended_unix_ns=5, why="the probe was not running")
        records = [samples.span(handoff="A"), samples.span(handoff="B"), everywhere]
        choice = replace(ALL, handoff="A")
        root = exported(database(tmp_path, records), tmp_path / "csv", Format.CSV, choice)
        assert [row["handoff"] for row in of_csv(root, "train")] == ["A"]
        assert len(of_csv(root, "gap")) == 1

    def test_an_unknown_handoff_is_told_which_there_are(self, tmp_path: Path) -> None:
        path = database(tmp_path, [samples.span(handoff="A")])
        with pytest.raises(UserMistake, match="there is A"):
            exported(path, tmp_path / "csv", Format.CSV, replace(ALL, handoff="B"))

    @pytest.mark.parametrize("name", ["a/../b", "..", "50 % = half", "Olaria São João", "a\nb"])
    def test_any_site_name_becomes_a_directory_and_comes_back(self, tmp_path: Path, name: str) -> None:
        path = database(tmp_path, [samples.stall()])
        root = exported(path, tmp_path / "p", Format.PARQUET, replace(ALL, site=name))
        assert [each.name for each in tmp_path.iterdir() if each.is_dir()] == ["p"]
        assert of_duckdb(root, "stall")[0]["site"] == name
        found = pyarrow.dataset.dataset(
            sorted(map(str, root.glob("*/*/stall.parquet"))),
            partitioning=pyarrow.dataset.partitioning(flavor="hive"),
            partition_base_dir=str(root),
        )
        assert found.to_table(filter=pyarrow.dataset.field("site") == name).num_rows == 1


class TestFiles:
    @pytest.mark.parametrize("format_", [Format.CSV, Format.PARQUET])
    def test_what_is_there_stays_unless_forced(self, tmp_path: Path, format_: Format) -> None:
        path = database(tmp_path, [samples.stall()])
        root = exported(path, tmp_path / "out", format_)
        (kept,) = root.rglob(f"stall.{format_}")
        kept.write_bytes(b"mine")
        before = {each: each.read_bytes() for each in root.rglob("*") if each.is_file()}
        with pytest.raises(UserMistake, match=r"there already.*--force"):
            exported(path, root, format_)
        assert {each: each.read_bytes() for each in root.rglob("*") if each.is_file()} == before
        exported(path, root, format_, force=True)
        assert kept.read_bytes() != b"mine"

    def test_several_sites_share_a_directory(self, tmp_path: Path) -> None:
        """Their dictionary is the same, so it is no file in the way."""
        path = database(tmp_path, [samples.stall()])
        for site in ("one", "two"):
            exported(path, tmp_path / "p", Format.PARQUET, replace(ALL, site=site))
        assert {row["site"] for row in of_duckdb(tmp_path / "p", "stall")} == {"one", "two"}

    @pytest.mark.parametrize("name", ["dictionary.csv", "dictionary.json"])
    def test_a_dictionary_of_an_older_version_is_renewed_and_another_file_is_not(
        self, tmp_path: Path, name: str
    ) -> None:
        """So that a nightly export into one tree goes on after an upgrade."""
        path = database(tmp_path, [samples.stall()])
        root = exported(path, tmp_path / "p", Format.PARQUET)
        new = (root / name).read_bytes()
        (root / name).write_bytes(b"".join(new.splitlines(keepends=True)[:40]))
        exported(path, root, Format.PARQUET, replace(ALL, site="two"))
        assert (root / name).read_bytes() == new
        (root / name).write_text("mine")
        with pytest.raises(UserMistake, match=name):
            exported(path, root, Format.PARQUET, replace(ALL, site="three"))
        assert (root / name).read_text() == "mine"

    def test_a_damaged_database_is_a_sentence(self, tmp_path: Path) -> None:
        path = database(tmp_path, [samples.span(nth) for nth in range(400)])
        damaged = bytearray(path.read_bytes())
        damaged[len(damaged) // 2 :] = b"\x5a" * (len(damaged) - len(damaged) // 2)
        path.write_bytes(damaged)
        with pytest.raises(DatabaseMistake, match="is damaged"):
            exported(path, tmp_path / "csv", Format.CSV)
        assert not (tmp_path / "csv").exists()

    def test_an_export_that_breaks_off_leaves_nothing(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def full(*_: object) -> int:
            raise OSError(28, "No space left on device")

        path = database(tmp_path, [samples.run(), samples.stall()])
        monkeypatch.setattr(parquet, "write", full)
        with pytest.raises(UserMistake, match="No space left"):
            exported(path, tmp_path / "p", Format.PARQUET)
        assert not (tmp_path / "p").exists()

    def test_a_place_that_cannot_be_one(self, tmp_path: Path) -> None:
        path = database(tmp_path, [samples.stall()])
        (tmp_path / "file").write_text("mine")
        with pytest.raises(UserMistake, match="cannot be written"):
            exported(path, tmp_path / "file", Format.CSV)


class TestReading:
    def test_each_comes_oldest_first_with_its_number(self, tmp_path: Path) -> None:
        """The same as the lists that the rest of the house reads."""
        records = [
            made(started, handoff=handoff)
            for started in (30, 10, 20)
            for handoff in ("A", "B")
            for made in (samples.run, samples.span, samples.stall)
        ]
        with closing(Reader.open(database(tmp_path, records))) as reader:
            for kind, all_of_it in (
                ("rate", reader.rate_runs),
                ("train", reader.train_spans),
                ("stall", reader.stalls),
            ):
                found = list(reader.each(kind, handoff="A", since_ns=10, until_ns=30))
                assert [record for _, record in found] == all_of_it(handoff="A", since_ns=10, until_ns=30)
                assert [records[seq - 1] for seq, _ in found] == [record for _, record in found]

    @pytest.mark.parametrize("kind", ["rate", "train", "stall", "failed"])
    def test_nothing_is_sorted_in_memory(self, tmp_path: Path, kind: str) -> None:
        """SQLite reads along an index, by its own word: a temporary B-tree would hold every row."""
        with closing(Reader.open(database(tmp_path, ONE_OF_EACH))) as reader:
            asked: list[str] = []
            reader._connection.set_trace_callback(asked.append)
            list(reader.each(kind, handoff="old", since_ns=0, until_ns=HOUR_NS))
            reader._connection.set_trace_callback(None)
            plans = [
                step[3] for sql in asked for step in reader._connection.execute(f"EXPLAIN QUERY PLAN {sql}")
            ]
        assert plans
        assert not [step for step in plans if "TEMP B-TREE" in step]

    def test_an_export_is_of_one_moment(self, tmp_path: Path) -> None:
        path = database(tmp_path, [samples.stall(1)])
        with closing(Writer.open(path, clock=Clock())) as writer, closing(Reader.open(path)) as reader:
            with reader.moment():
                assert len(list(reader.each("gap"))) == 0
                writer.append(samples.stall(2))
                writer.flush_blocking()
                assert len(list(reader.each("stall"))) == 1
            assert len(list(reader.each("stall"))) == 2


class TestCopy:
    def test_a_copy_made_while_the_writer_works_is_whole(self, tmp_path: Path) -> None:
        """By SQLite's own check; what it holds is the beginning of what the original holds."""
        path, copies = tmp_path / "line.db", [tmp_path / f"copy{nth}.db" for nth in range(4)]
        halt = threading.Event()
        with closing(Writer.open(path, clock=Clock())) as writer:

            def write_on() -> None:
                nth = 0
                while not halt.is_set() and nth < 20_000:
                    nth += 1
                    writer.append(samples.stall(nth))
                    if nth % 50 == 0:
                        writer.flush_blocking()

            thread = threading.Thread(target=write_on)
            thread.start()
            try:
                with closing(Reader.open(path)) as reader:
                    for copy in copies:
                        export.copy(reader, copy)
            finally:
                halt.set()
                thread.join()
            writer.flush_blocking()
            with closing(Reader.open(path)) as reader:
                everything = reader.stalls()
        for copy in copies:
            with closing(sqlite3.connect(copy)) as plain:
                assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            with closing(Reader.open(copy)) as reader:
                found = reader.stalls()
            assert found == everything[: len(found)]
            assert verify.database(copy).findings == []
        assert len(list(tmp_path.glob("copy*"))) == len(copies)  # no journal, no part beside them

    def test_it_does_not_overwrite(self, tmp_path: Path) -> None:
        path = database(tmp_path, [samples.stall()])
        (tmp_path / "copy.db").write_text("mine")
        with closing(Reader.open(path)) as reader:
            with pytest.raises(UserMistake, match="there already"):
                export.copy(reader, tmp_path / "copy.db")
            assert (tmp_path / "copy.db").read_text() == "mine"
            export.copy(reader, tmp_path / "copy.db", force=True)
        with closing(Reader.open(tmp_path / "copy.db")) as reader:
            assert len(reader.stalls()) == 1

    def test_a_place_where_none_can_be(self, tmp_path: Path) -> None:
        path = database(tmp_path, [samples.stall()])
        (tmp_path / "file").write_text("mine")
        with (
            closing(Reader.open(path)) as reader,
            pytest.raises((UserMistake, DatabaseMistake), match="cannot be"),
        ):
            export.copy(reader, tmp_path / "file" / "copy.db")


SECRET = "K3yK3yK3yK3yK3yK3yK3yK3yK3yK3yK3yK3yK3yK3yK"
SITE = f"""
name = "Quillet Lane"
invented = true
timezone = "Europe/Lisbon"
database = "line.db"
[[handoff]]
name = "old"
title = "Old line"
[[endpoint]]
name = "north"
where = "outside"
invitation = "linebook://192.0.2.1:9/?v=1&key={SECRET}&pin=AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
"""


@dataclass(frozen=True)
class Done:
    """What a command left: exit code and what it wrote to both outputs."""

    returncode: int
    stdout: str
    stderr: str


def command(*words: object) -> Done:
    """`linebook export`, in this process."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            code = linebook.main(["export", *map(str, words)])
        except SystemExit as end:  # how the parser ends
            code = int(end.code or 0)
    return Done(code, out.getvalue(), err.getvalue())


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site with a record of two days."""
    database(tmp_path, [*ONE_OF_EACH, samples.stall(30 * HOUR_NS)])
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    path.chmod(0o600)
    return path


class TestCommand:
    def test_no_secret_is_in_any_export(self, site: Path, tmp_path: Path) -> None:
        """Neither the invitation's key, nor the key that signs the record."""
        signing = (tmp_path / "line.db.key").read_bytes()
        for format_ in ("csv", "jsonl", "parquet"):
            assert command(site, tmp_path / "out" / format_, "--format", format_).returncode == 0
        done = command(site, tmp_path / "out" / "copy.db", "--format", "sqlite", "--json")
        assert json.loads(done.stdout)["files"] == 1
        files = [each for each in (tmp_path / "out").rglob("*") if each.is_file()]
        assert {each.suffix for each in files} >= {".csv", ".jsonl", ".parquet", ".json", ".db"}
        for file in files:
            content = file.read_bytes()
            assert SECRET.encode() not in content
            assert signing not in content
            assert b"linebook://" not in content

    def test_days_are_the_sites_own_and_counted(self, site: Path, tmp_path: Path) -> None:
        done = command(site, tmp_path / "o", "--format", "jsonl", "--from", "1970-01-02", "--json")
        found = json.loads(done.stdout)
        assert (found["kind"], found["site"], found["from"], found["to"]) == (
            "export",
            "Quillet Lane",
            "1970-01-02",
            None,
        )
        assert {kind: count for kind, count in found["rows"].items() if count} == {"stall": 1}
        assert of_json_lines(tmp_path / "o", "stall")[0]["started_local"] == "1970-01-02T07:00:00.000+01:00"

    def test_a_database_alone_is_named_after_its_file(self, site: Path, tmp_path: Path) -> None:
        done = command(tmp_path / "line.db", tmp_path / "o", "--format", "csv", "--handoff", "old")
        assert "stall: 2 rows" in done.stdout
        assert {row["site"] for row in of_csv(tmp_path / "o", "stall")} == {"line"}

    def test_a_database_alone_knows_its_sites_clock(self, tmp_path: Path) -> None:
        path = database(tmp_path, [samples.stall()], timezone="UTC+05:30")
        assert command(path, tmp_path / "o", "--format", "csv").returncode == 0
        (row,) = of_csv(tmp_path / "o", "stall")
        assert row["started_local"] == "1970-01-01T05:30:00.000+05:30"

    def test_without_pyarrow_it_says_how_to_get_it(self, site: Path, tmp_path: Path) -> None:
        hidden = tmp_path / "hidden"
        hidden.mkdir()
        (hidden / "pyarrow.py").write_text("raise ImportError\n")
        done = subprocess.run(
            [sys.executable, HOUSE / "linebook.py", "export", site, tmp_path / "o", "--format", "parquet"],
            capture_output=True,
            text=True,
            check=False,
            env={"PATH": "/usr/bin:/bin", "PYTHONPATH": str(hidden)},
        )
        assert (done.returncode, done.stdout) == (2, "")
        (sentence,) = done.stderr.splitlines()
        assert "linebook[parquet]" in sentence
        assert not (tmp_path / "o").exists()

    @pytest.mark.parametrize(
        ("words", "expected"),
        [
            (("--format", "excel"), "csv, jsonl, parquet, sqlite"),
            (("--format", "csv", "--from", "yesterday"), "--from"),
            (("--format", "csv", "--from", "2026-02-02", "--to", "2026-02-01"), "--to"),
            (("--format", "sqlite", "--handoff", "old"), "--handoff"),
            (("--format", "csv", "--handoff", "odl"), "old"),
        ],
    )
    def test_mistakes_are_one_sentence(
        self, site: Path, tmp_path: Path, words: tuple[str, ...], expected: str
    ) -> None:
        done = command(site, tmp_path / "o", *words)
        assert (done.returncode, done.stdout) == (2, "")
        (sentence,) = done.stderr.splitlines()
        assert expected in sentence


def test_list_fields_are_what_the_files_hold() -> None:
    assert {str(type_): names for type_, names in LIST_FIELDS.items()} == {
        "list of bins": ("start_ms", "bytes"),
        "list of buckets": ("from_us", "to_us", "count"),
    }
