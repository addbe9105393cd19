"""The practice site's record of some days, handed to the judges without a database."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from pathlib import Path

from dashboard import found
from dashboard.judge import findings
from dashboard.judge.finding import Finding
from dashboard.judge.material import Mark, Material, cells_of
from probe.practice.history import place
from probe.practice.history.records import SEED, bounds_ns, records
from probe.practice.history.script import USUAL, Script
from store import rows, schema
from store import site as sites
from store.clock import zone
from store.histogram import Histogram
from store.light import Light
from store.records import (
    Document,
    Failed,
    Gap,
    RateRun,
    Record,
    Skipped,
    Stall,
    TrainSpan,
    WindowClosed,
    WindowOpened,
)
from store.site import Site, Where


def site_of(folder: Path) -> Site:
    """The practice site's own site file, read as anybody's."""
    file = folder / "site.toml"
    file.write_text(place.site_text(database="linebook.db", secrets="secrets.toml"))
    secrets = folder / "secrets.toml"
    secrets.write_text(place.secrets_text())
    secrets.chmod(0o600)
    return sites.load(file)


@dataclass(frozen=True)
class Days:
    """Some days of one handoff."""

    site: Site
    handoff: str
    first: date
    last: date
    held: tuple[Record, ...]

    @property
    def time(self) -> tuple[int, int]:
        return bounds_ns(self.first, self.last)

    def material(self, marks: Sequence[Mark] = (), *, first_light: Sequence[Light] = ()) -> Material:
        """The same that `dashboard.found` reads from a database."""
        ends = {one.name: one.where for one in self.site.endpoints}
        own = [one for one in self.held if getattr(one, "handoff", "") in (self.handoff, "")]
        runs = [one for one in self.held if isinstance(one, RateRun)]
        handoff = self.site.handoff(self.handoff)
        since_ns, until_ns = self.time
        return Material(
            handoff=handoff,
            zone=zone(self.site.timezone),
            since_ns=since_ns,
            until_ns=until_ns,
            outside=tuple(name for name, where in ends.items() if where is Where.OUTSIDE),
            house=tuple(name for name, where in ends.items() if where is Where.HOUSE),
            reflectors=found.reflectors(self.site, handoff),
            busy=self.site.busy,
            runs=tuple(one for one in runs if one.handoff == self.handoff),
            others=tuple(one for one in runs if one.handoff != self.handoff),
            cells=tuple(cells_of(one for one in own if isinstance(one, TrainSpan))),
            stalls=tuple(one for one in own if isinstance(one, Stall)),
            troubles=tuple(one for one in own if isinstance(one, Failed | Skipped | Gap)),
            documents=tuple(one for one in own if isinstance(one, Document)),
            windows=tuple(one for one in own if isinstance(one, WindowOpened | WindowClosed)),
            marks=tuple(marks),
            first_light=tuple(first_light),
        )

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        return findings.find(self.material())

    def of(self, number: int) -> list[Finding]:
        return [one for one in self.findings if one.number == number]


def days(
    site: Site,
    handoff: str,
    first: date,
    last: date,
    *,
    script: Script = USUAL,
    seed: int = SEED,
    held: Iterable[Record] | None = None,
) -> Days:
    """The days of one handoff, drawn from the script unless they are at hand."""
    drawn = records(first, last, script=script, seed=seed) if held is None else held
    return Days(site, handoff, first, last, tuple(drawn))


def store_straight(path: Path, held: Iterable[Record]) -> None:
    """Records into a database by the short way: no seal, no sums, and no histograms of spans.

    For what is read of a database and could not be handed over otherwise; a month through the writer takes
    half a minute, and its sums and seals have tests of their own.
    """
    with closing(sqlite3.connect(path)) as connection:
        schema.prepare(connection, path)
        for seq, record in enumerate(held, 1):
            bare = (
                replace(record, rtt=_EMPTY, pdv_up=_EMPTY, pdv_down=_EMPTY)
                if isinstance(record, TrainSpan)
                else record
            )
            for sql, values in rows.insertions(rows.row_of(bare), seq=seq, link=b"\0\0\0\0"):
                connection.execute(sql, values)
        connection.commit()


_EMPTY = Histogram()
