"""Which records have been corrected, and how: so that whoever shows a record can show that with it.

A correction is a sentence, not data: it changes no figure. One that corrects another correction belongs to
the record that the first was about. Imports documents, rows, chain and streaming.
"""

from __future__ import annotations

import sqlite3
from bisect import bisect_left
from collections.abc import Hashable, Iterable, Iterator
from dataclasses import dataclass

from store import rows, streaming
from store.chain import around, sealed_days
from store.documents import text_of
from store.records import Correction, Document, RateRun, Record, TrainSpan

_LAST_NS = (1 << 63) - 1  # the largest number that a column holds


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """A record with its number, and what is to be read otherwise in it, in the order of writing."""

    seq: int
    record: Record
    corrections: tuple[Correction, ...]


class Corrections:
    """Every corrected record; asked by a record for what is to be read otherwise in it."""

    def __init__(self, found: Iterable[Corrected] = ()) -> None:
        self._of = {_key(one.record): one for one in found}

    def __iter__(self) -> Iterator[Corrected]:
        return iter(self._of.values())

    def of(self, record: Record) -> Corrected | None:
        """The record with its corrections; None when it has none."""
        return self._of.get(_key(record)) if self._of else None

    def among(self, records: Iterable[Record]) -> tuple[Corrected, ...]:
        """Those of these that have been corrected, in the order given."""
        return tuple(found for record in records if (found := self.of(record)) is not None)


def read(connection: sqlite3.Connection) -> Corrections:
    """All of them. One about a record that is no longer there, thinned away, is left out.

    So is one about a minute of a train that started further than a day from the day on which it was stored.
    """
    sql = (
        f"SELECT correction.seq, handoff, endpoint, {rows.CORRECTION} FROM correction "  # noqa: S608 - names of our own
        "JOIN path ON path.id = path ORDER BY correction.seq"
    )
    written = {
        seq: rows.correction_of((handoff, endpoint), tuple(row))
        for seq, handoff, endpoint, *row in connection.execute(sql)
    }
    about: dict[int, list[Correction]] = {}
    for seq, correction in written.items():
        about.setdefault(_about(seq, written), []).append(correction)
    found = ((seq, _record(connection, seq, each[0]), tuple(each)) for seq, each in about.items())
    return Corrections(
        Corrected(seq=seq, record=record, corrections=each) for seq, record, each in found if record
    )


def _about(seq: int, written: dict[int, Correction]) -> int:
    """The number of the record that a correction is about in the end."""
    while seq in written and written[seq].corrects_seq < seq:
        seq = written[seq].corrects_seq
    return seq


def _record(connection: sqlite3.Connection, seq: int, correction: Correction) -> Record | None:
    """The record of that number. Minutes of trains lie by path and time, so those are found out first."""
    found = streaming.by_number(connection, seq)
    if found is not None:
        return found
    days = sealed_days(connection)
    place = bisect_left([day.last_seq for day in days], seq)
    if place < len(days):
        near = around(days[place].day)
    else:
        near = (around(days[-1].day)[0] if days else 0, _LAST_NS)
    return streaming.minute_by_number(connection, seq, (correction.handoff, correction.endpoint), near)


def _key(record: Record) -> Hashable:
    """What tells a record from all others, however much of it was read."""
    if isinstance(record, RateRun | TrainSpan):
        return record.kind, record.handoff, record.endpoint, record.started_unix_ns
    if isinstance(record, Document):  # whose fields may be of any kind
        return record.kind, record.handoff, record.endpoint, record.started_unix_ns, text_of(record)
    return record
