"""On which line each key of a TOML text stands; tomllib reads values but forgets where they were.

The text is taken to be valid: tomllib has read it before. Keys within an inline table or an array
have no line of their own here; ask for the key that holds them. Grammar: TOML 1.0.0. Pure.
"""

from __future__ import annotations

import re
import tomllib

KeyPath = tuple[str | int, ...]  # ("handoff", 0, "card", "rate_up"); tables of an array count from 0

_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?""""{0,2}'  # a multi-line string may end in up to two quotes of its own
    r"|'''.*?''''{0,2}"
    r'|"(?:\\.|[^"\\])*"'
    r"|'[^']*'",
    re.DOTALL,
)
_KEY_PART = re.compile(rf"[ \t]*(?:(?P<bare>[A-Za-z0-9_-]+)|(?P<quoted>{_STRING.pattern}))[ \t]*", re.DOTALL)


def lines_of(text: str) -> dict[KeyPath, int]:
    """The line, from 1, of every key and table header outside inline tables."""
    text = text.replace("\r\n", "\n")
    lines: dict[KeyPath, int] = {}
    last_of: dict[KeyPath, int] = {}  # the table that an array of tables has reached
    table: KeyPath = ()
    at = 0
    while at < len(text):
        if text[at] in " \t\n":
            at += 1
        elif text[at] == "#":
            at = _line_end(text, at)
        elif text[at] == "[":
            is_array = text.startswith("[[", at)
            keys, end = _dotted_key(text, at + 1 + is_array)
            table = (*_below((), keys[:-1], last_of), keys[-1])
            if is_array:
                last_of[table] = last_of.get(table, -1) + 1
                lines.setdefault(table, _line(text, at))
            if table in last_of:
                table += (last_of[table],)
            _note(lines, table, _line(text, at))
            at = _line_end(text, end)
        else:
            keys, end = _dotted_key(text, at)
            _note(lines, _below(table, keys, last_of), _line(text, at))
            at = _value_end(text, end + 1)
    return lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """The line of a key, else of the nearest key or table that holds it; None when none has one."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


def _note(lines: dict[KeyPath, int], path: KeyPath, line: int) -> None:
    """Note the line of `path` and of tables above it that have no header of their own."""
    for length in range(1, len(path) + 1):
        lines.setdefault(path[:length], line)


def _below(table: KeyPath, keys: list[str], last_of: dict[KeyPath, int]) -> KeyPath:
    for key in keys:
        table += (key,)
        if table in last_of:
            table += (last_of[table],)
    return table


def _dotted_key(text: str, at: int) -> tuple[list[str], int]:
    """The parts of the key at `at`, and where what follows it starts."""
    keys = []
    while found := _KEY_PART.match(text, at):
        quoted = found["quoted"]
        keys.append(found["bare"] or tomllib.loads(f"key = {quoted}")["key"])
        at = found.end()
        if not text.startswith(".", at):
            break
        at += 1
    return keys, at


def _value_end(text: str, at: int) -> int:
    """Where the line of the value at `at` ends; a value within brackets may take several lines."""
    depth = 0
    while at < len(text) and (depth or text[at] != "\n"):
        if found := _STRING.match(text, at):
            at = found.end()
        elif text[at] == "#":
            at = _line_end(text, at)
        else:
            depth += (text[at] in "[{") - (text[at] in "]}")
            at += 1
    return at


def _line_end(text: str, at: int) -> int:
    end = text.find("\n", at)
    return len(text) if end < 0 else end


def _line(text: str, at: int) -> int:
    return text.count("\n", 0, at) + 1
