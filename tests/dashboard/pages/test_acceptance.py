"""The Acceptance page: safety first, every row, and its JSON; the circuit leads there."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from dashboard import acceptance as read_acceptance
from dashboard.judge.acceptance_rows import ROWS
from dashboard.pages import acceptance
from dashboard.pages.frame import frame_of
from store.acceptance import About, AcceptanceNote
from store.reader import Reader
from store.site import Site
from tests.dashboard import invented
from tests.dashboard.conftest import Client
from tests.dashboard.reading import read


@pytest.mark.asyncio
async def test_page_and_json_agree(client: Client) -> None:
    """Twenty rows with the words of the JSON, the next step, and what each row asks."""
    async with client.get("/acceptance/A") as response:
        assert response.status == 200
        page = read(await response.text())
    async with client.get("/acceptance/A.json") as response:
        told = await response.json()
    assert (told["kind"], told["handoff"], told["invented"]) == ("acceptance", "A", True)
    table = page.table("Acceptance sheet of A")
    assert [row["Row"] for row in table] == [row.id for row in ROWS] == [row["row"] for row in told["rows"]]
    for shown, row in zip(table, told["rows"], strict=True):
        assert shown["Why"] == row["because"]
        assert shown["Verdict"].lower() == (row["word"] if row["applies"] else "does not apply")
    assert told["next_step"] in page.text
    assert told["deemed"]["because"] in page.text
    assert [row["Question"] for row in page.table("Safety, before")] == ["S1", "S2", "S3", "S4", "S5", "S6"]


@pytest.mark.asyncio
@pytest.mark.parametrize(("path", "status"), [("/acceptance/nowhere", 404), ("/acceptance/A?row=A6", 400)])
async def test_what_is_asked(client: Client, path: str, status: int) -> None:
    async with client.get(path) as response:
        assert response.status == status


@pytest.mark.asyncio
async def test_circuit_leads_there(client: Client) -> None:
    async with client.get("/circuit/A") as response:
        assert '<a href="/acceptance/A">' in await response.text()


def test_what_nobody_has_decided_about(site: Site) -> None:
    """While the time for a refusal runs, Today says so; not without a handover, nor before it."""
    today = invented.NOW.date()
    dates = {"old": None, "A": today}
    handoffs = tuple(
        replace(one, card=replace(one.card, handover=dates.get(one.name), deemed_working_days=10))
        for one in site.handoffs
    )
    later = replace(handoffs[0], name="C", card=replace(handoffs[0].card, handover=today + timedelta(days=1)))
    reader = Reader.open(site.database)
    pending = replace(site, handoffs=(*handoffs, later))
    found = read_acceptance.pending(reader, pending, now_unix_ns=invented.NOW_NS)
    reader.close()
    assert [one.text.split(":")[0] for one in found] == ["Handoff A, Greyfell Circuits"]


def test_handoffs_of_one_contract_stand_side_by_side(site: Site) -> None:
    """With the decision that somebody made on one of them, and a defect that was noted."""
    old, new = site.handoffs[0], next(one for one in site.handoffs if one.name == "A")
    mate = replace(new, name="B")
    both = replace(site, handoffs=(old, new, mate))
    reader = Reader.open(site.database)
    found = acceptance.find(reader, site=both, handoff=new, now_ns=invented.NOW_NS)
    reader.close()

    def note(about: About, of: str, word: str, says: str = "") -> AcceptanceNote:
        return read_acceptance.note(found.found, about, of, word, says=says, now_unix_ns=invented.NOW_NS)

    sheet = found.found.sheet
    decided = replace(sheet, decision=note(About.DECISION, "", "refused", "A10 fails"))
    found = replace(found, found=replace(found.found, sheet=decided))
    frame = frame_of(both, title="Acceptance", here="/", json_url=None, now_ns=invented.NOW_NS)
    page = acceptance.page(found, frame=frame)
    assert page.together is not None
    assert [row[0].text for row in page.together.rows] == ["A", "B"]
    assert [row[1].mark.word for row in page.together.rows if row[1].mark] == ["Refused", "No decision yet"]
    assert page.decision.more == ("A10 fails",)
    assert acceptance.url("A/1") == "/acceptance/A%2F1.json"
