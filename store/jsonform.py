"""Records as the JSON objects that other programs may rely on; one place for their field names.

Every object has `kind`, `schema`, `started` (RFC 3339, UTC), `standing` and `reasons`. Rates are
integers in bit/s named by layer, delays microseconds. The schema number grows when a field
changes its meaning or goes; a new field leaves it alone. Pure: records in, dicts out.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from store import documents
from store.clock import rfc3339
from store.histogram import Delays
from store.layers import LayerRates
from store.records import (
    Campaign,
    Correction,
    Direction,
    Document,
    Failed,
    Gap,
    RateRun,
    RateSide,
    Record,
    Skipped,
    Stall,
    Standing,
    Thinned,
    TrainSpan,
    WindowClosed,
    WindowOpened,
    standing_of,
)

if TYPE_CHECKING:  # only its values are looked at, and loading it brings cryptography along
    from store.corrections import Corrected

SCHEMA = 1

Json = dict[str, Any]


def as_json(record: Record, *, stalls: tuple[Stall, ...] = ()) -> Json:
    """The record as one JSON object; `stalls` are those of a train span."""
    match record:
        case RateRun():
            return _head(record, record.started_unix_ns) | _rate(record)
        case TrainSpan():
            return _head(record, record.started_unix_ns) | _train(record, stalls)
        case Stall():
            return _head(record, record.started_unix_ns) | _names(record) | stall_json(record)
        case Failed():
            return failed_json(record)
        case Skipped():
            head = _head(record, record.planned_unix_ns, standing=Standing.VOID, reasons=("skipped",))
            return head | _names(record) | {"what": record.what, "why": record.why}
        case Gap():
            head = _head(record, record.started_unix_ns, standing=Standing.VOID, reasons=("gap",))
            return head | _names(record) | {"ended": rfc3339(record.ended_unix_ns), "why": record.why}
        case Correction():
            head = _head(record, record.written_unix_ns)
            told = {"corrects_seq": record.corrects_seq, "what": record.what, "why": record.why}
            return head | _names(record) | told
        case Campaign():
            return _head(record, record.started_unix_ns) | _names(record) | _campaign(record)
        case Thinned():
            head = _head(record, record.thinned_unix_ns)
            stretch = {"first_seq": record.first_seq, "last_seq": record.last_seq, "why": record.why}
            heads = {name: getattr(record, name).hex() for name in ("before", "after", "remainder")}
            return head | stretch | heads
        case WindowOpened():
            ends = None if record.ends_unix_ns is None else rfc3339(record.ends_unix_ns)
            told = _window(record) | {"ends": ends, "reference": record.reference}
            return _head(record, record.started_unix_ns) | told
        case WindowClosed():
            told = _window(record) | {"opened": rfc3339(record.opened_unix_ns)}
            return _head(record, record.started_unix_ns) | told
        case Document():
            return _head(record, record.started_unix_ns) | _names(record) | _document(record)


def failed_json(failed: Failed) -> Json:
    """``{"kind": "failed", "what", "why", "whose"}``, with the common head."""
    head = _head(failed, failed.started_unix_ns, standing=Standing.VOID, reasons=("failed",))
    names = _names(failed) if failed.handoff or failed.endpoint else {}
    told = {"what": failed.what, "why": failed.why, "whose": str(failed.whose)}
    return head | names | told | ({"spent_bytes": failed.spent_bytes} if failed.spent_bytes else {})


def corrected_json(found: Corrected | None) -> list[Json]:
    """What is to be read otherwise in a record, each ``{"seq", "written", "what", "why"}``.

    `seq` is the record's own number; the list is empty for one without a correction.
    """
    if found is None:
        return []
    return [
        {"seq": found.seq, "written": rfc3339(one.written_unix_ns), "what": one.what, "why": one.why}
        for one in found.corrections
    ]


def both_ways(up: Document, down: Document) -> Json:
    """Two runs of one kind, up and then down, as one object: each whole under its direction.

    The standing is the worse of the two, the reasons are those of either.
    """
    reasons = tuple(dict.fromkeys(up.reasons + down.reasons))
    head = _head(up, up.started_unix_ns, standing=standing_of(reasons), reasons=reasons)
    return head | {"direction": str(Direction.BOTH), "up": as_json(up), "down": as_json(down)}


def delays_json(delays: Delays | None) -> Json | None:
    """``{"min", "p50", "p95", "p99", "max", "count"}`` in microseconds, or None."""
    return None if delays is None else asdict(delays)


def stall_json(stall: Stall) -> Json:
    """A stall as it stands in a train's list."""
    return {
        "start": rfc3339(stall.started_unix_ns),
        "seconds": round(stall.seconds, 6),
        "direction": str(stall.direction),
        "how": stall.how,
        "class": str(stall.class_),
        "lost": stall.lost,
        "held": stall.held,
    }


def _head(
    record: Any,
    started_unix_ns: int,
    *,
    standing: Standing | None = None,
    reasons: tuple[str, ...] | None = None,
) -> Json:
    found_reasons = getattr(record, "reasons", ()) if reasons is None else reasons
    found_standing = getattr(record, "standing", Standing.VALID) if standing is None else standing
    return {
        "kind": record.kind,
        "schema": SCHEMA,
        "started": rfc3339(started_unix_ns),
        "standing": str(found_standing),
        "reasons": list(found_reasons),
    }


def _campaign(campaign: Campaign) -> Json:
    shared = ("name", "question", "seconds", "flows", "every_s", "hours", "first_day", "last_day", "count")
    return {
        **{name: getattr(campaign, name) for name in (*shared, "timezone", "seed")},
        "direction": str(campaign.direction),
        "planned": [
            {"start": rfc3339(each.start_unix_ns), "latest": rfc3339(each.latest_unix_ns)}
            for each in campaign.planned
        ],
    }


def _document(record: Document) -> Json:
    """Every field, None too; a moment loses its unit, rates stand by their layers, histograms as delays."""
    found: Json = {}
    for each in documents.fields_of(type(record)):
        value = getattr(record, each.name)
        if isinstance(value, LayerRates):
            found |= asdict(value)
        elif each.name.endswith("_unix_ns"):
            found[each.name.removesuffix("_unix_ns")] = None if value is None else rfc3339(value)
        else:
            found[each.name] = documents.shown(value)
    return found


def _window(record: WindowOpened | WindowClosed) -> Json:
    return {
        "handoff": record.handoff,
        "window": str(record.window),
        "name": record.name,
        "opener": str(record.opener),
        "why": record.why,
    }


def _names(record: Any) -> Json:
    return {"handoff": record.handoff, "endpoint": record.endpoint}


def _rate(run: RateRun) -> Json:
    shared = _names(run) | {
        "direction": str(run.direction),
        "flows": run.flows,
        "seconds": run.seconds,
        "rtt_idle_us": delays_json(run.rtt_idle_us),
        "rtt_loaded_us": delays_json(run.rtt_loaded_us),
        "timestamps": str(run.timestamps),
        "spent_bytes": run.spent_bytes,
        "circumstances": asdict(run.circumstances),
    }
    sides = {
        str(direction): {"at_most_goodput_bps": run.at_most_goodput_bps(direction), **_side(side)}
        for direction, side in run.sides().items()
    }
    return shared | (sides if run.direction is Direction.BOTH else next(iter(sides.values()), {}))


def _side(side: RateSide) -> Json:
    return {
        **asdict(side.rates),
        "lowest_second_bps": side.lowest_second_bps,
        "bins": [asdict(bin_) for bin_ in side.bins],
        "steady_from_ms": side.steady_from_ms,
        "steady_to_ms": side.steady_to_ms,
        "received_bytes": side.received_bytes,
        "mss_bytes": side.mss_bytes,
        "ip_version": side.ip_version,
        "tcp_timestamps": side.tcp_timestamps,
        "sent_bytes": side.sent_bytes,
        "retransmitted_bytes": side.retransmitted_bytes,
        "retransmitted_ratio": side.retransmitted_ratio,
        "limited_by": str(side.limited_by),
        "congestion": side.congestion,
        "tcp_rtt_us": side.tcp_rtt_us,
        "busy_ratio": side.busy_ratio,
        "window_limited_ratio": side.window_limited_ratio,
        "buffer_limited_ratio": side.buffer_limited_ratio,
    }


def _train(span: TrainSpan, stalls: tuple[Stall, ...]) -> Json:
    return _names(span) | {
        "seconds": span.seconds,
        "per_second": span.per_second,
        "packet_bytes": span.packet_bytes,
        "waiting_s": span.waiting_s,
        "sent": span.sent,
        "received": span.received,
        "lost_up": span.lost_up,
        "lost_down": span.lost_down,
        "lost_unattributed": span.lost_unattributed,
        "held_up": span.held_up,
        "held_down": span.held_down,
        "duplicated": span.duplicated,
        "reordered": span.reordered,
        "blips": span.blips,
        "rtt_us": delays_json(span.rtt.delays()),
        "pdv_up_us": delays_json(span.pdv_up.delays()),
        "pdv_down_us": delays_json(span.pdv_down.delays()),
        "jitter_up_us": span.jitter_up_us,
        "jitter_down_us": span.jitter_down_us,
        "stalls": [stall_json(stall) for stall in stalls],
        "timestamps": str(span.timestamps),
        "reflector_timestamps": str(span.reflector_timestamps),
        "spent_bytes": span.spent_bytes,
        "circumstances": None if span.circumstances is None else asdict(span.circumstances),
    }
