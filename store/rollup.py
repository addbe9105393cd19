"""Minutes of trains summed into cells of ten minutes, hours, six hours and days (`store.cells`).

Counts are added, histograms merged, of jitter the worst is kept; a percentile comes from the merged
histogram, never from percentiles. A minute belongs to the cell in which it began, at every length. Minutes
that may not speak (`speaks`) stay out of the sums; how many they were, and how long, is kept by reason. A
stall counts where it began, if a minute that speaks was watching.

Sums are derived: the writer adds each minute to its cells in the transaction that stores it, whenever it
comes, and `rebuild` makes the same sums from the minutes again. Where minutes were thinned their sums are all
that is left of the histograms; then they are never made anew, and late minutes stay out (`keep_until`). The
chain vouches for those through `digest` (`store.thinning`). Imports cells, rows and histogram.

The writer's cost is four rows for a minute of a train, which its pages in the log show: some 200 MB a day
for six trains, most of which a checkpoint folds into the same pages.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Protocol

import msgspec

from store import rows
from store.cells import Cell, Cells, Length
from store.clock import NS_PER_S, NS_PER_US, zone
from store.histogram import Delays, Histogram
from store.records import Stall, Standing, TrainSpan, standing_of
from store.rows import Row

ONE_WAY_ONLY = frozenset({"clock_step"})  # spoils one-way delay, and neither round trips nor counts

_LONGEST_SPAN_NS = 3600 * NS_PER_S  # what a site file may ask for
_COUNTS = (
    "sent, received, lost_up, lost_down, lost_unattributed, held_up, held_down, duplicated_up, "
    "duplicated_down, reordered_up, reordered_down, blips"
).split(", ")
_DELAYS = ("rtt", "pdv_up", "pdv_down")
_STALLS = ("stalls", "stalled_us", "longest_stall_us", "stalls_lost", "stalls_held")
_KEYS = ("path", "length", "started_unix_ns")
_COLUMNS = (
    *("ended_unix_ns", "spans", "left_out", "seconds", *_COUNTS, "jitter_up_ns", "jitter_down_ns", *_STALLS),
    *("excluded", "delays", "rtt_us", "pdv_up_us", "pdv_down_us"),
)
_GET = f"SELECT {', '.join(_COLUMNS)} FROM rolled WHERE path = ? AND length = ? AND started_unix_ns = ?"  # noqa: S608
_PUT = (
    f"INSERT OR REPLACE INTO rolled ({', '.join((*_KEYS, *_COLUMNS))}) "  # noqa: S608 - names of our own
    f"VALUES ({', '.join('?' * (len(_KEYS) + len(_COLUMNS)))})"
)


class _Told(Protocol):
    @property
    def reasons(self) -> tuple[str, ...]: ...


def speaks(span: _Told, *, ignoring: Collection[str] = ()) -> bool:
    """Whether round trips and counts of a span may speak of the line; rules in `ignoring` leave none out."""
    if not span.reasons:
        return True
    reasons = tuple(code for code in span.reasons if code not in ignoring)
    return standing_of(reasons) is Standing.VALID or ONE_WAY_ONLY.issuperset(reasons)


@dataclass(slots=True, kw_only=True)
class Left:
    """Spans that one reason kept from being valid."""

    spans: int = 0
    seconds: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rolled:
    """What one train's spans that began in a cell say together; of those that `speaks` leaves, `spans`.

    Of stalls there are their number, all their time, the longest, and how many lost or held every packet.
    `left_out` did not enter the sums; `excluded` is by reason, in which one with its clock set stands too.
    The histograms are empty when the reader was not asked for them; `delays` are there all the same.
    """

    handoff: str
    endpoint: str
    length: Length | None  # None for a single span
    started_unix_ns: int
    ended_unix_ns: int
    spans: int
    left_out: int
    seconds: float
    sent: int
    received: int
    lost_up: int
    lost_down: int
    lost_unattributed: int
    held_up: int
    held_down: int
    duplicated_up: int
    duplicated_down: int
    reordered_up: int
    reordered_down: int
    blips: int
    worst_jitter_up_us: float | None
    worst_jitter_down_us: float | None
    stalls: int
    stalled_us: int
    longest_stall_us: int
    stalls_lost: int
    stalls_held: int
    excluded: Mapping[str, Left]
    rtt: Histogram
    pdv_up: Histogram
    pdv_down: Histogram
    delays: Mapping[str, Delays | None]  # of each histogram by its name

    @property
    def standing(self) -> Standing:
        """VALID: what may not speak is not in the sums."""
        return Standing.VALID


class _Sum:
    """A cell while it is summed up."""

    def __init__(self, ended_ns: int) -> None:
        self.ended_ns = ended_ns
        self.spans = self.left_out = 0
        self.seconds = 0.0
        self.counts = dict.fromkeys(_COUNTS, 0)
        self.jitter_ns: dict[str, int | None] = {"up": None, "down": None}
        self.stalls = dict.fromkeys(_STALLS, 0)
        self.excluded: dict[str, Left] = {}
        self.histograms = {name: Histogram() for name in _DELAYS}

    def add(self, span: TrainSpan, stalls: Iterable[Stall] = ()) -> None:
        """Add a span, with the stalls that began in it."""
        if span.standing is not Standing.VALID:
            for reason in span.reasons:
                left = self.excluded.setdefault(reason, Left())
                left.spans += 1
                left.seconds += span.seconds
        if not speaks(span):
            self.left_out += 1
            return
        self.spans += 1
        self.seconds += span.seconds
        for name in _COUNTS:
            self.counts[name] += getattr(span, name)
        self.histograms["rtt"].merge(span.rtt)
        for stall in stalls:
            self.add_stall(stall)
        if span.standing is Standing.VALID:
            self.histograms["pdv_up"].merge(span.pdv_up)
            self.histograms["pdv_down"].merge(span.pdv_down)
            self._jitter("up", span.jitter_up_us)
            self._jitter("down", span.jitter_down_us)

    def add_stall(self, stall: Stall) -> None:
        found = self.stalls
        found["stalls"] += 1
        found["stalled_us"] += stall.duration_us
        found["longest_stall_us"] = max(found["longest_stall_us"], stall.duration_us)
        found["stalls_lost"] += stall.how == "lost"
        found["stalls_held"] += stall.how == "held"

    def _jitter(self, side: str, jitter_us: float | None) -> None:
        if jitter_us is not None:
            self.jitter_ns[side] = max(round(jitter_us * NS_PER_US), self.jitter_ns[side] or 0)

    def values(self) -> tuple[Any, ...]:
        """The cell as its row's `_COLUMNS`."""
        excluded = {reason: [left.spans, left.seconds] for reason, left in sorted(self.excluded.items())}
        delays = {name: _figures(found.delays()) for name, found in self.histograms.items()}
        return (
            *(self.ended_ns, self.spans, self.left_out, self.seconds, *self.counts.values()),
            *(self.jitter_ns["up"], self.jitter_ns["down"], *self.stalls.values()),
            *(_json(excluded), _json(delays)),
            *(found.pack_open() for found in self.histograms.values()),
        )

    @classmethod
    def of_values(cls, row: Sequence[Any]) -> _Sum:
        """Undo `values`."""
        found = dict(zip(_COLUMNS, row, strict=True))
        made = cls(found["ended_unix_ns"])
        made.spans, made.left_out, made.seconds = found["spans"], found["left_out"], found["seconds"]
        made.counts = {name: found[name] for name in _COUNTS}
        made.jitter_ns = {"up": found["jitter_up_ns"], "down": found["jitter_down_ns"]}
        made.stalls = {name: found[name] for name in _STALLS}
        made.excluded = _excluded(found["excluded"])
        made.histograms = {name: Histogram.unpack(found[f"{name}_us"]) for name in _DELAYS}
        return made

    def rolled(self, names: tuple[str, str], length: Length | None, started_ns: int) -> Rolled:
        sums: dict[str, Any] = {**self.counts, **self.stalls, **self.histograms}
        return Rolled(
            handoff=names[0],
            endpoint=names[1],
            length=length,
            started_unix_ns=started_ns,
            ended_unix_ns=self.ended_ns,
            spans=self.spans,
            left_out=self.left_out,
            seconds=self.seconds,
            worst_jitter_up_us=_us(self.jitter_ns["up"]),
            worst_jitter_down_us=_us(self.jitter_ns["down"]),
            excluded=self.excluded,
            delays={name: found.delays() for name, found in self.histograms.items()},
            **sums,
        )


def of_span(span: TrainSpan, stalls: Iterable[Stall]) -> Rolled:
    """A single span as a sum of one; `stalls` are those that began in it."""
    found = _Sum(span.started_unix_ns + round(span.seconds * NS_PER_S))
    found.add(span, stalls)
    return found.rolled((span.handoff, span.endpoint), None, span.started_unix_ns)


class Rollup:
    """The sums of one open database, as its writer keeps them. Used within the writer's transactions."""

    def __init__(self, connection: sqlite3.Connection, timezone: str | None) -> None:
        """With a `timezone` that the sums do not follow yet, or none ever made, they are made now."""
        self._connection = connection
        self._open: dict[tuple[int, Length, int], _Sum] = {}
        found = connection.execute("SELECT timezone, kept_until_ns, tens_from_ns FROM rollup").fetchone()
        self._timezone: str = found[0] if found else timezone or "UTC"
        self._kept_until_ns: int = found[1] if found else 0
        self._tens_from_ns: int = found[2] if found else 0
        self._cells = Cells(zone(self._timezone))
        if found is None or timezone not in (None, self._timezone):
            self._timezone = timezone or self._timezone
            self._cells = Cells(zone(self._timezone))
            self.rebuild()

    def add(self, stored: Sequence[Row], *, last_seq: int) -> None:
        """Add what was just stored, of which the last is record number `last_seq`."""
        touched: set[tuple[int, Length, int]] = set()
        for seq, row in enumerate(stored, last_seq - len(stored) + 1):
            if row.table == "train":
                touched |= self._add_span(_span_of(row), seq)
            elif row.table == "stall":
                stall = rows.stall_of((row.handoff, row.endpoint), _columns(row, rows.STALL))
                touched |= self._add_stall(stall, seq)
        for key in touched:
            self._store(key)
        self._close(touched)

    def _close(self, touched: Collection[tuple[int, Length, int]]) -> None:
        """Keep in memory the newest cell of those just touched, one of each train and length.

        Another that a late record belongs to is read again: each holds some 30 kB.
        """
        newest = {key[:2]: key for key in sorted(touched, key=lambda key: key[2])}
        for key in [one for one in self._open if newest.get(one[:2], one) != one]:
            del self._open[key]

    def forget(self) -> None:
        """Take back what a transaction that failed may have added in memory."""
        self._open.clear()

    def keep_until(self, unix_ns: int) -> None:
        """Make no sums anew any more of days that began before this, because minutes are going."""
        self._kept_until_ns = max(self._kept_until_ns, self.day_of(unix_ns)[1])
        self._note()

    def day_of(self, unix_ns: int) -> Cell:
        """The day of the sums that the instant lies in; a site file may have another zone by now."""
        return self._cells.of(Length.DAY, unix_ns)

    def drop_tens(self, before_ns: int) -> None:
        """Keep no sums of ten minutes of days before this."""
        self._tens_from_ns = max(self._tens_from_ns, self.day_of(before_ns)[0])
        self._open.clear()
        self._connection.execute(
            "DELETE FROM rolled WHERE path IN (SELECT id FROM path) AND length = ? AND started_unix_ns < ?",
            (Length.TEN, self._tens_from_ns),
        )
        self._note()

    def rebuild(self) -> None:
        """Make all sums again from the minutes, but those of which minutes were thinned.

        Some four minutes a million of them.
        """
        self._open.clear()
        self._connection.execute(
            "DELETE FROM rolled WHERE path IN (SELECT id FROM path) AND started_unix_ns >= ?",
            (self._kept_until_ns,),
        )
        self._note()
        for path, *names in self._connection.execute("SELECT id, handoff, endpoint FROM path").fetchall():
            self._rebuild_path(path, (names[0], names[1]))

    def _rebuild_path(self, path: int, names: tuple[str, str]) -> None:
        sql = (
            f"SELECT {rows.TRAIN} FROM {rows.TRAIN_FROM} "  # noqa: S608
            "WHERE path = ? AND started_unix_ns >= ? ORDER BY started_unix_ns, seq"
        )
        past: dict[Length, tuple[int, Length, int]] = {}
        for row in self._connection.execute(sql, (path, self._kept_until_ns)):
            span = rows.train_span_of(names, row)
            for key in self._add_span(span, None, path=path):
                if past.get(key[1], key) != key:
                    self._store(past[key[1]])
                    del self._open[past[key[1]]]
                past[key[1]] = key
        for key in past.values():
            self._store(key)
        self._open.clear()

    def _add_span(
        self, span: TrainSpan, seq: int | None, *, path: int | None = None
    ) -> set[tuple[int, Length, int]]:
        """Add a span with the stalls stored before it, or all with no `seq`; the cells that it changed."""
        if span.started_unix_ns < self._kept_until_ns:
            return set()
        if path is None:
            path = self._path(span.handoff, span.endpoint)
        ended_ns = span.started_unix_ns + round(span.seconds * NS_PER_S)
        sql = (
            f"SELECT {rows.STALL} FROM stall WHERE path = ? AND started_unix_ns >= ? "  # noqa: S608
            "AND started_unix_ns < ? AND seq < ifnull(?, seq + 1)"
        )
        names = (span.handoff, span.endpoint)
        stalls = [
            rows.stall_of(names, row)
            for row in self._connection.execute(sql, (path, span.started_unix_ns, ended_ns, seq))
        ]
        keys = set()
        for length in self._lengths(span):
            key, cell = self._cell(path, length, span.started_unix_ns)
            cell.add(span, stalls)
            keys.add(key)
        return keys

    def _add_stall(self, stall: Stall, seq: int) -> set[tuple[int, Length, int]]:
        """Add a stall that came after the span in which it began; the cells that it changed."""
        path = self._path(stall.handoff, stall.endpoint)
        columns = rows.TRAIN.removesuffix(", rtt_us, pdv_up_us, pdv_down_us")
        sql = (
            f"SELECT {columns} FROM {rows.TRAIN_FROM} "  # noqa: S608
            "WHERE path = ? AND started_unix_ns BETWEEN ? AND ? AND seq < ?"
        )
        since_ns = stall.started_unix_ns - _LONGEST_SPAN_NS
        keys = set()
        for row in self._connection.execute(sql, (path, since_ns, stall.started_unix_ns, seq)).fetchall():
            span = rows.train_span_of((stall.handoff, stall.endpoint), row)
            ended_ns = span.started_unix_ns + round(span.seconds * NS_PER_S)
            if span.started_unix_ns < self._kept_until_ns or not speaks(span):
                continue
            if stall.started_unix_ns < ended_ns:
                for length in self._lengths(span):
                    key, cell = self._cell(path, length, span.started_unix_ns)
                    cell.add_stall(stall)
                    keys.add(key)
        return keys

    def _lengths(self, span: TrainSpan) -> Iterator[Length]:
        return (one for one in Length if one is not Length.TEN or span.started_unix_ns >= self._tens_from_ns)

    def _cell(self, path: int, length: Length, unix_ns: int) -> tuple[tuple[int, Length, int], _Sum]:
        start_ns, end_ns = self._cells.of(length, unix_ns)
        key = (path, length, start_ns)
        found = self._open.get(key)
        if found is None:
            row = self._connection.execute(_GET, key).fetchone()
            found = self._open[key] = _Sum(end_ns) if row is None else _Sum.of_values(row)
        return key, found

    def _store(self, key: tuple[int, Length, int]) -> None:
        self._connection.execute(_PUT, (*key, *self._open[key].values()))

    def _path(self, handoff: str, endpoint: str) -> int:
        sql = "SELECT id FROM path WHERE handoff = ? AND endpoint = ?"
        found: tuple[int] = self._connection.execute(sql, (handoff, endpoint)).fetchone()
        return found[0]

    def _note(self) -> None:
        self._connection.execute(
            "INSERT OR REPLACE INTO rollup (id, timezone, kept_until_ns, tens_from_ns) VALUES (1, ?, ?, ?)",
            (self._timezone, self._kept_until_ns, self._tens_from_ns),
        )


def cells_of(
    connection: sqlite3.Connection,
    path: tuple[int, str, str],
    length: Length,
    *,
    since_ns: int,
    until_ns: int,
    histograms: bool = True,
    pdv: bool = True,
) -> list[Rolled]:
    """The stored cells of one path that lie wholly in the time, oldest first; `path` is number and names.

    With `histograms` but without `pdv`, that of RTT alone.
    """
    columns = _COLUMNS if pdv else _COLUMNS[: 1 - len(_DELAYS)]  # RTT is the first of them
    columns = columns if histograms else _COLUMNS[: -len(_DELAYS)]
    sql = (
        f"SELECT started_unix_ns, {', '.join(columns)} FROM rolled "  # noqa: S608 - names of our own
        "WHERE path = ? AND length = ? AND started_unix_ns >= ? AND started_unix_ns < ? "
        "AND ended_unix_ns <= ? ORDER BY started_unix_ns"
    )
    found = connection.execute(sql, (path[0], length, since_ns, until_ns, until_ns))
    return [_rolled_of(path[1:], length, row) for row in found]


def each_cell(
    connection: sqlite3.Connection,
    path: tuple[int, str, str],
    length: Length,
    *,
    since_ns: int | None,
    until_ns: int | None,
) -> Iterator[Rolled]:
    """The stored cells of one path that begin in the time, oldest first and one at a time."""
    sql = (
        f"SELECT started_unix_ns, {', '.join(_COLUMNS)} FROM rolled "  # noqa: S608 - names of our own
        "WHERE path = ? AND length = ? AND started_unix_ns >= ifnull(?, started_unix_ns) "
        "AND started_unix_ns < ifnull(?, started_unix_ns + 1) ORDER BY started_unix_ns"
    )
    for row in connection.execute(sql, (path[0], length, since_ns, until_ns)):
        yield _rolled_of(path[1:], length, row)


def digest(connection: sqlite3.Connection, *, since_ns: int, until_ns: int) -> str:
    """SHA-256, in hex, of all hours and days that lie wholly in the time, in one order.

    One that reaches over its end is of another time zone, in which later minutes were summed up anew.
    """
    found = hashlib.sha256()
    sql = (
        f"SELECT handoff, endpoint, length, started_unix_ns, {', '.join(_COLUMNS)} FROM rolled "  # noqa: S608
        "JOIN path ON path.id = path WHERE length IN (?, ?) AND path IN (SELECT id FROM path) "
        "AND started_unix_ns >= ? AND started_unix_ns < ? AND ended_unix_ns <= ? "
        "ORDER BY handoff, endpoint, length, started_unix_ns"
    )
    for row in connection.execute(sql, (Length.HOUR, Length.DAY, since_ns, until_ns, until_ns)):
        shown = [value.hex() if isinstance(value, bytes) else value for value in row]
        found.update(_json(shown).encode() + b"\n")
    return found.hexdigest()


def _rolled_of(names: tuple[str, str], length: Length, row: Sequence[Any]) -> Rolled:
    found = dict(zip(("started_unix_ns", *_COLUMNS), row, strict=False))
    for name in _DELAYS:
        packed = found.pop(f"{name}_us", None)
        found[name] = Histogram() if packed is None else Histogram.unpack(packed)
    delays = _DELAYS_FORM.decode(found["delays"])
    found |= {
        "handoff": names[0],
        "endpoint": names[1],
        "length": length,
        "worst_jitter_up_us": _us(found["jitter_up_ns"]),
        "worst_jitter_down_us": _us(found["jitter_down_ns"]),
        "excluded": _excluded(found["excluded"]) if found["excluded"] != "{}" else {},
        "delays": {name: _delays(figures) for name, figures in delays.items()},
    }
    return msgspec.convert(found, Rolled)


def _span_of(row: Row) -> TrainSpan:
    return rows.train_span_of((row.handoff, row.endpoint), _columns(row, rows.TRAIN))


def _columns(row: Row, columns: str) -> list[Any]:
    return [row.values[name] for name in columns.split(", ")]


def _excluded(text: str) -> dict[str, Left]:
    return {
        reason: Left(spans=spans, seconds=seconds) for reason, (spans, seconds) in json.loads(text).items()
    }


_FIGURES = tuple(each.name for each in fields(Delays))
_DELAYS_FORM = msgspec.json.Decoder(dict[str, list[int] | None])


def _figures(delays: Delays | None) -> list[int] | None:
    return None if delays is None else [getattr(delays, name) for name in _FIGURES]


def _delays(figures: list[int] | None) -> Delays | None:
    return None if figures is None else msgspec.convert(dict(zip(_FIGURES, figures, strict=True)), Delays)


def _json(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"))


def _us(ns: int | None) -> float | None:
    return None if ns is None else ns / NS_PER_US
