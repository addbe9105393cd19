"""The file in which a soak keeps what it has, so that it can be killed at any moment and go on.

JSON lines: the first fixes the question, then comes one for each start, span, stall and gap, on the disk
before the next. A last line that a kill cut off is let go. One program at a time has the file. Blocks;
imports store.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any

import msgspec

from store.clock import NS_PER_S
from store.errors import BadMessage, StoreTrouble, UserMistake
from store.histogram import Histogram
from store.records import Gap, Stall, TrainSpan
from store.soaks import Kept, SoakBegun

WENT_ON = "the soak was not running, and what it had of a span when it ended is lost"

SoakRecord = TrainSpan | Stall | Gap

_QUESTION, _STARTED = "soak question", "soak started"
_BEGINNING = b'{"kind":"soak question"'
_KINDS: dict[str, type[SoakRecord]] = {"train": TrainSpan, "stall": Stall, "gap": Gap}


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What a soak asks, without any secret: whom (address and certificate), by which way out, how long."""

    endpoint: str
    pin: str
    interface: str | None
    source: str | None
    seconds: float
    per_second: float
    span_s: int


@dataclass(slots=True, kw_only=True)
class SoakFile:
    """The open file: what it held, and `append` for what comes. Make it with `open_file`."""

    path: Path
    question: Question
    started_unix_ns: int
    file: IO[bytes] = field(repr=False)
    spans: list[TrainSpan] = field(default_factory=list, init=False)
    stalls: list[Stall] = field(default_factory=list, init=False)
    gaps: list[Gap] = field(default_factory=list, init=False)

    @property
    def begun(self) -> SoakBegun:
        """The soak as it was planned."""
        return SoakBegun(
            started_unix_ns=self.started_unix_ns,
            ends_unix_ns=self.started_unix_ns + round(self.question.seconds * NS_PER_S),
            per_second=self.question.per_second,
            span_s=self.question.span_s,
        )

    @property
    def kept(self) -> Kept:
        """All that is kept so far."""
        return Kept(spans=tuple(self.spans), stalls=tuple(self.stalls), gaps=tuple(self.gaps))

    def append(self, records: Iterable[SoakRecord]) -> None:
        """Put these on the disk. Raises StoreTrouble when that fails."""
        found = list(records)
        self._write(b"".join(_line(msgspec.to_builtins(one, enc_hook=_encoded)) for one in found))
        for one in found:
            self._add(one)

    def close(self) -> None:
        """Let another program have it."""
        self.file.close()

    def discard(self) -> None:
        """Remove the file of a soak that never went, if this was its first start."""
        if not self.spans and not self.gaps:
            self.path.unlink(missing_ok=True)

    def take(self, line: bytes) -> None:
        """Take in a line that it held. One that is no soak's raises ValueError, KeyError, TypeError or
        BadMessage.
        """
        found = json.loads(line)
        if found["kind"] == _STARTED:
            self.gaps.append(
                Gap(started_unix_ns=self._until_ns(), ended_unix_ns=int(found["unix_ns"]), why=WENT_ON)
            )
        else:
            self._add(msgspec.convert(found, type=_KINDS[found["kind"]], dec_hook=_decoded))

    def go_on(self, now_ns: int) -> None:
        """Put this start on record. Raises StoreTrouble."""
        line = _line({"kind": _STARTED, "unix_ns": now_ns})
        self._write(line)
        self.take(line)

    def begin(self) -> None:
        """Put the question on record. Raises StoreTrouble."""
        head = {"kind": _QUESTION, "schema": 1, "started_unix_ns": self.started_unix_ns}
        self._write(_line(head | asdict(self.question)))

    def _until_ns(self) -> int:
        ends = (one.started_unix_ns + round(one.seconds * NS_PER_S) for one in self.spans)
        return max(ends, default=self.started_unix_ns)

    def _add(self, record: SoakRecord) -> None:
        match record:
            case TrainSpan():
                self.spans.append(record)
            case Stall():
                self.stalls.append(record)
            case Gap():
                self.gaps.append(record)

    def _write(self, data: bytes) -> None:
        try:
            self.file.write(data)
            self.file.flush()
            os.fsync(self.file.fileno())
        except OSError as error:
            raise StoreTrouble(f"{self.path} cannot be written: {error.strerror}") from None


def open_file(path: Path, question: Question, *, now_ns: int) -> SoakFile:
    """Begin a soak in a new or empty file, or go on with the one that it holds.

    Raises UserMistake where the file holds another question or something else, cannot be written, or
    another program has it.
    """
    try:
        file = path.open("a+b")
    except OSError as error:
        raise UserMistake(f"--kept: {path} cannot be written: {error.strerror}") from None
    try:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise UserMistake(f"--kept: {path} is in use by a soak that still runs") from None
        return _taken(file, path, question, now_ns=now_ns)
    except BaseException:
        file.close()
        raise


def _taken(file: IO[bytes], path: Path, question: Question, *, now_ns: int) -> SoakFile:
    file.seek(0)
    data = file.read()
    whole = data.rfind(b"\n") + 1
    if not data.startswith(_BEGINNING) and not _BEGINNING.startswith(data):
        raise UserMistake(f"--kept: {path} holds something else than a soak; name a file of its own")
    lines = data[:whole].splitlines()
    started_ns = _started_ns(lines[0], path, question) if lines else now_ns
    made = SoakFile(path=path, question=question, started_unix_ns=started_ns, file=file)
    for number, line in enumerate(lines[1:], 2):
        try:
            made.take(line)
        except (ValueError, KeyError, TypeError, BadMessage):
            raise UserMistake(f"--kept: {path} line {number} is no line of a soak") from None
    if whole < len(data):
        file.truncate(whole)
    made.go_on(now_ns) if lines else made.begin()
    return made


def _started_ns(line: bytes, path: Path, question: Question) -> int:
    """When the soak of this first line began, if it asks the same."""
    try:
        head = json.loads(line)
        started_ns = int(head["started_unix_ns"])
    except (ValueError, KeyError, TypeError):
        raise UserMistake(f"--kept: {path} line 1 is no line of a soak") from None
    for name, asked in asdict(question).items():
        if head.get(name) != asked:
            was = "" if name == "pin" else f" ({head.get(name)}, not {asked})"
            raise UserMistake(
                f"--kept: {path} holds a soak of another {_WORDS.get(name, name)}{was}; name another file, "
                "or ask the same again"
            )
    return started_ns


_WORDS = {"pin": "endpoint key", "per_second": "--per-second", "seconds": "--seconds"}


def _line(found: dict[str, Any]) -> bytes:
    return json.dumps(found, separators=(",", ":")).encode() + b"\n"


def _encoded(value: Any) -> Any:
    if isinstance(value, Histogram):
        return value.pack().hex()
    raise NotImplementedError(type(value).__name__)


def _decoded(kind: type, value: Any) -> Any:
    if kind is Histogram:
        return Histogram.unpack(bytes.fromhex(value))
    raise NotImplementedError(kind.__name__)
