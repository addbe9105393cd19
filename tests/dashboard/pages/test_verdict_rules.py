"""The Ledger page and its JSON say the same of every verdict."""

from __future__ import annotations

import pytest

from tests.dashboard.conftest import Client
from tests.dashboard.reading import read


@pytest.mark.asyncio
async def test_page_and_json_agree(client: Client) -> None:
    """Of the invented site's old line three runs sat behind a slow port; only they are out, everywhere."""
    async with client.get("/ledger/old") as response:
        assert response.status == 200
        page = read(await response.text())
    async with client.get("/ledger/old.json") as response:
        told = await response.json()
    assert (told["kind"], told["invented"]) == ("ledger", True)
    [handoff] = told["handoffs"]
    rows = page.table("Verdicts with and without each rule")
    rates = [ledger for version in handoff["versions"] for ledger in version["ledgers"]]
    wanted = [
        (f"Rate {ledger['direction']}", rule["rule"], rule["without_it"]["word"])
        for ledger in rates
        for rule in ledger["rules"]
        if ledger["with_every_rule"]["word"] != "not tested"
    ]
    wanted += [
        (verdict["about"], rule["rule"], rule["without_it"]["word"])
        for verdict in handoff["others"]
        for rule in verdict["rules"]
    ]
    shown = {
        (row["Verdict on"], row["Rule"], row["Without it"].lower()) for row in rows if row["Rule"] != "–"
    }
    assert shown
    assert shown <= set(wanted)
    assert {one for one in wanted if not one[0].startswith("A") and not one[2] == "not tested"} <= shown
    assert {row["Verdict on"] for row in rows} >= {"Rate up", "Availability", "Stream plan evening"}
    rules = {row["Rule"]: row["Leaves out"] for row in page.table("Rules")}
    assert rules == {"port_limit": "the rate is the top of a port of this class, not of the line"}


@pytest.mark.asyncio
async def test_no_such_handoff(client: Client) -> None:
    async with client.get("/ledger/C") as response:
        assert response.status == 404
