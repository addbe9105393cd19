"""Who may open the dashboard beyond this machine: names, roles and hashed passwords, in a file of their own.

The file lies beside the database, for its own account alone (mode 0600), and holds no password: only what
argon2id makes of one (RFC 9106, its second recommended setting, which is what the library takes by itself).
Imports store's errors and new_file; knows no request and no session.
"""

from __future__ import annotations

import functools
import hashlib
import hmac
import os
import re
import secrets
import stat
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

import argon2
import msgspec

from store.errors import UserMistake
from store.new_file import write_private

PASSWORD_LENGTH_MIN = 12  # beside the growing waits; NIST SP 800-63B asks for 8 at least (from memory)
PASSWORD_BYTES_MAX = 1024  # more would only be work for the hash
_SCHEMA = 1
NAME_LENGTH_MAX = 40
_NAME = re.compile(rf"[A-Za-z0-9][A-Za-z0-9._-]{{0,{NAME_LENGTH_MAX - 1}}}")
_HASHER = argon2.PasswordHasher()


class Role(StrEnum):
    """What somebody may do: read pages and papers, or operate as well, which is everything that changes.

    A program may collect /metrics by a token and see nothing else; it has no password and no session.
    """

    READ = "read"
    OPERATE = "operate"
    PROGRAM = "program"


@dataclass(frozen=True, slots=True, kw_only=True)
class Login:
    """One who may log in; `hash` is argon2's own encoded form, of a program's token ``sha256:`` and hex."""

    name: str
    role: Role
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    kind: str
    schema: int
    logins: tuple[Login, ...]


def path_of(database: Path) -> Path:
    """Where the logins to the dashboard of this database lie."""
    return database.with_name(f"{database.name}.logins")


def load(path: Path) -> tuple[Login, ...]:
    """All logins by name; none when there is no file. Blocks.

    Raises UserMistake for a file that others may read, or that is none of ours.
    """
    try:
        with path.open("rb") as file:
            if stat.S_IMODE(os.fstat(file.fileno()).st_mode) & 0o077:
                raise UserMistake(f"{path}: other accounts may open it; say chmod 600 {path}")
            found = msgspec.json.decode(file.read(), type=_File)
    except FileNotFoundError:
        return ()
    except OSError as trouble:
        raise UserMistake(f"{path}: cannot be read: {trouble.strerror}") from None
    except (msgspec.DecodeError, UnicodeDecodeError) as wrong:
        raise UserMistake(f"{path}: holds no logins ({wrong}); move it away and make them again") from None
    if (found.kind, found.schema) != ("logins", _SCHEMA):
        raise UserMistake(f"{path}: was written by another version; move it away and make the logins again")
    return found.logins


def save(path: Path, logins: Sequence[Login]) -> None:
    """Put `logins` in the place of all that were there, whole or not at all. Blocks."""
    made: dict[str, Any] = {
        "kind": "logins",
        "schema": _SCHEMA,
        "logins": [
            {"name": one.name, "role": str(one.role), "hash": one.hash}
            for one in sorted(logins, key=lambda one: one.name)
        ],
    }
    try:
        write_private(path, msgspec.json.format(msgspec.json.encode(made)).decode() + "\n")
    except OSError as trouble:
        raise UserMistake(f"{path}: cannot be written: {trouble.strerror}") from None


def made(name: str, password: str, *, role: Role) -> Login:
    """A login with its password hashed, which takes some tenths of a second. Raises UserMistake."""
    _check_name(name)
    plain = _plain(password)
    if len(password) < PASSWORD_LENGTH_MIN:
        raise UserMistake(f"the password is too short: take {PASSWORD_LENGTH_MIN} characters or more")
    if len(plain) > PASSWORD_BYTES_MAX:
        raise UserMistake(f"the password is too long: take {PASSWORD_BYTES_MAX} bytes at most")
    if password.casefold() == name.casefold() or len(set(password)) < 4:
        raise UserMistake("the password is the name, or hardly more than one letter; take another")
    return Login(name=name, role=role, hash=_HASHER.hash(plain))


def for_program(name: str) -> tuple[Login, str]:
    """A program's login, and its token, which is nowhere else. Raises UserMistake for the name.

    256 random bits cannot be guessed, so a plain hash of them keeps them.
    """
    _check_name(name)
    token = secrets.token_urlsafe(32)
    return Login(name=name, role=Role.PROGRAM, hash=_token_hash(token)), token


def program_of(logins: Sequence[Login], token: str) -> Login | None:
    """The program whose token this is, or None; how long that takes tells nothing of a token."""
    hashed = _token_hash(token)
    return next(
        (one for one in logins if one.role is Role.PROGRAM and hmac.compare_digest(one.hash, hashed)), None
    )


def _token_hash(token: str) -> str:
    return f"sha256:{hashlib.sha256(token.encode('utf-8', 'surrogatepass')).hexdigest()}"


def matching(logins: Sequence[Login], name: str, password: str) -> Login | None:
    """The login of this name and password, or None; a name that is not there takes as long. Blocks."""
    login = next((one for one in logins if one.name == name and one.role is not Role.PROGRAM), None)
    plain = _plain(password)
    if len(plain) > PASSWORD_BYTES_MAX:
        return None
    try:
        _HASHER.verify(login.hash if login is not None else _nobody(), plain)
    except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
        return None
    return login


def _check_name(name: str) -> None:
    if not _NAME.fullmatch(name):
        raise UserMistake(
            f"NAME: {name!r} cannot be one; take 1 to 40 letters, digits, dots, dashes or underscores, "
            "a letter or digit first"
        )


def _plain(password: str) -> bytes:
    """The password's bytes, the same from every keyboard: composed or not is the same letter."""
    return unicodedata.normalize("NFKC", password).encode("utf-8", "surrogatepass")


@functools.cache
def _nobody() -> str:
    """The hash of something that nobody can say, made once."""
    return _HASHER.hash(os.urandom(32))
