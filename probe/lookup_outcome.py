"""What was asked of a resolver as a record. Pure; imports store and the judge of addresses."""

from __future__ import annotations

from collections.abc import Sequence

from probe.linux import resolver as resolvers
from store.lookups import LOCAL, Lookups, NameAsked
from store.records import Owner

PORT = 53  # RFC 1035 section 4.2.1


def record(
    address: str,
    asked: Sequence[NameAsked],
    *,
    started_ns: int,
    handoff: str = "",
    run_by: Owner | None = None,
    port: int = PORT,
) -> Lookups:
    """The record of queries to one resolver; one that runs on this host speaks of nobody else."""
    reasons = (LOCAL,) if resolvers.is_here(address) else ()
    return Lookups(
        handoff=handoff,
        started_unix_ns=started_ns,
        resolver=address if port == PORT else f"{address} port {port}",
        asked=tuple(asked),
        run_by=run_by,
        reasons=reasons,
    )
