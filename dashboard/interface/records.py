"""The shape of each record as an answer has it (`store.jsonform`), from what the record says of itself.

Imports store alone.
"""

from __future__ import annotations

from dashboard.interface import shape
from dashboard.interface.shape import (
    MOMENT,
    NUMBER,
    TEXT,
    TRUTH,
    WHOLE,
    Shape,
    constant,
    known,
    listed,
    of,
    shapes_of,
    thing,
    with_fields,
    without,
    word,
)
from store import documents
from store.histogram import Delays
from store.layers import LayerRates
from store.records import Circumstances, Direction, Document, Limit, Owner, StallClass, Stamps, Standing

DELAYS = of(Delays)
CIRCUMSTANCES = of(Circumstances)
CORRECTIONS = listed(thing({"seq": WHOLE, "written": MOMENT, "what": TEXT, "why": TEXT}))
_NAMES = {"handoff": TEXT, "endpoint": TEXT}


def head(kind: str) -> dict[str, Shape]:
    """The fields that every object of a record has."""
    return {
        "kind": constant(kind),
        "schema": WHOLE,
        "started": MOMENT,
        "standing": word(*Standing),
        "reasons": listed(TEXT),
    }


def corrected(record: Shape) -> Shape:
    """The record with what is to be read otherwise in it."""
    return with_fields(record, {"corrected": CORRECTIONS})


def document(kind: type[Document], *left_out: str) -> Shape:
    """A record that is kept whole: every field, null where it is not known."""
    hints = shapes_of(kind)
    found: dict[str, Shape] = {}
    for each in documents.fields_of(kind):
        if each.type is LayerRates:
            found |= shapes_of(LayerRates)
        elif each.name.endswith("_unix_ns"):
            null = shape.NOTHING in hints[each.name].get("anyOf", ())
            found[each.name.removesuffix("_unix_ns")] = known(MOMENT) if null else MOMENT
        else:
            found[each.name] = hints[each.name]
    return without(thing({**head(kind.kind), **_NAMES, **found}), *left_out)


_SIDE = thing(
    {
        "at_most_goodput_bps": known(WHOLE),
        **shapes_of(LayerRates),
        "lowest_second_bps": WHOLE,
        "steady_from_ms": WHOLE,
        "steady_to_ms": WHOLE,
        "received_bytes": WHOLE,
        "mss_bytes": WHOLE,
        "ip_version": WHOLE,
        "tcp_timestamps": TRUTH,
        "sent_bytes": WHOLE,
        "retransmitted_bytes": WHOLE,
        "retransmitted_ratio": NUMBER,
        "limited_by": word(*Limit),
        "congestion": TEXT,
        "tcp_rtt_us": known(DELAYS),
        "busy_ratio": known(NUMBER),
        "window_limited_ratio": known(NUMBER),
        "buffer_limited_ratio": known(NUMBER),
    }
)

# A run of one direction has its figures beside the rest; one both ways has them under `up` and `down`.
RATE_RUN = thing(
    {
        **head("rate"),
        **_NAMES,
        "direction": word(*Direction),
        "flows": WHOLE,
        "seconds": NUMBER,
        "rtt_idle_us": known(DELAYS),
        "rtt_loaded_us": known(DELAYS),
        "timestamps": word(*Stamps),
        "spent_bytes": WHOLE,
        "circumstances": CIRCUMSTANCES,
        "corrected": CORRECTIONS,
    },
    {**_SIDE["properties"], "up": _SIDE, "down": _SIDE},
)

STALL = thing(
    {
        **head("stall"),
        **_NAMES,
        "start": MOMENT,
        "seconds": NUMBER,
        "direction": word(*Direction),
        "how": TEXT,
        "class": word(*StallClass),
        "lost": WHOLE,
        "held": WHOLE,
    }
)

FAILED = thing(
    {**head("failed"), "what": TEXT, "why": TEXT, "whose": word(*Owner)}, {**_NAMES, "spent_bytes": WHOLE}
)
SKIPPED = thing({**head("skipped"), **_NAMES, "what": TEXT, "why": TEXT})
GAP = thing({**head("gap"), **_NAMES, "ended": MOMENT, "why": TEXT})
