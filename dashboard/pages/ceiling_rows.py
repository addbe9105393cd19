"""Ceilings as the Circuit page shows them: what each machine carries, and whether that is enough."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any

from dashboard.judge.ceilings import Room
from dashboard.pages.ledger import Heading, Table, cells, number
from dashboard.pages.wording import DASH, mbps, moment, stated_mbps
from store.ceilings import CeilingOf
from store.clock import rfc3339


def table(rooms: Sequence[Room], *, where: tzinfo, factor: float) -> Table | None:
    """A row for each machine and number of flows; None where no rate run is planned."""
    if not rooms:
        return None
    rows = (
        cells(
            "this host" if room.of is CeilingOf.HOST else f"endpoint {room.endpoint}",
            str(room.flows),
            DASH if room.ceiling is None else mbps(room.ceiling.carries_bps),
            DASH if room.wanted_bps is None else stated_mbps(room.wanted_bps),
            DASH if room.ceiling is None else moment(room.ceiling.started_unix_ns, where),
            str(room.word),
        )
        for room in rooms
    )
    return Table(
        caption="Ceilings: the most that this host and the endpoints carry",
        headings=(
            Heading(text="Whose"),
            number("Flows"),
            number("Carries", "Mb/s, payload"),
            number("Wanted", f"Mb/s, {factor:g} × the stated rate"),
            Heading(text="Measured"),
            Heading(text="Enough?"),
        ),
        rows=tuple(rows),
        note="Each machine is measured against itself, before a series of rate runs and every 30 days, so "
        f"this says nothing of an endpoint's own line. A rate run is void where {factor:g} times its rate is "
        "more than either ceiling.",
    )


def as_json(room: Room) -> dict[str, Any]:
    """The row for programs: rates in bit/s of payload, null where nothing is known."""
    ceiling = room.ceiling
    return {
        "of": str(room.of),
        "endpoint": room.endpoint,
        "flows": room.flows,
        "carries_bps": None if ceiling is None else ceiling.carries_bps,
        "goodput_bps": None if ceiling is None else ceiling.goodput_bps,
        "port_rate_bps": None if ceiling is None else ceiling.port_rate_bps,
        "wanted_bps": room.wanted_bps,
        "measured": None if ceiling is None else rfc3339(ceiling.started_unix_ns),
        "enough": str(room.word),
    }
