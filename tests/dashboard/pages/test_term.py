"""The Term page and its JSON say the same of one record; what is asked wrongly is told."""

from __future__ import annotations

import pytest

from tests.dashboard.conftest import Client
from tests.dashboard.reading import read


@pytest.mark.asyncio
async def test_page_and_json_agree(client: Client) -> None:
    async with client.get("/term/A") as response:
        assert response.status == 200
        page = read(await response.text())
    async with client.get("/term/A.json") as response:
        told = await response.json()
    assert (told["kind"], told["invented"]) == ("term", True)
    assert {"schema", "started", "standing", "reasons"} <= set(told)
    statement = told["statement"]
    assert [one["rule"] for one in statement["availability"]] == [
        *("severe seconds", "sliding window", "interval loss", "ticket", "signal loss", "rate")
    ]
    rows = page.table("The same record by each of the six rules")
    assert [row["Rule"] for row in rows] == [one["rule"] for one in statement["availability"]]
    months = [one["month"] for one in told["months"]]
    assert months[-1] == "2026-11"
    assert months == sorted(months)


@pytest.mark.asyncio
async def test_a_card_without_a_rule_has_no_figure_of_its_own(client: Client) -> None:
    async with client.get("/term/old") as response:
        text = read(await response.text()).one("main").text
    assert "The card does not name the rule by which outages are counted" in text
    assert "no credit can be worked out" in text


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/term/nowhere", 404),
        ("/term/A?month=2026-13", 400),
        ("/term/A?month=2031-01", 400),
        ("/term/A?period=day", 400),
        ("/term/A?month=2026-10", 200),
        ("/term/A.json?month=2025-01", 200),
    ],
)
@pytest.mark.asyncio
async def test_what_is_asked(client: Client, path: str, status: int) -> None:
    async with client.get(path) as response:
        assert response.status == status


@pytest.mark.asyncio
async def test_circuit_leads_there(client: Client) -> None:
    async with client.get("/circuit/A") as response:
        assert '<a href="/term/A">' in await response.text()
