"""Soaks on the Circuit page: the bound in a sentence, the gaps, and the same for programs."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from scipy import stats

from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import client_of
from tests.dashboard.reading import read
from tests.store import samples

DAY_NS = 24 * invented.HOUR_NS
WHOLE = replace(
    samples.soak(invented.NOW_NS - DAY_NS - 2 * invented.HOUR_NS),  # begun before the day that is shown
    seconds=86_400.0,
    watched_s=86_400.0,
    counted_s=86_400.0,
    sent=4_320_000,
    received=4_319_997,
    lost_up=0,
    lost_down=3,
    stalls=(),
    gaps=(),
    left_out=(),
    reasons=(),
)
HALF = samples.soak(invented.NOW_NS - invented.HOUR_NS)


def _written(folder: Path) -> Site:
    site = invented.site(folder)
    invented.write(site.database, days=1, train_hours=1)
    writer = Writer.open(site.database, clock=invented.clock())
    writer.append(WHOLE)
    writer.append(HALF)
    writer.append(samples.soak(invented.NOW_NS - 2 * DAY_NS))  # over before the day that is shown
    writer.close()
    return site


@pytest.mark.asyncio
async def test_a_row_for_each_soak(tmp_path: Path) -> None:
    """The bounds are scipy.stats.beta's; a soak that reaches into the period is in it."""
    site = await asyncio.to_thread(_written, tmp_path)
    async with client_of(site) as client:
        async with client.get("/circuit/old") as response:
            rows = read(await response.text()).table("Soaks that reach into the last 24 hours, newest first")
        async with client.get("/circuit/old.json") as response:
            told = (await response.json())["soaks"]
    half, whole = rows
    assert whole["Loss"] == (
        "4\u202f320\u202f000 packets in 24 h, none lost up: less than 0.00007 % at 95 %; 3 lost down: "
        "less than 0.00018 % at 95 %."
    )
    assert (whole["Watched"], whole["Standing"]) == ("100 % of 1 d", "valid")
    assert half["Watched"].startswith(
        "50 % of 2 min. 1 gap, 1 min: the probe was not running. 1 min left out"
    )
    assert half["Standing"].startswith("excluded: less than 95 %")
    assert [one["kind"] for one in told] == ["soak", "soak"]
    assert told[0]["loss_up_below_ratio"] == pytest.approx(stats.beta.ppf(0.95, 1, 4_320_000))
    assert told[0]["loss_down_below_ratio"] == pytest.approx(stats.beta.ppf(0.95, 4, 4_319_997))
    assert told[0]["rtt_us"]["count"] == 3


@pytest.mark.asyncio
async def test_without_one_there_is_no_table(site: Site) -> None:
    async with client_of(site) as own, own.get("/circuit/A") as response:
        assert "Soaks" not in await response.text()
