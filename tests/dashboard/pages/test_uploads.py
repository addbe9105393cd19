"""Uploads: the form, its answer in sentences and tables, what receivers take."""

from __future__ import annotations

import asyncio
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from store.clock import Clock
from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import Client, client_of
from tests.dashboard.reading import read
from tests.store import samples

pytestmark = pytest.mark.asyncio


async def test_the_form_stands_alone_without_a_question(client: Client) -> None:
    """Every field has a label; nothing is said yet."""
    async with client.get("/uploads") as response:
        page = read(await response.text())
    form = page.one("form")
    assert [label.one("input").attributes["name"] for label in form.all("label")] == [
        *("size", "start", "deadline", "to", "at_most")
    ]
    assert not page.all("table")
    assert "No upload is on record" in page.one("main").text


async def test_a_plan(client: Client) -> None:
    """Its first sentence has both units and both times, the JSON beside it the same."""
    words = {"size": "8 GB", "start": "23:00", "deadline": "2026-11-27 09:00"}
    async with client.get("/uploads", params=words) as response:
        page = read(await response.text())
    async with client.get("/uploads.json", params=words) as response:
        plan = (await response.json())["plan"]
    lead = page.one("p", **{"class": "lead"}).text
    assert "8.0 GB (7.5 GiB) by handoff" in lead
    assert plan["uplink"] in lead
    assert plan["done_50"] <= plan["done_90"]
    assert plan["uplinks"][0]["handoff"] == plan["uplink"]
    assert page.one("input", name="size").attributes["value"] == "8 GB"


async def test_receipts_and_ceilings(site: Site, tmp_path: Path) -> None:
    """A receipt on record is there in GB and GiB; one on a line of which nothing is known tells no
    ceiling.
    """

    def written() -> Site:
        shutil.copytree(site.database.parent, tmp_path, dirs_exist_ok=True)
        copied = replace(site, database=tmp_path / site.database.name)
        writer = Writer.open(copied.database, clock=Clock(), timezone=site.timezone)
        began_ns = invented.NOW_NS - 86_400 * 10**9
        writer.append(samples.receipt(began_ns))
        writer.append(replace(samples.receipt(began_ns), to="fast-store", line_goodput_bps=10**9))
        writer.close()
        return copied

    async with client_of(await asyncio.to_thread(written)) as client:
        async with client.get("/uploads") as response:
            page = read(await response.text())
        async with client.get("/uploads.json") as response:
            found = await response.json()
    assert "59.60" in page.one("section", id="receipts").text
    assert {one["to"]: one["ceiling_bps"] for one in found["ceilings"]} == {
        "course-store": None,
        "fast-store": 16_732_026,
    }
