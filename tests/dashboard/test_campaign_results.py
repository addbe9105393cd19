"""A campaign's result, from its records to the command and the page: every planned run, by its outcome."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import linebook
from dashboard.judge.campaign import what
from store import site as sites
from store.clock import NS_PER_S, Clock
from store.reader import Reader
from store.records import Campaign, Circumstances, Failed, Owner, Planned, Record, Skipped
from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import client_of
from tests.dashboard.reading import Element, read
from tests.probe.sites import INVITATION
from tests.store import samples, sealed

LINEBOOK = Path(__file__).parents[2] / "linebook.py"
FIRST_NS = invented.NOW_NS - 20 * invented.HOUR_NS
COUNT = 66
QUARTER_NS = 900 * NS_PER_S
NAME = "busy-upload"

SITE = f"""
name = "Quillet Lane"
invented = true
timezone = "UTC+01:00"
database = "line.db"
[[handoff]]
name = "old"
title = "Old line"
interface = "eth1"
[handoff.card]
rate_up = "15 Mb/s"
layer = "payload"
[[handoff]]
name = "A"
title = "Handoff A"
interface = "eth2"
[[endpoint]]
name = "north"
where = "outside"
invitation = "{INVITATION}"
[[campaign]]
name = "winter"
question = "And in winter?"
handoff = "old"
endpoint = "north"
direction = "up"
seconds = 10
every = "30 min"
from = 2199-01-07
count = 60
"""


def planned() -> Campaign:
    moments = tuple(
        Planned(
            start_unix_ns=FIRST_NS + nth * QUARTER_NS,
            latest_unix_ns=FIRST_NS + nth * QUARTER_NS + 880 * NS_PER_S,
        )
        for nth in range(COUNT)
    )
    return replace(
        samples.campaign(),
        planned=moments,
        started_unix_ns=FIRST_NS - 60 * NS_PER_S,
        count=COUNT,
        timezone="UTC+01:00",
    )


def records() -> list[Record]:
    """60 valid runs, then one each excluded, void, skipped and failed; two have no record."""
    ends: list[Record] = []
    for nth, one in enumerate(planned().planned[:62]):
        reasons = {60: ("wireless",), 61: ("probe_limit",)}.get(nth, ("short",))
        known = Circumstances(interface="eth0", planned_unix_ns=one.start_unix_ns, campaign=NAME)
        run = replace(samples.run(one.start_unix_ns), reasons=reasons, circumstances=known)
        ends.append(run)
    skipped, failed = (one.start_unix_ns for one in planned().planned[62:64])
    ends.append(
        Skipped(what=what(NAME), why="a show", planned_unix_ns=skipped, handoff="old", endpoint="north")
    )
    ends.append(
        Failed(
            what=what(NAME),
            why="no answer",
            whose=Owner.ENDPOINT,
            started_unix_ns=failed,
            handoff="old",
            endpoint="north",
        )
    )
    return [samples.stall(FIRST_NS), planned(), *ends, samples.run(FIRST_NS + 5 * NS_PER_S)]


SEQ = 2  # the campaign's number: a stall is before it
FIRST_RUN = 3


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """A site with one campaign that is over and one that has not begun; one of its runs was corrected."""
    folder = tmp_path_factory.mktemp("campaign")
    file = folder / "site.toml"
    file.touch(mode=0o600)
    file.write_text(SITE)
    writer = Writer.open(folder / "line.db", clock=invented.clock(), timezone="UTC+01:00")
    for record in records():
        writer.append(record)
    writer.close()
    words = ["correct", str(folder / "line.db"), str(FIRST_RUN), "--what", "a backup ran", "--why", "its log"]
    assert linebook.main(words) == 0
    return sites.load(file)


def run(*words: str) -> tuple[int, str, str]:
    """A command as a person runs it."""
    done = subprocess.run(
        [sys.executable, str(LINEBOOK), *words], capture_output=True, text=True, check=False
    )
    return done.returncode, done.stdout, done.stderr


COUNTS = {
    "valid": 60,
    "excluded": 1,
    "void": 1,
    "skipped": 1,
    "failed": 1,
    "no_record": 2,
    "not_yet_due": 0,
}


def test_the_command_tells_every_run(site: Site) -> None:
    """The counts, the answer, the seal and a line for each planned run."""
    code, out, err = run("campaign", str(site.file), NAME)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[1] == "Answer: met."
    assert lines[2].startswith("Upload reached the stated 15.0 Mb/s of TCP payload in 60 of 60 valid runs")
    assert f"as record {SEQ} of the chain." in out
    assert "1 record of it has been corrected; the figures still count it as measured." in lines
    assert (
        "66 planned runs: 60 valid, 1 excluded, 1 void, 1 skipped, 1 failed, 2 no record, 0 not yet due"
        in lines
    )
    moments = [line for line in lines if line.startswith("  20")]
    assert len(moments) == COUNT
    assert moments[0].endswith("valid        up 16.9 Mb/s")
    (place,) = (nth for nth, line in enumerate(lines) if line.startswith("    corrected on"))
    assert lines[place - 1] == moments[0]
    assert lines[place].endswith(": a backup ran (its log)")
    assert moments[62].endswith("skipped      a show")


def test_the_same_for_programs(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["campaign", str(site.file), NAME, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["kind"], found["seq"], found["planned"], found["ended"]) == (
        "campaign result",
        SEQ,
        COUNT,
        True,
    )
    assert found["fixed"] == found["started"] < found["runs"][0]["planned"]
    assert found["counts"] == COUNTS
    (verdict,) = found["verdicts"]
    assert (found["answer"], verdict["n"], verdict["direction"]) == ("met", 60, "up")
    outcomes = [one["outcome"] for one in found["runs"]]
    assert {outcome: outcomes.count(outcome) for outcome in COUNTS} == COUNTS
    assert [one["seq"] for each in found["runs"] for one in each["corrected"]] == [FIRST_RUN]
    assert found["runs"][0]["goodput_bps"] == {"up": 16_900_000}


def test_all_campaigns_are_listed(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    """Those that have not begun too; a database alone knows of none of these."""
    assert linebook.main(["campaign", str(site.file)]) == 0
    assert capsys.readouterr().out.splitlines()[2:] == [
        "winter, handoff old: And in winter?",
        "  not begun; fixed when it begins, on 2199-01-07",
    ]
    assert linebook.main(["campaign", str(site.database), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert ([one["name"] for one in found["campaigns"]], found["ahead"]) == ([NAME], [])
    assert found["campaigns"][0]["answer"] is None
    assert found["campaigns"][0]["floors"][0]["n"] == 60


def test_what_has_no_result_is_said(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    """A name with a slip, and a campaign that has not begun."""
    assert linebook.main(["campaign", str(site.file), "busy-uplaod"]) == 2
    assert f"has no campaign 'busy-uplaod'; did you mean {NAME!r}?" in capsys.readouterr().err
    assert linebook.main(["campaign", str(site.file), "winter", "--json"]) == 3
    found = json.loads(capsys.readouterr().out)
    assert (found["kind"], found["what"]) == ("failed", "campaign")
    assert found["why"] == "winter has not begun; it is fixed when it begins, on 2199-01-07"


async def _page(site: Site, path: str = "/circuit/old", *, now_ns: int = invented.NOW_NS) -> Element:
    clock = Clock(monotonic_ns=lambda: 0, unix_ns=lambda: now_ns)
    async with client_of(site, clock=clock) as client, client.get(path) as response:
        assert response.status == 200
        return read(await response.text())


@pytest.mark.asyncio
async def test_circuit_shows_every_planned_run(site: Site) -> None:
    """Complete without script: the counts, the answer, and a row for each run of the plan."""
    page = await _page(site)
    section = page.one("section", **{"aria-labelledby": "campaigns"})
    (counts,) = section.table("What became of the planned runs")
    assert counts == {
        "Campaign": NAME,
        "Answer": "Met",
        "Planned": "66",
        **{name.replace("_", " ").capitalize(): str(count) for name, count in COUNTS.items()},
    }
    rows = section.table(f"Every planned run of {NAME}")
    outcomes = [row["Outcome"].replace(" ", "_") for row in rows]
    assert {outcome: outcomes.count(outcome) for outcome in COUNTS} == COUNTS
    assert [row["Planned"].endswith("Corrected") for row in rows] == [True] + [False] * (COUNT - 1)
    assert [row["Why"] for row in rows[60:64]] == [
        "the probe reached the line over wireless",
        "the probe host was at its limit",
        "a show",
        "no answer",
    ]
    (note,) = section.one("ul", **{"class": "corrections"}).all("li")
    assert "a backup ran. How that is known: its log." in note.text
    first, second = section.one("ol").all("li", **{"class": "entry"})
    assert f"as record {SEQ} of the chain." in first.text
    assert "1 record behind this campaign has been corrected" in first.text
    assert second.text.startswith("winter: And in winter? It has not begun;")
    assert len(section.all("details")) == 1


@pytest.mark.asyncio
async def test_its_json_has_the_same(site: Site) -> None:
    async with client_of(site) as client, client.get("/circuit/old.json") as response:
        (found,) = (await response.json())["campaigns"]
    assert (found["counts"], len(found["runs"]), found["answer"]) == (COUNTS, COUNT, "met")


@pytest.mark.asyncio
async def test_one_under_way_has_no_answer_yet(site: Site, tmp_path: Path) -> None:
    """After its ninth run 57 are not yet due, and what nine showed is not judged."""
    nine = replace(site, database=tmp_path / "line.db")
    await asyncio.to_thread(sealed.make, nine.database, [records()[:11]])
    page = await _page(nine, now_ns=FIRST_NS + 9 * QUARTER_NS - NS_PER_S)
    section = page.one("section", **{"aria-labelledby": "campaigns"})
    (counts,) = section.table("What became of the planned runs")
    assert (counts["Answer"], counts["Valid"], counts["Not yet due"]) == ("Under way", "9", "57")
    assert "57 of 66 runs are still to come" in section.text


@pytest.mark.asyncio
async def test_a_handoff_without_a_campaign_has_no_such_section(site: Site) -> None:
    page = await _page(site, "/circuit/A")
    assert page.all("section", **{"aria-labelledby": "campaigns"}) == []


def test_thinned_runs_are_counted(tmp_path: Path) -> None:
    """Those whose bins a rule let go; a run that had none from the first was not thinned."""
    none = replace(samples.side(), bins=())
    runs: list[Any] = [one for one in records() if one.kind == "rate"][:3]
    runs[2] = replace(runs[2], up=none)
    let_go = replace(samples.thinned(), first_seq=1, last_seq=3, why="keep.bins = 7 days")
    path = sealed.make(tmp_path / "line.db", [[planned(), *runs, let_go]])
    with sealed.tampering(path) as connection:
        connection.execute("UPDATE rate_side SET bins = x'' WHERE run = 2")
    with closing(Reader.open(path)) as reader:
        found = reader.campaign_runs(planned())
    assert [thinned for _, thinned in found] == [True, False, False]
    assert [one.circumstances.planned_unix_ns for one, _ in found] == [
        one.start_unix_ns for one in planned().planned[:3]
    ]
