"""What was judged, on disk, so that a dashboard that was started anew has it within seconds.

A cache and no more: whatever is lost, broken, of somebody else or cannot be written is judged anew, with a
line in the log. A file is found again by what was asked, the site, its time zone's rules and the code that
judged; its stamp says of which state of the record it is. Each is written whole or not at all, for its owner
alone, and believed only with its digest. Reads and writes files, so it belongs in a thread. Imports values.
"""

from __future__ import annotations

import hashlib
import importlib.resources
import logging
import os
import stat
import sys
import zoneinfo
from collections.abc import Mapping
from contextlib import suppress
from functools import cache, cached_property
from importlib.metadata import version
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import msgspec

from dashboard import values
from dashboard.values import Foreign
from store.site import Site

log = logging.getLogger(__name__)

_MAGIC = b"Linebook, judged 1\n"
_END, _PART = ".judged", ".part"
_MOST_BYTES = 64 << 20  # of all files together; a month has 1 kB, a page's findings 30
_MOST_FILES = 4000
_LONGEST_BYTES = 16 << 20  # of one
_PACKAGES = Path(__file__).parents[1]
_LIBRARIES = ("numpy", "scipy")  # whose figures judges use


class OnDisk:
    """The files of one site in a folder that other sites may use as well."""

    def __init__(self, folder: Path, site: Site) -> None:
        self._folder, self._site = folder, site
        self._writes = True

    def of(self, site: Site) -> OnDisk:
        """The same folder for another site."""
        return OnDisk(self._folder, site)

    def get(self, what: str, *, stamp: str) -> Any:
        """What was put there under that stamp; None where there is nothing that can be believed."""
        name = self._name(what)
        try:
            octets = _read(self._folder / name)
            return None if octets is None else self._believed(name, octets, stamp)
        except (OSError, Foreign) as error:
            log.warning("judged anew file=%s why=%s", self._folder / name, error)
            return None

    def put(self, what: str, value: Any, *, stamp: str) -> None:
        """Keep it, in the place of what was kept under another stamp."""
        if not self._writes:
            return
        try:
            name, body = self._name(what), values.dumps((stamp, value), of=self._site)
            if len(body) > _LONGEST_BYTES:
                return
            _write(self._folder / name, _MAGIC + _digest(name, body) + body)
            _make_room(self._folder)
        except (OSError, Foreign) as error:
            self._writes = False
            log.warning("what was judged is not kept folder=%s why=%s", self._folder, error)

    def _believed(self, name: str, octets: bytes, stamp: str) -> Any:
        head = len(_MAGIC) + hashlib.sha256().digest_size
        body = octets[head:]
        if octets[:head] != _MAGIC + _digest(name, body):
            raise Foreign("it is broken, or another's")
        match values.loads(body, of=self._site):
            case (str(found), value):
                return value if found == stamp else None
        raise Foreign("it holds something else")

    def _name(self, what: str) -> str:
        return hashlib.sha256(f"{self._scope}\n{what}".encode()).hexdigest() + _END

    @cached_property
    def _scope(self) -> str:
        """All that an answer depends on beside the record."""
        site = msgspec.json.encode(self._site, order="deterministic", enc_hook=str)
        parts = (code().encode(), site, _zone_rules(self._site.timezone))
        return hashlib.sha256(b"".join(hashlib.sha256(part).digest() for part in parts)).hexdigest()


def folder_of(environment: Mapping[str, str]) -> Path | None:
    """Where the service manager or the XDG base directories want such files; None where nobody has a home."""
    given, _, _ = environment.get("CACHE_DIRECTORY", "").partition(":")
    if given:
        return Path(given) / "judged"
    base = Path(environment.get("XDG_CACHE_HOME", ""))
    if not base.is_absolute():  # the specification has such ones ignored
        try:
            base = Path.home() / ".cache"
        except RuntimeError:
            return None
    return base / "linebook" / "judged"


@cache
def code() -> str:
    """A digest of what judges: all of this program that a verdict may come from, and what it counts with."""
    made = hashlib.sha256(repr((sys.version_info[:3], [version(name) for name in _LIBRARIES])).encode())
    for package in ("dashboard", "store"):
        for file in sorted((_PACKAGES / package).rglob("*.py")):
            made.update(hashlib.sha256(file.read_bytes()).digest())
    return made.hexdigest()


def _zone_rules(name: str) -> bytes:
    """The zone's file, which a new release of the time zone database changes; its name where it has none."""
    for folder in zoneinfo.TZPATH:
        with suppress(OSError):
            return (Path(folder) / name).read_bytes()
    with suppress(OSError, ModuleNotFoundError):
        return importlib.resources.files("tzdata").joinpath("zoneinfo", *name.split("/")).read_bytes()
    return name.encode()


def _digest(name: str, body: bytes) -> bytes:
    return hashlib.sha256(name.encode() + body).digest()


def _read(file: Path) -> bytes | None:
    """The octets of a file of our own; None without one. Raises Foreign for one that others may write."""
    try:
        opened = os.open(file, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    with os.fdopen(opened, "rb") as found:
        about = os.fstat(found.fileno())
        if not stat.S_ISREG(about.st_mode) or about.st_uid != os.geteuid() or about.st_mode & 0o077:
            raise Foreign("it is no file of this account alone")
        octets = found.read(_LONGEST_BYTES + 1024)
        os.utime(found.fileno())  # what is used stays longest
        return octets


def _write(file: Path, octets: bytes) -> None:
    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with NamedTemporaryFile(dir=file.parent, suffix=_PART, delete=False) as part:  # its mode is 0600
        try:
            part.write(octets)
            part.flush()
            os.replace(part.name, file)
        except BaseException:
            os.unlink(part.name)
            raise


def _make_room(folder: Path) -> None:
    """Let go of what was not used for longest."""
    found = []
    for one in os.scandir(folder):
        if one.name.endswith((_END, _PART)):
            with suppress(FileNotFoundError):  # another process lets go as well
                about = one.stat(follow_symlinks=False)
                found.append((about.st_mtime_ns, about.st_size, one.path))
    left, octets = len(found), sum(size for _, size, _ in found)
    for _, size, path in sorted(found):
        if left <= _MOST_FILES and octets <= _MOST_BYTES:
            return
        Path(path).unlink(missing_ok=True)
        left, octets = left - 1, octets - size
