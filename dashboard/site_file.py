"""The site file as forms change it: a value here, a table there, and not a comment or a key lost.

A change is tried on a copy beside the file and read there as every program reads it; only what is right takes
the file's place, in one step, and the text that was there before is kept. Whoever changes it says which text
they saw, by its digest, so that nothing that was written meanwhile is lost. Imports store's site.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Item, Key, Table

from store import site as sites
from store.card_reader import CARD_KEYS
from store.clock import Clock, rfc3339
from store.errors import SiteMistake, UserMistake
from store.site import Site

KEPT = 20  # texts from before, the newest ones

CARD_FIELDS = tuple(key for key in CARD_KEYS if key not in ("from", "pages", "credits", "loss_interval"))
PLAN_FIELDS = ("title", "handoff", "days", "dates", "hours", "beside")
DESTINATION_FIELDS = (
    *("video", "audio", "transport", "buffer", "latency", "peak_factor", "repeats", "keyframe"),
    *("frames_per_second", "picture"),
)
WINDOW_FIELDS = ("kind", "days", "dates", "hours", "handoffs", "reference", "announced")
_LISTS = frozenset(
    {
        *("at_once_with", "shared_device", "shared_uplink", "shared_power", "shared_fibre"),
        *("tags", "addresses", "days", "dates", "handoffs"),
    }
)
_PLAIN = frozenset(("mtu", "frame", "index_from_month", "peak_factor", "frames_per_second"))
_DATES = frozenset(("service_start", "term_end", "handover", "announced"))
_NOT_STATED = "not stated"

Where = tuple[str | int, ...]  # a table of the file: ("handoff", 0, "card")


class Stale(Exception):
    """The file is not the one that the form was made from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """The file as it was read."""

    file: Path
    text: str
    sha256: str

    @property
    def document(self) -> tomlkit.TOMLDocument:
        """Its values, comments and layout. Raises UserMistake for text that is no TOML."""
        try:
            return tomlkit.parse(self.text)
        except TOMLKitError as wrong:
            raise UserMistake(f"{self.file}: is not TOML: {wrong}") from None


def read(file: Path) -> Text:
    """Read it. Blocks. Raises UserMistake."""
    try:
        raw = file.read_bytes()
        return Text(file=file, text=raw.decode("utf-8"), sha256=hashlib.sha256(raw).hexdigest())
    except OSError as trouble:
        raise UserMistake(f"{file}: cannot be read: {trouble.strerror}") from None
    except UnicodeDecodeError:
        raise UserMistake(f"{file}: is not text in UTF-8") from None


def table_at(document: tomlkit.TOMLDocument, where: Where) -> Table | None:
    """The table there, None when there is none. Of a card in versions it is the newest."""
    found: Any = document
    for part in where:
        if isinstance(part, int):
            found = found[part] if isinstance(found, AoT) and 0 <= part < len(found) else None
        else:
            found = found.get(part) if isinstance(found, Mapping) else None
        if isinstance(found, AoT) and part == "card":
            found = found[-1]
        if found is None:
            return None
    return found if isinstance(found, Table) else None


def shown(table: Mapping[str, Any], key: str) -> str | None:
    """A value as its field shows it; empty when it is not there, None for a table."""
    if key not in table:
        return ""
    value = table[key]
    if isinstance(value, Mapping) or isinstance(value, AoT):
        return None
    if isinstance(value, list):
        return ", ".join(str(one) for one in value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def with_values(held: Text, where: Where, values: Mapping[str, str]) -> str:
    """The text with these values in a table; what reads as before is left as it stands, to the last blank.

    An emptied value is taken out, of a card it becomes "not stated". A handoff without a card gets one.
    Raises UserMistake for a table that is not there.
    """
    document = held.document
    table = table_at(document, where)
    if table is None and where[-1:] == ("card",):
        if not any(text.strip() for text in values.values()):
            return held.text
        table = _first_card(document, where[:-1])
    if table is None:
        raise UserMistake("The table of this form is not in the site file any more")
    for key, text in values.items():
        before = shown(table, key)
        if before is None or before == text.strip():
            continue
        if text.strip():
            _put(table, key, _value(key, text.strip()))
        elif "card" in where:
            _put(table, key, tomlkit.item(_NOT_STATED))
        else:
            table.remove(key)
    return tomlkit.dumps(document)


def with_table(
    held: Text, name: str, values: Mapping[str, str], *, below: Mapping[str, str] | None = None
) -> str:
    """The text with one more ``[[name]]`` at its end, and a ``[[name.destination]]`` in it for `below`."""
    made = "" if held.text.endswith("\n") or not held.text else "\n"
    made += f"\n[[{name}]]\n{_lines(values)}"
    if below is not None:
        made += f"\n[[{name}.destination]]\n{_lines(below)}"
    return held.text + made


def write(held: Text, text: str, *, clock: Clock) -> Site:
    """Put `text` in the file's place, once it reads as a site. Blocks.

    Raises Stale when the file has changed since it was `held`, SiteMistake for what is wrong with the text,
    UserMistake when it cannot be written.
    """
    if read(held.file).sha256 != held.sha256:
        raise Stale
    file = held.file.resolve()
    try:
        with NamedTemporaryFile(
            dir=file.parent, prefix=f".{file.name}.", suffix=".toml", delete=False
        ) as made:
            tried = Path(made.name)
            made.write(text.encode())
            made.flush()
            os.fsync(made.fileno())
        try:
            _checked(tried, held.file, clock)
            shutil.copymode(file, tried)
            _keep(file, clock)
            if read(held.file).sha256 != held.sha256:
                raise Stale
            tried.replace(file)
        finally:
            tried.unlink(missing_ok=True)
    except OSError as trouble:
        raise UserMistake(f"{file}: cannot be written: {trouble.strerror}; edit it by hand") from None
    return sites.load(held.file, clock=clock)


def _checked(tried: Path, file: Path, clock: Clock) -> None:
    """Read it as a site. Raises SiteMistake with the name of the file that it stands for."""
    try:
        sites.load(tried, clock=clock)
    except SiteMistake as wrong:
        raise SiteMistake(wrong.key, wrong.why, line=wrong.line, file=str(file)) from None


def _keep(file: Path, clock: Clock) -> None:
    """Keep a copy of the file as it is, and the newest ones of those from before."""
    stamp = rfc3339(clock.unix_ns()).replace(":", "").replace("-", "")
    shutil.copy2(file, file.with_name(f"{file.name}.before-{stamp}"))
    for old in sorted(file.parent.glob(f"{file.name}.before-*"))[:-KEPT]:
        old.unlink(missing_ok=True)


def _first_card(document: tomlkit.TOMLDocument, where: Where) -> Table | None:
    """A new card behind the handoff's own keys, before what is said over the table that comes next."""
    handoff = table_at(document, where)
    if handoff is None:
        return None
    made = tomlkit.table()
    made.trivia.indent = "\n"
    handoff.value._insert_after(_own(handoff)[-1], "card", made)
    found = handoff["card"]
    return found if isinstance(found, Table) else None


def _put(table: Table, key: str, value: Item) -> None:
    """Set a value: in its place, else behind the last one of the table, before what stands over the next."""
    if key in table:
        table[key] = value
        return
    own = _own(table)
    if own:
        table.value._insert_after(own[-1], key, value)
    else:
        table.append(key, value)


def _own(table: Table) -> list[Key]:
    """The keys of a table that are no tables, in order."""
    return [
        each for each, item in table.value.body if each is not None and not isinstance(item, (Table, AoT))
    ]


def _lines(values: Mapping[str, str]) -> str:
    return "".join(
        f"{key} = {_value(key, text.strip()).as_string()}\n" for key, text in values.items() if text.strip()
    )


def _value(key: str, text: str) -> Any:
    """The TOML value that somebody means by a field's text."""
    if key in _LISTS and text not in (_NOT_STATED, "none"):
        parts = [one.strip().strip("\"'") for one in text.strip("[]").split(",")]
        return tomlkit.item([_bare(key, one) for one in parts if one])
    return tomlkit.item(_bare(key, text))


def _bare(key: str, text: str) -> Any:
    """A number or a date where the key has such, text otherwise and where it is none."""
    if key in _PLAIN or key in _DATES or key in ("tags", "dates"):
        try:
            return tomlkit.value(text).unwrap()
        except (TOMLKitError, ValueError):
            return text
    return text
