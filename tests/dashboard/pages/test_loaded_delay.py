"""Loaded-delay runs on the Circuit page: idle and loaded apart (RFC 9318 4.2.1), the draft's revision."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import client_of
from tests.dashboard.reading import read
from tests.store import samples

RUN = samples.loaded_delay(invented.NOW_NS - invented.HOUR_NS)


def _written(folder: Path) -> Site:
    site = invented.site(folder)
    invented.write(site.database, days=1, train_hours=1)
    writer = Writer.open(site.database, clock=invented.clock())
    writer.append(RUN)
    writer.close()
    return site


@pytest.mark.asyncio
async def test_a_row_for_each_load(tmp_path: Path) -> None:
    site = await asyncio.to_thread(_written, tmp_path)
    async with client_of(site) as client:
        async with client.get("/circuit/old") as response:
            text = await response.text()
        async with client.get("/circuit/old.json") as response:
            (told,) = (await response.json())["loaded_delays"]
    (row,) = read(text).table("Loaded-delay runs of the last 24 hours")
    assert (row["Load"], row["Payload"], row["Gone after"]) == ("up", "17.2", "118")
    assert (row["RTT idle"], row["RTT under load"]) == ("20.0 / 20.0", "120 / 124")
    assert (row["Added up"], row["Added down"]) == ("100 / 104", "0.00 / 0.01")
    assert row["Buffer delay"] == "490"
    assert (row["Round trips idle"], row["Round trips under load"]) == ("2\u202f857", "480")
    assert "draft-ietf-ippm-responsiveness-09" in text
    assert "its combined figure is not given" in text
    assert "draft-ietf-ippm-responsiveness-09" in told["responsiveness"]
    (load,) = told["loads"]
    assert load["added_up"] == {"p50_us": 99_990, "p95_us": 103_980}
    assert load["delay"]["rtt_us"]["p50"] == pytest.approx(120_000, rel=1 / 64)
    assert told["idle"]["foreign"]["foreign_rpm"] == 2857.1


@pytest.mark.asyncio
async def test_without_one_there_is_no_table(site: Site) -> None:
    async with client_of(site) as own, own.get("/circuit/A") as response:
        assert "Loaded-delay runs" not in await response.text()
