"""Watches a port inside a namespace, and writes each event as a line of JSON; a child of test_port_truth."""

from __future__ import annotations

import asyncio
import json
import logging
import sys
from datetime import UTC
from pathlib import Path

from probe import ports
from probe.allowance import Purse
from probe.book import Book
from probe.ports import Links
from probe.reach import Binding, Reach
from probe.wire.invitation import Invitation
from store.clock import Clock
from store.documents import plain
from store.events import Event
from store.records import Record
from store.writer import Writer


class _Told(Writer):
    """The real writer, which says on standard output what it is given."""

    def append(self, record: Record, *, ends: int | None = None) -> None:
        super().append(record, ends=ends)
        assert isinstance(record, Event)
        said = {**plain(record), "started_unix_ns": record.started_unix_ns}
        sys.stdout.write(f"{json.dumps(said)}\n")
        sys.stdout.flush()


async def _main(interface: str, database: Path) -> None:
    clock = Clock()
    writer = await asyncio.to_thread(_Told.open, database, clock=clock)
    book = Book(
        store=writer,
        purse=Purse(where=UTC, month_ns=0),
        clock=clock,
        log=logging.getLogger("probe"),
    )
    invitation = Invitation(host="192.0.2.2", port=1, flow_port=2, key=bytes(32), pin=bytes(32))
    where = Reach(handoff="A", endpoint="north", invitation=invitation, binding=Binding(interface=interface))

    async def nobody(where: Reach) -> str | None:
        return None

    links = Links(nobody)
    sys.stdout.write(f"{json.dumps({'carrier': (await links.look(where)).carrier})}\n")
    sys.stdout.flush()
    await ports.watch([where], look=links.look, book=book, ports={})


if __name__ == "__main__":
    asyncio.run(_main(sys.argv[1], Path(sys.argv[2])))
