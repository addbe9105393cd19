"""The log of a program that runs on: lines on standard error, where a unit's journal takes them.

What others say may stand in a line: an address that was asked for, a header, an endpoint's sentence. A
control character among it would begin a line of its own or move a terminal's cursor, so each is written as
its escape. Imports nothing of the project.
"""

from __future__ import annotations

import logging
import re
import sys

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


class OneLine(logging.Formatter):
    """A record is one line; of an exception, each further line is indented."""

    def formatMessage(self, record: logging.LogRecord) -> str:
        return plain(super().formatMessage(record))

    def formatException(self, ei: object) -> str:
        text: str = super().formatException(ei)  # type: ignore[arg-type]  # its type is typeshed's own
        return "\n".join(f"  {plain(line)}" for line in text.split("\n"))


def to_standard_error() -> None:
    """Log from INFO on to standard error from now on."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(OneLine("%(levelname)s %(message)s"))
    logging.basicConfig(level=logging.INFO, handlers=[handler])


def plain(text: str) -> str:
    """`text` with control characters, line ends and changes of direction as escapes."""
    return _CONTROL.sub(lambda found: found[0].encode("unicode_escape").decode(), text)
