"""Connections that have shown no key or token yet: how many there may be, and whose goes beyond that.

Whoever opens connections by the thousand and says nothing takes his own places only: what goes is the oldest
connection of the network that has most, so that a caller from elsewhere still gets in. Pure: ending a
connection is the business of whoever brought it.
"""

from __future__ import annotations

import errno
import ipaddress
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

FULL = {errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM}  # what accepting says where one must go


@dataclass(slots=True, kw_only=True, eq=False)
class Stranger:
    """A connection without a key or token so far. `end` cuts it; `network` is where it comes from."""

    network: str
    end: Callable[[], object]


class Crowd:
    """All strangers, oldest first."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._all: dict[Stranger, None] = {}
        self._of: Counter[str] = Counter()

    def __len__(self) -> int:
        return len(self._all)

    def come(self, stranger: Stranger) -> None:
        """Let one in; where that is one too many, end another."""
        self._all[stranger] = None
        self._of[stranger.network] += 1
        if len(self._all) > self._most:
            self.end_one()

    def end_one(self) -> None:
        """End the oldest of the network that has most, if there is any."""
        if not self._all:
            return
        most = max(self._of.values())
        oldest = next(one for one in self._all if self._of[one.network] == most)
        self.go(oldest)
        oldest.end()

    def go(self, stranger: Stranger) -> None:
        """Count one no more: it has shown a key, or is gone."""
        if stranger in self._all:
            del self._all[stranger]
            self._of[stranger.network] -= 1
            if not self._of[stranger.network]:
                del self._of[stranger.network]


def network_of(address: str) -> str:
    """An IPv4 address, or the /64 of an IPv6 one: what one subscriber has at least (RFC 6177 section 2)."""
    found = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)
