"""What each caller moved in each calendar month (UTC), kept across restarts in `ledger.json`.

The arithmetic is pure; only `load` and `save` touch the disk, and they block: call them off the event
loop. Months are those of UTC, so that an endpoint and its callers agree on when one begins.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from store.clock import NS_PER_S
from store.errors import UserMistake
from store.new_file import write_private

FILE = "ledger.json"
_FORMAT = 1


def month_of(unix_ns: int) -> str:
    """The month that an instant falls into, ``2026-11``."""
    return f"{datetime.fromtimestamp(unix_ns // NS_PER_S, UTC):%Y-%m}"


def month_after(month: str) -> str:
    """``2027-01`` after ``2026-12``."""
    year, number = (int(part) for part in month.split("-"))
    return f"{year + number // 12:04d}-{number % 12 + 1:02d}"


class Ledger:
    """Bytes by month and caller."""

    def __init__(self, months: dict[str, dict[str, int]] | None = None) -> None:
        self._months = months or {}

    def used(self, caller: str, *, month: str) -> int:
        """Bytes that `caller` moved in `month`."""
        return self._months.get(month, {}).get(caller, 0)

    def book(self, caller: str, moved_bytes: int, *, month: str) -> None:
        """Add to what `caller` moved in `month`."""
        callers = self._months.setdefault(month, {})
        callers[caller] = callers.get(caller, 0) + moved_bytes

    def dumps(self) -> str:
        """The ledger as the text of its file."""
        return json.dumps({"format": _FORMAT, "months": self._months}, indent=1, sort_keys=True) + "\n"

    @classmethod
    def loads(cls, text: str) -> Ledger:
        """Undo `dumps`. Raises ValueError for any other text."""
        try:
            found: Any = json.loads(text)
            if found["format"] != _FORMAT:
                raise ValueError("of another format")
            months = {str(month): dict(callers) for month, callers in found["months"].items()}
        except (KeyError, TypeError, AttributeError, RecursionError):
            raise ValueError("not a ledger") from None
        for callers in months.values():
            if not all(type(moved) is int and moved >= 0 for moved in callers.values()):
                raise ValueError("a count of bytes is not a whole number from 0 up")
        return cls(months)


def load(directory: Path) -> Ledger:
    """The ledger of `directory`, empty before the first run. Raises UserMistake for a damaged one."""
    path = directory / FILE
    try:
        return Ledger.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return Ledger()
    except OSError as error:
        raise UserMistake(
            f"{path}: {error.strerror}; the endpoint counts each caller's bytes there"
        ) from None
    except ValueError:
        raise UserMistake(
            f"{path}: it is damaged; restore it from a copy, or remove it to count from zero again"
        ) from None


def save(directory: Path, text: str) -> None:
    """Replace the ledger's file with `text` (from `dumps`) as a whole. Raises OSError."""
    write_private(directory / FILE, text)
