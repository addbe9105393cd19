"""Typed values out of TOML tables: how a key is named, and what each reader takes."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.errors import SiteMistake
from store.records import Direction
from store.toml_table import (
    Reader,
    Source,
    Table,
    count,
    day,
    flag,
    list_of,
    name_among,
    number,
    one_of,
    open_toml,
    text,
    whole_seconds,
    word_of,
)

READERS: dict[str, tuple[Reader[Any], Any, Any]] = {  # what it takes, and what that means
    "text": (text, "kiln", "kiln"),
    "flag": (flag, False, False),
    "day": (day, date(2026, 6, 22), date(2026, 6, 22)),
    "number": (number(1, 200), 5, 5.0),
    "count": (count(1, 16), 16, 16),
    "whole seconds": (whole_seconds(1, 3600), "60 min", 3600),
    "one of": (one_of({"layer 2": 2}), "layer 2", 2),
    "word of": (word_of(Direction), "up", Direction.UP),
    "name among": (name_among("handoff", {"A", "B"}), "B", "B"),
    "list of": (list_of(count(1, 16)), [1, 2], (1, 2)),
}

anything = st.one_of(
    st.text(max_size=8),
    st.integers(),
    st.floats(),
    st.booleans(),
    st.dates(),
    st.datetimes(),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.text(max_size=2), st.integers(), max_size=2),
)


def table(values: dict[str, Any], path: tuple[str | int, ...] = ()) -> Table:
    lines = {("handoff", 1): 4, ("handoff", 1, "card"): 6, ("handoff", 1, "card", "fee"): 8}
    return Table(Source(file=Path("site.toml"), values=values, lines=lines), path, values)


@pytest.mark.parametrize("name", READERS)
def test_a_reader_takes_what_it_should(name: str) -> None:
    reader, value, meaning = READERS[name]
    assert reader(value) == meaning


@pytest.mark.parametrize("name", READERS)
@given(value=anything)
def test_and_refuses_everything_else_in_a_sentence(name: str, value: Any) -> None:
    """What is taken has the type that the reader promises; all else is a ValueError."""
    reader, _, meaning = READERS[name]
    try:
        found = reader(value)
    except ValueError:
        return
    assert type(found) is type(meaning)


def test_a_moment_is_no_date() -> None:
    with pytest.raises(ValueError, match="no date"):
        day(datetime(2026, 6, 22, 12))  # noqa: DTZ001 - TOML's local date-time has no zone either


def test_keys_are_named_as_a_person_counts_with_the_line_they_are_on() -> None:
    """The second handoff is the one with number 1; a key without a line has that of its table."""
    card = table({"fee": 5, "rate": 1}, ("handoff", 1, "card"))
    with pytest.raises(SiteMistake, match=r"site\.toml, line 8: handoff\[2\]\.card\.fee: 5 is no text"):
        card.need("fee", text, "text")
    with pytest.raises(SiteMistake, match=r"line 6: handoff\[2\]\.card\.term: missing; expected a date"):
        card.need("term", day, "a date")
    with pytest.raises(
        SiteMistake, match=r"line 6: handoff\[2\]\.card\.rate: unknown key; expected one of fee"
    ):
        card.only("fee")


def test_what_is_left_out_has_its_default() -> None:
    empty = table({})
    assert empty.maybe("fee", text) is None
    assert empty.ask("fee", text, "64") == "64"
    assert empty.tables("handoff") == []
    assert empty.table("card").values == {}


def test_a_file_with_a_byte_order_mark(tmp_path: Path) -> None:
    """Some editors write one in front of UTF-8."""
    path = tmp_path / "site.toml"
    path.write_bytes(b"\xef\xbb\xbfname = 'kiln'\r\n")
    assert open_toml(path).values == {"name": "kiln"}
