"""Capacity runs on the Circuit page: a row each, by the figures of the record."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import client_of
from tests.dashboard.reading import read
from tests.store import samples

FULL = samples.capacity(invented.NOW_NS - invented.HOUR_NS)
EARLY = replace(FULL, started_unix_ns=FULL.started_unix_ns + 60 * 10**9, reasons=("never_full",))


def _written(folder: Path) -> Site:
    site = invented.site(folder)
    invented.write(site.database, days=1, train_hours=1)
    writer = Writer.open(site.database, clock=invented.clock())
    for run in (FULL, EARLY):
        writer.append(run)
    writer.close()
    return site


@pytest.mark.asyncio
async def test_a_row_for_each_capacity_run(tmp_path: Path) -> None:
    """Newest first, at the layers that its headings name; 1502 packets of 1248 octets are 15.0 Mb/s of IP."""
    site = await asyncio.to_thread(_written, tmp_path)
    async with client_of(site) as client:
        async with client.get("/circuit/old") as response:
            page = read(await response.text())
        async with client.get("/circuit/old.json") as response:
            told = (await response.json())["capacity"]
    newest, oldest = page.table("Capacity runs of the last 24 hours")
    assert (oldest["Direction"], oldest["Capacity"], oldest["Layer 2"]) == ("up", "15.0", "15.2")
    assert (oldest["On the wire"], oldest["Lost in that second"]) == ("15.5", "6.13 %")
    assert (oldest["Searched up to"], oldest["Limited by"], oldest["Standing"]) == ("30.0", "path", "valid")
    assert newest["Standing"].startswith("excluded: the search ended before the line showed")
    rules = [row["Rule"] for row in page.table("Exclusions ledger")]
    assert any(rule.startswith("the search ended before") for rule in rules)
    assert [(run["kind"], run["ip_capacity_bps"]) for run in told] == [("capacity", 14_995_968)] * 2
    assert all("bins" not in run and "steps" not in run for run in told)


@pytest.mark.asyncio
async def test_without_one_there_is_no_table(site: Site) -> None:
    async with client_of(site) as own, own.get("/circuit/A") as response:
        assert "Capacity runs" not in await response.text()
