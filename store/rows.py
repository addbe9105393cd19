"""A record as rows of the database's tables, and back.

`insertions` is what the writer executes, `rate_run_of` and its like are what the reader calls. Text
keeps every character but lone surrogates, jitter its whole nanoseconds. Integers must fit into 64 bits
and floats be finite, so that whatever `insertions` takes, the database takes too. Imports records and
what they are made of.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, fields
from typing import Any

from store import varint
from store.clock import NS_PER_US
from store.errors import BadMessage
from store.histogram import Delays, Histogram
from store.layers import LayerRates
from store.records import (
    Bin,
    Carrier,
    Circumstances,
    Direction,
    Failed,
    Gap,
    Limit,
    Owner,
    RateRun,
    RateSide,
    Record,
    Skipped,
    Stall,
    Stamps,
    TrainSpan,
)

Insertion = tuple[str, tuple[Any, ...]]  # an INSERT and its values

_PATH = "(SELECT id FROM path WHERE handoff = ? AND endpoint = ?)"
_ADD_PATH = "INSERT INTO path (handoff, endpoint) VALUES (?, ?) ON CONFLICT DO NOTHING"

RATE_RUN = (
    "started_unix_ns, seconds, direction, flows, rtt_idle_us, rtt_loaded_us, timestamps, spent_bytes, "
    "standing, reasons, circumstances"
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
    "blips, jitter_up_ns, jitter_down_ns, kernel_stamps, reasons, rtt_us, pdv_up_us, pdv_down_us"
)
STALL = "started_unix_ns, duration_us, direction, how, lost, held"
TROUBLE = "kind, started_unix_ns, ended_unix_ns, what, why, whose"


def _marks(columns: str) -> str:
    return ", ?" * (columns.count(",") + 1)


def _insert(table: str, columns: str) -> str:
    return f"INSERT INTO {table} (path, {columns}) VALUES ({_PATH}{_marks(columns)})"  # noqa: S608 - our names


_ADD_RATE_RUN = _insert("rate_run", RATE_RUN)
_ADD_STALL = _insert("stall", STALL)
_ADD_TROUBLE = _insert("trouble", TROUBLE)
# The run itself went in just before, and this connection is the only one that writes.
_ADD_RATE_SIDE = (
    f"INSERT INTO rate_side (run, {RATE_SIDE}) "  # noqa: S608 - names of our own
    f"VALUES ((SELECT max(id) FROM rate_run){_marks(RATE_SIDE)})"
)
_ADD_TRAIN = (
    f"INSERT INTO train (path, nth, {TRAIN}) VALUES ({_PATH}, "  # noqa: S608 - names of our own
    f"(SELECT count(*) FROM train WHERE started_unix_ns = ? AND path = {_PATH}){_marks(TRAIN)})"
)


def insertions(record: Record) -> tuple[Insertion, ...]:
    """The statements that add `record`, in order. Raises ValueError for a value no column can hold."""
    names = (record.handoff, record.endpoint)
    match record:
        case RateRun():
            made = _rate_rows(record)
        case TrainSpan():
            made = [_train_row(record)]
        case Stall():
            row = (
                record.started_unix_ns,
                record.duration_us,
                record.direction,
                record.how,
                record.lost,
                record.held,
            )
            made = [(_ADD_STALL, (*names, *row))]
        case Failed() | Skipped() | Gap():
            made = [(_ADD_TROUBLE, (*names, *_trouble_row(record)))]
    return tuple((sql, _storable(values)) for sql, values in [(_ADD_PATH, names), *made])


def rate_run_of(names: tuple[str, str], row: Sequence[Any], sides: Iterable[Sequence[Any]]) -> RateRun:
    """Undo `insertions`: `row` holds the columns of `RATE_RUN`, `sides` those of `RATE_SIDE`.

    A side without its `bins` column comes back without bins.
    """
    started_unix_ns, seconds, direction, flows, idle, loaded, timestamps, spent_bytes, _, reasons, rest = row
    by_direction = {side[0]: _side_of(side) for side in sides}
    return RateRun(
        handoff=names[0],
        endpoint=names[1],
        started_unix_ns=started_unix_ns,
        seconds=seconds,
        direction=Direction(direction),
        flows=flows,
        up=by_direction.get(Direction.UP),
        down=by_direction.get(Direction.DOWN),
        rtt_idle_us=_delays_of(idle),
        rtt_loaded_us=_delays_of(loaded),
        timestamps=Stamps(timestamps),
        spent_bytes=spent_bytes,
        reasons=tuple(reasons.split()),
        circumstances=_circumstances_of(rest),
    )


def train_span_of(names: tuple[str, str], row: Sequence[Any]) -> TrainSpan:
    """Undo `insertions`: `row` holds the columns of `TRAIN`, or all but the three histograms."""
    values = dict(zip(TRAIN.split(", "), row, strict=False))
    packed = [values.pop(name, None) for name in ("rtt_us", "pdv_up_us", "pdv_down_us")]
    rtt, pdv_up, pdv_down = (Histogram() if each is None else Histogram.unpack(each) for each in packed)
    values["timestamps"] = Stamps.KERNEL if values.pop("kernel_stamps") else Stamps.CLOCK
    values["reasons"] = tuple(values["reasons"].split())
    for side in ("up", "down"):
        jitter_ns = values.pop(f"jitter_{side}_ns")
        values[f"jitter_{side}_us"] = None if jitter_ns is None else jitter_ns / NS_PER_US
    return TrainSpan(handoff=names[0], endpoint=names[1], rtt=rtt, pdv_up=pdv_up, pdv_down=pdv_down, **values)


def stall_of(names: tuple[str, str], row: Sequence[Any]) -> Stall:
    """Undo `insertions`: `row` holds the columns of `STALL`."""
    values = dict(zip(STALL.split(", "), row, strict=True))
    values["direction"] = Direction(values["direction"])
    return Stall(handoff=names[0], endpoint=names[1], **values)


def trouble_of(names: tuple[str, str], row: Sequence[Any]) -> Failed | Skipped | Gap:
    """Undo `insertions`: `row` holds the columns of `TROUBLE`."""
    kind, started_unix_ns, ended_unix_ns, what, why, whose = row
    handoff, endpoint = names
    if kind == "failed":
        return Failed(
            what=what,
            why=why,
            whose=Owner(whose),
            started_unix_ns=started_unix_ns,
            handoff=handoff,
            endpoint=endpoint,
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


def _rate_rows(run: RateRun) -> list[Insertion]:
    row = (
        run.started_unix_ns,
        run.seconds,
        run.direction,
        run.flows,
        _delays_text(run.rtt_idle_us),
        _delays_text(run.rtt_loaded_us),
        run.timestamps,
        run.spent_bytes,
        run.standing,
        _codes(run.reasons),
        _json_text(asdict(run.circumstances)),
    )
    rows = [(_ADD_RATE_RUN, (run.handoff, run.endpoint, *row))]
    columns = RATE_SIDE.split(", ")
    for direction, side in run.sides().items():
        values = {
            **asdict(side.rates),
            **{each.name: getattr(side, each.name) for each in fields(side) if each.name in columns},
            "direction": direction,
            "bins": pack_bins(side.bins),
        }
        rows.append((_ADD_RATE_SIDE, tuple(values[column] for column in columns)))
    return rows


def _train_row(span: TrainSpan) -> Insertion:
    packed = {
        "jitter_up_ns": _nanoseconds(span.jitter_up_us),
        "jitter_down_ns": _nanoseconds(span.jitter_down_us),
        "kernel_stamps": span.timestamps is Stamps.KERNEL,
        "reasons": _codes(span.reasons),
        "rtt_us": span.rtt.pack(),
        "pdv_up_us": span.pdv_up.pack(),
        "pdv_down_us": span.pdv_down.pack(),
    }
    columns = TRAIN.split(", ")
    row = tuple(packed[column] if column in packed else getattr(span, column) for column in columns)
    names = (span.handoff, span.endpoint)
    return _ADD_TRAIN, (*names, span.started_unix_ns, *names, *row)


def _trouble_row(record: Failed | Skipped | Gap) -> tuple[Any, ...]:
    match record:
        case Failed():
            return record.kind, record.started_unix_ns, None, record.what, record.why, record.whose
        case Skipped():
            return record.kind, record.planned_unix_ns, None, record.what, record.why, None
        case Gap():
            return record.kind, record.started_unix_ns, record.ended_unix_ns, None, record.why, None


def _storable(values: tuple[Any, ...]) -> tuple[Any, ...]:
    return tuple(_storable_value(value) for value in values)


def _storable_value(value: Any) -> Any:
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode()
    if isinstance(value, int) and not -(1 << 63) <= value < 1 << 63:
        raise ValueError(f"{value} does not fit into 64 bits")
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{value} is no number that a record may hold")
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
    return None if text is None else Delays(**json.loads(text))


def _circumstances_of(text: str) -> Circumstances:
    known = {each.name for each in fields(Circumstances)}
    found = {name: value for name, value in json.loads(text).items() if name in known}
    return Circumstances(**found | {"carrier": Carrier(found["carrier"])})


def _side_of(row: Sequence[Any]) -> RateSide:
    values = dict(zip(RATE_SIDE.split(", "), row, strict=False))
    del values["direction"]
    rates = LayerRates(**{each.name: values.pop(each.name) for each in fields(LayerRates)})
    values |= {
        "bins": unpack_bins(values.get("bins", b"")),
        "tcp_timestamps": bool(values["tcp_timestamps"]),
        "limited_by": Limit(values["limited_by"]),
    }
    return RateSide(rates=rates, **values)
