"""Is the record what was sealed? Recomputes the chain of a database or a pack and names what does not fit.

`check` is given `Evidence` and walks through it once, in the order of the chain, up to the first record that
is changed, missing, added or moved; heads are checked on the way. What was let go by a rule (`Thinned`) is
passed over between the heads that were signed before it went. Nothing here writes: a database is opened
read-only, and where nobody else has it open, without even the files beside it.

What it cannot see: records and heads that were both cut off at the end, by somebody who set the chain's end
back as well; only a head that was kept elsewhere shows that. Imports chain, seal, schema and timestamp.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

from store import chain, salvage, schema, thinning, timestamp
from store.clock import rfc3339
from store.errors import DatabaseMistake
from store.seal import (
    LINK_BYTES,
    Claim,
    End,
    Head,
    canonical_json,
    chained,
    fingerprint,
    record_object,
    signed_by,
)

_LOOK_AHEAD = 10_000  # records in which one that was moved is looked for

Record = Mapping[str, Any]  # as `store.seal.record_object` gives it


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A record with the number and the link that stand beside it."""

    seq: int
    link: bytes
    record: Record


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What is there to be checked. `start` is where its chain starts, `end` where it says that it ends."""

    items: Iterator[Item]
    heads: Sequence[tuple[int, Head]]
    thinned: Sequence[Record]
    keys: frozenset[bytes]
    tokens: Mapping[int, bytes]
    start: End
    end: End | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A thing that does not fit. `what` is one of changed, missing, added, moved, head and unreadable.

    `kind`, `started_unix_ns` and `handoff` are those of the record `seq`, None where it is not there.
    """

    what: str
    why: str
    seq: int | None = None
    kind: str | None = None
    started_unix_ns: int | None = None
    handoff: str | None = None

    @property
    def started(self) -> str | None:
        """The record's time, RFC 3339."""
        return None if self.started_unix_ns is None else _time(self.started_unix_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Records that were thinned, and by which rule."""

    first_seq: int
    last_seq: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamped:
    """The time that a token of a head states. Its own signature is not checked here."""

    head: int
    unix_ns: int
    day: str


@dataclass(slots=True, kw_only=True)
class Result:
    """What was found. `checked_seq` is the last record that fits, `signed_seq` the last under a good head."""

    findings: list[Finding] = field(default_factory=list)
    checked_seq: int = 0
    signed_seq: int = 0
    signed_unix_ns: int | None = None  # when the newest good head was made
    complete_day: str | None = None  # the newest day whose own head is good
    heads: int = 0
    before_seal: int = 0
    fingerprints: list[str] = field(default_factory=list)
    thinned: list[Stretch] = field(default_factory=list)
    stamped: list[Stamped] = field(default_factory=list)

    @property
    def verified(self) -> bool:
        return not self.findings

    @property
    def provisional(self) -> int:
        """How many records fit the chain, but are under no signed head yet."""
        return max(0, self.checked_seq - self.signed_seq)


def database(path: Path, *, trusted: frozenset[str] = frozenset()) -> Result:
    """Check a database. `trusted` are public keys or fingerprints in hex; empty takes the database's own.

    Raises DatabaseMistake for a file that is no database of this version.
    """
    alone = not _is_written(path)
    result = _database(path, trusted, alone=alone)
    if alone and _is_written(path):  # a probe started meanwhile
        return _database(path, trusted, alone=False)
    return result


def _is_written(path: Path) -> bool:
    """Whether something stands in the log beside a database, so that its own file is not all of it."""
    log = path.with_name(f"{path.name}-wal")
    return log.exists() and log.stat().st_size > 0


def _database(path: Path, trusted: frozenset[str], *, alone: bool) -> Result:
    if not path.is_file():
        raise DatabaseMistake(f"{path} is not there, or is no file")
    mode = "mode=ro&immutable=1" if alone else "mode=ro"
    try:
        connection = sqlite3.connect(f"{path.resolve().as_uri()}?{mode}", uri=True)
    except sqlite3.Error as error:
        raise DatabaseMistake(f"{path} cannot be opened: {error}") from None
    with closing(connection):
        schema.check_readable(connection, path)
        connection.text_factory = chain.exact_text
        connection.execute("BEGIN")  # one moment of it, though a probe may be writing
        try:
            result = check(_evidence(connection), trusted=trusted)
            if result.verified:
                result.findings += _sums(connection)
            if result.verified and (why := salvage.trouble_of(connection)) is not None:
                result.findings.append(_unreadable(why))
            return result
        except (sqlite3.Error, UnicodeError) as error:
            return Result(findings=[_unreadable(str(error))])


def _unreadable(why: str, *, after: int = 0) -> Finding:
    fits = f"; the records up to {after} were read and fit" if after else ""
    mend = "`linebook salvage` copies what can be read"
    return Finding(what="unreadable", why=f"the file is damaged ({why}){fits}; {mend}")


def _evidence(connection: sqlite3.Connection) -> Evidence:
    thinned = [record_object(each.row, each.seq) for each in chain.links(connection, table="thinned")]
    end = connection.execute("SELECT seq, head FROM chain_end").fetchone()
    return Evidence(
        items=(
            Item(seq=each.seq, link=each.link, record=record_object(each.row, each.seq))
            for each in chain.links(connection)
        ),
        heads=chain.heads(connection),
        thinned=thinned,
        keys=frozenset(key for (key,) in connection.execute("SELECT public FROM seal_key")),
        tokens=dict(connection.execute("SELECT head, token FROM time_stamp").fetchall()),
        start=End(),
        end=End(seq=end[0], head=end[1]) if end else End(seq=-1),
    )


def _sums(connection: sqlite3.Connection) -> list[Finding]:
    """Whether the sums that are left of thinned minutes are those that the chain vouches for."""
    whys = connection.execute("SELECT seq, why FROM thinned ORDER BY seq").fetchall()
    altered = thinning.altered_sums(connection, whys)
    return [] if altered is None else [Finding(what="changed", seq=altered[0], kind="sums", why=altered[1])]


def check(evidence: Evidence, *, trusted: frozenset[str] = frozenset()) -> Result:
    """Walk through the evidence. `trusted` as for `database`."""
    result = Result(heads=len(evidence.heads))
    claims, bad_head = _claims(evidence, trusted, result)
    walk = _Walk(evidence, claims)
    found = walk.go()
    result.checked_seq = walk.end.seq
    result.thinned = [
        Stretch(first_seq=one["first_seq"], last_seq=one["last_seq"], why=one["why"])
        for one in walk.stretches.values()
    ]
    result.findings += [finding for finding in (found, bad_head) if finding is not None]
    reached = [claim for claim in claims if claim.seq <= walk.end.seq]
    if reached:
        result.signed_seq, result.signed_unix_ns = reached[-1].seq, reached[-1].made_unix_ns
        result.complete_day = next((one.day for one in reversed(reached) if one.complete), None)
        result.before_seal = reached[0].before_seal
    unsigned = [one for one in walk.stretches.values() if one["seq"] > result.signed_seq]
    if unsigned and not result.findings:
        why = "it says what was let go of the record, and no signed head vouches for it"
        result.findings.append(_named("added", why, unsigned[0]))
    return result


def _claims(
    evidence: Evidence, trusted: frozenset[str], result: Result
) -> tuple[list[Claim], Finding | None]:
    """What good heads claim, in order, and the first head that is not good."""
    claims: list[Claim] = []
    bad: str | None = None
    for nth, (number, head) in enumerate(evidence.heads):
        try:
            claim = Claim.read(head.statement)
        except ValueError:
            bad = bad or f"head {number} was changed: what it states is no statement of a head"
            continue
        named = f"head {number} of {claim.day}"
        before = evidence.heads[nth - 1] if nth else None
        why = _bad_head(claim, head, number, before, start=evidence.start)
        why = why or _bad_key(claim, trusted or evidence.keys, claims)
        if why is None and claims and claim.seq < claims[-1].seq:
            why = "stands for fewer records than the head before it"
        if why is not None:
            bad = bad or f"{named} {why}"
            continue
        claims.append(claim)
        if fingerprint(claim.key) not in result.fingerprints:
            result.fingerprints.append(fingerprint(claim.key))
        bad = _stamp(evidence, number, head, claim, result) if bad is None else bad
    strange = sorted(set(evidence.tokens) - {number for number, _ in evidence.heads})
    if strange and bad is None:
        bad = f"head {strange[0]} is gone, but its time stamp is there"
    return claims, None if bad is None else Finding(what="head", why=bad)


def _bad_head(
    claim: Claim, head: Head, number: int, before: tuple[int, Head] | None, *, start: End
) -> str | None:
    """Why a head is not what was signed, where it was signed, or None."""
    if not signed_by(head, claim.key):
        return "does not fit its signature: it was changed, or signed by another key than it names"
    if claim.number != number:
        return f"was signed as head {claim.number}: it was moved, or one before it is missing"
    if before is None:
        if number != 1 and not start.seq:
            return f"is the first one there: {number - 1} before it are missing"
        return None
    if before[0] != number - 1:
        return f"does not follow head {before[0]}: the ones between are missing"
    return None if claim.previous == before[1].digest else "names another head before it than there is"


def _bad_key(claim: Claim, trusted: Iterable[str | bytes], before: Sequence[Claim]) -> str | None:
    names = {claim.key, claim.key.hex(), fingerprint(claim.key)}
    if names.isdisjoint(trusted):
        return f"is signed by another key, {fingerprint(claim.key)}"
    if before and before[0].key != claim.key and not any(isinstance(one, str) for one in trusted):
        return f"is signed by another key than the heads before it, {fingerprint(claim.key)}"
    return None


def _stamp(evidence: Evidence, number: int, head: Head, claim: Claim, result: Result) -> str | None:
    """Note the time stamp of a head, if it has one; why it does not fit, or None."""
    token = evidence.tokens.get(number)
    if token is None:
        return None
    try:
        unix_ns = timestamp.read_token(token, digest=head.digest)
    except ValueError as error:
        return f"head {number} of {claim.day} has a time stamp that does not fit: {error}"
    result.stamped.append(Stamped(head=number, unix_ns=unix_ns, day=claim.day))
    return None


def as_json(result: Result) -> dict[str, Any]:
    """The result as one JSON object; `finding` is the first of `findings`, or null."""
    findings = [_finding_json(finding) for finding in result.findings]
    return {
        "kind": "verification",
        "schema": 1,
        "verified": result.verified,
        "finding": findings[0] if findings else None,
        "findings": findings,
        "checked_seq": result.checked_seq,
        "signed_seq": result.signed_seq,
        "signed": None if result.signed_unix_ns is None else rfc3339(result.signed_unix_ns),
        "complete_day": result.complete_day,
        "provisional": result.provisional,
        "before_seal": result.before_seal,
        "heads": result.heads,
        "fingerprints": result.fingerprints,
        "thinned": [asdict(stretch) for stretch in result.thinned],
        "time_stamps": [
            {"head": each.head, "day": each.day, "time": rfc3339(each.unix_ns)} for each in result.stamped
        ],
    }


def _finding_json(finding: Finding) -> dict[str, Any]:
    return {
        "what": finding.what,
        "why": finding.why,
        "seq": finding.seq,
        "record": finding.kind,
        "started": finding.started,
        "handoff": finding.handoff,
    }


class _Walk:
    """One way through the records. `end` is how far they fit."""

    def __init__(self, evidence: Evidence, claims: Sequence[Claim]) -> None:
        self.end = evidence.start
        self._stated = evidence.end
        self._items = iter(evidence.items)
        self._next: Item | None = next(self._items, None)
        self._claims = [claim for claim in claims if claim.seq >= self.end.seq]
        self._good = self.end.seq  # the last record under a head that fits
        self.stretches: dict[int, Record] = {}
        for one in evidence.thinned:  # the newest for each stretch
            if one["last_seq"] > self.end.seq:
                self.stretches[one["first_seq"]] = one

    def go(self) -> Finding | None:
        """The first record that does not fit, or None."""
        try:
            return self._walk()
        except (sqlite3.Error, UnicodeError) as error:
            return _unreadable(str(error), after=self.end.seq)

    def _walk(self) -> Finding | None:
        found = self._heads_here()
        while found is None:
            stretch = self.stretches.get(self.end.seq + 1)
            if stretch is not None:
                found = self._pass(stretch)
            elif self._next is None:
                return self._ended()
            else:
                found = self._step(self._next)
            found = found or self._heads_here()
        return found

    def _take(self) -> None:
        self._next = next(self._items, None)

    def _step(self, item: Item) -> Finding | None:
        due = self.end.seq + 1
        if item.seq < due:
            return _named("added", f"there is another record number {item.seq}", item.record)
        if item.seq > due:
            last = item.seq - 1
            gone = f"number {due} is" if last == due else f"numbers {due} to {last} are"
            why = f"{gone} gone; the next one there is {_words(item.record)}"
            return Finding(what="missing", why=why, seq=due)
        reached = _then(self.end, item.record)
        if reached is None or reached.link != item.link:
            return self._unfitting(item)
        self.end = reached
        self._take()
        return None

    def _pass(self, stretch: Record) -> Finding | None:
        """Go over what is left of a thinned stretch."""
        before, after, remainder = (bytes.fromhex(stretch[name]) for name in ("before", "after", "remainder"))
        first, last = stretch["first_seq"], stretch["last_seq"]
        if before != self.end.head:
            return Finding(
                what="changed", seq=first, why=f"what came before the thinned {first} to {last} was other"
            )
        left = before
        while self._next is not None and self._next.seq <= last:
            item = self._next
            octets = _octets(item.record)
            left = chained(left, octets) if octets is not None else b""
            if left[:LINK_BYTES] != item.link:
                why = f"of {first} to {last}, which were thinned, it is changed, or one right before it gone"
                return _named("changed", why, item.record)
            self._take()
        if left != remainder:
            why = f"some of what was left of {first} to {last} by thinning is gone or changed"
            return Finding(what="missing", seq=first, why=why)
        self.end = End(seq=last, head=after)
        return None

    def _heads_here(self) -> Finding | None:
        """Compare with the heads that were signed after the record just reached."""
        while self._claims and self._claims[0].seq <= self.end.seq:
            claim = self._claims.pop(0)
            if claim.seq < self.end.seq:  # within a thinned stretch, or before all of this
                continue
            if claim.head != self.end.head:
                first = self._good + 1
                why = (
                    f"the records {first} to {claim.seq} do not lead to signed head {claim.number} of "
                    f"{claim.day}: one of them was changed, and the links after it made to fit"
                )
                return Finding(what="changed", why=why, seq=first)
            self._good = claim.seq
        return None

    def _ended(self) -> Finding | None:
        """Nothing more is there: should there be?"""
        due = self.end.seq + 1
        if self._claims:
            claim = self._claims[0]
            why = f"nothing follows, but head {claim.number} of {claim.day} was signed after {claim.seq}"
            return Finding(what="missing", why=why, seq=due)
        stated = self._stated
        if stated is None or stated == self.end:
            return None
        if stated.seq > self.end.seq:
            return Finding(what="missing", why=f"the chain ended with {stated.seq}", seq=due)
        if stated.seq < 0:
            return Finding(what="changed", why="the database no longer says where its chain ends")
        if stated.seq == self.end.seq:
            return Finding(
                what="changed",
                why="the noted end of the chain is not what its records lead to",
                seq=self.end.seq,
            )
        return Finding(
            what="added",
            why=f"the chain ended with {stated.seq}; what follows was not stored by the probe",
            seq=stated.seq + 1,
        )

    def _unfitting(self, item: Item) -> Finding:
        """What happened to a record that does not fit: changed, moved, or pushed on by an added one."""
        ahead = list(islice(self._items, _LOOK_AHEAD))
        for nth, other in enumerate(ahead):
            reached = _then(self.end, other.record)
            if reached is None or reached.link not in (other.link, item.link):
                continue
            pushed = (
                nth == 0 and _follows(reached, ahead[1:2], default=True) and not _follows(reached, [item])
            )
            if pushed:
                return _named(
                    "added",
                    f"number {item.seq} was {_words(other.record)}, which now follows it",
                    item.record,
                )
            return _named("moved", f"number {item.seq} was {_words(other.record)}", item.record)
        return _named("changed", "it is not what was stored under its number", item.record)


def _follows(reached: End, items: Sequence[Item], *, default: bool = False) -> bool:
    """Whether the first of these fits as the next record, with its own link or not."""
    for item in items:
        then = _then(reached, item.record)
        return then is not None and then.link == item.link
    return default


def _then(end: End, record: Record) -> End | None:
    """The end after this record under the next number; None when it cannot be one."""
    octets = _octets({**record, "seq": end.seq + 1})
    return None if octets is None else end.then(octets)


def _octets(record: Record) -> bytes | None:
    try:
        return canonical_json(record)
    except ValueError:  # a number that no record may hold
        return None


def _named(what: str, why: str, record: Record) -> Finding:
    return Finding(
        what=what,
        why=why,
        seq=record["seq"],
        kind=record["kind"],
        started_unix_ns=_started_ns(record),
        handoff=record["handoff"],
    )


def _started_ns(record: Record) -> int | None:
    names = ("started_unix_ns", *(name for name in sorted(record) if name.endswith("_unix_ns")))
    return next((record[name] for name in names if name in record), None)


def _words(record: Record) -> str:
    """A record in a few words."""
    started_ns = _started_ns(record)
    at = f" of {_time(started_ns)}" if started_ns is not None else ""
    return f"{record['kind']} record {record['seq']}{at}"


def _time(unix_ns: int) -> str:
    """A time as RFC 3339, or as a number where a changed one lies beyond the calendar."""
    try:
        return rfc3339(unix_ns)
    except (ValueError, OverflowError, OSError):
        return f"{unix_ns} ns"
