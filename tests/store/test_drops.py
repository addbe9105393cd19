"""Files of an encoder's drops: what they say, and the one sentence for each way of being wrong."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store import drops
from store.drops import Drop
from store.errors import UserMistake

LISBON = ZoneInfo("Europe/Lisbon")


def parse(text: str | bytes) -> tuple[Drop, ...]:
    data = text if isinstance(text, bytes) else text.encode()
    return drops.parse(
        data, name="drops.csv", where=LISBON, destinations=["class", "mirror"], frames_per_second=30.0
    )


def ns(text: str) -> int:
    """A moment in UTC."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 10**9


def test_local_and_stated_times() -> None:
    """Lisbon is one hour ahead of UTC in summer; an offset or Z says so itself; oldest first."""
    found = parse(
        "time,seconds,frames,destination\n"
        "2026-07-09 19:31:05,1.4,42,class\n"
        "2026-07-09T18:30:00Z,,15,mirror\n"
        "2026-07-09T20:31:06+02:00,,,\n"
    )
    assert found == (
        Drop(at_unix_ns=ns("2026-07-09 18:30:00"), seconds=0.5, destination="mirror"),
        Drop(at_unix_ns=ns("2026-07-09 18:31:05"), seconds=1.4, destination="class"),
        Drop(at_unix_ns=ns("2026-07-09 18:31:06"), seconds=0.0, destination=""),
    )


@pytest.mark.parametrize(
    "text", ["time\n2026-07-09 19:31:05\n", "\ufeffTime;Seconds\r\n2026-07-09 19:31:05;0\r\n\r\n"]
)
def test_what_spreadsheets_write(text: str) -> None:
    """Semicolons, a byte-order mark, other capitals, empty lines."""
    assert [drop.at_unix_ns for drop in parse(text)] == [ns("2026-07-09 18:31:05")]


def test_an_apostrophe_before_a_cell_is_taken_off() -> None:
    """As the project's own CSV has it before what looks like a formula."""
    assert parse("time,destination\n2026-07-09 19:31:05,'class\n")[0].destination == "class"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "is empty"),
        ("when,seconds\n", "line 1: column 'when' is not known; expected time, seconds, frames, destination"),
        ("seconds\n1\n", "line 1: no column time"),
        ("time,time\n", "line 1: a column stands twice"),
        ("time\nyesterday\n", "line 2: time: 'yesterday' is no time such as 2026-03-09 19:31:05"),
        ("time\n2026-10-25 01:30:00\n", "is an hour in which the clocks change; write it with its offset"),
        ("time\n2026-03-29 01:30:00\n", "is an hour in which the clocks change"),
        ("time,seconds\n2026-07-09 19:31:05,many\n", "line 2: seconds: 'many' is no number from 0 on"),
        ("time,seconds\n2026-07-09 19:31:05,nan\n", "line 2: seconds: 'nan' is no number"),
        ("time,seconds\n2026-07-09 19:31:05,1e9\n", "longer than a day"),
        ("time,seconds\n2026-07-09 19:31:05,-1\n", "line 2: seconds: '-1' begins as a formula does"),
        ("time,destination\n2026-07-09 19:31:05,=1+1\n", "line 2: destination: '=1+1' begins as a formula"),
        (
            "time,destination\n2026-07-09 19:31:05,other\n",
            "'other' is none of the plan; it has class, mirror",
        ),
        ("time\n\n2026-07-09 19:31:05,1\n", "line 3: has 2 cells; expected 1"),
        ('time\n"2026\n', "is no CSV"),
        (b"time\n\xff\n", "is no UTF-8 text"),
        (b"time\n\0\n", "zero byte"),
        ("time\n" + "2026-07-09 19:31:05\n" * 20_001, "more than 20000 rows"),
        (b"x" * 1_000_001, "expected 1000000 at most"),
    ],
)
def test_one_sentence_for_a_bad_file(text: str | bytes, sentence: str) -> None:
    """It names the option, the file, the line and the column."""
    with pytest.raises(UserMistake) as caught:
        parse(text)
    assert str(caught.value).startswith("--drops: drops.csv")
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(lambda text: f"time\n{text}".encode())))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    """Nothing else comes out."""
    with contextlib.suppress(UserMistake):
        parse(data)


def test_drops_of_a_show() -> None:
    """A minute on either side belongs to it."""
    hour = 3600 * 10**9
    found = [Drop(at_unix_ns=at * 10**9, seconds=0, destination="") for at in (3530, 3545, 7259, 7261)]
    assert [one.at_unix_ns // 10**9 for one in drops.within(found, hour, 2 * hour)] == [3545, 7259]
