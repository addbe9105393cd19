"""What trains have that is not over yet, in a file beside the database, so that a kill costs no more than a
second of a train, and none of its time is unaccounted for.

A train's record is a minute; what it has of a minute that is under way is put here about once a second, the
whole file anew and by renaming, without waiting for the disk; so is since when a train stands still, and why.
What a killed process left is stored as shorter spans at the next opening, and `holes` says which gaps go
beside them. A power cut may cost this file, never the database: a file that is not whole is
no file. Imports records, rows and what rows need.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path

from store import rows
from store.clock import NS_PER_MS, NS_PER_S
from store.errors import BadMessage
from store.records import Gap, TrainSpan
from store.seal import canonical_json, shown

SEAM_NS = 50 * NS_PER_MS  # two records of a train this close leave nothing out: spans are told to the ms
DOUBT_S = 600.0  # so long a minute waits for whose its silence was; a host that starts again is there by then
NOT_RUNNING = "the probe was not running"
LOST = "what the train measured then was lost when the probe ended"

_PACKED = ("rtt_us", "pdv_up_us", "pdv_down_us")
_LATELY_NS = (
    90 * NS_PER_S
)  # a train whose record ended longer ago was over: a minute comes after 70 s at most


@dataclass(frozen=True, slots=True)
class SoFar:
    """What a train has of a span that is not over. Replaced by the next one, and by the span itself."""

    span: TrainSpan


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A train that stands still since a moment, and why. No `why` says that it does not, or is over."""

    handoff: str
    endpoint: str
    since_unix_ns: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What a process had not finished: spans as far as they had come, and trains that stood still."""

    spans: list[TrainSpan] = field(default_factory=list)
    standing: list[Standing] = field(default_factory=list)


class Unfinished:
    """The file, as the one writer of its database keeps it."""

    def __init__(self, database: Path) -> None:
        self._file = database.with_name(f"{database.name}.unfinished")
        self._rows: dict[tuple[str, str, int], rows.Row] = {}
        self._standing: dict[tuple[str, str], Standing] = {}
        self._written = b""

    def left(self) -> Left:
        """What the process before this one had not finished; nothing when it stopped by itself."""
        try:
            digest, _, content = self._file.read_bytes().partition(b"\n")
            if digest.decode() != hashlib.sha256(content).hexdigest():
                return Left()
            self._written = content
            found = json.loads(content)
            return Left(
                spans=[_span(one) for one in found["spans"]],
                standing=[Standing(**one) for one in found.get("standing", ())],
            )
        except (OSError, ValueError, KeyError, TypeError, BadMessage):
            return Left()

    def keep(self, span: TrainSpan) -> None:
        """Note how far a span has come."""
        self._rows[span.handoff, span.endpoint, span.started_unix_ns] = rows.row_of(span)

    def stands(self, standing: Standing) -> None:
        """Note that a train stands still, or that it does not any more."""
        path = standing.handoff, standing.endpoint
        if standing.why:
            self._standing[path] = standing
        else:
            self._standing.pop(path, None)

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
        standing = [asdict(one) for one in self._standing.values()]
        content = canonical_json({"spans": spans, "standing": standing}) if spans or standing else b""
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


def holes(left: Left, reached: Mapping[tuple[str, str], int], *, alive_ns: int) -> list[Gap]:
    """The time up to `alive_ns` that neither what is left nor the database covers, for each train that went.

    `reached` says how far in the database the spans and gaps of each path reach that has any since the
    process began.
    """
    paths = {(one.handoff, one.endpoint) for one in left.spans}
    paths |= {(one.handoff, one.endpoint) for one in left.standing}
    paths |= {path for path, reached_ns in reached.items() if alive_ns - reached_ns <= _LATELY_NS}
    found: list[Gap] = []
    for path in sorted(paths):
        spans = [one for one in left.spans if (one.handoff, one.endpoint) == path]
        covered = [
            (one.started_unix_ns, one.started_unix_ns + round(one.seconds * NS_PER_S), LOST) for one in spans
        ]
        covered += [
            (one.since_unix_ns, one.since_unix_ns, one.why)
            for one in left.standing
            if (one.handoff, one.endpoint) == path
        ]
        found += _between(path, sorted(covered), reached.get(path), alive_ns)
    return found


def _between(
    path: tuple[str, str], covered: Iterable[tuple[int, int, str]], reached_ns: int | None, alive_ns: int
) -> Iterator[Gap]:
    """What lies between these stretches (from, to, and why there is nothing after), and up to `alive_ns`."""
    why, covered = LOST, list(covered)
    if reached_ns is None or (covered and covered[0][0] - reached_ns > _LATELY_NS):
        reached_ns = covered[0][0]  # it was taken up then, some time after the process began
    for from_ns, to_ns, after in (*covered, (alive_ns, alive_ns, "")):
        if from_ns - reached_ns > SEAM_NS:
            yield Gap(
                started_unix_ns=reached_ns, ended_unix_ns=from_ns, why=why, handoff=path[0], endpoint=path[1]
            )
        why, reached_ns = after, max(to_ns, reached_ns)


def _span(found: dict[str, object]) -> TrainSpan:
    values = {name: found.get(name) for name in rows.TRAIN.split(", ")}
    values |= {name: bytes.fromhex(str(values[name])) for name in _PACKED}
    return rows.train_span_of((str(found["handoff"]), str(found["endpoint"])), tuple(values.values()))
