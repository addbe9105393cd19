"""What the slow pages found, as octets and back: for the pipe to the process beside them, and for the disk.

They are pickles, because findings are some hundred frozen classes within one another, in unions and tuples
of all kinds: as JSON each would want a tag and a converter, and a figure could come back as another type.
Reading makes nothing but values of this program (frozen dataclasses, named tuples, enumerations), dates,
exact numbers, paths and time zones; whatever else the octets name is refused, so that no octets run anything.
The site and its endpoints, whose invitations are secret, stay out: in their place stands which they are.
Imports store.
"""

from __future__ import annotations

import dataclasses
import importlib
import io
import pickle
from collections.abc import Callable
from datetime import date, datetime, time, timedelta, timezone
from decimal import Decimal
from enum import Enum
from pathlib import PosixPath
from typing import Any
from zoneinfo import ZoneInfo

from store.clock import zone
from store.site import EndpointRef, Site

_OURS = ("dashboard.", "store.")
_OTHERS: tuple[Any, ...] = (date, datetime, time, timedelta, timezone, Decimal, PosixPath, zone)
_NAMED: dict[tuple[str, str], Any] = {(one.__module__, one.__qualname__): one for one in _OTHERS}


class Foreign(Exception):
    """Octets that are no findings of this program."""


def dumps(value: Any, *, of: Site | None = None) -> bytes:
    """As octets; with `of` without that site, which `loads` must then be given again.

    Raises Foreign for what is no value.
    """
    made = io.BytesIO()
    try:
        _Pickler(made, of).dump(value)
    except (pickle.PicklingError, TypeError, AttributeError) as error:
        raise Foreign(str(error)) from None
    return made.getvalue()


def loads(octets: bytes, *, of: Site | None = None) -> Any:
    """What `dumps` was given. Raises Foreign for octets of any other making."""
    try:
        return _Unpickler(io.BytesIO(octets), of).load()
    except Foreign:
        raise
    except Exception as error:  # broken pickles raise what they like
        raise Foreign(f"{type(error).__name__}: {error}") from None


def is_value(found: Any) -> bool:
    """Whether a class, or a function that makes a value, may be named in octets that are read."""
    if found in _OTHERS:
        return True
    if not isinstance(found, type) or not found.__module__.startswith(_OURS):
        return False
    return (
        (dataclasses.is_dataclass(found) and found.__dataclass_params__.frozen)  # type: ignore[attr-defined]
        or issubclass(found, Enum)
        or (issubclass(found, tuple) and hasattr(found, "_fields"))
    )


class _Pickler(pickle.Pickler):
    def __init__(self, file: io.BytesIO, of: Site | None) -> None:
        super().__init__(file, protocol=5)
        self._of = of

    def persistent_id(self, value: Any) -> Any:
        if self._of is None:
            return None
        if value is self._of:
            return ("site",)
        if isinstance(value, EndpointRef) and value in self._of.endpoints:
            return ("endpoint", self._of.endpoints.index(value))
        return None

    def reducer_override(self, value: Any) -> Any:
        if isinstance(value, ZoneInfo):  # its own way names `getattr`, with which all can be had
            return zone, (value.key,)
        return NotImplemented


class _Unpickler(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, of: Site | None) -> None:
        super().__init__(file)
        self._of = of

    def persistent_load(self, which: Any) -> Any:
        if self._of is None:
            raise Foreign("a site is referred to, and none was given")
        match which:
            case ("site",):
                return self._of
            case ("endpoint", int(nth)):
                return self._of.endpoints[nth]
        raise Foreign(f"{which!r} is neither a site nor an endpoint")

    def find_class(self, module: str, name: str) -> Callable[..., Any]:
        if (module, name) in _NAMED:
            made: Callable[..., Any] = _NAMED[module, name]
            return made
        if not module.startswith(_OURS) or not name.isidentifier():
            raise Foreign(f"{module}.{name} is no value of this program")
        found: Any = getattr(importlib.import_module(module), name, None)
        if not is_value(found) or found.__module__ != module:
            raise Foreign(f"{module}.{name} is no value of this program")
        return found  # type: ignore[no-any-return]
