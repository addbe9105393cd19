"""Path MTU, found by probing: the largest packet that a way carries whole, by IP version. Imports records."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store import fields
from store.records import Document, Says

LASTS_S = 120  # what a search may take: two IP versions, each some ten sizes of which half fail
FORESEEN_BYTES = 500_000  # what it sends at most each way: 2 versions x 10 sizes x 3 packets of 8972
IPV6_LEAST_BYTES = 1280  # every way must carry these: RFC 8200 section 5


class Beyond(StrEnum):
    """What becomes of a packet that is one octet too long."""

    INTERFACE = "interface"  # this host's own interface takes none of that size, so none was sent
    ICMP = "icmp"  # a router says so, as RFC 1191 and RFC 8201 want it
    SILENT = "silent"  # it is gone without a word: a black hole, RFC 2923
    ENDPOINT = "endpoint"  # the endpoint reflects none of that size, so none was sent


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyMtu:
    """One IP version. Sizes are whole IP packets; None where nothing of the way could be told, see `why`.

    `up_bytes` and `down_bytes` were carried whole, one octet more was not. With `down_at_least` the way down
    may carry more: a reply is as long as the packet that asked for it. `beyond` is of the way up.
    """

    ip_version: int
    interface_bytes: int | None = None
    up_bytes: int | None = None
    down_bytes: int | None = None
    down_at_least: bool = False
    beyond: Beyond | None = None
    told_by: str | None = None  # the router that said so
    told_bytes: int | None = None  # and what it said that would fit
    probes: int = 0  # packets of the sizes tried
    why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PathMtu(Document):
    """The path MTU of a way in the IP versions that its endpoint has."""

    kind: ClassVar[str] = "mtu"
    meaning: ClassVar[str] = "The largest packets that a way carries whole, found by probing (RFC 8899)."
    seconds: Annotated[float, Says(meaning="how long it took", unit="s")]
    found: Annotated[tuple[FamilyMtu, ...], Says(meaning="each IP version: sizes in bytes of the IP packet")]
    spent_bytes: Annotated[
        int, Says(meaning="what it moved, for the test allowance", unit="bytes", layer="UDP payload")
    ]
    circumstances: fields.Around
