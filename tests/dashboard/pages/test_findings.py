"""The Findings page, its JSON and the command say the same of one record; what is asked wrongly is told."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

import linebook
from dashboard import found
from dashboard.pages import findings
from store.clock import zone
from store.errors import UserMistake
from store.reader import Reader
from store.site import Site
from tests.dashboard import invented
from tests.dashboard.conftest import Client
from tests.dashboard.reading import read
from tests.store.test_site import SMALL, small


@pytest.mark.asyncio
async def test_page_and_json_agree(client: Client, site: Site) -> None:
    """The invented line has an outage, and its page says so with the owner that its JSON has."""
    async with client.get("/findings/old") as response:
        assert response.status == 200
        page = read(await response.text())
    async with client.get("/findings/old.json") as response:
        told = await response.json()
    assert (told["kind"], told["invented"]) == ("findings", True)
    entries = page.all("li", **{"class": "entry"})
    assert [entry.one("h2").text.split(".")[0] for entry in entries] == [
        str(one["number"]) for one in told["findings"]
    ]
    assert entries, "the invented line sags in the evening, stalls and has large queues"
    for entry, one in zip(entries, told["findings"], strict=True):
        assert one["seen"] in entry.text
        assert f"Owner: {one['owner'] or 'nobody, for information'}" in entry.text


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/findings/nowhere", 404),
        ("/findings/old?day=today", 400),
        ("/findings/old?day=2031-01-01", 400),
        ("/findings/old?period=day", 400),
        ("/findings/A?day=2026-11-20", 200),
    ],
)
@pytest.mark.asyncio
async def test_what_is_asked(client: Client, path: str, status: int) -> None:
    async with client.get(path) as response:
        assert response.status == status


@pytest.mark.asyncio
async def test_circuit_leads_there(client: Client) -> None:
    async with client.get("/circuit/old") as response:
        assert '<a href="/findings/old">' in await response.text()


def test_list(tmp_path: Path) -> None:
    """Local times by the site's zone, those with an offset by that."""
    path = tmp_path / "kiln.csv"
    path.write_text(
        "what,from,to\nkiln,2026-07-07T14:05,2026-07-07T14:35\nlift,2026-07-07T10:00Z,2026-07-07T10:01Z\n"
    )
    kiln, lift = found.read_list(path, zone("Europe/Lisbon"))
    assert kiln.name == "kiln"
    assert (
        kiln.started_unix_ns
        == datetime(2026, 7, 7, 14, 5, tzinfo=ZoneInfo("Europe/Lisbon")).timestamp() * 1e9
    )
    assert lift.ended_unix_ns - lift.started_unix_ns == 60e9


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("when\n", "missing: from, to, what"),
        ("what,from,to\nkiln,noon,2026-07-07T14:35\n", "line 2: from cannot be 'noon'"),
        ("what,from,to\nkiln,2026-07-07T14:35,2026-07-07T14:05\n", "line 2: to must be later"),
        ("what,from,to\nkiln,2026-07-07T14:35\n", "line 2: to cannot be ''"),
    ],
)
def test_list_mistakes(tmp_path: Path, text: str, wrong: str) -> None:
    path = tmp_path / "kiln.csv"
    path.write_text(text)
    with pytest.raises(UserMistake, match=wrong):
        found.read_list(path, zone("UTC"))


OWN = """
[[own_load]]
name = "kiln"
days = ["Tue"]
hours = "22:00-01:00"
"""


def test_the_houses_own_loads(tmp_path: Path) -> None:
    """By fixed hours over midnight and from the list that the site file names, as far as asked for.

    In Lisbon summer time ends on 25 October 2026 at 02:00, so the Tuesdays around it are 7 days and an hour
    apart (IANA time zone database).
    """
    listed = small(tmp_path, f'own_list = "kiln.csv"\n{SMALL}{OWN}')
    (tmp_path / "kiln.csv").write_text("what,from,to\nlift,2026-10-23T10:00,2026-10-23T10:01\n")
    since, until = (
        round(datetime(2026, 10, day, 12, tzinfo=ZoneInfo("Europe/Lisbon")).timestamp() * 1e9)
        for day in (20, 29)
    )
    lift, one, other = found.own_marks(listed, since_ns=since, until_ns=until)
    assert (lift.name, one.name) == ("lift", "kiln")
    assert (other.started_unix_ns - one.started_unix_ns) == (7 * 24 + 1) * 3600 * 10**9
    assert one.ended_unix_ns - one.started_unix_ns == 3 * 3600 * 10**9


def test_a_page_without_the_list(site: Site) -> None:
    """Where the list cannot be read, the page says so and shows what it finds without."""
    known, held = site.handoff("old"), replace(site, own_list=Path("gone.csv"))
    with closing(Reader.open(site.database)) as reader:
        shown = findings.find(
            reader, site=held, handoff=known, last=date(2026, 11, 20), now_ns=invented.NOW_NS
        )
    assert "gone.csv cannot be read" in shown.own


def test_command(site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command's JSON has every handoff; its text says owner and what to ask for."""
    file = str(tmp_path / "command.toml")
    Path(file).write_text(
        'name = "Invented"\ninvented = true\n'
        f'timezone = "{site.timezone}"\ndatabase = "{site.database}"\n'
        '[[handoff]]\nname = "old"\ntitle = "Old line"\n'
        '[[endpoint]]\nname = "north"\nwhere = "outside"\ninvitation = "linebook://x"\n'
    )
    days = ["--from", "2026-11-20", "--to", f"{datetime.fromtimestamp(invented.NOW_NS / 1e9, UTC):%Y-%m-%d}"]
    assert linebook.main(["findings", file, *days, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {one["handoff"] for one in told["findings"]} == {"old"}
    assert linebook.main(["findings", file, *days]) == 0
    text = capsys.readouterr().out
    assert "all of it is invented" in text
    assert all(f"Ask for: {one['ask']}" in text for one in told["findings"])
    assert linebook.main(["findings", file, "--from", "2026-11-20", "--to", "2026-11-19"]) == 2
    assert "name the later one" in capsys.readouterr().err
