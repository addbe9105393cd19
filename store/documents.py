"""Kinds of record that are kept whole: which there are, and how one becomes a text and comes back.

The text is canonical JSON of the fields (keys sorted, no spaces), without those that are None, so that a
field which a later version adds changes no older record; handoff, endpoint and start stand in columns
beside it. Each field says what it is in its annotation, from which table, export and data dictionary
are made::

    lost: Annotated[int, Says("packets that never came", unit="packets")]

A name ending in ``_unix_ns`` is a moment. Numbers, texts and truths are columns of an export, `Delays` and
`LayerRates` several each; anything else is there as JSON. Imports records and the kinds.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from typing import Annotated, Any, get_args, get_origin, get_type_hints

import msgspec

from store.acceptance import AcceptanceNote
from store.asked_for import AskedFor
from store.bursts import BurstRun
from store.capacity import CapacityRun
from store.ceilings import Ceiling
from store.clock_change import ClockChange
from store.events import Event
from store.failovers import Failover
from store.histogram import Histogram
from store.light import Light
from store.loaded_delay import LoadedDelayRun
from store.lookups import Lookups
from store.notices import Notice
from store.paced import PacedRun
from store.papers import IssuedPaper
from store.path_mtu import PathMtu
from store.receipts import Receipt
from store.records import Document, Says
from store.rehearsals import Rehearsal
from store.samples import Samples
from store.segments import Hops, Split, Witnesses
from store.shows import CheckRun, Forecast, ShowReport
from store.sizes import SizesRun
from store.soaks import Soak, SoakBegun
from store.steps import StepsRun
from store.tickets import TicketNote
from store.traffic import Traffic

_RUNS = (PacedRun, CapacityRun, BurstRun, SizesRun, StepsRun, LoadedDelayRun, PathMtu, Rehearsal, CheckRun)
_SOAKS = (SoakBegun, Soak)  # their bytes are a train's
_ALL = (
    *(Event, ClockChange, Notice, *_RUNS, *_SOAKS),
    *(
        Failover,
        Split,
        Hops,
        Witnesses,
        Samples,
        Traffic,
        Light,
        Lookups,
        Ceiling,
        Forecast,
        ShowReport,
        Receipt,
        TicketNote,
        AcceptanceNote,
        AskedFor,
        IssuedPaper,
    ),
)
KINDS: dict[str, type[Document]] = {each.kind: each for each in _ALL}
_OF_ITSELF = (  # what is written without anybody's doing; a kind that is not named here counts as noted
    *(Event, ClockChange, Notice, Split, Hops, Witnesses, Samples, Traffic, Light, Lookups, Ceiling),
    *(Forecast, CheckRun, ShowReport, Receipt),
)
NOTED_KINDS = tuple(each.kind for each in _ALL if each not in _OF_ITSELF)
RUN_KINDS = tuple(each.kind for each in _RUNS)  # of the schedule: their bytes are a test's

_IN_COLUMNS = frozenset(each.name for each in fields(Document)) - {"reasons"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """A field of a kind: its name, its type without None, and what it says of itself."""

    name: str
    type: Any
    says: Says


def text_of(document: Document) -> str:
    """The document as canonical JSON. Raises ValueError for a number that no column of an export holds."""
    return _canonical(plain(document))


def json_of(value: Any) -> str:
    """One field's value as it stands in the text."""
    return _canonical(_without_none(msgspec.to_builtins(value, enc_hook=_encoded)))


def value_of(type_: Any, text: str) -> Any:
    """Undo `json_of`. Raises ValueError for another text."""
    return msgspec.convert(json.loads(text), type=type_, dec_hook=_decoded)


def document_of(kind: str, text: str, **names: Any) -> Document:
    """Undo `text_of`; `names` are the fields that stand in columns. Raises ValueError for another text.

    Fields that this version does not know are left alone; KeyError for a kind that it does not know.
    """
    found = json.loads(text)
    if not isinstance(found, dict):
        raise ValueError("no object")
    made = msgspec.convert(found | names, type=KINDS[kind], dec_hook=_decoded)
    assert isinstance(made, Document)  # noqa: S101 - what KINDS holds
    return made


def plain(document: Document) -> dict[str, Any]:
    """The fields that stand in no column, as JSON's own types, without what is None."""
    found = msgspec.to_builtins(document, enc_hook=_encoded)
    return {
        name: value
        for name, value in _without_none(found).items()
        if name not in _IN_COLUMNS and not (name == "reasons" and not value)
    }


def shown(value: Any) -> Any:
    """A field's value as JSON's own types, for people and programs: a histogram as its delays."""
    return msgspec.to_builtins(value, enc_hook=_as_delays)


def fields_of(kind: type[Document]) -> tuple[Field, ...]:
    """The fields of a kind beside those of every document, in their order."""
    return _FIELDS[kind.kind]


def _fields_of(kind: type[Document]) -> tuple[Field, ...]:
    hints = get_type_hints(kind, include_extras=True)
    names = [each.name for each in fields(kind) if each.name not in _IN_COLUMNS | {"reasons"}]
    return tuple(_field(name, hints[name]) for name in names)


def _canonical(value: Any) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _field(name: str, hint: Any) -> Field:
    if get_origin(hint) is not Annotated:
        raise TypeError(f"{name} does not say what it is")
    type_, says, *_ = get_args(hint)
    without_none = [each for each in get_args(type_) if each is not type(None)]
    union = type(None) in get_args(type_) and len(without_none) == 1
    return Field(name=name, type=without_none[0] if union else type_, says=says)


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_none(each) for name, each in value.items() if each is not None}
    if isinstance(value, (list, tuple)):
        return [_without_none(each) for each in value]
    if isinstance(value, int) and not -(1 << 63) <= value < 1 << 63:
        raise ValueError(f"{value} does not fit into 64 bits")
    return value


def _encoded(value: Any) -> Any:
    if isinstance(value, Histogram):
        return value.pack().hex()
    raise NotImplementedError(f"{type(value).__name__} has no place in a document")


def _as_delays(value: Any) -> Any:
    if isinstance(value, Histogram):
        return value.delays()
    raise NotImplementedError(f"{type(value).__name__} has no place in a document")


def _decoded(kind: type, value: Any) -> Any:
    if kind is Histogram:
        return Histogram.unpack(bytes.fromhex(value))
    raise NotImplementedError(f"{kind.__name__} has no place in a document")


_FIELDS = {name: _fields_of(kind) for name, kind in KINDS.items()}
