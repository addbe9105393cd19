"""The seal: a hash chain through all records, and heads of it that are signed.

**Record.** `canonical` gives a record's canonical JSON (UTF-8, keys sorted, no spaces): its sequence
number `seq`, its `kind`, `handoff`, `endpoint`, and every column of its row by name. Integers stand
without a point, floats as the shortest decimal that reads back to the same double (``60.0``, ``0.1``),
bytes (histograms, bins) as lowercase hex. What is NULL is left out, so a column that a later version
adds changes no older record. The sides of a rate run stand under ``sides``, by direction.

**Chain.** h_0 is 32 zero octets and h_n = SHA-256(h_(n-1) || record n), in the order of storing. The first
four octets of h_n stand beside record n as its `link`: enough to name the first record that is not what
it was. The whole of the newest h is the chain's end, kept in the same transaction as the records.

**Heads.** A head is a statement, canonical JSON too, of the whole h after record `seq`, signed with
Ed25519 (RFC 8032). Each carries its number and the SHA-256 of the statement before it, so that none can
be left out or moved. A day here is a UTC day of the probe's clock. A head with ``"complete": true`` was
made when its day was over; one with false, at a stop in the middle of its day or when a database from
before the seal was chained, stands until the day's head follows. ``before_seal`` counts the records that
were stored before there was a seal: for those it says only what they were when they were chained.

The private key lies beside the database in a file of its own, for its account alone. What a signature
shows is that nothing changed since, not that it was true.

Pure but for the key file. Imports errors, new_file, rows and clock's formats.
"""

from __future__ import annotations

import hashlib
import json
import stat
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from store.clock import NS_PER_S
from store.errors import DatabaseMistake
from store.new_file import write_private
from store.rows import Row

START = bytes(32)  # h_0
LINK_BYTES = 4

_KINDS = {"rate_run": "rate"}  # where a table is not called after its records; `trouble` has a column for it


@dataclass(frozen=True, slots=True, kw_only=True)
class End:
    """Where a chain has come to: the whole h after record `seq`."""

    seq: int = 0
    head: bytes = START

    def then(self, record: bytes) -> Self:
        """The end after one more record, given as canonical JSON."""
        return type(self)(seq=self.seq + 1, head=chained(self.head, record))

    @property
    def link(self) -> bytes:
        """What stands beside the record."""
        return self.head[:LINK_BYTES]


def chained(head: bytes, record: bytes) -> bytes:
    """h_n of h_(n-1) and record n."""
    return hashlib.sha256(head + record).digest()


def canonical(row: Row, seq: int) -> bytes:
    """The canonical JSON of a record."""
    return canonical_json(record_object(row, seq))


def record_object(row: Row, seq: int) -> dict[str, Any]:
    """What `canonical` writes, as an object."""
    head = {"kind": _KINDS.get(row.table, row.table), "handoff": row.handoff, "endpoint": row.endpoint}
    found: dict[str, Any] = head | shown(row.values) | {"seq": seq}
    if row.sides:
        found["sides"] = sorted((shown(side) for side in row.sides), key=lambda side: str(side["direction"]))
    return found


def canonical_json(value: Mapping[str, Any]) -> bytes:
    """Keys sorted, no spaces, UTF-8."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8", "surrogateescape")  # octets of a changed file that are no UTF-8, as they are


def shown(values: Mapping[str, Any]) -> dict[str, Any]:
    """Columns as canonical JSON holds them: bytes in hex, without what is NULL."""
    return {
        name: value.hex() if isinstance(value, bytes) else value
        for name, value in values.items()
        if value is not None
    }


def day_of(unix_ns: int) -> str:
    """The UTC day of a time, ``2026-11-25``."""
    return f"{datetime.fromtimestamp(unix_ns // NS_PER_S, UTC):%Y-%m-%d}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """A signed statement about the chain. `statement` is the text that was signed."""

    statement: bytes
    signature: bytes

    @property
    def digest(self) -> bytes:
        """What the next head names, and what a time stamp is asked for."""
        return hashlib.sha256(self.statement).digest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What a head states. `previous` is the digest of the head before it, zeros for the first."""

    number: int
    previous: bytes
    seq: int
    head: bytes
    day: str
    complete: bool
    made_unix_ns: int
    before_seal: int
    key: bytes  # the public key

    def statement(self) -> bytes:
        """The text to be signed."""
        return canonical_json(
            {
                "kind": "head",
                "schema": 1,
                "number": self.number,
                "previous": self.previous.hex(),
                "seq": self.seq,
                "head": self.head.hex(),
                "day": self.day,
                "complete": self.complete,
                "made_unix_ns": self.made_unix_ns,
                "before_seal": self.before_seal,
                "key": self.key.hex(),
                "fingerprint": fingerprint(self.key),
            }
        )

    @classmethod
    def read(cls, statement: bytes) -> Self:
        """Undo `statement`. Raises ValueError for any other text."""
        try:
            found = json.loads(statement)
            octets = {name: bytes.fromhex(found[name]) for name in ("previous", "head", "key")}
            read = cls(**{each.name: octets.get(each.name, found[each.name]) for each in fields(cls)})
            known = read.statement()
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            raise ValueError(f"no statement of a head: {error}") from None
        if known != statement:
            raise ValueError("no statement of a head in its one form")
        return read


class Key:
    """The Ed25519 key that signs a database's heads."""

    def __init__(self, private: Ed25519PrivateKey) -> None:
        self._private = private
        self.public = private.public_key().public_bytes_raw()

    @classmethod
    def beside(cls, database: Path) -> Self:
        """The key of a database, made when its file is not there. Blocks.

        Raises DatabaseMistake for a file that cannot be read or made, holds no such key, or is open to
        other accounts.
        """
        file = key_file(database)
        try:
            if not file.exists():
                _write_new(file, Ed25519PrivateKey.generate())
            if stat.S_IMODE(file.stat().st_mode) & (stat.S_IRWXG | stat.S_IRWXO):
                raise DatabaseMistake(
                    f"{file} holds the key that signs the record and is open to others; run: chmod 600 {file}"
                )
            private = serialization.load_pem_private_key(file.read_bytes(), password=None)
        except OSError as error:
            raise DatabaseMistake(f"{file}, the key that signs the record: {error.strerror}") from None
        except (ValueError, TypeError):
            private = None
        if not isinstance(private, Ed25519PrivateKey):
            raise DatabaseMistake(
                f"{file} holds no Ed25519 key; put back the one that was there, or move the file away for a "
                "new key, which `linebook verify` will call another one"
            )
        return cls(private)

    def sign(self, claim: Claim) -> Head:
        statement = claim.statement()
        return Head(statement=statement, signature=self._private.sign(statement))

    def sign_manifest(self, octets: bytes) -> bytes:
        """The signature of a manifest (`store.bundle`). Raises ValueError for what could be a head."""
        if json.loads(octets).get("kind") == "head":
            raise ValueError("a head is signed by `sign` alone")
        return self._private.sign(octets)


def key_file(database: Path) -> Path:
    """Where the private key of a database lies."""
    return database.with_name(f"{database.name}.key")


def fingerprint(public: bytes) -> str:
    """A public key's short name for people: SHA-256 of its 32 octets, in hex."""
    return hashlib.sha256(public).hexdigest()


def signed_by(head: Head, public: bytes) -> bool:
    """Whether the holder of the private key signed this statement."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(head.signature, head.statement)
    except (InvalidSignature, ValueError):
        return False
    return True


def _write_new(file: Path, private: Ed25519PrivateKey) -> None:
    """Put the key on the disk, whole or not at all."""
    pem = private.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    write_private(file, pem.decode())
