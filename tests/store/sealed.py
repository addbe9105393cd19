"""Sealed databases to check, and hands to tamper with them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from store import schema
from store.chain import Chain
from store.records import Record
from store.rows import row_of
from store.seal import Key

DAY_NS = 86_400 * 10**9
NOON_NS = 1_780_000_000 * 10**9  # 2026-05-28T20:26:40Z
KEY = Key(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))


def make(path: Path, days: Iterable[Iterable[Record]], *, key: Key = KEY, stop: bool = True) -> Path:
    """A database of these records, those of a day in one commit; stopped cleanly unless `stop` is False."""
    with closing(sqlite3.connect(path)) as connection:
        schema.prepare(connection, path)
        connection.isolation_level = None
        chain = Chain(connection, path, key=key)
        with chain.transaction():
            chain.begin(NOON_NS)
        for nth, records in enumerate(days):
            with chain.transaction():
                chain.add([row_of(record) for record in records], NOON_NS + nth * DAY_NS)
        if stop:
            with chain.transaction():
                chain.sign(NOON_NS + nth * DAY_NS + 1, complete=False)
    return path


@contextmanager
def tampering(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection to which nothing is forbidden."""
    with closing(sqlite3.connect(path)) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        yield connection
        connection.commit()
