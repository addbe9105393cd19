"""Words for the shape of a JSON answer: JSON Schema 2020-12, as OpenAPI 3.1 has it.

A judge's or a record's dataclass describes itself through its annotations (`of`), so that a new field
is in the description at once; what a page puts together is described by hand with the other words.
Objects are open: a later version may add a field, and the schema number stays. Imports store alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields as fields_of
from dataclasses import is_dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from store.histogram import Delays, Histogram

Shape = dict[str, Any]

TEXT: Shape = {"type": "string"}
WHOLE: Shape = {"type": "integer"}
NUMBER: Shape = {"type": "number"}
TRUTH: Shape = {"type": "boolean"}
NOTHING: Shape = {"type": "null"}
MOMENT: Shape = {"type": "string", "format": "date-time"}  # RFC 3339, in UTC
DAY: Shape = {"type": "string", "format": "date"}
EXACT: Shape = {
    "type": "string",
    "pattern": r"^-?[0-9]+(\.[0-9]+)?$",
}  # a decimal number that must not be rounded

_PLAIN: dict[Any, Shape] = {
    str: TEXT,
    int: WHOLE,
    float: NUMBER,
    bool: TRUTH,
    NoneType: NOTHING,
    date: DAY,
    Decimal: EXACT,
}


def thing(must: Mapping[str, Shape], may: Mapping[str, Shape] | None = None) -> Shape:
    """An object with these fields; those in `may` can be missing."""
    return {"type": "object", "properties": {**must, **(may or {})}, "required": list(must)}


def with_fields(shape: Shape, must: Mapping[str, Shape], may: Mapping[str, Shape] | None = None) -> Shape:
    """The object with more fields, or with these in place of its own."""
    properties = {**shape["properties"], **must, **(may or {})}
    required = [name for name in dict.fromkeys([*shape["required"], *must]) if name not in (may or {})]
    return {**shape, "properties": properties, "required": required}


def without(shape: Shape, *names: str) -> Shape:
    """The object without these fields."""
    return {
        **shape,
        "properties": {name: each for name, each in shape["properties"].items() if name not in names},
        "required": [name for name in shape["required"] if name not in names],
    }


def listed(each: Shape) -> Shape:
    return {"type": "array", "items": each}


def keyed(each: Shape) -> Shape:
    """An object whose field names are data."""
    return {"type": "object", "additionalProperties": each}


def word(*words: str) -> Shape:
    return {"type": "string", "enum": list(words)}


def constant(text: str) -> Shape:
    return {"type": "string", "const": text}


def known(shape: Shape) -> Shape:
    """The shape, or null where it is not known or there is none."""
    return shape if NOTHING in shape.get("anyOf", ()) else {"anyOf": [shape, NOTHING]}


def said(shape: Shape, meaning: str) -> Shape:
    """The shape with a sentence about it."""
    return {**shape, "description": meaning}


def of(kind: Any) -> Shape:
    """The shape of a value of this type once it is JSON. Raises TypeError for a type that has none."""
    if kind in _PLAIN:
        return _PLAIN[kind]
    if kind is Histogram:
        return known(of(Delays))
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return word(*kind)
    if is_dataclass(kind):
        return thing(shapes_of(kind))
    return _made_of(get_origin(kind), get_args(kind))


def shapes_of(kind: Any) -> dict[str, Shape]:
    """The shape of each field of a dataclass, by name."""
    hints = get_type_hints(kind, include_extras=True)
    return {each.name: of(hints[each.name]) for each in fields_of(kind)}


def _made_of(origin: Any, parts: tuple[Any, ...]) -> Shape:
    if origin is Annotated:
        return of(parts[0])
    if origin in (Union, UnionType):
        some = [of(each) for each in parts if each is not NoneType]
        shape = some[0] if len(some) == 1 else {"anyOf": some}
        return known(shape) if NoneType in parts else shape
    if origin is tuple and parts[-1] is not Ellipsis:
        return {
            "type": "array",
            "prefixItems": [of(each) for each in parts],
            "minItems": len(parts),
            "maxItems": len(parts),
        }
    if origin in (tuple, frozenset, list):
        return listed(of(parts[0]))
    if origin is not None and issubclass(origin, Mapping):
        return keyed(of(parts[1]))
    raise TypeError(f"{origin or parts} has no shape in JSON")
