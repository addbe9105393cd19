"""What an option's text means, and the sentence for one that means nothing. Argparse puts the option's name
before it."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import TypeVar

_D = TypeVar("_D", bound=date)


def number(low: float, high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            found = float(text)
        except ValueError:
            found = low - 1
        if not low <= found <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number from {low:.12g} to {high:.12g}")
        return found

    return read


def whole(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not (text.isascii() and text.isdecimal()) or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low} to {high}")
        return int(text)

    return read


port = whole(1, 65_535)


def rate(text: str) -> int:
    from store.quantities import rate_bps

    try:
        return rate_bps(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def size(text: str) -> int:
    from store.quantities import size_bytes

    try:
        return size_bytes(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def key(text: str) -> str:
    found = text.strip().lower()
    if len(found) != 64 or not set(found) <= set("0123456789abcdef"):
        raise argparse.ArgumentTypeError(f"{text!r} is neither a public key nor a fingerprint: 64 hex digits")
    return found


def day(text: str) -> date:
    return _dated(text, date.fromisoformat, "a date like 2026-11-25")


def month(text: str) -> date:
    # of the site's own calendar, so without a zone
    return _dated(text, lambda each: datetime.strptime(each, "%Y-%m").date(), "a month like 2026-11")  # noqa: DTZ007


def moment(text: str) -> datetime:
    return _dated(text, datetime.fromisoformat, "a moment like 2026-11-25T19:00")


def _dated(text: str, read: Callable[[str], _D], what: str) -> _D:
    try:
        found = read(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not {what}") from None
    if not 1970 <= found.year < 2200:  # nanoseconds since 1970 end in 2262
        raise argparse.ArgumentTypeError(f"{text!r} is not {what}, in a year from 1970 to 2199")
    return found


def words(text: str) -> str:
    """What a person says, for the record: a line that is not empty and moves no terminal's cursor."""
    if not text.strip():
        raise argparse.ArgumentTypeError("is empty; expected some words")
    if not text.isprintable():
        raise argparse.ArgumentTypeError("holds a line's end or another control character; leave it out")
    return text


def paper(parser: argparse.ArgumentParser) -> None:
    """The option of every command that makes a paper."""
    parser.add_argument(
        "--paper",
        action="append",
        type=Path,
        default=[],
        metavar="FILE",
        help="write it to print: .html, .pdf, .csv (its tables) or .json, by the ending (may be repeated)",
    )


def address(text: str) -> str:
    import ipaddress

    try:
        return str(ipaddress.ip_address(text))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not an IP address such as 192.0.2.57") from None
