"""The endpoint's directory: who it is, whom it admits, where it listens.

::

    identity.pem   the endpoint's self-signed certificate and its private key; the invitations pin it
    callers.json   the port, and the SHA-256 of each caller's key (never a key itself)
    limits.toml    what is granted (limits.py)
    ledger.json    what each caller moved in which month (ledger.py)

The directory has mode 0700, its files 0600, and each file is replaced as a whole or not at all.
Everything a person can get wrong here is a `UserMistake`. Blocking: call it off the event loop.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import re
import secrets
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from probe.endpoint import limits
from probe.endpoint.limits import Limits
from probe.wire.invitation import DEFAULT_PORT, KEY_BYTES, Invitation, parse_address
from store.errors import UserMistake

DEFAULT_CALLER = "probe"

_IDENTITY, _CALLERS = "identity.pem", "callers.json"
_FORMAT = 1
_CALLER_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_CERTIFICATE = re.compile(r"-----BEGIN CERTIFICATE-----.*?-----END CERTIFICATE-----\n?", re.DOTALL)
# The pin, not a date, says whether the certificate is right: an endpoint with a wrong clock must answer too.
_VALID_FROM = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
_VALID_TO = datetime.datetime(9999, 12, 31, 23, 59, 59, tzinfo=datetime.UTC)  # no end; RFC 5280 4.1.2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Keys:
    """A directory as `serve` needs it. `callers` maps a name to the SHA-256 of that caller's key.

    `version` is that of the callers (`callers_version`), taken before they were read.
    """

    directory: Path
    port: int
    callers: Mapping[str, bytes] = field(repr=False)
    limits: Limits
    version: tuple[int, int] | None

    @property
    def flow_port(self) -> int:
        return self.port + 1


def invite(directory: Path, *, address: str, name: str = DEFAULT_CALLER) -> Invitation:
    """Admit the caller `name` to the endpoint in `directory`, which is made when it is not there yet.

    `address` is ``HOST`` or ``HOST:PORT`` as the caller reaches it; the first invitation settles the
    port. A name that was invited before gets a new key, and its old one is admitted no more; a running
    endpoint notices within seconds. Raises UserMistake.
    """
    if not _CALLER_NAME.fullmatch(name):
        raise UserMistake(
            f"caller name {name!r}: expected letters, digits, dots, dashes or underscores, 64 at most"
        )
    parse_address(address)  # before anything is made
    try:
        _make_directory(directory)
        before = _read_callers(directory) if (directory / _CALLERS).exists() else None
        host, port = parse_address(address, default_port=before[0] if before else DEFAULT_PORT)
        if before and before[0] != port:
            raise UserMistake(
                f"address {address!r}: this endpoint has port {before[0]} by its earlier invitations; "
                "leave the port out, or invite into another directory"
            )
        pin = _identity_pin(directory)
        if not (directory / limits.FILE).exists():
            write_private(directory / limits.FILE, limits.template())
        key = secrets.token_bytes(KEY_BYTES)
        callers = (before[1] if before else {}) | {name: hashlib.sha256(key).digest()}
        _write_callers(directory, port, callers)
    except OSError as error:
        raise _trouble(directory, error) from None
    return Invitation(host=host, port=port, flow_port=port + 1, key=key, pin=pin)


def load(directory: Path) -> Keys:
    """Read what `invite` made. Raises UserMistake when it is missing, unreadable or half there."""
    try:
        if not directory.is_dir():
            raise UserMistake(f"{directory}: there is no such directory; {_cure(directory)}")
        for name in (_CALLERS, _IDENTITY):
            if not (directory / name).exists():
                raise UserMistake(f"{directory}: {name} is missing; {_cure(directory)}")
        version = callers_version(directory)
        port, callers = _read_callers(directory)
    except OSError as error:
        raise _trouble(directory, error) from None
    granted = limits.load(directory / limits.FILE)
    return Keys(directory=directory, port=port, callers=callers, limits=granted, version=version)


def callers_of(directory: Path) -> Mapping[str, bytes]:
    """Only the callers, for a running endpoint that looks again. Raises UserMistake."""
    try:
        return _read_callers(directory)[1]
    except OSError as error:
        raise _trouble(directory, error) from None


def callers_version(directory: Path) -> tuple[int, int] | None:
    """A value that changes whenever the callers did; None while there are none."""
    try:
        found = (directory / _CALLERS).stat()
    except OSError:
        return None
    return found.st_ino, found.st_mtime_ns


def tls_context(keys: Keys) -> ssl.SSLContext:
    """The server's side of TLS 1.3 with the endpoint's identity. Raises UserMistake for a damaged one."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_3  # both ends are ours, so nothing older is needed
    try:
        context.load_cert_chain(keys.directory / _IDENTITY)
    except ssl.SSLError:
        raise _damaged_identity(keys.directory) from None
    except OSError as error:
        raise _trouble(keys.directory, error) from None
    return context


def write_private(path: Path, text: str) -> None:
    """Replace `path` as a whole, for its owner's eyes alone. When that fails, the old file stays."""
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with open(
            os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8"
        ) as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


def _make_directory(directory: Path) -> None:
    if not directory.exists():
        directory.mkdir(mode=0o700, parents=True)
        return
    if not directory.is_dir():
        raise UserMistake(f"{directory}: this is a file; expected a directory for the endpoint's keys")
    found = {path.name for path in directory.iterdir()}
    if found and not found & {_IDENTITY, _CALLERS}:
        raise UserMistake(
            f"{directory}: it holds other files and no endpoint; name an empty or a new directory"
        )
    if _CALLERS in found and _IDENTITY not in found:
        raise UserMistake(
            f"{directory}: {_IDENTITY} is missing, and the invitations given out pin it; "
            "restore it, or invite into another directory"
        )
    directory.chmod(0o700)


def _identity_pin(directory: Path) -> bytes:
    """The SHA-256 of the certificate, which is made when it is not there yet."""
    path = directory / _IDENTITY
    if not path.exists():
        write_private(path, _new_identity())
    certificate = _CERTIFICATE.search(path.read_text(encoding="ascii", errors="replace"))
    if certificate is None:
        raise _damaged_identity(directory)
    try:
        return hashlib.sha256(ssl.PEM_cert_to_DER_cert(certificate[0])).digest()
    except ValueError:
        raise _damaged_identity(directory) from None


def _new_identity() -> str:
    # imported here because only the first invitation needs it, and serving stays lean without
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "endpoint")])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(_VALID_FROM)
        .not_valid_after(_VALID_TO)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return (certificate.public_bytes(serialization.Encoding.PEM) + private).decode("ascii")


def _read_callers(directory: Path) -> tuple[int, dict[str, bytes]]:
    path = directory / _CALLERS
    try:
        found: Any = json.loads(path.read_text(encoding="utf-8"))
        if found["format"] != _FORMAT:
            raise UserMistake(f"{path}: it was written by a newer Linebook; use that one")
        port, callers = found["port"], found["callers"]
        digests = {str(name): bytes.fromhex(digest) for name, digest in callers.items()}
        if type(port) is not int or not 1 <= port <= 65534 or any(len(d) != 32 for d in digests.values()):
            raise ValueError("out of range")
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise UserMistake(
            f"{path}: it is damaged; restore it from a copy, or invite into another directory"
        ) from None
    return port, digests


def _write_callers(directory: Path, port: int, callers: Mapping[str, bytes]) -> None:
    found = {"format": _FORMAT, "port": port, "callers": {name: d.hex() for name, d in callers.items()}}
    write_private(directory / _CALLERS, json.dumps(found, indent=1) + "\n")


def _damaged_identity(directory: Path) -> UserMistake:
    return UserMistake(
        f"{directory / _IDENTITY}: it is damaged; restore it from a copy, or invite into another directory"
    )


def _trouble(directory: Path, error: OSError) -> UserMistake:
    return UserMistake(f"{error.filename or directory}: {error.strerror or error}; the endpoint needs it")


def _cure(directory: Path) -> str:
    return f"`linebook endpoint invite {directory} --address HOST` makes it"
