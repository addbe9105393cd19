"""Circuit, as the provider's sceptical engineer meets it. Counts are checked by plain SQL."""

from __future__ import annotations

import pytest

from store.site import Site
from tests.dashboard import invented
from tests.dashboard.conftest import Client, sql
from tests.dashboard.reading import Element, read

DAY_AGO_NS = invented.NOW_NS - 24 * invented.HOUR_NS

pytestmark = pytest.mark.asyncio


async def _page(client: Client, path: str = "/circuit/old") -> Element:
    async with client.get(path) as response:
        assert response.status == 200
        return read(await response.text())


async def test_what_the_contract_leaves_open_is_said_and_asked(client: Client) -> None:
    """A field that the contract does not state says so, and the layer is asked for in writing."""
    page = await _page(client)
    card = {row["Field"]: row for row in page.table("What the contract says")}
    assert card["Rate up"]["As stated"] == "15 Mb/s"
    assert card["Rate up"]["Where"] == "order confirmation, page 1"
    assert card["Rate down"]["As stated"] == "not stated"
    assert card["Layer of the rates"]["As stated"] == "not stated"
    questions = [item.text for item in page.one("section", **{"aria-labelledby": "card"}).all("li")]
    (vague,) = (each for each in questions if "At which layer does the upload rate of 15" in each)
    assert vague.startswith("Vague")
    assert all(question.endswith(("?", ".")) for question in questions)


async def test_a_stated_contract_is_shown_as_written(client: Client) -> None:
    card = {
        row["Field"]: row["As stated"]
        for row in (await _page(client, "/circuit/A")).table("What the contract says")
    }
    assert card["Layer of the rates"] == "layer 2"
    assert (card["RTT, p95"], card["PDV, p99"]) == ("9 ms", "3 ms")
    assert (card["Packet loss"], card["Availability"]) == ("0.05 %", "99.93 %")
    assert (card["Service start"], card["Term end"]) == ("2026-06-22", "2030-06-21")


async def test_the_card_is_there_for_programs(client: Client) -> None:
    """Rates in bit/s, delays in microseconds, dates as RFC 3339 has them; null is not stated."""
    async with client.get("/circuit/A.json") as response:
        new = (await response.json())["card"]
    async with client.get("/circuit/old.json") as response:
        old = (await response.json())["card"]
    assert (new["rate_up_bps"], new["layer"], new["rtt_p95_us"]) == (600_000_000, "ethernet", 9_000)
    assert (new["service_start"], new["term_end"]) == ("2026-06-22", "2030-06-21")
    assert (old["rate_down_bps"], old["layer"], old["service_start"]) == (None, "not stated", None)
    assert "rate_down" in old["not_stated"]


async def test_every_run_of_the_period_is_listed(site: Site, client: Client) -> None:
    """A row for each run, by plain SQL; every layer has a column of its own."""
    runs = (await _page(client)).table("Rate runs of the last 24 hours")
    found = await sql(
        site,
        "SELECT goodput_bps, ethernet_bps FROM rate_run JOIN path ON path.id = path "
        "JOIN rate_side ON run = rate_run.seq "
        f"WHERE handoff = 'old' AND started_unix_ns >= {DAY_AGO_NS} ORDER BY started_unix_ns DESC",
    )
    assert [float(row["Payload"]) for row in runs] == pytest.approx([one / 1e6 for one, _ in found], rel=0.01)
    assert [float(row["Layer 2"]) for row in runs] == pytest.approx([one / 1e6 for _, one in found], rel=0.01)
    # RFC 6349 section 4.1.1 with timestamps (RFC 7323): 1448 of payload in a frame of 1518 bytes
    for row in runs:
        assert float(row["Layer 2"]) / float(row["Payload"]) == pytest.approx(1518 / 1448, rel=0.01)


async def test_a_long_list_is_cut_and_says_so(client: Client) -> None:
    """Of three days' runs the newest are on the page; the note says of how many, the JSON has all."""
    page = await _page(client, "/circuit/old?period=week")
    shown = len(page.table("Rate runs of the last 7 days"))
    async with client.get("/circuit/old.json?period=week") as response:
        runs = len((await response.json())["runs"])
    assert shown == 40
    assert f"The newest {shown} of {runs} runs; the JSON has all of them." in page.one("main").text


async def test_what_was_left_out_stands_in_the_ledger(client: Client) -> None:
    """Three runs sat behind a slow port; the ledger says which rule took them out."""
    page = await _page(client, "/circuit/old?period=week")
    assert page.table("Exclusions ledger") == [
        {
            "Rule": "the rate is the top of a port of this class, not of the line",
            "Standing it brings": "excluded",
            "Runs": "3",
            "Train spans": "0",
        }
    ]
    assert [row["Standing"] for row in page.table("Rate runs of") if row["Standing"] != "valid"] == [
        "excluded: the rate is the top of a port of this class, not of the line"
    ] * 3


async def test_light_runs_are_shown_as_such(client: Client) -> None:
    """What they asked for stands beside their direction; the ledger and the verdicts leave them out."""
    page = await _page(client, "/circuit/A?period=day")
    rows = [row for row in page.table("Rate runs of the last 24 hours") if "light" in row["Direction"]]
    assert {row["Direction"] for row in rows} == {
        "up, both at once, light: at most 56.4",
        "down, both at once, light: at most 56.4",
    }
    assert {row["Standing"] for row in rows} == {"valid, light"}
    assert all(row["Limited by"] == "pace" for row in rows)
    (left_out,) = page.table("Exclusions ledger")
    assert left_out["Rule"].startswith("a light run")
    async with client.get("/circuit/A.json?period=week") as response:
        found = await response.json()
    light = [run for run in found["runs"] if "light" in run["reasons"]]
    assert {run["up"]["at_most_goodput_bps"] for run in light} == {56_400_000}
    for verdict in found["verdicts"]:
        assert verdict["excluded_why"]["light"] == len(light)
        assert verdict["n"] == sum(
            run["direction"] == verdict["direction"] for run in found["runs"] if run not in light
        )


async def test_an_hour_without_measuring_is_not_zero(client: Client) -> None:
    """Within the last hours' table the gap reads as not measured, with dashes, never as 0."""
    page = await _page(client)
    gaps = [row for row in page.table("Failed, skipped and not measured") if row["What"].startswith("gap")]
    assert [(row["When"], row["What"]) for row in gaps] == [("Wed 25 Nov 09:50:00", "gap of 1 h")]
    async with client.get("/circuit/old.json?period=day") as response:
        trains = (await response.json())["trains"]
    assert [train["endpoint"] for train in trains] == ["north", "lan"]  # the line before the house


async def test_loss_by_direction_adds_up(site: Site, client: Client) -> None:
    """The pieces of the day's table and JSON sum to what the record holds, by plain SQL."""
    page = await _page(client)
    ((sent, lost_up),) = await sql(
        site,
        "SELECT sum(sent), sum(lost_up) FROM train JOIN path ON path.id = path WHERE handoff = 'old' "
        f"AND endpoint = 'north' AND started_unix_ns >= {DAY_AGO_NS}",
    )
    measured = [row for row in page.table("Loss to north") if row["Sent"] != "not measured"]
    assert sum(int(row["Sent"].replace("\u202f", "")) for row in measured) == sent
    assert sum(int(row["Lost up"]) for row in measured) == lost_up > 0
    async with client.get("/circuit/old.json") as response:
        (north, _) = (await response.json())["trains"]
    assert sum(piece["sent"] or 0 for piece in north["pieces"]) == sent
    assert sum(piece["lost_up"] or 0 for piece in north["pieces"]) == lost_up


async def test_stalls_are_listed_with_their_direction(site: Site, client: Client) -> None:
    """As many as the record holds of the day, each with class, direction and what became of its packets."""
    page = await _page(client)
    ((stalls,),) = await sql(site, f"SELECT count(*) FROM stall WHERE started_unix_ns >= {DAY_AGO_NS}")
    rows = page.table("Stalls of the last 24 hours")
    assert len(rows) == stalls < 40
    assert {row["Direction"] for row in rows} == {"up"}
    assert {row["Packets were"] for row in rows} == {"lost"}
    assert {row["Class"] for row in rows} == {"stall"}  # 0.5 to 3 s; common practice, no source
    section = page.one("section", **{"aria-labelledby": "stalls"})
    assert f"{stalls} stalls of 0.5 s or more" in section.text


async def test_periods_are_plain_links(client: Client) -> None:
    """Each period can be bookmarked; the one that is open is marked by more than its look."""
    for period in ("hour", "day", "week", "month"):
        page = await _page(client, f"/circuit/old?period={period}")
        places = page.one("nav", **{"aria-label": "Period of the figures below"})
        others = [link.attributes["href"] for link in places.all("a")]
        assert len(others) == 3
        assert f"/circuit/old?period={period}" not in others
        assert len(places.all("b", **{"aria-current": "true"})) == 1
        alternate = page.one("link", rel="alternate").attributes["href"]
        assert alternate == f"/circuit/old.json?period={period}"


async def test_the_verdict_does_not_follow_the_period(client: Client) -> None:
    """Whoever picks the last hour picks figures, not the days that a verdict rests on."""
    pages = [await _page(client, f"/circuit/old?period={period}") for period in ("hour", "month")]
    first, second = (page.table("Counts behind the verdicts") for page in pages)
    assert first == second


async def test_charts_stand_over_their_tables(client: Client) -> None:
    """Without script a chart stays hidden; its message stands before it and its table after."""
    page = await _page(client)
    charts = page.all("figure")
    assert len(charts) == 3  # rates up, and two trains
    for chart in charts:
        assert "hidden" in chart.attributes
        message = chart.one("div").attributes["aria-label"]
        assert page.one("main").text.count(str(message)) == 1
        async with client.get(str(chart.attributes["data-figure"])) as response:
            assert response.status == 200
            assert (await response.json())["data"]


async def test_structure_for_those_who_listen(client: Client) -> None:
    """Language, one h1, headings without a step left out, captions, scopes, a way past the head."""
    for path in ("/", "/circuit/old", "/nowhere"):
        async with client.get(path) as response:
            page = read(await response.text())
        assert page.one("html").attributes["lang"] == "en"
        assert len(page.all("h1")) == 1
        assert page.one("a", **{"class": "skip"}).attributes["href"] == "#" + str(
            page.one("main").attributes["id"]
        )
        for table in page.all("table"):
            assert table.one("caption").text
            assert {cell.attributes.get("scope") for cell in table.all("th")} <= {"col", "row"}
        labels = [one.attributes["aria-labelledby"] for one in page.all("section")]
        ids = [
            one.attributes["id"]
            for heading in ("h2", "h3")
            for one in page.all(heading)
            if "id" in one.attributes
        ]
        assert set(labels) <= set(ids)
        assert len(ids) == len(set(ids))


async def test_ceilings_are_held_against_the_stated_rate(client: Client) -> None:
    """The card states 15 Mb/s up and nothing down; 1.2 times that, by hand, is 18."""
    rows = {row["Whose"]: row for row in (await _page(client)).table("Ceilings")}
    assert {whose: (row["Flows"], row["Wanted"]) for whose, row in rows.items()} == {
        "this host": ("4", "18"),
        "endpoint north": ("4", "18"),
    }
    assert rows["this host"]["Enough?"] == "enough"
    assert (rows["endpoint north"]["Carries"], rows["endpoint north"]["Enough?"]) == (
        "16.9",
        "too little",
    )
    async with client.get("/circuit/old.json") as response:
        found = (await response.json())["ceilings"]
    assert [(one["of"], one["carries_bps"], one["wanted_bps"], one["enough"]) for one in found] == [
        ("host", 9_420_000_000, 18_000_000, "enough"),
        ("endpoint", 16_900_000, 18_000_000, "too little"),
    ]


async def test_where_no_rate_run_is_planned_no_ceiling_is_asked_for(client: Client) -> None:
    assert "Ceilings" not in (await _page(client, "/circuit/A")).text


@pytest.mark.asyncio
async def test_availability_so_far_is_what_term_says(client: Client) -> None:
    """This month's figure at once; all of it as soon as every month before is judged, as Term does."""
    async with client.get("/term/A.json") as response:
        term = await response.json()
    async with client.get("/circuit/A.json") as response:
        told = (await response.json())["available"]
    newest = term["months"][-1]
    assert {name: told[name] for name in ("word", "ratio", "down_s")} == {
        name: newest[name] for name in ("word", "ratio", "down_s")
    }
    assert told["month"] == newest["month"] == "2026-11"
    async with client.get("/circuit/A") as response:
        text = read(await response.text()).one("main").text
    assert "Availability in November 2026, so far: " in text
    assert told["since"].startswith(term["months"][0]["month"])
    assert "Since 1 November 2026: " in text
