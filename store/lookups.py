"""How long names took: what a resolver said to queries of the probe's own, some in an hour.

Each query goes from the probe straight to one resolver over UDP (RFC 1035), past whatever this host keeps in
memory. The resolver itself may still answer out of its memory: then the TTL that it gives has begun to run
down (RFC 1035 section 3.2.1), so the highest TTL that a name was ever given tells those that were fetched.
Imports records.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store.records import Document, Owner, Says

WAITED_S = 5.0  # for an answer; what a resolver library waits before it asks again (resolv.conf(5), timeout)
LOCAL = "local_resolver"  # the reason of a record


class Heard(StrEnum):
    """What became of a query. `FAILED` is an answer that says it could not, or would not."""

    ANSWERED = "answered"
    NO_SUCH_NAME = "no such name"
    FAILED = "failed"
    SILENT = "no answer"
    UNSENT = "not sent"


@dataclass(frozen=True, slots=True, kw_only=True)
class NameAsked:
    """One query for the IPv4 addresses of a name, `at_ms` after the record's start.

    `took_us` is from the query's sending to its answer, by this program's clock; None where none came within
    `WAITED_S`. `ttl_s` is the lowest TTL among the answer's records, None for an answer without any. `why`
    is the answer's code where it failed, or what kept the query here.
    """

    name: str
    at_ms: int
    told: Heard
    took_us: int | None = None
    ttl_s: int | None = None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lookups(Document):
    """Queries from `started_unix_ns` on, an hour of them at most."""

    kind: ClassVar[str] = "lookups"
    meaning: ClassVar[str] = "How long a resolver took to answer for names, asked by the probe itself."
    resolver: Annotated[
        str, Says(meaning="the resolver's address, with its port where that is not 53; empty where none was")
    ]
    asked: Annotated[tuple[NameAsked, ...], Says(meaning="the queries, in their order")]
    run_by: Annotated[Owner | None, Says(meaning="who runs the resolver, by the site file")] = None
    missed: Annotated[str | None, Says(meaning="why nothing was asked")] = None
