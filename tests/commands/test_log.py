"""A line of the log is one line, whatever somebody had put into it."""

from __future__ import annotations

import logging
import sys

import pytest

from commands.log import OneLine


def formatted(message: str, *args: object, exc_info: object = None) -> str:
    record = logging.LogRecord("x", logging.ERROR, "x.py", 1, message, args, exc_info)  # type: ignore[arg-type]
    return OneLine("%(levelname)s %(message)s").format(record)


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("/acts/x\nERROR forged", "/acts/x\\nERROR forged"),
        ("\r\x1b[2Jgone", "\\r\\x1b[2Jgone"),
        ("a\u2028b\x85c\x00", "a\\u2028b\\x85c\\x00"),
        ("\u202etxt.exe", "\\u202etxt.exe"),
        ("Žižkov 55 µs – plain", "Žižkov 55 µs – plain"),
    ],
)
def test_control_characters_are_escaped(said: str, shown: str) -> None:
    assert formatted("act refused path=%s", said) == f"ERROR act refused path={shown}"


def test_no_line_of_an_exception_begins_as_a_record_does() -> None:
    try:
        raise ValueError("first\nERROR forged\x1b[1A")
    except ValueError:
        lines = formatted("no answer", exc_info=sys.exc_info()).splitlines()
    assert lines[0] == "ERROR no answer"
    assert all(line.startswith("  ") for line in lines[1:])
    assert "\x1b" not in "".join(lines)
