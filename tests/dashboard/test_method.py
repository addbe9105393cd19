"""Method: complete, linked from every page by anchors that are there, its limits those of the judges."""

from __future__ import annotations

import re

import pytest

from dashboard import method
from dashboard.judge import outages
from dashboard.pages.frame import TEMPLATES
from store.terms import NO_TERMS
from tests.dashboard.conftest import Client
from tests.dashboard.reading import read

FIGURES = "today circuit events shows uploads side_by_side term acceptance findings verdict_rules".split()


def test_every_link_leads_to_a_row() -> None:
    """Each `how` of a template names a row, and every page with figures has one."""
    for path in sorted(TEMPLATES.glob("*.html")):
        asked = re.findall(r'(?:how|made)\("([^"]+)"\)', path.read_text())
        assert set(asked) <= method.WAYS.keys(), path.name
        assert asked or path.stem not in FIGURES, path.name


def test_every_row_has_a_source_and_no_claim() -> None:
    """Ids are once; a source stands everywhere; sentences end, and none speaks of intent."""
    ways = [way for topic in method.TOPICS for way in topic.ways]
    assert len({way.id for way in ways}) == len(ways)
    for way in ways:
        assert way.source
        assert way.how.endswith(".")
        assert not re.search(r"throttl|cheat|proves|deliberate", way.how)


def test_words_follow_the_code() -> None:
    """The rules of outages and the floor's number of runs are the judges' own; 59 is ln 0.05 / ln 0.95."""
    how = method.WAYS["availability"].how
    assert all(one.said() in how for one in outages.rules(NO_TERMS))
    assert "59 runs" in method.WAYS["floor"].how


@pytest.mark.asyncio
async def test_the_page_has_every_anchor(client: Client) -> None:
    """A link to /method#stalls ends at that row, with its source under it."""
    async with client.get("/method") as response:
        page = read(await response.text())
    anchors = {one.attributes.get("id") for one in page.all("h3")}
    assert anchors == method.WAYS.keys()
    text = page.one("main").text
    assert all(f"Source: {way.source}." in text for way in method.WAYS.values())
