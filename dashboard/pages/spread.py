"""A page's tables as CSV: each has a name, which is where it stands in the page's context.

UTF-8, a heading line with units, CRLF (RFC 4180). A time is written with its offset, what is not known is
empty, digits stand without spaces, and text that a spreadsheet could take for a formula gets an apostrophe in
front, as in an export. Imports the tables' shape and the export's rule.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar
from urllib.parse import urlencode

from dashboard.pages.ledger import Cell, Heading, Table
from dashboard.pages.wording import DASH
from store.export import RISKY

PARAMETER = "table"

P = TypeVar("P")

_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")
_GROUPED = re.compile(r"(?<=\d)\u202f(?=\d)")


def named(page: Any) -> dict[str, Table]:
    """The tables of a page's context by name: ``runs``, ``trains-1-delay`` ..."""
    return dict(_tables(page, ""))


def linked(page: P, url: str) -> P:
    """The page, whose tables know where they are as CSV: `url` with their name in its query."""
    joint = "&" if "?" in url else "?"

    def made(value: Any, path: str) -> Any:
        match value:
            case Table():
                return replace(value, csv_url=f"{url}{joint}{urlencode({PARAMETER: path})}")
            case tuple():
                found = tuple(made(each, _inside(path, str(nth))) for nth, each in enumerate(value, start=1))
                return value if all(map(_same, found, value)) else found
        if not _may_hold(value):
            return value
        before = {each.name: getattr(value, each.name) for each in fields(value)}
        after = {name: made(each, _inside(path, _word(name))) for name, each in before.items()}
        changed = {name: each for name, each in after.items() if each is not before[name]}
        return replace(value, **changed) if changed else value

    found: P = made(page, "")
    return found


def text(table: Table) -> str:
    """The table as CSV."""
    written = io.StringIO()
    writer = csv.writer(written)
    writer.writerow(_safe(_heading(one)) for one in table.headings)
    writer.writerows([_safe(_cell(one)) for one in row] for row in table.rows)
    return written.getvalue()


def _tables(value: Any, path: str) -> Iterator[tuple[str, Table]]:
    match value:
        case Table():
            yield path, value
        case tuple():
            for nth, each in enumerate(value, start=1):
                yield from _tables(each, _inside(path, str(nth)))
        case _ if _may_hold(value):
            for field in fields(value):
                yield from _tables(getattr(value, field.name), _inside(path, _word(field.name)))


def _may_hold(value: Any) -> bool:
    return is_dataclass(value) and not isinstance(value, type | Cell)


def _same(one: Any, other: Any) -> bool:
    return one is other


def _inside(path: str, name: str) -> str:
    return f"{path}-{name}" if path else name


def _word(name: str) -> str:
    return re.sub("_tables?$", "", name).strip("_").replace("_", "-")


def _heading(heading: Heading) -> str:
    return f"{heading.text} [{heading.unit}]" if heading.unit else heading.text


def _cell(cell: Cell) -> str:
    if cell.moment is not None:
        return f"{cell.moment.iso} {cell.mark.word}" if cell.mark else cell.moment.iso
    if cell.mark is not None:
        return cell.mark.word
    return "" if cell.text == DASH else _GROUPED.sub("", cell.text).replace("\u00a0", " ")


def _safe(value: str) -> str:
    return f"'{value}" if value.startswith(RISKY) and not _NUMBER.fullmatch(value) else value
