"""Where keys stand in a TOML text; tomllib itself says which keys there are."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.toml_lines import KeyPath, line_of, lines_of

TEXT = '''# a comment with a "quote and [brackets
name = "one # not a comment"
text = """
handoff = "no key
= neither ]"""
tail = """ends in quotes"""""
raw = \'\'\'
[[not.a.table]]
\'\'\'
list = [ # comment ]
  "a", [
    1, 2 ],
]
inline = { key = "value", deep = { er = 1 } }
a . "b c".d = 1

[table]
'quoted' = 1 # comment
[[handoff]]
name = "A"
[handoff.card]
rate = 1

[[handoff]]
name = "B"
[handoff.card]
rate = 2
pages.rate = 3
[[handoff.port]]
n = 1
[[handoff.port]]
n = 2
'''

EXPECTED: dict[KeyPath, int] = {  # counted by eye
    ("name",): 2,
    ("text",): 3,
    ("tail",): 6,
    ("raw",): 7,
    ("list",): 10,
    ("inline",): 14,
    ("a",): 15,
    ("a", "b c"): 15,
    ("a", "b c", "d"): 15,
    ("table",): 17,
    ("table", "quoted"): 18,
    ("handoff",): 19,
    ("handoff", 0): 19,
    ("handoff", 0, "name"): 20,
    ("handoff", 0, "card"): 21,
    ("handoff", 0, "card", "rate"): 22,
    ("handoff", 1): 24,
    ("handoff", 1, "name"): 25,
    ("handoff", 1, "card"): 26,
    ("handoff", 1, "card", "rate"): 27,
    ("handoff", 1, "card", "pages"): 28,
    ("handoff", 1, "card", "pages", "rate"): 28,
    ("handoff", 1, "port"): 29,
    ("handoff", 1, "port", 0): 29,
    ("handoff", 1, "port", 0, "n"): 30,
    ("handoff", 1, "port", 1): 31,
    ("handoff", 1, "port", 1, "n"): 32,
}


def paths_in(value: Any, path: KeyPath = ()) -> list[KeyPath]:
    """Every key path of what tomllib read, tables of arrays by their number."""
    found: list[KeyPath] = []
    if isinstance(value, dict):
        for key, inner in value.items():
            found += [(*path, key), *paths_in(inner, (*path, key))]
    elif isinstance(value, list):
        for nth, inner in enumerate(value):
            found += paths_in(inner, (*path, nth))
    return found


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_every_form_of_toml(newline: str) -> None:
    assert lines_of(TEXT.replace("\n", newline)) == EXPECTED


def test_every_key_has_a_line_of_its_own_or_of_what_holds_it() -> None:
    lines = lines_of(TEXT)
    assert {path for path in paths_in(tomllib.loads(TEXT)) if line_of(lines, path) is None} == set()
    assert line_of(lines, ("inline", "deep", "er")) == 14
    assert line_of(lines, ("handoff", 1, "missing")) == 24
    assert line_of(lines, ("missing",)) is None


keys = st.text("abcdefgh_-01", min_size=1, max_size=6) | st.just('"x y"') | st.just("'q.r'")
values = st.sampled_from(
    [
        '"text"',
        "1",
        '"# ["',
        "'''\n[x]\n'''",
        '"""\na = 1\n"""',
        "[1,\n 2]",
        "{ z = 1 }",
        "2026-06-22",
        "true # [",
    ]
)
statements = st.one_of(
    st.tuples(keys, values).map(" = ".join),
    st.tuples(keys, keys, values).map(lambda parts: f"{parts[0]}.{parts[1]} = {parts[2]}"),
    keys.map("[{}]".format),
    keys.map("[[{}]]".format),
    st.tuples(keys, keys).map(lambda parts: f"[{parts[0]}.{parts[1]}]"),
    st.just("# [comment] = 1"),
    st.just(""),
)


@given(st.lists(statements, max_size=12).map("\n".join))
def test_every_key_of_any_valid_text_is_found_on_its_line(text: str) -> None:
    """Each key that tomllib finds outside inline values has a line, and its last part stands there."""
    try:
        read = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines, rows = lines_of(text), text.splitlines()
    for path in paths_in(read):
        held = next(path[:length] for length in range(len(path), 0, -1) if path[:length] in lines)
        names = [part for part in held if isinstance(part, str)]
        assert names[-1] in rows[lines[held] - 1]
        if path != held:
            assert path[-1] == "z"  # the only key that is drawn within an inline table
