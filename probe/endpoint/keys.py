"""The endpoint's directory: who it is, whom it admits, where it listens.

::

    identity.pem   the endpoint's self-signed certificate and its private key; the invitations pin it
    callers.json   the port, the SHA-256 of each caller's key (never a key itself), and those of older keys
                   that are still admitted for a while
    limits.toml    what is granted (limits.py)
    ledger.json    what each caller moved in which month (ledger.py)

The directory has mode 0700, its files 0600, and each file is replaced as a whole or not at all. Who changes
the callers holds a lock on the directory from reading them to replacing them, so that of two at once neither
undoes the other.
Everything a person can get wrong here is a `UserMistake`. Blocking: call it off the event loop.
"""

from __future__ import annotations

import contextlib
import datetime
import fcntl
import hashlib
import json
import os
import re
import secrets
import ssl
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from probe.endpoint import limits
from probe.endpoint.limits import Limits
from probe.wire.invitation import DEFAULT_PORT, KEY_BYTES, Invitation, parse_address
from store.errors import UserMistake
from store.new_file import write_private

DEFAULT_CALLER = "probe"

Version = tuple[tuple[int, int] | None, tuple[int, int] | None]  # of the callers and of the limits

_IDENTITY, _CALLERS = "identity.pem", "callers.json"
_FORMAT = 1
_CALLER_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_CERTIFICATE = re.compile(r"-----BEGIN CERTIFICATE-----.*?-----END CERTIFICATE-----\n?", re.DOTALL)
# The pin, not a date, says whether the certificate is right: an endpoint with a wrong clock must answer too.
_VALID_FROM = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
_VALID_TO = datetime.datetime(9999, 12, 31, 23, 59, 59, tzinfo=datetime.UTC)  # no end; RFC 5280 4.1.2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaving:
    """An older key of a caller, by its SHA-256, that is admitted until then beside the newer one."""

    digest: bytes = field(repr=False)
    until_unix_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Callers:
    """Who is admitted: names with the SHA-256 of their keys, and of older keys that still count."""

    port: int
    current: Mapping[str, bytes] = field(repr=False)
    leaving: Mapping[str, Leaving] = field(default_factory=dict)

    def still(self, *, now_unix_ns: int) -> dict[str, bytes]:
        """The older keys that are admitted at this moment."""
        return {name: one.digest for name, one in self.leaving.items() if now_unix_ns < one.until_unix_ns}


@dataclass(frozen=True, slots=True, kw_only=True)
class Keys:
    """A directory as `serve` needs it. `version` is that of `callers`, taken before they were read."""

    directory: Path
    callers: Callers
    limits: Limits
    version: Version

    @property
    def port(self) -> int:
        return self.callers.port

    @property
    def flow_port(self) -> int:
        return self.port + 1


def invite(
    directory: Path,
    *,
    address: str,
    name: str = DEFAULT_CALLER,
    known: bool = False,
    older_until_unix_ns: int | None = None,
) -> Invitation:
    """Admit the caller `name` to the endpoint in `directory`, which is made when it is not there yet.

    `address` is ``HOST`` or ``HOST:PORT`` as the caller reaches it; the first invitation settles the
    port. A name that was invited before gets a new key, and its old one is admitted until
    `older_until_unix_ns`, with None no more; a running endpoint notices within seconds. With `known` the
    caller must be there already. Raises UserMistake.
    """
    if not _CALLER_NAME.fullmatch(name):
        raise UserMistake(
            f"caller name {name!r}: expected letters, digits, dots, dashes or underscores, 64 at most"
        )
    parse_address(address)  # before anything is made
    try:
        _make_directory(directory)
        with _locked(directory):
            return _invited(
                directory, address=address, name=name, known=known, older_until_unix_ns=older_until_unix_ns
            )
    except OSError as error:
        raise _trouble(directory, error) from None


def _invited(
    directory: Path, *, address: str, name: str, known: bool, older_until_unix_ns: int | None
) -> Invitation:
    """`invite` in a directory that is there and locked."""
    _check_directory(directory)
    before = _read_callers(directory) if (directory / _CALLERS).exists() else None
    if known:
        _must_know(before, name)
    host, port = parse_address(address, default_port=before.port if before else DEFAULT_PORT)
    if before and before.port != port:
        raise UserMistake(
            f"address {address!r}: this endpoint has port {before.port} by its earlier invitations; "
            "leave the port out, or invite into another directory"
        )
    pin = _identity_pin(directory)
    if not (directory / limits.FILE).exists():
        write_private(directory / limits.FILE, limits.template())
    key = secrets.token_bytes(KEY_BYTES)
    before = before or Callers(port=port, current={})
    leaving = {other: one for other, one in before.leaving.items() if other != name}
    if older_until_unix_ns is not None and name in before.current:
        leaving[name] = Leaving(digest=before.current[name], until_unix_ns=older_until_unix_ns)
    current = {**before.current, name: hashlib.sha256(key).digest()}
    _write_callers(directory, Callers(port=port, current=current, leaving=leaving))
    return Invitation(host=host, port=port, flow_port=port + 1, key=key, pin=pin)


def revoke(directory: Path, *, name: str) -> None:
    """Admit a caller no more, whichever of its keys it shows. Raises UserMistake.

    A running endpoint notices within seconds and ends what the caller has under way.
    """
    try:
        with _locked(directory):
            before = _read_callers(directory)
            _must_know(before, name)
            current = {other: digest for other, digest in before.current.items() if other != name}
            leaving = {other: one for other, one in before.leaving.items() if other != name}
            _write_callers(directory, Callers(port=before.port, current=current, leaving=leaving))
    except OSError as error:
        raise _trouble(directory, error) from None


def let_go(directory: Path, *, now_unix_ns: int) -> Callers:
    """The callers, without the older keys whose time is over, which are gone for good then: a clock that is
    set back does not admit them again. Raises UserMistake.
    """
    try:
        with _locked(directory):
            found = _read_callers(directory)
            left = {name: one for name, one in found.leaving.items() if now_unix_ns < one.until_unix_ns}
            found = replace(found, leaving=left)
            _write_callers(directory, found)
            return found
    except OSError as error:
        raise _trouble(directory, error) from None


def load(directory: Path) -> Keys:
    """Read what `invite` made. Raises UserMistake when it is missing, unreadable or half there."""
    try:
        if not directory.is_dir():
            raise UserMistake(f"{directory}: there is no such directory; {_cure(directory)}")
        for name in (_CALLERS, _IDENTITY):
            if not (directory / name).exists():
                raise UserMistake(f"{directory}: {name} is missing; {_cure(directory)}")
        version = version_of(directory)
        callers = _read_callers(directory)
    except OSError as error:
        raise _trouble(directory, error) from None
    granted = limits.load(directory / limits.FILE)
    return Keys(directory=directory, callers=callers, limits=granted, version=version)


def callers_of(directory: Path) -> Callers:
    """Only the callers. Raises UserMistake."""
    try:
        return _read_callers(directory)
    except OSError as error:
        raise _trouble(directory, error) from None


def version_of(directory: Path) -> Version:
    """A value that changes whenever the callers or the limits did."""
    return _changed(directory / _CALLERS), _changed(directory / limits.FILE)


def _changed(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
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


@contextlib.contextmanager
def _locked(directory: Path) -> Iterator[None]:
    """Wait until nobody else changes the callers, and let nobody else meanwhile."""
    held = os.open(directory, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(held, fcntl.LOCK_EX)
        yield
    finally:
        os.close(held)


def _make_directory(directory: Path) -> None:
    with contextlib.suppress(FileExistsError):
        directory.mkdir(mode=0o700, parents=True)
    if not directory.is_dir():
        raise UserMistake(f"{directory}: this is a file; expected a directory for the endpoint's keys")


def _check_directory(directory: Path) -> None:
    """Raises UserMistake for a directory of something else."""
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


def _read_callers(directory: Path) -> Callers:
    path = directory / _CALLERS
    try:
        found: Any = json.loads(path.read_text(encoding="utf-8"))
        if found["format"] != _FORMAT:
            raise UserMistake(f"{path}: it was written by a newer Linebook; use that one")
        port = found["port"]
        current = {str(name): bytes.fromhex(digest) for name, digest in found["callers"].items()}
        leaving = {
            str(name): Leaving(digest=bytes.fromhex(one["key"]), until_unix_ns=int(one["until_unix_ns"]))
            for name, one in found.get("older", {}).items()
        }
        digests = [*current.values(), *(one.digest for one in leaving.values())]
        if type(port) is not int or not 1 <= port <= 65534 or any(len(one) != 32 for one in digests):
            raise ValueError("out of range")
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError):
        raise UserMistake(
            f"{path}: it is damaged; restore it from a copy, or invite into another directory"
        ) from None
    return Callers(port=port, current=current, leaving=leaving)


def _write_callers(directory: Path, callers: Callers) -> None:
    found = {
        "format": _FORMAT,
        "port": callers.port,
        "callers": {name: digest.hex() for name, digest in callers.current.items()},
        "older": {
            name: {"key": one.digest.hex(), "until_unix_ns": one.until_unix_ns}
            for name, one in callers.leaving.items()
        },
    }
    write_private(directory / _CALLERS, json.dumps(found, indent=1) + "\n")


def _must_know(callers: Callers | None, name: str) -> None:
    known = sorted(callers.current) if callers else []
    if name not in known:
        raise UserMistake(
            f"--name {name!r}: this endpoint has invited no such caller; it has {', '.join(known) or 'none'}"
        )


def _damaged_identity(directory: Path) -> UserMistake:
    return UserMistake(
        f"{directory / _IDENTITY}: it is damaged; restore it from a copy, or invite into another directory"
    )


def _trouble(directory: Path, error: OSError) -> UserMistake:
    what = error.filename or directory
    none = isinstance(error, FileNotFoundError) and Path(what) in (directory, directory / _CALLERS)
    return UserMistake(
        f"{what}: {error.strerror or error}; {_cure(directory) if none else 'the endpoint needs it'}"
    )


def _cure(directory: Path) -> str:
    return f"`linebook endpoint invite {directory} --address HOST` makes it"
