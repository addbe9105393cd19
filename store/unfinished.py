"""Spans of trains that are not over yet, in a file beside the database, so that a kill costs no more than a
second of a train.

A train's record is a minute; what it has of a minute that is under way is put here about once a second, the
whole file anew and by renaming, without waiting for the disk. What a killed process left is stored as shorter
spans at the next opening. A power cut may cost this file, never the database: a file that is not whole is
no file. Imports records, rows and what rows need.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from store import rows
from store.errors import BadMessage
from store.records import TrainSpan
from store.seal import canonical_json, shown

_PACKED = ("rtt_us", "pdv_up_us", "pdv_down_us")


@dataclass(frozen=True, slots=True)
class SoFar:
    """What a train has of a span that is not over. Replaced by the next one, and by the span itself."""

    span: TrainSpan


class Unfinished:
    """The file, as the one writer of its database keeps it."""

    def __init__(self, database: Path) -> None:
        self._file = database.with_name(f"{database.name}.unfinished")
        self._rows: dict[tuple[str, str, int], rows.Row] = {}
        self._written = b""

    def left(self) -> list[TrainSpan]:
        """What the process before this one had not finished; nothing when it stopped by itself."""
        try:
            digest, _, content = self._file.read_bytes().partition(b"\n")
            if digest.decode() != hashlib.sha256(content).hexdigest():
                return []
            self._written = content
            return [_span(found) for found in json.loads(content)["spans"]]
        except (OSError, ValueError, KeyError, TypeError, BadMessage):
            return []

    def keep(self, span: TrainSpan) -> None:
        """Note how far a span has come."""
        self._rows[span.handoff, span.endpoint, span.started_unix_ns] = rows.row_of(span)

    def stored(self, row: rows.Row) -> None:
        """Let go of a span that the database holds now, and of those before it."""
        path, started_ns = (row.handoff, row.endpoint), row.values["started_unix_ns"]
        self._rows = {
            key: known for key, known in self._rows.items() if key[:2] != path or key[2] > started_ns
        }

    def write(self) -> None:
        """Put it on the disk, if there is anything new and the disk takes it."""
        spans = [
            {"handoff": row.handoff, "endpoint": row.endpoint, **shown(row.values)}
            for row in self._rows.values()
        ]
        content = canonical_json({"spans": spans}) if spans else b""
        if content == self._written:
            return
        with suppress(OSError):
            if not content:
                self._file.unlink(missing_ok=True)
            else:
                part = self._file.with_name(f"{self._file.name}.part")
                part.write_bytes(hashlib.sha256(content).hexdigest().encode() + b"\n" + content)
                os.replace(part, self._file)
            self._written = content


def _span(found: dict[str, object]) -> TrainSpan:
    values = {name: found.get(name) for name in rows.TRAIN.split(", ")}
    values |= {name: bytes.fromhex(str(values[name])) for name in _PACKED}
    return rows.train_span_of((str(found["handoff"]), str(found["endpoint"])), tuple(values.values()))
