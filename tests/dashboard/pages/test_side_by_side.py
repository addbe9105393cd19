"""The Side-by-side page and its JSON say the same of two lines; what is asked wrongly is told."""

from __future__ import annotations

import pytest

from tests.dashboard.conftest import Client
from tests.dashboard.reading import read


@pytest.mark.asyncio
async def test_page_and_json_agree(client: Client) -> None:
    async with client.get("/side-by-side?days=7") as response:
        assert response.status == 200
        page = read(await response.text())
    async with client.get("/side-by-side.json?days=7") as response:
        told = await response.json()
    assert (told["kind"], told["old"], told["new"], told["invented"]) == ("side by side", "old", "A", True)
    rows = page.table("Payload of rate runs, medians")
    assert [row["Hour"] for row in rows] == [f"{hour:02d}:00" for hour in range(24)]
    for row, one in zip(rows, told["hours"], strict=True):
        bps = one["new"]["up_bps"]
        [shown] = [text for heading, text in row.items() if heading.startswith("A up")]
        assert shown == ("–" if bps is None else f"{bps / 1e6:.1f}")
    assert "Both were paid from 2026-06-22" in page.one("main").text


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/side-by-side?old=A&new=old", 200),
        ("/side-by-side?old=A&new=A", 400),
        ("/side-by-side?old=C", 400),
        ("/side-by-side?days=8", 400),
        ("/side-by-side.json?period=day", 400),
    ],
)
@pytest.mark.asyncio
async def test_what_is_asked(client: Client, path: str, status: int) -> None:
    async with client.get(path) as response:
        assert response.status == status
