"""A record as one flat row, under the names of the data dictionary.

Values are what the dictionary's types say: text, int, float, bool, None for what is not known. A time is
Unix nanoseconds here and becomes text or a time stamp when it is written; a list is an iterable
of tuples in the order of `dictionary.LIST_FIELDS`, to be read once. Pure.
"""

from __future__ import annotations

from dataclasses import asdict, fields
from datetime import tzinfo
from typing import Any

from store import documents
from store.clock import local
from store.dictionary import HOURS, TABLES, column_type
from store.histogram import Delays, Histogram
from store.layers import LayerRates
from store.records import (
    Campaign,
    Correction,
    Document,
    Failed,
    Gap,
    RateRun,
    RateSide,
    Record,
    Skipped,
    Stall,
    Thinned,
    TrainSpan,
    WindowClosed,
    WindowOpened,
)
from store.rollup import Rolled
from store.rows import known_text, planned_text

Values = dict[str, Any]

_DELAYS = tuple(each.name for each in fields(Delays))


def values_of(record: Record, *, seq: int, site: str, where: tzinfo) -> Values:
    """The values of every column of the record's table, by name."""
    head = {
        "site": site,
        "seq": seq,
        "handoff": record.handoff,
        "endpoint": record.endpoint,
        **_moment("started", _started_ns(record), where),
    }
    match record:
        case RateRun():
            return head | _rate(record)
        case TrainSpan():
            return head | _train(record)
        case Stall():
            return head | _same(record) | {"class": str(record.class_), "direction": str(record.direction)}
        case Failed():
            return head | _same(record) | {"whose": str(record.whose)}
        case Skipped():
            return head | {"what": record.what, "why": record.why}
        case Gap():
            return head | _moment("ended", record.ended_unix_ns, where) | {"why": record.why}
        case Correction():
            return head | {"corrects_seq": record.corrects_seq, "what": record.what, "why": record.why}
        case Thinned():
            heads = {name: getattr(record, name).hex() for name in ("before", "after", "remainder")}
            return head | heads | _same(record)
        case Campaign():
            told = {"direction": str(record.direction), "planned": planned_text(record.planned)}
            return head | _same(record) | told
        case WindowOpened():
            return head | _window(record) | _moment("ends", record.ends_unix_ns, where)
        case WindowClosed():
            return head | _window(record) | _moment("opened", record.opened_unix_ns, where)
        case Document():
            return head | _document(record, where)


def values_of_sum(found: Rolled, *, site: str, where: tzinfo) -> Values:
    """The values of every column of the tables of sums, by name."""
    return {
        **{name: getattr(found, name) for name in _SUM_FIELDS},
        "site": site,
        **_moment("started", found.started_unix_ns, where),
        **_moment("ended", found.ended_unix_ns, where),
        "excluded": ", ".join(f"{reason} {left.spans}" for reason, left in sorted(found.excluded.items())),
        **_histogram("rtt", found.rtt),
        **_histogram("pdv_up", found.pdv_up),
        **_histogram("pdv_down", found.pdv_down),
    }


def _started_ns(record: Record) -> int:
    """When a record counts as started."""
    match record:
        case Skipped():
            return record.planned_unix_ns
        case Correction():
            return record.written_unix_ns
        case Thinned():
            return record.thinned_unix_ns
        case _:
            return record.started_unix_ns


def _moment(name: str, unix_ns: int | None, where: tzinfo) -> Values:
    if unix_ns is None:
        return dict.fromkeys((name, f"{name}_local", f"{name}_unix_ns"))
    return {
        name: unix_ns,
        f"{name}_local": local(unix_ns, where).isoformat(timespec="milliseconds"),
        f"{name}_unix_ns": unix_ns,
    }


def _same(record: Record | RateSide) -> Values:
    """The fields that are columns of the same name."""
    names = _SAME[type(record)]
    return {name: getattr(record, name) for name in names}


def _standing(record: RateRun | TrainSpan) -> Values:
    return {
        "standing": str(record.standing),
        "reasons": " ".join(record.reasons),
        "timestamps": str(record.timestamps),
    }


def _rate(run: RateRun) -> Values:
    return {
        **_same(run),
        **_standing(run),
        "direction": str(run.direction),
        **_side("up", run.up),
        **_side("down", run.down),
        **_delays("rtt_idle", run.rtt_idle_us),
        **_delays("rtt_loaded", run.rtt_loaded_us),
        **asdict(run.circumstances),
        "carrier": str(run.circumstances.carrier),
    }


def _window(record: WindowOpened | WindowClosed) -> Values:
    return _same(record) | {"window": str(record.window), "opener": str(record.opener)}


def _document(record: Document, where: tzinfo) -> Values:
    values: Values = {"standing": str(record.standing), "reasons": " ".join(record.reasons)}
    for each in documents.fields_of(type(record)):
        value = getattr(record, each.name)
        if each.type is Delays:
            values |= _delays(each.name.removesuffix("_us"), value)
        elif each.type is LayerRates:
            names = [one.name for one in fields(LayerRates)]
            values |= dict.fromkeys(names) if value is None else asdict(value)
        elif each.name.endswith("_unix_ns"):
            values |= _moment(each.name.removesuffix("_unix_ns"), value, where)
        elif column_type(each) is None:
            values[each.name] = None if value is None else documents.json_of(value)
        else:
            values[each.name] = None if value is None else documents.shown(value)
    return values


def _side(way: str, side: RateSide | None) -> Values:
    if side is None:
        return dict.fromkeys(_SIDE_COLUMNS[way])
    values = {
        **asdict(side.rates),
        **_same(side),
        "limited_by": str(side.limited_by),
        "bins": tuple((each.start_ms, each.bytes) for each in side.bins) or None,
    }
    return {f"{way}_{name}": value for name, value in values.items()}


def _train(span: TrainSpan) -> Values:
    around = span.circumstances
    return _minute(span) | {"circumstances": None if around is None else known_text(around)}


def _minute(span: TrainSpan) -> Values:
    if span.received and not (span.rtt.count or span.pdv_up.count or span.pdv_down.count):
        # Replies without any delay: a rule has let the histograms go (store.thinning).
        return {**dict.fromkeys(_HISTOGRAM_COLUMNS), **_same(span), **_standing(span)}
    return {
        **_same(span),
        **_standing(span),
        **_histogram("rtt", span.rtt),
        **_histogram("pdv_up", span.pdv_up),
        **_histogram("pdv_down", span.pdv_down),
    }


def _delays(prefix: str, delays: Delays | None) -> Values:
    if delays is None:
        return {_figure(prefix, name): None for name in _DELAYS}
    return {_figure(prefix, name): getattr(delays, name) for name in _DELAYS}


def _histogram(prefix: str, histogram: Histogram) -> Values:
    return {
        **_delays(prefix, histogram.delays()),
        f"{prefix}_count": histogram.count,
        f"{prefix}_sum_us": histogram.sum,
        f"{prefix}_buckets": histogram.limits(),
    }


def _figure(prefix: str, name: str) -> str:
    return f"{prefix}_count" if name == "count" else f"{prefix}_{name}_us"


_HISTOGRAM_COLUMNS = [
    each.name for each in TABLES["train"].columns if each.name.startswith(("rtt_", "pdv_up_", "pdv_down_"))
]
_SIDE_COLUMNS = {
    way: [each.name for each in TABLES["rate"].columns if each.name.startswith(f"{way}_")]
    for way in ("up", "down")
}
_SUM_FIELDS = tuple(
    each.name
    for each in fields(Rolled)
    if each.name in {one.name for one in HOURS.columns} and each.name != "excluded"
)
_SAME = {
    RateRun: ("seconds", "flows", "spent_bytes", "at_most_up_goodput_bps", "at_most_down_goodput_bps"),
    RateSide: tuple(
        each.name for each in fields(RateSide) if each.name not in ("rates", "bins", "limited_by")
    ),
    TrainSpan: (
        "spent_bytes",
        *(
            each.name
            for each in fields(TrainSpan)
            if each.name != "circumstances" and each.name in {one.name for one in TABLES["train"].columns}
        ),
    ),
    Stall: ("duration_us", "how", "lost", "held"),
    Failed: ("what", "why", "spent_bytes"),
    Campaign: (
        *("name", "question", "seconds", "flows", "every_s", "hours", "first_day", "last_day", "count"),
        *("timezone", "seed"),
    ),
    Thinned: ("first_seq", "last_seq", "why"),
    WindowOpened: ("name", "why", "reference"),
    WindowClosed: ("name", "why"),
}
