"""Quantities as a person writes them, ``600 Mb/s``, ``9 ms``, ``0.05 %``, ``50 GB``, as numbers.

Mb/s = 10^6 bit/s, GB = 10^9 bytes, GiB = 2^30 bytes. A bare number is refused: its unit would be a
guess. Whatever reads one raises ValueError with what is wrong and what would be right. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from difflib import get_close_matches

_NUMBER_AND_UNIT = re.compile(r"\s*([+-]?[0-9]+(?:\.[0-9]+)?)\s*([^\s0-9.,+-].*?)?\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    what: str
    units: dict[str, Decimal]  # how many of the base unit one of these is
    usual: str  # the unit to offer when none was given


_RATE = _Kind(
    what="a rate",
    units={"kb/s": Decimal(10**3), "Mb/s": Decimal(10**6), "Gb/s": Decimal(10**9)},
    usual="Mb/s",
)
_DURATION = _Kind(
    what="a time",
    units={
        "us": Decimal(1),
        "ms": Decimal(10**3),
        "s": Decimal(10**6),
        "min": Decimal(60 * 10**6),
        "h": Decimal(3600 * 10**6),
    },
    usual="ms",
)
_SHARE = _Kind(what="a share", units={"%": Decimal("0.01")}, usual="%")
_SIZE = _Kind(
    what="a size",
    units={
        "B": Decimal(1),
        **{f"{prefix}B": Decimal(1000**power) for power, prefix in enumerate("kMGT", 1)},
        **{f"{prefix}iB": Decimal(1024**power) for power, prefix in enumerate("KMGT", 1)},
    },
    usual="GB",
)


_LENGTH = _Kind(what="a length", units={"m": Decimal(1)}, usual="m")


def grouped(count: int) -> str:
    """A whole number in groups of three, parted by a narrow no-break space (U+202F), for a person."""
    return f"{count:,}".replace(",", "\u202f")


def counted(count: int, one: str, many: str | None = None) -> str:
    """``1 run``, ``12 runs``, ``2 of them`` with a plural of its own; the number in groups."""
    return f"{grouped(count)} {one if count == 1 else many or one + 's'}"


def rate_bps(value: object) -> int:
    """``"600 Mb/s"`` in bit/s, more than 0."""
    return _whole(_above_zero(value, _RATE))


def duration_us(value: object) -> int:
    """``"9 ms"`` in microseconds, more than 0."""
    return _whole(_above_zero(value, _DURATION))


def duration_s(value: object) -> float:
    """``"1.5 s"`` in seconds, more than 0."""
    return float(_above_zero(value, _DURATION) / 10**6)


def length_m(value: object) -> float:
    """``"62 m"`` in metres, more than 0."""
    return float(_above_zero(value, _LENGTH))


def size_text(count: int) -> str:
    """Bytes as a person reads them, in powers of ten: ``300 bytes``, ``25 MB``, ``49.6 GB``, ``1.26 TB``."""
    for power, unit in ((18, "EB"), (15, "PB"), (12, "TB"), (9, "GB"), (6, "MB"), (3, "kB")):
        if count >= 0.9995 * 10**power:  # what three digits round up to the next unit
            return f"{count / 10**power:.3g} {unit}"
    return f"{count} bytes"


def port_rate(bps: float) -> str:
    """A rate that was set, not measured, with no more digits than it needs: ``2.5 Gb/s``, ``100 Mb/s``."""
    return f"{bps / 1e9:.4g} Gb/s" if bps >= 10**9 else f"{bps / 1e6:.4g} Mb/s"


def percent(ratio: float, digits: int = 0) -> str:
    """A ratio in per cent with so many decimals, ``98.7 %``: a space, by the SI brochure (5.4.7)."""
    return f"{ratio * 100:.{digits}f} %"


def share(value: object) -> float:
    """``"0.05 %"`` as a ratio from 0 to 1."""
    return float(exact_share(value))


def exact_share(value: object) -> Decimal:
    """The same without rounding, for sums of money."""
    found = _read(value, _SHARE)
    if not 0 <= found <= 1:
        raise ValueError(f"{shown(value)} is no share from 0 % to 100 %")
    return found


def size_bytes(value: object) -> int:
    """``"50 GB"`` in bytes, more than 0."""
    return _whole(_above_zero(value, _SIZE))


def shown(value: object) -> str:
    """The value as a sentence repeats it. What looks like an invitation holds a key and is not repeated."""
    match value:
        case str():
            return '"linebook://..."' if "linebook:" in value.lower() else f'"{value}"'
        case bool():
            return str(value).lower()
        case list():
            return "a list"
        case dict():
            return "a table"
        case _:
            return str(value)


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """``; did you mean "card"?`` when one of the `known` words is like `word`, else nothing."""
    lower = {each.lower(): each for each in known}
    near = get_close_matches(str(word).lower(), lower, n=1)
    return f'; did you mean "{lower[near[0]]}"?' if near else ""


def _above_zero(value: object, kind: _Kind) -> Decimal:
    found = _read(value, kind)
    if found <= 0:
        raise ValueError(f"{shown(value)} is not more than 0, as {kind.what} here must be")
    return found


def _read(value: object, kind: _Kind) -> Decimal:
    """The value in the kind's base unit."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise ValueError(f'{value} has no unit; expected text such as "{value} {kind.usual}"')
    if not isinstance(value, str):
        raise ValueError(f'{shown(value)} is not {kind.what}; expected text such as "20 {kind.usual}"')
    found = _NUMBER_AND_UNIT.fullmatch(value)
    if not found:
        raise ValueError(
            f'{shown(value)} is not {kind.what}; expected a number and a unit, such as "1.5 {kind.usual}"'
        )
    number, unit = found.groups()
    if not unit:
        raise ValueError(f'{shown(value)} has no unit; expected text such as "{number} {kind.usual}"')
    if unit not in kind.units:
        units = ", ".join(kind.units)
        raise ValueError(
            f'"{unit}" is no unit of {kind.what}; expected {units}{did_you_mean(unit, kind.units)}'
        )
    return Decimal(number) * kind.units[unit]


def _whole(value: Decimal) -> int:
    return max(1, round(value))
