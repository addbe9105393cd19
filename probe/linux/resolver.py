"""Which resolver this host is told to ask: the first of resolv.conf(5).

Where that is the host's own forwarder of systemd-resolved, at 127.0.0.53 (systemd-resolved.service(8)), it is
the first of those that the forwarder asks, which stand in a file of the same form: what is in the forwarder's
memory says nothing of anybody behind it. Reads small files.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from pathlib import Path

FILES = Path("/etc/resolv.conf"), Path("/run/systemd/resolve/resolv.conf")


def of_host(files: Sequence[Path] = FILES) -> str | None:
    """The address of the resolver, with a zone where it has one; None where no file names any."""
    found = [address for each in files for address in _addresses(each)[:1]]
    outside = [each for each in found if not is_here(each)]
    return next(iter(outside or found), None)


def is_here(address: str) -> bool:
    """Whether a resolver at this address runs on this host."""
    return ipaddress.ip_address(address.partition("%")[0]).is_loopback


def _addresses(file: Path) -> list[str]:
    try:
        lines = file.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
    words = (line.split() for line in lines)
    return [each[1] for each in words if len(each) > 1 and each[0] == "nameserver" and is_address(each[1])]


def is_address(text: str) -> bool:
    """Whether this is an IP address and no name."""
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True
