"""A record as a row of the database's tables, and back.

`row_of` gives what is stored of a record, `insertions` the statements that store it, `rate_run_of` and
its like are what the reader calls. Text keeps every character but lone surrogates, jitter its whole
nanoseconds. Integers must fit into 64 bits and floats be finite, so that whatever `row_of` takes, the
database takes too. Imports records and what they are made of.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any

import msgspec

from store import documents, varint
from store.clock import NS_PER_US
from store.errors import BadMessage
from store.histogram import Delays, Histogram
from store.layers import LayerRates
from store.records import (
    Bin,
    Campaign,
    Circumstances,
    Correction,
    Direction,
    Document,
    Failed,
    Gap,
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

Insertion = tuple[str, tuple[Any, ...]]  # an INSERT and its values


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What is stored of a record: its columns by name; `sides` are those of a rate run."""

    table: str
    handoff: str
    endpoint: str
    values: Mapping[str, Any]
    sides: tuple[Mapping[str, Any], ...] = field(default=())


RATE_RUN = (
    "started_unix_ns, seconds, direction, flows, rtt_idle_us, rtt_loaded_us, timestamps, spent_bytes, "
    "standing, reasons, circumstances, at_most_up_goodput_bps, at_most_down_goodput_bps"
)
RATE_SIDE = (
    "direction, goodput_bps, ip_bps, ethernet_bps, wire_bps, lowest_second_bps, steady_from_ms, "
    "steady_to_ms, received_bytes, mss_bytes, ip_version, tcp_timestamps, sent_bytes, retransmitted_bytes, "
    "retransmitted_ratio, limited_by, congestion, tcp_rtt_us, busy_ratio, window_limited_ratio, "
    "buffer_limited_ratio, bins"
)
TRAIN = (
    "started_unix_ns, seconds, per_second, packet_bytes, waiting_s, sent, received, lost_up, lost_down, "
    "lost_unattributed, held_up, held_down, duplicated_up, duplicated_down, reordered_up, reordered_down, "
    "blips, jitter_up_ns, jitter_down_ns, kernel_stamps, reasons, circumstances, rtt_us, pdv_up_us, "
    "pdv_down_us"
)
TRAIN_FROM = (
    "train JOIN train_setting ON train_setting.id = setting "
    "LEFT JOIN train_around ON train_around.id = around"
)
STALL = "started_unix_ns, duration_us, direction, how, lost, held"
TROUBLE = "kind, started_unix_ns, ended_unix_ns, what, why, whose, spent_bytes"
TRAIN_SETTING = "per_second, packet_bytes, waiting_s, kernel_stamps"  # alike in every minute of a train
_RATIOS = ("retransmitted_ratio", "busy_ratio", "window_limited_ratio", "buffer_limited_ratio")
REAL = frozenset(("seconds", "per_second", "waiting_s", *_RATIOS))  # doubles, whatever number a record brings
CORRECTION = "corrects_seq, written_unix_ns, what, why"
OPENING = "kind, started_unix_ns, window, name, opener, why, ends_unix_ns, reference, opened_unix_ns"
CAMPAIGN = (
    "name, question, started_unix_ns, direction, seconds, flows, every_s, hours, first_day, last_day, count, "
    "timezone, seed, planned"
)
DOCUMENT = "kind, started_unix_ns, body"
THINNED = "first_seq, last_seq, thinned_unix_ns, before, after, remainder, why"

_KERNEL_HERE, _KERNEL_THERE = 1, 2  # bits of a train's `kernel_stamps`: the probe's, the reflector's
_SIDE_NAMES = RATE_SIDE.split(", ")
_RUN_NAMES = RATE_RUN.split(", ")
_STALL_NAMES = STALL.split(", ")
_RATES = tuple(each.name for each in fields(LayerRates))

_ADD_PATH = "INSERT INTO path (handoff, endpoint) VALUES (?, ?) ON CONFLICT DO NOTHING"
_PATH = "(SELECT id FROM path WHERE handoff = ? AND endpoint = ?)"
_ADD_SETTING = f"INSERT INTO train_setting ({TRAIN_SETTING}) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING"  # noqa: S608
_ADD_AROUND = "INSERT INTO train_around (circumstances) VALUES (?) ON CONFLICT DO NOTHING"
_AROUND = "(SELECT id FROM train_around WHERE circumstances = ?)"
_SETTING = (
    "(SELECT id FROM train_setting WHERE per_second = ? AND packet_bytes = ? AND waiting_s = ? "
    "AND kernel_stamps = ?)"
)


def row_of(record: Record) -> Row:
    """What is stored of `record`. Raises ValueError for a value no column can hold."""
    sides: list[Mapping[str, Any]] = []
    match record:
        case RateRun():
            table, values = "rate_run", _rate_values(record)
            sides = [_side_values(direction, side) for direction, side in record.sides().items()]
        case TrainSpan():
            table, values = "train", _train_values(record)
        case Stall():
            table, values = "stall", {name: getattr(record, name) for name in STALL.split(", ")}
        case Failed() | Skipped() | Gap():
            table, values = "trouble", _trouble_values(record)
        case Correction():
            table, values = "correction", {name: getattr(record, name) for name in CORRECTION.split(", ")}
        case Thinned():
            table, values = "thinned", {name: getattr(record, name) for name in THINNED.split(", ")}
        case WindowOpened() | WindowClosed():
            table = "opening"
            values = {name: getattr(record, name, None) for name in OPENING.split(", ")}
        case Campaign():
            table = "campaign"
            values = {name: getattr(record, name) for name in CAMPAIGN.split(", ")}
            values["planned"] = planned_text(record.planned)
        case Document():
            body = documents.text_of(record)
            table, values = (
                "document",
                dict(zip(DOCUMENT.split(", "), (record.kind, record.started_unix_ns, body), strict=True)),
            )
    handoff, endpoint = _storable(record.handoff), _storable(record.endpoint)
    return Row(
        table=table,
        handoff=handoff,
        endpoint=endpoint,
        values=_all_storable(values),
        sides=tuple(_all_storable(side) for side in sides),
    )


def insertions(row: Row, *, seq: int, link: bytes) -> list[Insertion]:
    """The statements that store `row` as record number `seq` of the chain, in order."""
    names = (row.handoff, row.endpoint)
    kept = dict(row.values)
    references: list[tuple[str, str, tuple[Any, ...]]] = [("path", _PATH, names)]
    made: list[Insertion] = [(_ADD_PATH, names)]
    if row.table == "train":
        setting = tuple(kept.pop(name) for name in TRAIN_SETTING.split(", "))
        made.append((_ADD_SETTING, setting))
        references.append(("setting", _SETTING, setting))
        around = (kept.pop("circumstances"),)
        if around != (None,):
            made.append((_ADD_AROUND, around))
            references.append(("around", _AROUND, around))
    columns = ", ".join(["seq", "link", *(name for name, _, _ in references), *kept])
    marks = ", ".join(["?", "?", *(sql for _, sql, _ in references), *("?" * len(kept))])
    referred = [value for _, _, values in references for value in values]
    sql = f"INSERT INTO {row.table} ({columns}) VALUES ({marks})"  # noqa: S608 - names of our own
    made.append((sql, (seq, link, *referred, *kept.values())))
    for side in row.sides:
        sql = f"INSERT INTO rate_side (run, {', '.join(side)}) VALUES (?{', ?' * len(side)})"  # noqa: S608
        made.append((sql, (seq, *side.values())))
    return made


def rate_run_of(names: tuple[str, str], row: Sequence[Any], sides: Iterable[Sequence[Any]]) -> RateRun:
    """Undo `row_of`: `row` holds the columns of `RATE_RUN`, `sides` those of `RATE_SIDE`.

    A side without its `bins` column comes back without bins.
    """
    values = dict(zip(_RUN_NAMES, row, strict=True))
    del values["standing"]
    by_direction = {side[0]: _side_of(side) for side in sides}
    return msgspec.convert(
        values
        | {
            "handoff": names[0],
            "endpoint": names[1],
            "up": by_direction.get(Direction.UP),
            "down": by_direction.get(Direction.DOWN),
            "rtt_idle_us": _delays_of(values["rtt_idle_us"]),
            "rtt_loaded_us": _delays_of(values["rtt_loaded_us"]),
            "reasons": values["reasons"].split(),
            "circumstances": _circumstances_of(values["circumstances"]),
        },
        RateRun,
    )


def train_span_of(names: tuple[str, str], row: Sequence[Any]) -> TrainSpan:
    """Undo `row_of`: `row` holds the columns of `TRAIN`, or all but the three histograms.

    Histograms that were thinned (no bytes) come back empty.
    """
    values = dict(zip(TRAIN.split(", "), row, strict=False))
    packed = [values.pop(name, None) for name in ("rtt_us", "pdv_up_us", "pdv_down_us")]
    rtt, pdv_up, pdv_down = (Histogram.unpack(each) if each else Histogram() for each in packed)
    stamps = values.pop("kernel_stamps")
    values["timestamps"] = Stamps.KERNEL if stamps & _KERNEL_HERE else Stamps.CLOCK
    values["reflector_timestamps"] = Stamps.KERNEL if stamps & _KERNEL_THERE else Stamps.CLOCK
    values["reasons"] = tuple(values["reasons"].split())
    around = values["circumstances"]
    values["circumstances"] = None if around is None else _circumstances_of(around)
    for side in ("up", "down"):
        jitter_ns = values.pop(f"jitter_{side}_ns")
        values[f"jitter_{side}_us"] = None if jitter_ns is None else jitter_ns / NS_PER_US
    return TrainSpan(handoff=names[0], endpoint=names[1], rtt=rtt, pdv_up=pdv_up, pdv_down=pdv_down, **values)


def correction_of(names: tuple[str, str], row: Sequence[Any]) -> Correction:
    """Undo `row_of`: `row` holds the columns of `CORRECTION`."""
    values = dict(zip(CORRECTION.split(", "), row, strict=True))
    return Correction(handoff=names[0], endpoint=names[1], **values)


def thinned_of(row: Sequence[Any]) -> Thinned:
    """Undo `row_of`: `row` holds the columns of `THINNED`."""
    return Thinned(**dict(zip(THINNED.split(", "), row, strict=True)))


def campaign_of(names: tuple[str, str], row: Sequence[Any]) -> Campaign:
    """Undo `row_of`: `row` holds the columns of `CAMPAIGN`."""
    values = dict(zip(CAMPAIGN.split(", "), row, strict=True))
    numbers = [int(each) for each in values.pop("planned").split()]
    planned = tuple(
        Planned(start_unix_ns=start, latest_unix_ns=latest)
        for start, latest in zip(numbers[::2], numbers[1::2], strict=True)
    )
    values["direction"] = Direction(values["direction"])
    return Campaign(handoff=names[0], endpoint=names[1], planned=planned, **values)


def document_of(names: tuple[str, str], row: Sequence[Any]) -> Document:
    """Undo `row_of`: `row` holds the columns of `DOCUMENT`. KeyError for a kind of a later version."""
    kind, started_unix_ns, body = row
    return documents.document_of(
        kind, body, handoff=names[0], endpoint=names[1], started_unix_ns=started_unix_ns
    )


def planned_text(planned: Iterable[Planned]) -> str:
    """For each run its start and the latest, in Unix nanoseconds, all with spaces between."""
    return " ".join(f"{each.start_unix_ns} {each.latest_unix_ns}" for each in planned)


def opening_of(names: tuple[str, str], row: Sequence[Any]) -> WindowOpened | WindowClosed:
    """Undo `row_of`: `row` holds the columns of `OPENING`."""
    kind, started_unix_ns, window, name, opener, why, ends_unix_ns, reference, opened_unix_ns = row
    if kind == "window opened":
        return WindowOpened(
            started_unix_ns=started_unix_ns,
            name=name,
            window=OpenKind(window),
            opener=Opener(opener),
            why=why,
            ends_unix_ns=ends_unix_ns,
            reference=reference,
            handoff=names[0],
        )
    return WindowClosed(
        started_unix_ns=started_unix_ns,
        opened_unix_ns=opened_unix_ns,
        name=name,
        window=OpenKind(window),
        opener=Opener(opener),
        why=why,
        handoff=names[0],
    )


def stall_of(names: tuple[str, str], row: Sequence[Any]) -> Stall:
    """Undo `row_of`: `row` holds the columns of `STALL`."""
    values = dict(zip(_STALL_NAMES, row, strict=True))
    return msgspec.convert({"handoff": names[0], "endpoint": names[1], **values}, Stall)


def trouble_of(names: tuple[str, str], row: Sequence[Any]) -> Failed | Skipped | Gap:
    """Undo `row_of`: `row` holds the columns of `TROUBLE`."""
    kind, started_unix_ns, ended_unix_ns, what, why, whose, spent_bytes = row
    handoff, endpoint = names
    if kind == "failed":
        return Failed(
            what=what,
            why=why,
            whose=Owner(whose),
            started_unix_ns=started_unix_ns,
            handoff=handoff,
            endpoint=endpoint,
            spent_bytes=spent_bytes or 0,
        )
    if kind == "skipped":
        return Skipped(
            what=what, why=why, planned_unix_ns=started_unix_ns, handoff=handoff, endpoint=endpoint
        )
    return Gap(
        started_unix_ns=started_unix_ns,
        ended_unix_ns=ended_unix_ns,
        why=why,
        handoff=handoff,
        endpoint=endpoint,
    )


def known_text(circumstances: Circumstances) -> str:
    """What is known of them, without what is not: short, and the same in minutes that are alike."""
    return _json_text({name: value for name, value in asdict(circumstances).items() if value is not None})


def pack_bins(bins: Iterable[Bin]) -> bytes:
    """Bins as bytes: for each how far its start is from 100 ms after the last one's, then its bytes."""
    numbers = []
    due_ms = 0
    for bin_ in bins:
        off_ms = bin_.start_ms - due_ms
        numbers += [off_ms * 2 if off_ms >= 0 else -off_ms * 2 - 1, bin_.bytes]
        due_ms = bin_.start_ms + 100
    return varint.pack(numbers)


def unpack_bins(packed: bytes) -> tuple[Bin, ...]:
    """Undo `pack_bins`. Raises BadMessage."""
    numbers = list(varint.unpack(packed, "bins"))
    if len(numbers) % 2:
        raise BadMessage("bins", "a start without its bytes")
    bins = []
    due_ms = 0
    for off, received in zip(numbers[::2], numbers[1::2], strict=True):
        start_ms = due_ms + (-(off + 1) // 2 if off % 2 else off // 2)
        bins.append(Bin(start_ms=start_ms, bytes=received))
        due_ms = start_ms + 100
    return tuple(bins)


def _rate_values(run: RateRun) -> dict[str, Any]:
    return {
        "started_unix_ns": run.started_unix_ns,
        "seconds": run.seconds,
        "direction": run.direction,
        "flows": run.flows,
        "rtt_idle_us": _delays_text(run.rtt_idle_us),
        "rtt_loaded_us": _delays_text(run.rtt_loaded_us),
        "timestamps": run.timestamps,
        "spent_bytes": run.spent_bytes,
        "standing": run.standing,
        "reasons": _codes(run.reasons),
        "circumstances": _json_text(asdict(run.circumstances)),
        "at_most_up_goodput_bps": run.at_most_up_goodput_bps,
        "at_most_down_goodput_bps": run.at_most_down_goodput_bps,
    }


def _side_values(direction: Direction, side: RateSide) -> dict[str, Any]:
    columns = RATE_SIDE.split(", ")
    values = {
        **asdict(side.rates),
        **{each.name: getattr(side, each.name) for each in fields(side) if each.name in columns},
        "direction": direction,
        "bins": pack_bins(side.bins),
    }
    return {column: values[column] for column in columns}


def _train_values(span: TrainSpan) -> dict[str, Any]:
    packed = {
        "jitter_up_ns": _nanoseconds(span.jitter_up_us),
        "jitter_down_ns": _nanoseconds(span.jitter_down_us),
        "kernel_stamps": _KERNEL_HERE * (span.timestamps is Stamps.KERNEL)
        + _KERNEL_THERE * (span.reflector_timestamps is Stamps.KERNEL),
        "reasons": _codes(span.reasons),
        "circumstances": None if span.circumstances is None else known_text(span.circumstances),
        "rtt_us": span.rtt.pack(),
        "pdv_up_us": span.pdv_up.pack(),
        "pdv_down_us": span.pdv_down.pack(),
    }
    columns = TRAIN.split(", ")
    return {column: packed[column] if column in packed else getattr(span, column) for column in columns}


def _trouble_values(record: Failed | Skipped | Gap) -> dict[str, Any]:
    row: tuple[Any, ...]
    match record:
        case Failed():
            spent_bytes = record.spent_bytes or None  # as in rows from before there was the column
            row = (
                record.kind,
                record.started_unix_ns,
                None,
                record.what,
                record.why,
                record.whose,
                spent_bytes,
            )
        case Skipped():
            row = record.kind, record.planned_unix_ns, None, record.what, record.why, None, None
        case Gap():
            row = record.kind, record.started_unix_ns, record.ended_unix_ns, None, record.why, None, None
    return dict(zip(TROUBLE.split(", "), row, strict=True))


def _all_storable(values: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: _storable(float(value) if name in REAL and value is not None else value)
        for name, value in values.items()
    }


def _storable(value: Any) -> Any:
    """The value as the database will give it back. ValueError for what it cannot hold."""
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode()
    if isinstance(value, int):  # a flag is stored as 0 or 1
        if not -(1 << 63) <= value < 1 << 63:
            raise ValueError(f"{value} does not fit into 64 bits")
        return int(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{value} is no number that a record may hold")
        return value + 0.0  # of the two zeros SQLite keeps one
    return value


def _nanoseconds(us: float | None) -> int | None:
    """Whole nanoseconds, finer than any stamp; ValueError for what is no number."""
    if us is None or math.isfinite(us):
        return None if us is None else round(us * NS_PER_US)
    raise ValueError(f"{us} is no number that a record may hold")


def _codes(reasons: tuple[str, ...]) -> str:
    return " ".join(reasons)


def _json_text(value: Any) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _delays_text(delays: Delays | None) -> str | None:
    return None if delays is None else _json_text(asdict(delays))


def _delays_of(text: str | None) -> Delays | None:
    return None if text is None else msgspec.json.decode(text, type=Delays)


def _circumstances_of(text: str) -> Circumstances:
    return msgspec.json.decode(text, type=Circumstances)  # what a later version added is left alone


def _side_of(row: Sequence[Any]) -> RateSide:
    values = dict(zip(_SIDE_NAMES, row, strict=False))
    values["rates"] = values  # those names are its own, and `convert` takes no other
    packed = values.get("bins")
    values["bins"] = unpack_bins(packed) if packed else ()
    values["tcp_timestamps"] = bool(values["tcp_timestamps"])
    return msgspec.convert(values, RateSide)  # a seventh of the time that its own __init__ takes
