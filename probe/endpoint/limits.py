"""What an endpoint grants at most, read from the `limits.toml` in its directory.

RFC 4656 section 6.5 asks for resource limits that are on by default; these let a 15-minute acceptance
run through and stop a caller that has run wild. Every mistake in the file is a `SiteMistake` with key,
line and what would be right. Imports no event loop.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from store.errors import SiteMistake, UserMistake

FILE = "limits.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of one endpoint; all whole numbers from 1 up. `own`: of callers that have some of their own."""

    callers: int = 8
    runs: int = 1
    trains: int = 8
    per_second: int = 200
    flows: int = 16
    seconds_per_run: int = 900
    seconds_per_rehearsal: int = 3600
    paced_bps: int = 10_000_000_000
    bytes_per_run: int = 500_000_000_000
    bytes_per_month: int = 2_000_000_000_000
    own: Mapping[str, Limits] = field(default_factory=dict)

    def of(self, caller: str) -> Limits:
        """What is granted to this caller."""
        return self.own.get(caller, self)


_TABLES = {  # table -> key -> what it limits; the keys are the fields of Limits
    "endpoint": {
        "callers": "callers with a train or a run under way at a time",
        "runs": "runs at a time, rate and paced together (a paced one each way of a caller is one); two "
        "at once would measure each other",
    },
    "caller": {
        "trains": "trains at a time",
        "per_second": "packets a second in one train",
        "flows": "flows of a run in each direction",
        "seconds_per_run": "length of a run",
        "seconds_per_rehearsal": "length of a rehearsal, which is as long as a show may be",
        "paced_bps": "rate of a paced or capacity run, or of a rehearsal, bit/s at the IP layer",
        "bytes_per_run": "payload of a run, both directions together",
        "bytes_per_month": "payload of all runs in a calendar month (UTC)",
    },
}


def template() -> str:
    """A limits file that changes nothing: every key with its meaning and default, commented out."""
    lines = [
        "# What this endpoint grants. Take the # off a line and change it; a running endpoint takes it over",
        "# within seconds, and what is under way keeps what it was granted.",
    ]
    for table, keys in _TABLES.items():
        lines += ["", f"[{table}]" if table == "endpoint" else f"[{table}]  # each of them"]
        for key, meaning in keys.items():
            lines.append(f"# {f'{key} = {_default(key):_}':<38} # {meaning}")
    lines += ["", "# A caller of a name may have any of these for itself:", "# [caller.probe]"]
    lines += ["# bytes_per_month = 500_000_000_000"]
    return "\n".join(lines) + "\n"


def load(path: Path) -> Limits:
    """Read the limits file; one that is missing grants the defaults. Raises SiteMistake or UserMistake."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return Limits()
    except (OSError, UnicodeDecodeError) as error:
        raise UserMistake(f"{path}: it cannot be read ({_reason(error)})") from None
    return parse(text, file=str(path))


def parse(text: str, *, file: str) -> Limits:
    """The limits that `text` states. Raises SiteMistake for the first key that is unknown or wrong."""
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also numbers and nesting beyond what Python reads
        raise SiteMistake("", f"this is not TOML: {error}", file=file) from None
    found: dict[str, Any] = {}
    own: dict[str, dict[str, Any]] = {}
    for table, keys in tables.items():
        if table not in _TABLES:
            raise SiteMistake(table, _unknown(table, list(_TABLES)), line=_line(text, table), file=file)
        if not isinstance(keys, dict):
            raise SiteMistake(
                table, f"expected a table, written [{table}]", line=_line(text, table), file=file
            )
        for key, value in keys.items():
            if table == "caller" and isinstance(value, dict):
                own[key] = _own(text, key, value, file)
                continue
            why = _wrong(table, key, value)
            if why is not None:
                raise SiteMistake(f"{table}.{key}", why, line=_line(text, key), file=file)
            found[key] = value
    limits = Limits(**found)
    return replace(limits, own={name: replace(limits, **keys) for name, keys in own.items()})


def _own(text: str, caller: str, keys: dict[str, Any], file: str) -> dict[str, Any]:
    """A table ``[caller.NAME]``."""
    for key, value in keys.items():
        why = _wrong("caller", key, value)
        if why is not None:
            line = _line(text, key, after=_line(text, f"caller.{caller}"))
            raise SiteMistake(f"caller.{caller}.{key}", why, line=line, file=file)
    return keys


def _wrong(table: str, key: str, value: Any) -> str | None:
    if key not in _TABLES[table]:
        elsewhere = [other for other, keys in _TABLES.items() if key in keys]
        return f"it belongs under [{elsewhere[0]}]" if elsewhere else _unknown(key, list(_TABLES[table]))
    if not isinstance(value, int) or isinstance(value, bool) or not 1 <= value < 1 << 63:
        return f"expected a whole number from 1 up and below 2**63, such as {_default(key):_}, not {value!r}"
    return None


def _unknown(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"unknown key; did you mean {near[0]!r}?" if near else f"unknown key; known are {', '.join(known)}"


def _default(key: str) -> int:
    return int(getattr(Limits(), key))


def _line(text: str, name: str, *, after: int | None = None) -> int | None:
    """The line, from 1, that sets or opens `name`, the first one behind the line `after`."""
    opening = re.compile(rf"\s*(\[\s*)?[\"']?{re.escape(name)}[\"']?\s*[\].=]")
    return next(
        (n for n, line in enumerate(text.splitlines(), 1) if n > (after or 0) and opening.match(line)), None
    )


def _reason(error: OSError | UnicodeDecodeError) -> str:
    return error.strerror or "error" if isinstance(error, OSError) else "it is not UTF-8 text"
