"""A bundle: a folder of files for somebody else, their hashes, a signature, and the sealed heads behind them.

``manifest.json`` names every file with its SHA-256 and size; ``manifest.sig`` is the Ed25519 signature
(RFC 8032, 64 octets) of that file by the key that signs the record's heads, ``key.pem`` the public key.
``seal/`` holds the signed heads of the record that the bundle was made from: ``head-00012.json`` is the
statement to the octet, ``.sig`` its signature, ``.tsr`` a time stamp (RFC 3161) where there is one. Anybody
can check all of it with sha256sum and openssl. A head's hash stands for records that are not in the bundle;
who is shown them can compare.

A bundle may be packed as one zip; it is read from there as well. Imports chain, schema, seal, timestamp,
verify's findings and zip_tricks.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import struct
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from store import chain, schema, timestamp, zip_tricks
from store.clock import rfc3339
from store.errors import DatabaseMistake, UserMistake
from store.seal import Claim, Head, Key, fingerprint, key_file, signed_by
from store.verify import Finding

KIND = "evidence pack"
MANIFEST, SIGNATURE, PUBLIC, SUMS = "manifest.json", "manifest.sig", "key.pem", "SHA256SUMS"
HEADS = "seal"
_READ_WHOLE = (MANIFEST, ".sig", ".tsr", ".json", ".pem")
_BROKEN = (  # what zipfile raises for octets that are none, a name that is no text among them
    *(zipfile.BadZipFile, zlib.error, struct.error, EOFError, NotImplementedError, RuntimeError, ValueError),
)
_ALONE = frozenset({MANIFEST, SIGNATURE, SUMS})  # what the manifest cannot name


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What was found of a bundle. `stamped` are heads with the times that their tokens state."""

    findings: tuple[Finding, ...]
    files: int
    about: Mapping[str, Any]
    fingerprint: str | None
    heads: int
    head_seq: int
    stamped: tuple[tuple[int, int], ...] = field(default=())

    @property
    def verified(self) -> bool:
        return not self.findings


def key_of(database: Path) -> Key:
    """The key that signs a database's heads; never makes one. Raises UserMistake where there is none."""
    file = key_file(database)
    try:
        there = file.is_file()
    except OSError:
        there = False
    if not there:
        raise UserMistake(
            f"{file}, the key that signs the record, is not there; it is made when the probe first runs"
        )
    try:
        return Key.beside(database)
    except DatabaseMistake as trouble:
        raise UserMistake(f"{trouble}; sign as the account that the probe runs as") from None


def private_lines(database: Path) -> list[str]:
    """The lines of the key file, to make sure that they are nowhere else."""
    try:
        return key_file(database).read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return []


def write_heads(database: Path, to: Path) -> tuple[int, int]:
    """Write every signed head below `to`; how many there are, and how many of them have a time stamp."""
    try:
        connection = sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)
    except sqlite3.Error as error:
        raise DatabaseMistake(f"{database} cannot be opened: {error}") from None
    with closing(connection):
        schema.check_readable(connection, database)
        heads = chain.heads(connection)
        tokens = dict(connection.execute("SELECT head, token FROM time_stamp").fetchall())
    if heads:
        (to / HEADS).mkdir()
    for number, head in heads:
        name = to / HEADS / f"head-{number:05d}"
        name.with_suffix(".json").write_bytes(head.statement)
        name.with_suffix(".sig").write_bytes(head.signature)
        if number in tokens:
            name.with_suffix(".tsr").write_bytes(tokens[number])
    return len(heads), len(tokens)


def close(to: Path, about: Mapping[str, Any], key: Key) -> Path:
    """Write the public key, the manifest over all files below `to`, its signature and SHA256SUMS."""
    public = Ed25519PublicKey.from_public_bytes(key.public).public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    (to / PUBLIC).write_bytes(public)
    files = [
        {"file": name, "sha256": _sha256(to / name), "bytes": (to / name).stat().st_size}
        for name in sorted(_names(to) - _ALONE)
    ]
    manifest = {"kind": KIND, "schema": 1, **about, "key": key.public.hex()}
    manifest |= {"fingerprint": fingerprint(key.public), "files": files}
    octets = (json.dumps(manifest, indent=1, ensure_ascii=False) + "\n").encode()
    (to / MANIFEST).write_bytes(octets)
    (to / SIGNATURE).write_bytes(key.sign_manifest(octets))
    named = sorted(_names(to) - {SUMS})
    (to / SUMS).write_text("".join(f"{_sha256(to / name)}  {name}\n" for name in named))
    return to / MANIFEST


def zipped(folder: Path, to: Path) -> None:
    """Pack a folder as one zip, in which it is a folder too; times of files are left out."""
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as out:
        for name in sorted(_names(folder)):
            info = zipfile.ZipInfo(f"{folder.name}/{name}", date_time=(1980, 1, 1, 0, 0, 0))
            info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            with (folder / name).open("rb") as content, out.open(info, "w") as entry:
                while block := content.read(1 << 20):
                    entry.write(block)


def is_bundle(path: Path) -> bool:
    """Whether there is a bundle's manifest in this folder or zip, whatever it says else."""
    if path.is_file():
        return zipfile.is_zipfile(path)
    try:
        return bool(json.loads((path / MANIFEST).read_bytes())["kind"] == KIND)
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return (path / SIGNATURE).is_file()


def verify(path: Path, *, trusted: frozenset[str] = frozenset()) -> Checked:
    """Check a bundle, a folder or a zip; `trusted` are public keys or fingerprints that must have signed.

    Findings are in the order of the manifest, so that the first names the first file that was changed.
    """
    if path.is_file():
        try:
            with zipfile.ZipFile(path) as archive:
                return _verify_zip(archive, path, trusted)
        except (*_BROKEN, OSError) as error:
            return _unreadable(f"{path.name} is a damaged zip: {error}")
    return _verify(path, trusted)


def _verify_zip(archive: zipfile.ZipFile, path: Path, trusted: frozenset[str]) -> Checked:
    found = [name for name in archive.namelist() if name.rpartition("/")[2] == MANIFEST]
    if not found:
        raise UserMistake(f"{path} is no pack: it has no {MANIFEST}")
    at = min(found, key=len).removesuffix(MANIFEST)
    odd = zip_tricks.oddity(archive, folder=at, whole=_READ_WHOLE)
    if odd is not None:
        return _unreadable(f"{path.name} is not believed, since {odd}")
    return _verify(zipfile.Path(archive, at), trusted)


def as_json(found: Checked) -> dict[str, Any]:
    """The result as one JSON object; `finding` is the first of `findings`, or null."""
    findings = [{"what": one.what, "why": one.why} for one in found.findings]
    return {
        "kind": "verification",
        "schema": 1,
        "of": KIND,
        "started": found.about.get("started"),
        "standing": "valid" if found.verified else "void",
        "reasons": [],
        "verified": found.verified,
        "finding": findings[0] if findings else None,
        "findings": findings,
        "files": found.files,
        "redacted": found.about.get("redacted"),
        "fingerprints": [] if found.fingerprint is None else [found.fingerprint],
        "heads": found.heads,
        "signed_seq": found.head_seq,
        "time_stamps": [{"head": head, "time": rfc3339(at_ns)} for head, at_ns in found.stamped],
    }


Root = Path | zipfile.Path


def _verify(root: Root, trusted: frozenset[str]) -> Checked:
    try:
        octets = (root / MANIFEST).read_bytes()
        manifest = json.loads(octets)
        files = [(str(one["file"]), str(one["sha256"])) for one in manifest["files"]]
        key = bytes.fromhex(manifest["key"])
        about = {name: value for name, value in manifest.items() if name not in ("files", "key")}
    except OSError:
        return _unreadable(f"{MANIFEST} is not there")
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return _unreadable(f"{MANIFEST} does not say what the manifest of a pack says")
    findings = [*_files(root, files), *_signature(root, octets, key, trusted)]
    heads = _heads(root)
    findings += _bad_heads(heads, key)
    claims = [claim for _, _, claim, _ in heads if claim is not None]
    stamped, bad_stamps = _stamps(heads)
    return Checked(
        findings=(*findings, *bad_stamps),
        files=len(files),
        about=about,
        fingerprint=fingerprint(key),
        heads=len(heads),
        head_seq=claims[-1].seq if claims else 0,
        stamped=stamped,
    )


def _unreadable(why: str) -> Checked:
    finding = Finding(what="unreadable", why=why)
    return Checked(findings=(finding,), files=0, about={}, fingerprint=None, heads=0, head_seq=0)


def _files(root: Root, files: list[tuple[str, str]]) -> Iterator[Finding]:
    there = _names(root)
    for name, sha256 in files:
        if name not in there:
            yield Finding(what="missing", why=f"{name} is not there, and {MANIFEST} names it")
            continue
        if _sha256(root / name) != sha256:
            yield Finding(what="changed", why=f"{name} is not the file that {MANIFEST} names")
    known = {name for name, _ in files} | _ALONE
    for name in sorted(there - known):
        yield Finding(what="added", why=f"{name} is there, and {MANIFEST} does not name it")


def _signature(root: Root, octets: bytes, key: bytes, trusted: frozenset[str]) -> Iterator[Finding]:
    try:
        Ed25519PublicKey.from_public_bytes(key).verify((root / SIGNATURE).read_bytes(), octets)
    except OSError:
        yield Finding(what="missing", why=f"{SIGNATURE}, the manifest's signature, is not there")
    except (InvalidSignature, ValueError):
        yield Finding(
            what="changed", why=f"{MANIFEST} does not fit its signature: it was changed, or {SIGNATURE}"
        )
    if trusted and trusted.isdisjoint({key.hex(), fingerprint(key)}):
        yield Finding(what="head", why=f"it is signed by another key, {fingerprint(key)}")


_Found = tuple[int, Head, Claim | None, bytes | None]  # number, head, what it states, its time stamp


def _heads(root: Root) -> list[_Found]:
    found: list[_Found] = []
    names = {name for name in _names(root) if name.startswith(f"{HEADS}/") and name.endswith(".json")}
    for name in sorted(names):
        end = name.rpartition("-")[2].removesuffix(".json")
        signature, token = name.replace(".json", ".sig"), name.replace(".json", ".tsr")
        head = Head(statement=(root / name).read_bytes(), signature=_octets(root, signature) or b"")
        try:
            claim = Claim.read(head.statement)
        except ValueError:
            claim = None
        found.append((int(end) if end.isdecimal() else 0, head, claim, _octets(root, token)))
    return found


def _bad_heads(heads: list[_Found], key: bytes) -> Iterator[Finding]:
    """Heads that are no statement, are not signed, or do not follow the one before."""
    before: Head | None = None
    for number, head, claim, _ in heads:
        why = None
        if claim is None or claim.number != number:
            why = "states something else than a head of that number"
        elif not signed_by(head, claim.key):
            why = "does not fit its signature"
        elif before is not None and claim.previous != before.digest:
            why = "names another head before it than there is"
        if why is not None:
            yield Finding(what="head", why=f"head {number} {why}")
            return
        before = head
    if heads and heads[-1][2] is not None and heads[-1][2].key != key:
        yield Finding(what="head", why="the last head is signed by another key than the manifest")


def _stamps(heads: list[_Found]) -> tuple[tuple[tuple[int, int], ...], list[Finding]]:
    good, bad = [], []
    for number, head, _, token in heads:
        if token is None:
            continue
        try:
            good.append((number, timestamp.read_token(token, digest=head.digest)))
        except ValueError as error:
            bad.append(Finding(what="head", why=f"head {number} has a time stamp that does not fit: {error}"))
    return tuple(good), bad


def _octets(root: Root, name: str) -> bytes | None:
    file = root / name
    return file.read_bytes() if file.is_file() else None


def _names(root: Root) -> set[str]:
    """Every file below, by its name from there."""
    if isinstance(root, Path):
        return {file.relative_to(root).as_posix() for file in root.rglob("*") if file.is_file()}
    prefix = root.at
    return {
        name.removeprefix(prefix)
        for name in root.root.namelist()
        if name.startswith(prefix) and not name.endswith("/")
    }


def _sha256(file: Root) -> str:
    found = hashlib.sha256()
    with file.open("rb") as content:
        while block := content.read(1 << 20):
            found.update(block)
    return found.hexdigest()
