"""The database, read-only: records out, by time and path.

`Reader` is plain and belongs to one thread; `ReaderThread` gives it one, so that SQLite never runs
on an event loop. Times are Unix nanoseconds, `since_ns` included and `until_ns` not. Everything comes
oldest first; a `limit` keeps the newest. Imports schema, rows and rollup.
"""

from __future__ import annotations

import asyncio
import json
import os
import sqlite3
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, NamedTuple, Self, TypedDict, TypeVar

from store import chain, corrections, fingerprint, rollup, rows, schema, streaming, thinning
from store.cells import Length
from store.clock import NS_PER_S
from store.corrections import Corrections
from store.documents import NOTED_KINDS, RUN_KINDS
from store.errors import DatabaseMistake
from store.records import (
    Campaign,
    Correction,
    Document,
    Failed,
    Gap,
    RateRun,
    Record,
    Skipped,
    Stall,
    Standing,
    Thinned,
    TrainSpan,
    WindowClosed,
    WindowOpened,
    standing_of,
)
from store.rollup import Rolled
from store.samples import LONGEST_NS, Samples
from store.settled import Settled
from store.thinning import Due, Plan

HEADER_BYTES = 28  # of a train's packet: UDP 8 (RFC 768) and IPv4 20

_DAY_NS = 86_400 * NS_PER_S
_MOST_RUNS = 20_000  # without bins some 2 kB each; a month of a run every quarter of an hour is 3,000
_END_OF_TIME = (1 << 63) - 1  # the largest number that a column holds

_NOTED = json.dumps(NOTED_KINDS)

T = TypeVar("T")
D = TypeVar("D", bound=Document)


class _Wanted(TypedDict):
    histograms: bool
    pdv: bool


class TrainCounts(NamedTuple):
    """What a span of a train counted, without the rest of its record."""

    reasons: tuple[str, ...]
    started_unix_ns: int
    seconds: float
    sent: int
    lost_up: int
    lost_down: int
    lost_unattributed: int


class Reader:
    """A read-only connection. Make it with `Reader.open`; use it in the thread that opened it."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._settled = Settled(connection)
        self._runs: dict[int, RateRun] = {}  # by number, without bins: such a record never changes

    @classmethod
    def open(cls, path: Path) -> Self:
        """Raises DatabaseMistake for a file that is missing, newer, foreign or unreadable."""
        _check_reachable(path)
        try:
            connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
        except sqlite3.Error as error:
            raise DatabaseMistake(f"{path} cannot be opened: {error}") from None
        try:
            schema.check_readable(connection, path)
        except BaseException:
            connection.close()
            raise
        return cls(connection)

    def close(self) -> None:
        self._connection.close()

    def rate_runs(
        self,
        *,
        handoff: str | None = None,
        endpoint: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
        limit: int | None = None,
        bins: bool = True,
    ) -> list[RateRun]:
        """Rate runs, without their 100 ms bins (empty) unless `bins`."""
        where = (handoff, endpoint, since_ns, until_ns)
        if not bins:
            return self._runs_of([seq for _, (seq,) in self._records("rate_run", "seq", where, limit)])
        found = list(self._records("rate_run", f"{rows.RATE_RUN}, rate_run.seq", where, limit))
        sides = self._sides_of([row[-1] for _, row in found], rows.RATE_SIDE)
        return [rows.rate_run_of(names, row[:-1], sides.get(row[-1], ())) for names, row in found]

    def _runs_of(self, seqs: Sequence[int]) -> list[RateRun]:
        """Runs by their numbers, without bins. Those read before are the same objects: a page looks at the
        runs of a month several times over, and making them took most of its time."""
        known = self._runs
        new = [seq for seq in seqs if seq not in known]
        if new:
            sql = (
                f"SELECT rate_run.seq, handoff, endpoint, {rows.RATE_RUN} FROM rate_run "  # noqa: S608 - ours
                "JOIN path ON path.id = rate_run.path WHERE rate_run.seq IN (SELECT value FROM json_each(?))"
            )
            sides = self._sides_of(new, rows.RATE_SIDE.removesuffix(", bins"))
            for seq, *row in self._connection.execute(sql, (json.dumps(new),)):
                known[seq] = rows.rate_run_of((row[0], row[1]), row[2:], sides.get(seq, ()))
        found = [known[seq] for seq in seqs]
        while len(known) > _MOST_RUNS:
            del known[next(iter(known))]
        return found

    def _sides_of(self, runs: list[int], columns: str) -> dict[int, list[tuple[Any, ...]]]:
        """The sides of these runs, read at once: run by run it would take longer than all the rest."""
        sql = f"SELECT run, {columns} FROM rate_side WHERE run IN (SELECT value FROM json_each(?))"  # noqa: S608
        sides: dict[int, list[tuple[Any, ...]]] = {}
        for run, *side in self._connection.execute(sql, (json.dumps(runs),)):
            sides.setdefault(run, []).append(tuple(side))
        return sides

    def train_spans(
        self,
        *,
        handoff: str | None = None,
        endpoint: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
        limit: int | None = None,
        histograms: bool = True,
        pdv: bool = True,
        lossy: bool = False,
        with_reasons: bool = False,
    ) -> list[TrainSpan]:
        """Spans of trains, without their histograms (empty) unless `histograms`, or with only that of RTT.

        `lossy` asks for those alone that lost a packet, `with_reasons` for those of which something is said.
        """
        columns = rows.TRAIN if pdv else rows.TRAIN.removesuffix(", pdv_up_us, pdv_down_us")
        columns = columns if histograms else rows.TRAIN.removesuffix(", rtt_us, pdv_up_us, pdv_down_us")
        # The table is in the order of path and time: asked path by path, only what is wanted is read.
        conditions, values = _conditions("train", None, None, since_ns, until_ns)
        if lossy:
            conditions = f"{conditions} AND lost_up + lost_down + lost_unattributed > 0"
        if with_reasons:
            conditions = f"{conditions} AND reasons <> ''"
        sql = (
            f"SELECT started_unix_ns, path, seq, {columns} FROM {rows.TRAIN_FROM} "  # noqa: S608 - names of our own
            f"WHERE path = ? AND {conditions} "
            "ORDER BY started_unix_ns DESC, seq DESC LIMIT ?"
        )
        found = [
            ((of_handoff, of_endpoint), row)
            for path, of_handoff, of_endpoint in self._paths(handoff, endpoint)
            for row in self._connection.execute(sql, (path, *values, -1 if limit is None else limit))
        ]
        found.sort(key=lambda each: each[1][:3])
        newest = found if limit is None else found[max(0, len(found) - limit) :]
        return [rows.train_span_of(names, row[3:]) for names, row in newest]

    def train_counts(self, *, handoff: str, endpoint: str, since_ns: int, until_ns: int) -> list[TrainCounts]:
        """The counts of spans that began in the time, oldest first; a tenth of the time of whole ones."""
        sql = (
            "SELECT reasons, started_unix_ns, seconds, sent, lost_up, lost_down, lost_unattributed "
            "FROM train WHERE path = ? AND started_unix_ns >= ? AND started_unix_ns < ? "
            "ORDER BY started_unix_ns, seq"
        )
        known: dict[str, tuple[str, ...]] = {"": ()}
        return [
            TrainCounts(known.get(row[0]) or known.setdefault(row[0], tuple(row[0].split())), *row[1:])
            for path, _, _ in self._paths(handoff, endpoint)
            for row in self._connection.execute(sql, (path, since_ns, until_ns))
        ]

    def train_sums(
        self,
        *,
        handoff: str,
        endpoint: str,
        since_ns: int,
        until_ns: int | None = None,
        longest: Length,
        histograms: bool = True,
        pdv: bool = True,
        pooled: bool = True,
    ) -> list[Rolled]:
        """All that one train's spans which began in the time say, in as few sums as cover exactly that.

        Cells up to the `longest` lie between; at the ends shorter ones, and single spans at last. Without
        `histograms`, or of PDV without `pdv`, cells keep only their `delays`, and what single spans measured
        then has none. Cells of the `longest` come without histograms also where they are not `pooled`, but
        taken one by one: reading those takes most of the time.
        """
        until_ns = _END_OF_TIME if until_ns is None else until_ns
        paths = self._paths(handoff, endpoint)
        order = (Length.DAY, Length.QUARTER, Length.HOUR, Length.TEN)
        lengths = order[order.index(longest) :]
        wanted = _Wanted(histograms=histograms, pdv=pdv)
        if not paths:
            return []
        first = None if pooled else _Wanted(histograms=False, pdv=False)

        def read(time: tuple[int, int]) -> list[Rolled]:
            return self._cover(paths[0], lengths, time, wanted, first=first)

        asked = (paths[0][0], longest, histograms, pdv, pooled)
        return self._settled.read(asked, (since_ns, until_ns), read)

    def _cover(
        self,
        path: tuple[int, str, str],
        lengths: Sequence[Length],
        time: tuple[int, int],
        wanted: _Wanted,
        *,
        first: _Wanted | None = None,
    ) -> list[Rolled]:
        """`first` is what is wanted of cells of the first length, where it is not the same."""
        since_ns, until_ns = time
        if since_ns >= until_ns:
            return []
        if lengths == (Length.TEN,):
            whole_ns = min(max(since_ns, self._tens_from_ns()), until_ns)  # those before were dropped
            if whole_ns > since_ns:
                before = self._span_sums(path, (since_ns, whole_ns), wanted)
                return [*before, *self._cover(path, lengths, (whole_ns, until_ns), wanted, first=first)]
        if not lengths:
            return self._span_sums(path, time, wanted)
        found = rollup.cells_of(
            self._connection, path, lengths[0], since_ns=since_ns, until_ns=until_ns, **(first or wanted)
        )
        if not found:
            return self._cover(path, lengths[1:], time, wanted)
        before = self._cover(path, lengths[1:], (since_ns, found[0].started_unix_ns), wanted)
        after = self._cover(path, lengths[1:], (found[-1].ended_unix_ns, until_ns), wanted)
        return [*before, *found, *after]

    def _tens_from_ns(self) -> int:
        return self._one("SELECT max(tens_from_ns) FROM rollup") or 0

    def _span_sums(self, path: tuple[int, str, str], time: tuple[int, int], wanted: _Wanted) -> list[Rolled]:
        _, handoff, endpoint = path
        since_ns, until_ns = time
        spans = self.train_spans(
            handoff=handoff, endpoint=endpoint, since_ns=since_ns, until_ns=until_ns, **wanted
        )
        if not spans:
            return []
        ends = [span.started_unix_ns + round(span.seconds * NS_PER_S) for span in spans]
        stalls = self.stalls(handoff=handoff, endpoint=endpoint, since_ns=since_ns, until_ns=max(ends))
        return [
            rollup.of_span(span, (one for one in stalls if span.started_unix_ns <= one.started_unix_ns < end))
            for span, end in zip(spans, ends, strict=True)
        ]

    def stalls(
        self,
        *,
        handoff: str | None = None,
        endpoint: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
        limit: int | None = None,
    ) -> list[Stall]:
        """Stalls that started in the time."""
        where = (handoff, endpoint, since_ns, until_ns)
        return [rows.stall_of(names, row) for names, row in self._records("stall", rows.STALL, where, limit)]

    def watched_stalls(
        self, *, handoff: str, endpoints: Iterable[str], within: Sequence[tuple[int, int]]
    ) -> list[Stall]:
        """Stalls to these endpoints that began `within` (oldest first, apart) while the train was watching.

        A valid span of the train is meant; which one that was, its counts still say.
        """
        if not within:
            return []
        where = (handoff, None, within[0][0], within[-1][1])
        among, starts = set(endpoints), [start_ns for start_ns, _ in within]
        sql = (
            "SELECT started_unix_ns, seconds, reasons FROM train WHERE path = ? AND started_unix_ns <= ? "
            "ORDER BY started_unix_ns DESC, seq DESC LIMIT 1"
        )
        watched = []
        for names, row in self._records("stall", f"{rows.STALL}, path", where, None):
            nth = bisect_right(starts, row[0]) - 1
            if nth < 0 or row[0] >= within[nth][1] or names[1] not in among:
                continue
            span = self._connection.execute(sql, (row[-1], row[0])).fetchone()
            if span is None or row[0] >= span[0] + span[1] * NS_PER_S:
                continue
            if standing_of(tuple(span[2].split())) is Standing.VALID:
                watched.append(rows.stall_of(names, row[:-1]))
        return watched

    def troubles(
        self,
        *,
        handoff: str | None = None,
        endpoint: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
        limit: int | None = None,
    ) -> list[Failed | Skipped | Gap]:
        """What failed, was skipped or not measured; a gap also when it only reaches into the time.

        With a handoff or endpoint named, what concerns all of them (an empty name) comes as well.
        """
        where = (handoff, endpoint, since_ns, until_ns)
        found = self._records("trouble", rows.TROUBLE, where, limit)
        return [rows.trouble_of(names, row) for names, row in found]

    def path_of(self, seq: int) -> tuple[str, str] | None:
        """Handoff and endpoint of the record of that number; None when there is none."""
        found = next(chain.links(self._connection, first_seq=seq, last_seq=seq), None)
        return None if found is None else (found.row.handoff, found.row.endpoint)

    def corrections(self, *, of_seq: int | None = None) -> list[Correction]:
        """What is to be read otherwise, in the order of writing; of one record when its number is named."""
        sql = (
            f"SELECT handoff, endpoint, {rows.CORRECTION} FROM correction "  # noqa: S608 - names of our own
            "JOIN path ON path.id = path WHERE corrects_seq = ifnull(?, corrects_seq) ORDER BY seq"
        )
        found = self._connection.execute(sql, (of_seq,)).fetchall()
        return [rows.correction_of((row[0], row[1]), row[2:]) for row in found]

    def corrected(self) -> Corrections:
        """Every record that has a correction, with its number (`store.corrections`)."""
        return corrections.read(self._connection)

    def campaigns(self) -> list[Campaign]:
        """Every campaign that was ever fixed, the first one first."""
        none = (None, None, None, None)
        found = self._records("campaign", rows.CAMPAIGN, none, None)
        return [rows.campaign_of(names, row) for names, row in found]

    def campaign_runs(self, campaign: Campaign) -> list[tuple[RateRun, bool]]:
        """The runs of a campaign without their 100 ms bins, each with whether age let those go (thinning)."""
        of_campaign = "json_extract(circumstances, '$.campaign') = ?"
        let_go = (
            "EXISTS (SELECT 1 FROM rate_side WHERE run = rate_run.seq AND length(bins) = 0) AND "
            "EXISTS (SELECT 1 FROM thinned WHERE rate_run.seq BETWEEN first_seq AND last_seq "
            "AND why LIKE 'keep.bins %')"
        )
        since_ns, until_ns = (
            (campaign.planned[0].start_unix_ns - _DAY_NS, campaign.planned[-1].latest_unix_ns + _DAY_NS)
            if campaign.planned
            else (0, 0)
        )
        where = (campaign.handoff, None, since_ns, until_ns)
        columns = f"{rows.RATE_RUN}, rate_run.seq, {let_go}"
        found = list(self._records("rate_run", columns, where, None, only=[(of_campaign, campaign.name)]))
        sides = self._sides_of([row[-2] for _, row in found], rows.RATE_SIDE.removesuffix(", bins"))
        return [
            (rows.rate_run_of(names, row[:-2], sides.get(row[-2], ())), bool(row[-1])) for names, row in found
        ]

    def documents(
        self,
        kind: type[D],
        *,
        handoff: str | None = None,
        endpoint: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
        limit: int | None = None,
        having: tuple[str, Iterable[str]] | None = None,
    ) -> list[D]:
        """Documents of a kind that started in the time, oldest first; the newest when there is a limit.

        With a handoff or endpoint named, what concerns all of them (an empty name) comes as well. With
        `having`, a field's name and values, those alone in which it has one of these.
        """
        where = (handoff, endpoint, since_ns, until_ns)
        only: list[tuple[str, Any]] = [("kind = ?", kind.kind)]
        if having is not None:
            name, among = having
            only.append(
                (
                    f"json_extract(body, '$.{name}') IN (SELECT value FROM json_each(?))",  # noqa: S608 - ours
                    json.dumps(list(among)),
                )
            )
        found = self._records("document", rows.DOCUMENT, where, limit, only=only)
        made = (rows.document_of(names, row) for names, row in found)
        return [each for each in made if isinstance(each, kind)]

    def samples(
        self, handoff: str, endpoint: str, *, since_ns: int, until_ns: int | None = None
    ) -> Iterator[Samples]:
        """Records of single packets of one train that reach into the time, one at a time."""
        found = self.each("samples", handoff=handoff, since_ns=since_ns - LONGEST_NS, until_ns=until_ns)
        for _, record in found:
            assert isinstance(record, Samples)  # noqa: S101 - by its kind
            if (record.handoff, record.endpoint) == (handoff, endpoint) and record.ended_unix_ns >= since_ns:
                yield record

    def sampled_trains(
        self, *, handoff: str | None, endpoint: str | None, since_ns: int, until_ns: int | None = None
    ) -> set[tuple[str, str]]:
        """Handoff and endpoint of the trains that `samples` has records of."""
        found = [(name, far) for _, name, far in self._paths(handoff, endpoint)]
        return {
            path
            for path in found
            if any(True for _ in self.samples(*path, since_ns=since_ns, until_ns=until_ns))
        }

    def thinned(self) -> list[Thinned]:
        """What was let go of the record, in the order in which it went."""
        sql = f"SELECT {rows.THINNED} FROM thinned ORDER BY seq"  # noqa: S608 - names of our own
        return [rows.thinned_of(row) for row in self._connection.execute(sql)]

    def due(self, plan: Plan) -> list[Due]:
        """What the site file's rules would let go now (`store.thinning`)."""
        return thinning.due(self._connection, plan)

    def each(
        self,
        kind: str,
        *,
        handoff: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
    ) -> Iterator[tuple[int, Record]]:
        """Every record of a kind that started in the time, with its number, one at a time."""
        return streaming.each(self._connection, kind, handoff=handoff, since_ns=since_ns, until_ns=until_ns)

    def sums(
        self,
        length: Length,
        *,
        handoff: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
    ) -> Iterator[Rolled]:
        """Every stored sum of this length that begins in the time, one at a time."""
        return streaming.sums(self._connection, length, handoff=handoff, since_ns=since_ns, until_ns=until_ns)

    def timezone(self) -> str:
        """The zone in which the sums have their hours and days, which is the site's."""
        found: tuple[str] | None = self._connection.execute("SELECT timezone FROM rollup").fetchone()
        return found[0] if found else "UTC"

    @contextmanager
    def moment(self) -> Iterator[None]:
        """All that is read within is of one moment, whatever is written meanwhile."""
        self._connection.execute("BEGIN")
        try:
            yield
        finally:
            self._connection.execute("ROLLBACK")

    def copy_to(self, path: Path) -> None:
        """Put a whole copy of the database into the file `path`, while the writer may go on.

        SQLite's online backup, in one step and so of one moment. The copy is checked, and needs no
        write-ahead log beside it. Raises DatabaseMistake.
        """
        path.unlink(missing_ok=True)  # what an earlier copy left that was broken off
        try:
            with closing(sqlite3.connect(path)) as copy:
                self._connection.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
                (found,) = copy.execute("PRAGMA integrity_check").fetchone()
        except sqlite3.Error as error:
            raise DatabaseMistake(f"the copy {path} cannot be made: {error}") from None
        if found != "ok":
            raise DatabaseMistake(f"the copy is damaged, as its original must be: {found}")

    def windows(
        self, *, since_ns: int | None = None, until_ns: int | None = None
    ) -> list[WindowOpened | WindowClosed]:
        """Windows that opened or closed in the time, in the order of that; of all handoffs."""
        conditions, values = _conditions("opening", None, None, since_ns, until_ns)
        return self._openings(conditions, *values)

    def open_windows(self) -> list[WindowOpened]:
        """Windows of which no end is on record, whether or not their time is over."""
        left_open = (
            "kind = 'window opened' AND NOT EXISTS (SELECT 1 FROM opening AS closed "
            "WHERE closed.opened_unix_ns = opening.started_unix_ns AND closed.path = opening.path "
            "AND (closed.window, closed.name) = (opening.window, opening.name) AND closed.seq > opening.seq)"
        )
        return [one for one in self._openings(left_open) if isinstance(one, WindowOpened)]

    def unstamped_head(self) -> tuple[int, bytes] | None:
        """Number and statement of the newest whole day's head; None when there is none without its stamp."""
        sql = (
            "SELECT number, statement, token IS NOT NULL FROM head LEFT JOIN time_stamp ON head = number "
            "WHERE statement LIKE '%\"complete\":true%' ORDER BY number DESC LIMIT 1"
        )
        found = self._connection.execute(sql).fetchone()
        return None if found is None or found[2] else (found[0], found[1].encode())

    def paths(self) -> list[tuple[str, str]]:
        """(handoff, endpoint) of everything that was ever measured or meant to be."""
        found = self._paths(None, None)
        return [(handoff, endpoint) for _, handoff, endpoint in found if handoff and endpoint]

    def newest_ns(self) -> int | None:
        """When the newest record started; None when there is none."""
        tables = ("rate_run", "stall", "trouble")
        newest = [self._one(f"SELECT max(started_unix_ns) FROM {table}") for table in tables]  # noqa: S608
        of_path = "SELECT max(started_unix_ns) FROM train WHERE path = ?"
        newest += [self._one(of_path, path) for path, *_ in self._paths(None, None)]
        return max((found for found in newest if found is not None), default=None)

    def oldest_ns(self, *, handoff: str, since_ns: int) -> int | None:
        """When the oldest record of a handoff since then started; a gap may have started before."""
        found: list[int | None] = []
        of_path = "SELECT min(started_unix_ns) FROM train WHERE path = ? AND started_unix_ns >= ?"
        found += [self._one(of_path, path, since_ns) for path, *_ in self._paths(handoff, None)]
        for table in ("rate_run", "trouble"):
            conditions, values = _conditions(table, handoff, None, since_ns, None)
            sql = f"SELECT min(started_unix_ns) FROM {table} JOIN path ON path.id = {table}.path WHERE "  # noqa: S608
            found.append(self._one(sql + conditions, *values))
        return min((one for one in found if one is not None), default=None)

    def noted(self) -> int:
        """The number of the newest record that there is only because somebody noted, corrected, ran or asked
        for something; 0 without one."""
        asked = "SELECT max(seq) FROM document WHERE kind IN (SELECT value FROM json_each(?))"
        tables = ("correction", "thinned", "opening", "campaign")
        found = [self._one(asked, _NOTED), *(self._one(f"SELECT max(seq) FROM {name}") for name in tables)]  # noqa: S608
        return max((one for one in found if one is not None), default=0)

    def fingerprint(self, *, handoff: str, since_ns: int, until_ns: int) -> str:
        """A text that is another once what may be said of a handoff in the time is (`store.fingerprint`)."""
        return fingerprint.of_time(self._connection, handoff=handoff, since_ns=since_ns, until_ns=until_ns)

    def origin(self) -> str:
        """A text by which this record is told from any other."""
        return fingerprint.of_origin(self._connection)

    def last_alive_ns(self) -> int | None:
        """When the probe last said that it runs."""
        return self._one("SELECT max(unix_ns) FROM alive")

    def spent_bytes(self, handoff: str, since_ns: int) -> int:
        """What measuring cost on a handoff since then, both ways.

        Payload of runs of every method as recorded, that of failed ones as estimated; packets of the
        trains with `HEADER_BYTES` each, which at their size weigh a fifth.
        """
        paths = "path IN (SELECT id FROM path WHERE handoff = ?) AND started_unix_ns >= ?"
        runs = f"SELECT sum(spent_bytes) FROM rate_run WHERE {paths}"  # noqa: S608 - names of our own
        trains = (
            "SELECT sum((sent + received) * (packet_bytes + ?)) FROM train "  # noqa: S608 - names of our own
            f"JOIN train_setting ON train_setting.id = setting WHERE {paths}"
        )
        failed = f"SELECT sum(spent_bytes) FROM trouble WHERE {paths}"  # noqa: S608
        kinds = ", ".join(f"'{kind}'" for kind in RUN_KINDS)
        whole = f"SELECT sum(json_extract(body, '$.spent_bytes')) FROM document WHERE kind IN ({kinds})"  # noqa: S608
        paced = f"{whole} AND {paths}"
        asked = ((runs,), (paced,), (failed,), (trains, HEADER_BYTES))
        return sum(self._one(sql, *more, handoff, since_ns) or 0 for sql, *more in asked)

    def _openings(self, conditions: str, *values: Any) -> list[WindowOpened | WindowClosed]:
        sql = (
            f"SELECT handoff, endpoint, {rows.OPENING} FROM opening JOIN path ON path.id = opening.path "  # noqa: S608
            f"WHERE {conditions} ORDER BY started_unix_ns, seq"
        )
        found = self._connection.execute(sql, values)
        return [rows.opening_of((row[0], row[1]), row[2:]) for row in found]

    def _paths(self, handoff: str | None, endpoint: str | None) -> list[tuple[int, str, str]]:
        sql = (
            "SELECT id, handoff, endpoint FROM path "
            "WHERE handoff = ifnull(?, handoff) AND endpoint = ifnull(?, endpoint) ORDER BY id"
        )
        return self._connection.execute(sql, (handoff, endpoint)).fetchall()

    def _one(self, sql: str, *values: Any) -> int | None:
        found: int | None = self._connection.execute(sql, values).fetchone()[0]
        return found

    def _records(
        self,
        table: str,
        columns: str,
        where: tuple[str | None, str | None, int | None, int | None],
        limit: int | None,
        *,
        only: Sequence[tuple[str, Any]] = (),
    ) -> Iterable[tuple[tuple[str, str], tuple[Any, ...]]]:
        """((handoff, endpoint), row) of the records that fit, oldest first.

        `only` are more conditions, each with its value.
        """
        conditions, values = _conditions(table, *where)
        for condition, value in only:
            conditions, values = f"{conditions} AND {condition}", (*values, value)
        sql = (
            f"SELECT handoff, endpoint, {columns} FROM {table} JOIN path ON path.id = {table}.path "  # noqa: S608
            f"WHERE {conditions} ORDER BY started_unix_ns DESC, {table}.seq DESC LIMIT ?"
        )
        found = self._connection.execute(sql, (*values, -1 if limit is None else limit)).fetchall()
        return [((row[0], row[1]), row[2:]) for row in reversed(found)]


class ReaderThread:
    """A `Reader` in a thread of its own, opened when first needed and again after an error."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._executor = ThreadPoolExecutor(max_workers=1, thread_name_prefix="store reader")
        self._reader: Reader | None = None

    async def read(self, query: Callable[[Reader], T]) -> T:
        """What `query` returns, run in the reader's thread. Raises DatabaseMistake, or what it raises."""
        return await asyncio.get_running_loop().run_in_executor(self._executor, self._run, query)

    async def close(self) -> None:
        await asyncio.get_running_loop().run_in_executor(self._executor, self._let_go)
        self._executor.shutdown(wait=False)

    def _run(self, query: Callable[[Reader], T]) -> T:
        if self._reader is None:
            self._reader = Reader.open(self._path)
        try:
            return query(self._reader)
        except sqlite3.Error as error:
            self._let_go()
            raise schema.unreadable(error, self._path) from None

    def _let_go(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None


def _header(path: Path) -> bytes:
    """The first octets of a file, none of a folder. Raises OSError."""
    if path.is_dir():
        return b""
    with path.open("rb") as file:
        return file.read(20)


def _check_reachable(path: Path) -> None:
    """Raises DatabaseMistake for a file that is not there, or that this account should not open just now.

    While nobody has a database in WAL mode open, SQLite makes files beside it even for one who only reads;
    left by another account, they keep the probe from its own database.
    """
    try:
        owner = path.stat().st_uid
        header = _header(path)
    except FileNotFoundError:
        raise DatabaseMistake(f"{path} is not there; the probe makes it on its first start") from None
    except OSError as error:
        raise DatabaseMistake(f"{path} cannot be reached by this account: {error.strerror}") from None
    if path.is_dir():
        raise DatabaseMistake(f"{path} cannot be opened: it is a folder, not a database")
    in_use = path.with_name(f"{path.name}-wal").exists()
    in_wal_mode = header[18:19] == b"\x02"  # "file format write version", SQLite's file format 1.3.3
    if in_wal_mode and not in_use and os.geteuid() not in (0, owner) and os.access(path.parent, os.W_OK):
        raise DatabaseMistake(
            f"{path} belongs to another account and nobody has it open: reading it now would leave files "
            "there that keep the probe from starting; start the probe first, or read with that account"
        )


def _conditions(
    table: str, handoff: str | None, endpoint: str | None, since_ns: int | None, until_ns: int | None
) -> tuple[str, tuple[Any, ...]]:
    """A WHERE clause and its values; all of them hold for every record when nothing is asked."""
    trouble, for_all = table == "trouble", table in ("trouble", "document")
    conditions: list[tuple[str, Any]] = []
    for column, name in (("handoff", handoff), ("endpoint", endpoint)):
        if name is not None:
            conditions.append((f"{column} IN (?, '')" if for_all else f"{column} = ?", name))
    if since_ns is not None:
        until_end = "max(started_unix_ns, ifnull(ended_unix_ns, started_unix_ns))"
        conditions.append((f"{until_end} >= ?" if trouble else "started_unix_ns >= ?", since_ns))
    if until_ns is not None:
        conditions.append(("started_unix_ns < ?", until_ns))
    return " AND ".join(sql for sql, _ in conditions) or "1", tuple(value for _, value in conditions)
