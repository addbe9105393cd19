"""Paced runs on the Circuit page: a row each, by the figures of the record."""

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

LOSSY = samples.paced(invented.NOW_NS - invented.HOUR_NS)
VOID = replace(LOSSY, started_unix_ns=LOSSY.started_unix_ns + 60 * 10**9, reasons=("probe_limit",))


def _written(folder: Path) -> Site:
    site = invented.site(folder)
    invented.write(site.database, days=1, train_hours=1)
    writer = Writer.open(site.database, clock=invented.clock())
    for run in (LOSSY, VOID):
        writer.append(run)
    writer.close()
    return site


@pytest.mark.asyncio
async def test_a_row_for_each_paced_run(tmp_path: Path) -> None:
    """Newest first, at the layers that its headings name; 1250 of 1666 packets of a second arrived."""
    site = await asyncio.to_thread(_written, tmp_path)
    async with client_of(site) as client:
        async with client.get("/circuit/old") as response:
            page = read(await response.text())
        async with client.get("/circuit/old.json") as response:
            told = (await response.json())["paced"]
    newest, oldest = page.table("Paced runs of the last 24 hours")
    assert (oldest["Direction"], oldest["Offered"], oldest["Arrived"]) == ("up", "20.0", "15.0")
    assert (oldest["Lost"], oldest["Reordered"], oldest["Duplicated"]) == ("25.0 %", "3", "0")
    assert (oldest["Limited by"], oldest["Standing"]) == ("path", "valid")
    assert newest["Standing"] == "void: the probe host was at its limit"
    ledger = page.table("Exclusions ledger")
    assert "the probe host was at its limit" in [row["Rule"] for row in ledger]
    assert [(run["kind"], run["ip_bps"], "bins" in run) for run in told] == [("paced", 15_000_000, False)] * 2


@pytest.mark.asyncio
async def test_without_one_there_is_no_table(site: Site) -> None:
    async with client_of(site) as own, own.get("/circuit/A") as response:
        assert "Paced runs" not in await response.text()
