"""What goes from the record with age, and how: planned, shown, then removed day by day.

Rules stand in the site file (`store.site.Keep`): after `minutes` a minute loses its histograms, after
`minute_counts` the whole minute goes, after `bins` a rate run loses its 100 ms bins, after `samples` the
packets around stalls go. Sums (`store.rollup`) of
hours and days stay for ever, and so do runs with their figures, stalls and everything that failed or was not
measured. What lies in the days of a claim stays whole for as long as the claim stands in the site file.

`due` only looks. `let_go` removes what is due of one sealed day in one transaction of the writer, a second
or two of its time, while records wait in its queue. The chain stays verifiable (`store.chain.Chain.thin`);
the sentence in the `Thinned` record, sealed like any other, carries the SHA-256 of the hours and days that
are all that is left of the histograms, and `altered_sums` compares. Removed rows leave free pages, which
SQLite uses again: the file stops growing, it does not shrink. Imports chain, rollup and site.
"""

from __future__ import annotations

import re
import sqlite3
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from typing import Any

from store import rollup
from store.chain import Chain, SealedDay, sealed_days
from store.clock import NS_PER_S, rfc3339, zone
from store.records import Thinned
from store.rollup import Rollup
from store.site import Claim, Site

TENS_DAYS = 40  # sums of ten minutes serve the pages of the last weeks; they are made of the same minutes

_DAY_NS = 86_400 * NS_PER_S
_IN_TIME = "kept.path IN (SELECT id FROM path) AND kept.started_unix_ns BETWEEN ? AND ?"
_NEAR = "path IN (SELECT id FROM path) AND started_unix_ns BETWEEN ? AND ?"
_HISTOGRAMS = "length(rtt_us) + length(pdv_up_us) + length(pdv_down_us)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule of the site file: `key` as it stands there, what began before `before_ns` is to go."""

    key: str
    days: int
    before_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Spared:
    """A time of which nothing goes; `handoff` None means all of them."""

    handoff: str | None
    from_ns: int
    until_ns: int

    def holds(self, handoff: str, unix_ns: int) -> bool:
        """Whether a record of this handoff that starts then is spared."""
        return self.handoff in (None, handoff) and self.from_ns <= unix_ns < self.until_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What the rules say at one moment."""

    rules: tuple[Rule, ...]
    spared: tuple[Spared, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """What a rule would remove of one sealed day: so many rows, of so many bytes."""

    rule: Rule
    day: SealedDay
    rows: int
    bytes: int
    first_ns: int  # the oldest of the rows
    last_ns: int


@dataclass(frozen=True, slots=True)
class _What:
    """The rows of a rule, by the record's own start and path; and what removes them."""

    rows: str  # a SELECT of seq, started_unix_ns and bytes, to which conditions are added
    remove: str  # a statement to which ``IN (seq ...)`` is added
    near: bool  # `remove` asks first for the times between which to look


_WHAT = {
    "minutes": _What(
        f"SELECT seq, started_unix_ns, {_HISTOGRAMS} FROM train AS kept WHERE {_HISTOGRAMS} > 0",  # noqa: S608
        f"UPDATE train SET rtt_us = x'', pdv_up_us = x'', pdv_down_us = x'' WHERE {_NEAR} AND seq",  # noqa: S608
        True,
    ),
    "minute_counts": _What(
        f"SELECT seq, started_unix_ns, {_HISTOGRAMS} + 60 FROM train AS kept WHERE 1",  # noqa: S608
        f"DELETE FROM train WHERE {_NEAR} AND seq",  # noqa: S608
        True,
    ),
    "bins": _What(
        "SELECT kept.seq, kept.started_unix_ns, length(rate_side.bins) FROM rate_run AS kept "
        "JOIN rate_side ON rate_side.run = kept.seq WHERE length(rate_side.bins) > 0",
        "UPDATE rate_side SET bins = x'' WHERE run",
        False,
    ),
    "samples": _What(
        "SELECT seq, started_unix_ns, length(body) FROM document AS kept WHERE kind = 'samples'",
        "DELETE FROM document WHERE seq",
        False,
    ),
}


def plan(site: Site, *, now_ns: int) -> Plan:
    """What the site file lets go at this moment. Pure."""
    rules = [
        Rule(key=key, days=days, before_ns=now_ns - days * _DAY_NS)
        for key, days in (
            ("minute_counts", site.keep.minute_counts_days),
            ("minutes", site.keep.minutes_days),
            ("bins", site.keep.bins_days),
            ("samples", site.keep.samples_days),
        )
        if days is not None
    ]
    return Plan(rules=tuple(rules), spared=spared(site))


def spared(site: Site) -> tuple[Spared, ...]:
    """The time of every claim of the site file."""
    where = zone(site.timezone)
    return tuple(_spared(claim, where) for claim in site.claims)


def due(connection: sqlite3.Connection, planned: Plan) -> list[Due]:
    """What would go now, by sealed day, the oldest first; only looks.

    Of what was not sealed yet with its day nothing goes. Nor does a day before nine tenths as many sealed
    days came after it as its rule has: whoever sets this host's clock forward, or answers when it asks for
    the time, must not be able to empty the record.
    """
    days = sealed_days(connection)
    last_seqs = [day.last_seq for day in days]
    found: dict[tuple[int, str], Due] = {}
    before_ns = {rule.key: rule.before_ns for rule in planned.rules}
    for rule in planned.rules:
        # what goes whole is not counted again for its histograms
        since_ns = before_ns.get("minute_counts", 0) if rule.key == "minutes" else 0
        sql, values = _rows_sql(rule, planned.spared)
        for seq, started_ns, size in connection.execute(sql, values):
            place = bisect_left(last_seqs, seq)
            if started_ns < since_ns or len(days) - 1 - place < rule.days * 9 // 10:
                continue
            found[place, rule.key] = _counted(
                found.get((place, rule.key)), rule, days[place], started_ns, size
            )
    order = {rule.key: nth for nth, rule in enumerate(planned.rules)}
    return [found[key] for key in sorted(found, key=lambda key: (key[0], order[key[1]]))]


def let_go(
    connection: sqlite3.Connection, chain: Chain, sums: Rollup, one: Due, planned: Plan, *, now_ns: int
) -> Thinned | None:
    """Remove what is due, within a transaction of the chain. None when it is gone already.

    Raises StoreTrouble, before anything changes, when the day does not fit its seal.
    """
    what = _WHAT[one.rule.key]
    why = f"keep.{one.rule.key} = {one.rule.days} days"
    if what.near:
        sums.keep_until(one.last_ns)
        why += _vouching(connection, sums, one)

    def change(changing: sqlite3.Connection, day: SealedDay) -> None:
        sql, values = _rows_sql(one.rule, planned.spared)
        sql = f"SELECT seq FROM ({sql} AND {_IN_TIME} AND kept.seq BETWEEN ? AND ?)"  # noqa: S608
        values += (one.first_ns, one.last_ns, day.first_seq, day.last_seq)
        near = (one.first_ns, one.last_ns) if what.near else ()
        changing.execute(f"{what.remove} IN ({sql})", (*near, *values))

    return chain.thin(one.day, change=change, why=why, now_ns=now_ns)


def altered_sums(connection: sqlite3.Connection, whys: Iterable[tuple[int, str]]) -> tuple[int, str] | None:
    """The first thinned stretch, by number, whose hours and days are not those that its `why` vouches for."""
    for seq, why in whys:
        found = _VOUCHED.search(why)
        if found is None:
            continue
        since_ns, until_ns = (_unix_ns(found[name]) for name in ("since", "until"))
        if rollup.digest(connection, since_ns=since_ns, until_ns=until_ns) != found["digest"]:
            return seq, f"the sums of {found['since']} to {found['until']} are not those that were left"
    return None


_VOUCHED = re.compile(
    r"; hours and days from (?P<since>\S+) to (?P<until>\S+) stay, SHA-256 (?P<digest>[0-9a-f]{64})$"
)


def _vouching(connection: sqlite3.Connection, sums: Rollup, one: Due) -> str:
    since_ns, until_ns = sums.day_of(one.first_ns)[0], sums.day_of(one.last_ns)[1]
    told = rollup.digest(connection, since_ns=since_ns, until_ns=until_ns)
    return f"; hours and days from {rfc3339(since_ns)} to {rfc3339(until_ns)} stay, SHA-256 {told}"


def _unix_ns(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp()) * NS_PER_S


def _counted(found: Due | None, rule: Rule, day: SealedDay, started_ns: int, size: int) -> Due:
    return Due(
        rule=rule,
        day=day,
        rows=(found.rows if found else 0) + 1,
        bytes=(found.bytes if found else 0) + size,
        first_ns=min(found.first_ns, started_ns) if found else started_ns,
        last_ns=max(found.last_ns, started_ns) if found else started_ns,
    )


def _rows_sql(rule: Rule, spared: Sequence[Spared]) -> tuple[str, tuple[Any, ...]]:
    """The SELECT of the rows that a rule removes, and its values."""
    sql = f"{_WHAT[rule.key].rows} AND kept.started_unix_ns < ?"
    values: list[Any] = [rule.before_ns]
    for one in spared:
        of_handoff = (
            "" if one.handoff is None else " AND kept.path IN (SELECT id FROM path WHERE handoff = ?)"
        )
        sql += f" AND NOT (kept.started_unix_ns >= ? AND kept.started_unix_ns < ?{of_handoff})"
        values += [one.from_ns, one.until_ns, *([] if one.handoff is None else [one.handoff])]
    return sql, tuple(values)


def _spared(claim: Claim, where: tzinfo) -> Spared:
    ends = (claim.first_day, claim.last_day + timedelta(days=1))
    from_ns, until_ns = (round(datetime.combine(day, time(), where).timestamp()) * NS_PER_S for day in ends)
    return Spared(handoff=claim.handoff, from_ns=from_ns, until_ns=until_ns)
