"""A pack: the sealed record as day files that anybody can check, with this program or without.

A directory. ``2026-11-25.jsonl`` holds the records stored on that UTC day in the order of the chain, an
object a line: ``{"link":"2af955df","record":{...}}``, the record in its canonical JSON (`store.seal`), so
that h_n = SHA-256(h_(n-1) || the text of `record`). ``manifest.json`` names the files with their SHA-256, the
head from which the first of them goes on, and every signed head with its signature, all in hex, and the
RFC 3161 responses there are for them. A pack goes up to the newest signed head; the file of a day that was
not over then is there as far as that.

To check it by hand: ``sha256sum`` each file, follow the chain, compare with the heads, and check each
``statement`` with its Ed25519 ``signature``. Imports chain, seal and verify.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from store import chain, schema
from store.errors import DatabaseMistake, UserMistake
from store.seal import LINK_BYTES, Claim, End, Head, canonical_json, record_object
from store.verify import Evidence, Finding, Item, Result, check

MANIFEST = "manifest.json"

_THINNED = ("before", "after", "remainder")


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What went into a pack."""

    days: int
    records: int
    files: tuple[Path, ...]


def write(database: Path, to: Path, *, first_day: str = "") -> Written:
    """Write the pack of a database, from the UTC day `first_day` on, into the new or empty directory `to`.

    Raises DatabaseMistake for a file that is no database of this version, UserMistake for a directory that
    holds something or cannot be written, and when nothing is signed yet.
    """
    try:
        connection = sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)
    except sqlite3.Error as error:
        raise DatabaseMistake(f"{database} cannot be opened: {error}") from None
    with closing(connection):
        schema.check_readable(connection, database)
        connection.execute("BEGIN")  # one moment, though the probe writes on
        days = _days(connection, first_day)
        if not days:
            raise UserMistake(
                f"{database} has no signed head{f' from {first_day} on' if first_day else ''} yet"
            )
        try:
            to.mkdir(parents=True, exist_ok=True)
            if any(to.iterdir()):
                raise UserMistake(f"{to} is not empty; name a directory of its own for the pack")
            files = [_write_day(connection, to, day) for day in days]
            _write_manifest(connection, to, days, files)
        except OSError as error:
            raise UserMistake(f"{to} cannot be written: {error.strerror or error}") from None
    records = sum(day.last_seq - day.first_seq + 1 for day in days)
    return Written(days=len(days), records=records, files=(*files, to / MANIFEST))


def verify(directory: Path, *, trusted: frozenset[str] = frozenset()) -> Result:
    """Check a pack; `trusted` as for `store.verify.database`. Raises UserMistake when it is none."""
    try:
        manifest = json.loads((directory / MANIFEST).read_bytes())
    except OSError as error:
        raise UserMistake(f"{directory} is no pack: {MANIFEST}: {error.strerror}") from None
    except (ValueError, RecursionError):
        return Result(findings=[Finding(what="unreadable", why=f"{MANIFEST} is not JSON")])
    try:
        evidence = _evidence(directory, manifest)
    except (ValueError, TypeError, KeyError, AttributeError):
        why = f"{MANIFEST} does not say what the manifest of a pack says"
        return Result(findings=[Finding(what="unreadable", why=why)])
    result = check(evidence, trusted=trusted)
    result.findings += [
        Finding(what="changed", why=f"{day['file']} is not the file that {MANIFEST} names")
        for day in manifest["days"]
        if _sha256(directory / day["file"]) != day["sha256"]
    ]
    return result


def as_json(written: Written) -> dict[str, Any]:
    """What was written, as one JSON object."""
    return {
        "kind": "pack",
        "schema": 1,
        "days": written.days,
        "records": written.records,
        "files": [str(file) for file in written.files],
    }


def _days(connection: sqlite3.Connection, first_day: str) -> list[chain.SealedDay]:
    """The stretches that become files: days that are over, and what was signed of the one that is not."""
    days = chain.sealed_days(connection)
    heads = chain.heads(connection)
    end = End(seq=days[-1].last_seq, head=days[-1].after) if days else End()
    last = Claim.read(heads[-1][1].statement) if heads else None
    if last is not None and last.seq > end.seq:
        rest = chain.SealedDay(
            day=last.day, first_seq=end.seq + 1, last_seq=last.seq, before=end.head, after=last.head
        )
        days.append(rest)
    return [day for day in days if day.day >= first_day]


def _write_day(connection: sqlite3.Connection, to: Path, day: chain.SealedDay) -> Path:
    name, nth = day.day, 1
    while (to / f"{name}.jsonl").exists():  # a clock set back gives a day a second head
        nth += 1
        name = f"{day.day}-{nth}"
    file = to / f"{name}.jsonl"
    with file.open("wb") as out:
        for each in chain.links(connection, first_seq=day.first_seq, last_seq=day.last_seq):
            line = {"link": each.link.hex(), "record": record_object(each.row, each.seq)}
            out.write(canonical_json(line) + b"\n")
    return file


def _write_manifest(
    connection: sqlite3.Connection, to: Path, days: list[chain.SealedDay], files: list[Path]
) -> None:
    tokens = connection.execute("SELECT head, token FROM time_stamp ORDER BY head")
    manifest = {
        "kind": "pack",
        "schema": 1,
        "start": {"seq": days[0].first_seq - 1, "head": days[0].before.hex()},
        "days": [
            {"day": day.day, "file": file.name, "first_seq": day.first_seq, "last_seq": day.last_seq}
            | {"sha256": _sha256(file)}
            for day, file in zip(days, files, strict=True)
        ],
        "heads": [
            {"number": number, "statement": head.statement.decode(), "signature": head.signature.hex()}
            for number, head in chain.heads(connection)
        ],
        "time_stamps": [{"head": number, "response": token.hex()} for number, token in tokens],
        "keys": [key.hex() for (key,) in connection.execute("SELECT public FROM seal_key ORDER BY id")],
    }
    (to / MANIFEST).write_text(json.dumps(manifest, indent=1) + "\n")


def _evidence(directory: Path, manifest: dict[str, Any]) -> Evidence:
    """Raises ValueError, TypeError or KeyError for a manifest that is none."""
    files = [directory / _plain_name(day["file"]) for day in manifest["days"]]
    _ = [day["sha256"] for day in manifest["days"]]
    start = End(seq=int(manifest["start"]["seq"]), head=bytes.fromhex(manifest["start"]["head"]))
    return Evidence(
        items=_items(files, start.seq),
        heads=[
            (
                int(head["number"]),
                Head(statement=head["statement"].encode(), signature=bytes.fromhex(head["signature"])),
            )
            for head in manifest["heads"]
        ],
        thinned=[item.record for item in _items(files, start.seq, only=b'"kind":"thinned"') if _thins(item)],
        keys=frozenset(bytes.fromhex(key) for key in manifest["keys"]),
        tokens={int(each["head"]): bytes.fromhex(each["response"]) for each in manifest["time_stamps"]},
        start=start,
        end=None,
    )


def _items(files: list[Path], seq: int, *, only: bytes = b"") -> Iterator[Item]:
    """The records of these files, as far as they are there. A line that is none fits nothing."""
    for file in files:
        if not file.is_file():
            continue
        with file.open("rb") as lines:
            for number, line in enumerate(lines, 1):
                if only not in line:
                    continue
                item = _item(line)
                if item is None:
                    record = {"kind": f"line {number} of {file.name}", "handoff": "", "seq": seq + 1}
                    item = Item(seq=seq + 1, link=b"", record=record)
                seq = item.seq
                yield item


def _item(line: bytes) -> Item | None:
    """The record of a line in its one form, or None."""
    try:
        found = json.loads(line)
        if canonical_json(found) + b"\n" != line:
            return None
        record, link = found["record"], bytes.fromhex(found["link"])
        words = record["kind"], record["handoff"]
    except (ValueError, TypeError, KeyError, RecursionError):
        return None
    sound = all(isinstance(word, str) for word in words) and type(record["seq"]) is int
    times = all(type(value) is int for name, value in record.items() if name.endswith("_unix_ns"))
    return (
        Item(seq=record["seq"], link=link, record=record)
        if sound and times and len(link) == LINK_BYTES
        else None
    )


def _thins(item: Item) -> bool:
    """Whether a record says what a thinning says; its place in the chain shows whether it is one."""
    try:
        heads = [bytes.fromhex(item.record[name]) for name in _THINNED]
        numbers = [item.record[name] for name in ("first_seq", "last_seq")]
    except (ValueError, TypeError, KeyError):
        return False
    kind = item.record["kind"] == "thinned" and isinstance(item.record.get("why"), str)
    return kind and len(heads) == len(_THINNED) and all(type(number) is int for number in numbers)


def _plain_name(name: str) -> str:
    if Path(name).name != name:
        raise ValueError(f"{name} lies elsewhere")
    return name


def _sha256(file: Path) -> str:
    if not file.is_file():
        return ""
    with file.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()
