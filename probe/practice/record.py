"""What a relay did, as JSON lines: the truth that measurements through it are held against.

``packet``: a datagram with its direction, size, first bytes (hex), arrival (kernel stamp), the moments its
copies left, and its fate. ``stall`` and ``second``: a stall that ended, and the bytes that left in a second.
Imports lane and line; the relay owns the file.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from probe.practice.lane import Fate
from probe.practice.line import How
from store.records import Direction

_HEAD_BYTES = 64  # enough for the sequence numbers of either end of a STAMP session


@dataclass(frozen=True, slots=True, kw_only=True)
class Packet:
    """A datagram. `left_unix_ns` is empty unless it was carried; `late` was sent behind successors."""

    direction: Direction
    size_bytes: int
    head: bytes
    arrived_unix_ns: int
    left_unix_ns: tuple[int, ...]
    fate: Fate
    late: bool

    @property
    def held_ns(self) -> int:
        """From arrival until its first copy left; ValueError for one that never left."""
        return min(self.left_unix_ns) - self.arrived_unix_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class StallPast:
    """A stall that ended."""

    direction: Direction
    started_unix_ns: int
    ended_unix_ns: int
    how: How


@dataclass(frozen=True, slots=True, kw_only=True)
class Second:
    """Payload that left in the second from `started_unix_ns` on."""

    direction: Direction
    started_unix_ns: int
    tcp_bytes: int
    datagram_bytes: int


Entry = Packet | StallPast | Second


class Book:
    """Writes entries to a file, some at a time; `packets` says whether single datagrams are among them."""

    def __init__(self, path: Path | None, *, packets: bool) -> None:
        self._file = None if path is None else os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        self._lines: list[str] = []
        self._left_bytes: Counter[tuple[Direction, bool]] = Counter()
        self.keeps = path is not None
        self.packets = packets and self.keeps

    @property
    def waiting(self) -> bool:
        """Whether something has not been written yet."""
        return bool(self._lines)

    def packet(
        self,
        direction: Direction,
        data: bytes,
        *,
        arrived_unix_ns: int,
        left_unix_ns: list[int],
        fate: Fate,
        late: bool,
    ) -> None:
        """Note one datagram; nothing when packets are not kept."""
        if self.packets:  # put together by hand: it runs thousands of times a second
            self._lines.append(
                f'{{"kind":"packet","direction":"{direction}","size_bytes":{len(data)},'
                f'"head":"{data[:_HEAD_BYTES].hex()}","arrived_unix_ns":{arrived_unix_ns},'
                f'"left_unix_ns":{left_unix_ns},"fate":"{fate}","late":{"true" if late else "false"}}}\n'
            )

    def stall(self, direction: Direction, *, started_unix_ns: int, ended_unix_ns: int, how: How) -> None:
        """Note a stall that ended."""
        self._note(
            kind="stall",
            direction=direction,
            started_unix_ns=started_unix_ns,
            ended_unix_ns=ended_unix_ns,
            how=how,
        )

    def carried(self, direction: Direction, size_bytes: int, *, tcp: bool) -> None:
        """Count payload that left."""
        self._left_bytes[direction, tcp] += size_bytes

    def second(self, *, started_unix_ns: int) -> None:
        """Note what was counted since the last call, and count anew."""
        for direction in (Direction.UP, Direction.DOWN):
            self._note(
                kind="second",
                direction=direction,
                started_unix_ns=started_unix_ns,
                tcp_bytes=self._left_bytes[direction, True],
                datagram_bytes=self._left_bytes[direction, False],
            )
        self._left_bytes.clear()

    def flush(self) -> None:
        """Write what waits."""
        if self._file is not None and self._lines:
            os.write(self._file, "".join(self._lines).encode())
        self._lines.clear()

    def close(self) -> None:
        """Write what waits, and close the file."""
        self.flush()
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def _note(self, **values: object) -> None:
        if self.keeps:
            self._lines.append(json.dumps(values) + "\n")


def read(lines: Iterable[str]) -> Iterator[Entry]:
    """The entries of a book, in the order in which they were noted."""
    for line in lines:
        values = json.loads(line)
        kind = values.pop("kind")
        values["direction"] = Direction(values["direction"])
        if kind == "packet":
            values["left_unix_ns"] = tuple(values["left_unix_ns"])
            values["head"], values["fate"] = bytes.fromhex(values["head"]), Fate(values["fate"])
            yield Packet(**values)
        elif kind == "stall":
            yield StallPast(**{**values, "how": How(values["how"])})
        else:
            yield Second(**values)
