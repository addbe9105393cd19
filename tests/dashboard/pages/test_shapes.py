"""Runs that show the shape of a limit on the Circuit page: a row each, by the figures of the record."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from dashboard import text_shapes
from store.bursts import Limiter
from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import client_of
from tests.dashboard.reading import read
from tests.store import samples

BURST = samples.burst(invented.NOW_NS - invented.HOUR_NS)
MTU = samples.mtu(invented.NOW_NS - invented.HOUR_NS)
OPEN = replace(
    BURST,
    started_unix_ns=BURST.started_unix_ns + 60 * 10**9,
    limiter=Limiter.UNDECIDED,
    committed_bytes=None,
    bound_bytes=None,
    reasons=("probe_limit",),
)

SIZES = samples.sizes(BURST.started_unix_ns)
STEPS = samples.steps(BURST.started_unix_ns)


def _written(folder: Path) -> Site:
    site = invented.site(folder)
    invented.write(site.database, days=1, train_hours=1)
    writer = Writer.open(site.database, clock=invented.clock())
    for run in (BURST, OPEN, MTU, SIZES, STEPS):
        writer.append(run)
    writer.close()
    return site


@pytest.mark.asyncio
async def test_a_row_for_each_run(tmp_path: Path) -> None:
    """Newest first; what could not be told is a dash, and the ledger counts what was left out."""
    site = await asyncio.to_thread(_written, tmp_path)
    async with client_of(site) as client:
        async with client.get("/circuit/old") as response:
            page = read(await response.text())
        async with client.get("/circuit/old.json") as response:
            told = await response.json()
    newest, oldest = page.table("Burst runs of the last 24 hours")
    assert (oldest["Limiter"], oldest["Committed burst"], oldest["Give or take"]) == (
        "policer",
        "150 kB",
        "1.75 kB",
    )
    assert (oldest["Rate"], oldest["Bursts arrived at"], oldest["Standing"]) == ("20.0", "1500", "valid")
    assert (newest["Limiter"], newest["Committed burst"]) == ("undecided", "–")
    assert "the probe host was at its limit" in [row["Rule"] for row in page.table("Exclusions ledger")]
    assert [(run["limiter"], run["committed_bytes"]) for run in told["bursts"]] == [
        ("policer", 149_500),
        ("undecided", None),
    ]


@pytest.mark.asyncio
async def test_path_mtu(tmp_path: Path) -> None:
    """In words for each IP version, and that the card of this handoff states no size; the same as JSON."""
    site = await asyncio.to_thread(_written, tmp_path)
    async with client_of(site) as client:
        async with client.get("/circuit/old") as response:
            page = read(await response.text())
        async with client.get("/circuit/old.json") as response:
            (told,) = (await response.json())["mtus"]
    (row,) = page.table("Path MTU of the last 24 hours")
    assert "IPv4: up 1492 bytes pass, and a router says so" in row["Found"]
    assert "IPv6: up 1440 bytes pass, and one more is gone without a word" in row["Found"]
    assert row["Against the contract"] == "not tested. The contract card states no mtu."
    assert (told["verdict"], [one["up_bytes"] for one in told["found"]]) == ("not tested", [1492, 1440])


@pytest.mark.asyncio
async def test_size_sweeps_and_steps(tmp_path: Path) -> None:
    """15 Mb/s of layer 2 pass in each size; 166 of 1833 packets of a second are lost at 110 %."""
    site = await asyncio.to_thread(_written, tmp_path)
    async with client_of(site) as client:
        async with client.get("/circuit/old") as response:
            page = read(await response.text())
        async with client.get("/circuit/old.json") as response:
            told = await response.json()
    (sweep,) = page.table("Size sweeps of the last 24 hours")
    assert (sweep["The limit counts"], sweep["Beside each IP packet"]) == ("Ethernet", "18.0")
    assert (sweep["128"], sweep["256"], sweep["1518"]) == ("15.0", "–", "15.0")
    (climb,) = page.table("Step runs of the last 24 hours")
    assert (climb["First loss up"], climb["First loss down"]) == ("110 %", "–")
    assert (climb["Stated"], climb["100 %"], climb["125 %"]) == ("20.0", "0 %", "20.0 %")
    assert [run["counted"] for run in told["sizes"]] == ["Ethernet"]
    assert [one["percent"] for one in told["steps"][0]["steps"]] == [25, 50, 75, 90, 100, 110, 125]


@pytest.mark.asyncio
async def test_without_one_there_is_no_table(site: Site) -> None:
    async with client_of(site) as own, own.get("/circuit/A") as response:
        assert "Burst runs" not in await response.text()


def test_the_text_says_the_answer_first() -> None:
    said = text_shapes.burst_run(BURST).splitlines()
    assert said[1].startswith("A policer limits the line: it drops")
    assert "149500 bytes at the IP layer (151294 at layer 2), give or take 1750" in said[2]
    assert said[-1] == "Standing: valid"
    assert "not known; 151500 bytes passed undisturbed" in text_shapes.burst_run(OPEN)


def test_the_texts_of_sweep_and_steps() -> None:
    sweep = text_shapes.sizes_run(SIZES).splitlines()
    assert sweep[1].startswith("The limit counts Ethernet. Why: each packet costs 18.0 bytes")
    assert sweep[2].startswith("  128 byte frames: 20.0 Mb/s offered")
    climb = text_shapes.steps_run(STEPS).splitlines()
    assert climb[1] == "Up: First loss at 110 %."
    assert climb[-1] == "Standing: valid"
