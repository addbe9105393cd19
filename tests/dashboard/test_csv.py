"""Tables as CSV: each that a page shows, with the same rows, safe in a spreadsheet.

Sources: RFC 4180 through Python's csv reader; cells that a spreadsheet takes for a formula begin with one of
= + - @, tab or carriage return (common practice, no source).
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from html import unescape

import pytest

from dashboard.pages import spread
from dashboard.pages.ledger import Heading, Mark, Table, cells, number
from dashboard.pages.wording import Moment
from tests.dashboard.conftest import Client
from tests.dashboard.reading import read

PAGES = ["/", "/shows", "/circuit/old?period=week", "/circuit/A", "/uploads", "/side-by-side", "/term/A"]
PAGES += ["/acceptance/A", "/ledger/old", "/findings/old", "/evenings/old"]


def rows_of(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text, newline="")))


@pytest.mark.asyncio
async def test_every_table_has_its_csv(client: Client) -> None:
    """The link under each table leads to as many rows and columns as stand above it."""
    seen = 0
    for address in PAGES:
        async with client.get(address) as response:
            page = read(await response.text())
        tables = page.all("table")
        links = [one for one in page.all("a") if (one.attributes.get("aria-label") or "").startswith("CSV: ")]
        assert len(links) == len(tables)
        for table, link in zip(tables, links, strict=True):
            assert link.attributes["aria-label"] == f"CSV: {table.one('caption').text}"
            async with client.get(unescape(str(link.attributes["href"]))) as response:
                assert response.status == 200, link.attributes["href"]
                assert response.headers["Content-Type"] == "text/csv; charset=utf-8"
                rows = rows_of(await response.text())
            shown = table.one("tbody").all("tr")
            assert len(rows) == len(shown) + 1
            assert {len(row) for row in rows} == {len(table.one("thead").all("th"))}
            seen += 1
    assert seen > 20


@pytest.mark.asyncio
async def test_events_are_one_table(client: Client) -> None:
    """All events of the page's cases, each with its case."""
    async with client.get("/events.csv?table=events&handoff=old") as response:
        heading, *rows = rows_of(await response.text())
    async with client.get("/events.json?handoff=old") as response:
        cases = (await response.json())["cases"]
    assert heading == ["Case", "Handoff", "Time", "What", "What happened", "Lasted [s]", "Owner"]
    told = [(case["id"], event["says"]) for case in cases for event in case["events"]]
    assert [(row[0], row[4]) for row in rows] == told
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\dT[\d:.]+\+01:00", row[2]) for row in rows)


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("query", "status", "says"),
    [("", 400, "verdict"), ("?table=none", 404, "verdict"), ("?table=a&table=b", 400, "table")],
)
async def test_a_wrong_table_is_refused(client: Client, query: str, status: int, says: str) -> None:
    """In the one shape of errors, with the names that there are."""
    async with client.get(f"/today.csv{query}") as response:
        assert response.status == status
        assert says in (await response.json())["why"]


def test_cells() -> None:
    """Units in names, times with offset, nothing for what is not known, formulas made harmless."""

    @dataclass(frozen=True, slots=True, kw_only=True)
    class Page:
        of_day_table: Table
        parts: tuple[Table, ...] = ()

    moment = Moment(text="Mon 12:00", iso="2026-11-23T12:00:00.000+01:00")
    table = Table(
        caption="x",
        headings=(Heading(text="When"), number("RTT p50", "ms"), Heading(text="Says")),
        rows=(
            cells(moment, "12\u202f345", '=HYPERLINK("http://far.example.net")'),
            cells(moment, "-0.25", "@SUM(A1)"),
            cells(moment, "–", "+1 of 2"),
            cells(Mark(word="Met", look="firm"), "1", '-2 ms, say "x"\nand more'),
            cells(moment, "2", "\tindented"),
        ),
    )
    page = spread.linked(Page(of_day_table=table, parts=(table, table)), "/x.csv?day=1")
    assert [*spread.named(page)] == ["of-day", "parts-1", "parts-2"]
    assert page.parts[1].csv_url == "/x.csv?day=1&table=parts-2"
    heading, *rows = rows_of(spread.text(table))
    assert heading == ["When", "RTT p50 [ms]", "Says"]
    assert [row[1] for row in rows] == ["12345", "-0.25", "", "1", "2"]
    assert rows[3] == ["Met", "1", '\'-2 ms, say "x"\nand more']
    for row in rows:
        assert not row[2].startswith(("=", "+", "-", "@", "\t", "\r"))
        assert row[2].startswith("'")
