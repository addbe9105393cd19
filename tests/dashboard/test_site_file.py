"""Forms that write the site file: no comment and no key is lost, nothing written meanwhile is overwritten.

What a file holds is read here with tomllib, another reader than the one that writes; what a comment is, by
TOML 1.0.0: from a hash outside of a string to the end of the line.
"""

from __future__ import annotations

import asyncio
import re
import stat
import tomllib
from pathlib import Path

import pytest
from aiohttp.test_utils import TestClient, TestServer

from dashboard import app as dashboard
from dashboard import site_file
from dashboard.listening import Listening
from dashboard.pages import site as page
from store import site as sites
from store.asked_for import AskedFor
from store.clock import Clock
from store.errors import SiteMistake
from store.reader import ReaderThread
from store.site import Site
from tests.dashboard import invented
from tests.dashboard.conftest import HOST, Client
from tests.dashboard.reading import Element, read
from tests.dashboard.test_acts import OWN, probing
from tests.probe.living import alive
from tests.store.test_site import EXAMPLE, INVITATION

SECRETS = "\n".join(["[invitation]", *(f'{name} = "{INVITATION}"' for name in ("lan", "north", "south"))])


@pytest.fixture
def house(tmp_path: Path, site: Site) -> Path:
    """The documented example as a site file with its secrets, beside the invented record."""
    file = tmp_path / "house.toml"
    text = EXAMPLE.read_text().replace('database = "linebook.db"', f'database = "{site.database}"')
    file.write_text(text)
    file.chmod(0o640)
    secrets = tmp_path / "secrets.toml"
    notice = '\n[notice]\n"owner-mail" = "a password"\n'
    secrets.write_text(SECRETS + notice)
    secrets.chmod(0o600)
    return file


def _comments(text: str) -> list[str]:
    """Every comment, in its order."""
    without = re.sub(r'"(?:\\.|[^"\\\n])*"', '""', text)
    return [found.strip() for found in re.findall(r"#.*", without)]


def test_a_value_is_changed_and_nothing_else(house: Path) -> None:
    """By tomllib one value differs; by lines, one line; every comment stands, that line's own too."""
    held = site_file.read(house)
    text = site_file.with_values(
        held, ("handoff", 1, "card"), {"rate_up": "500 Mb/s", "mtu": "1500", "at_once_with": "B"}
    )
    before, after = held.text.splitlines(), text.splitlines()
    changed = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert len(changed) == 1
    assert changed[0][0].startswith('rate_up = "600 Mb/s"')
    assert changed[0][1].startswith('rate_up = "500 Mb/s"')
    assert _comments(text) == _comments(held.text)
    expected = tomllib.loads(held.text)
    expected["handoff"][1]["card"]["rate_up"] = "500 Mb/s"
    assert tomllib.loads(text) == expected


def test_kinds_of_values(house: Path) -> None:
    """Numbers, dates and lists as TOML has them; emptied is not stated; a new one stands in its table."""
    held = site_file.read(house)
    where = ("handoff", 1, "card")
    text = site_file.with_values(
        held,
        where,
        {"mtu": "1492", "term_end": "2031-06-21", "tags": "830, 12", "routing": "", "shared_fibre": "none"},
    )
    card = tomllib.loads(text)["handoff"][1]["card"]
    assert (card["mtu"], str(card["term_end"]), card["tags"]) == (1492, "2031-06-21", [830, 12])
    assert (card["routing"], card["shared_fibre"]) == ("not stated", "none")
    assert _comments(text) == _comments(held.text)
    old = site_file.with_values(held, ("handoff", 0, "card"), {"delay": "9 ms", "mtu": "1500"})
    assert tomllib.loads(old)["handoff"][0]["card"]["delay"] == "9 ms"
    assert old.index('delay = "9 ms"') < old.index("[handoff.card.pages]")
    assert _comments(old) == _comments(held.text)


def test_a_first_card(tmp_path: Path) -> None:
    """A handoff without a card gets one, in its place: before the next handoff and what is said over it."""
    file = tmp_path / "short.toml"
    file.write_text(
        'name = "here"\n[[handoff]]\nname = "A"  # the first\n[handoff.hops]\nwatch = false\n\n'
        '# the second\n[[handoff]]\nname = "B"\n'
    )
    held = site_file.read(file)
    text = site_file.with_values(held, ("handoff", 0, "card"), {"rate_up": "15 Mb/s", "mtu": "", "tags": "7"})
    expected = tomllib.loads(held.text)
    expected["handoff"][0]["card"] = {"rate_up": "15 Mb/s", "tags": [7]}
    assert tomllib.loads(text) == expected
    assert _comments(text) == _comments(held.text)
    assert text.index("[handoff.card]") < text.index("# the second")
    assert site_file.with_values(held, ("handoff", 1, "card"), {"rate_up": ""}) == held.text


def test_written_whole_with_a_copy(house: Path) -> None:
    """The text from before is beside it, the mode is the file's; what is wrong or stale changes nothing."""
    held, clock = site_file.read(house), Clock()
    window = {"name": "works", "kind": "maintenance", "dates": "2026-12-01", "hours": "02:00-05:00"}
    made = site_file.write(held, site_file.with_table(held, "window", window), clock=clock)
    assert made.windows[-1].name == "works"
    (kept,) = house.parent.glob("house.toml.before-*")
    assert kept.read_text() == held.text
    assert stat.S_IMODE(house.stat().st_mode) == 0o640
    assert tomllib.loads(house.read_text())["window"][-1]["dates"][0].isoformat() == "2026-12-01"
    with pytest.raises(site_file.Stale):
        site_file.write(held, held.text + "\n# mine\n", clock=clock)
    now = site_file.read(house)
    text = site_file.with_values(now, ("handoff", 1, "card"), {"rate_up": "fast"})
    with pytest.raises(SiteMistake, match=r"handoff\[2\].card.rate_up") as wrong:
        site_file.write(now, text, clock=clock)
    assert wrong.value.file == str(house)
    assert house.read_text() == now.text
    assert [one.name for one in house.parent.iterdir() if one.name.startswith(".")] == []


# On the page


async def _client(house: Path, site: Site) -> Client:
    loaded = await asyncio.to_thread(sites.load, house)
    app = dashboard.make_app(
        site=loaded,
        reader=ReaderThread(site.database),
        clock=invented.clock(),
        allowed_hosts=frozenset({HOST}),
        where=Listening(),
    )
    return TestClient(TestServer(app), headers={"Host": HOST})


def _fields(page: Element, where: str) -> dict[str, str]:
    """A form's fields as a browser would send them unchanged."""
    form = next(
        one
        for one in page.all("form", method="post")
        if any(field.attributes.get("value") == where for field in one.all("input", name="where"))
    )
    return {
        field.attributes["name"] or "": field.attributes.get("value") or "" for field in form.all("input")
    }


async def _open(client: Client) -> Element:
    async with client.get("/site") as response:
        assert response.status == 200
        return read(await response.text())


@pytest.mark.asyncio
async def test_a_form_writes_and_a_hand_edit_is_not_overwritten(house: Path, site: Site) -> None:
    """Sent as it came, it writes nothing; changed, one value; after a hand edit, a sentence."""
    before = await asyncio.to_thread(house.read_text)
    async with await _client(house, site) as client:
        fields = _fields(await _open(client), "handoff/1/card")
        assert fields["rate_up"] == "600 Mb/s"
        async with client.post("/site", data=fields, headers=OWN, allow_redirects=False) as response:
            assert response.status == 303
        assert await asyncio.to_thread(house.read_text) == before
        sent = fields | {"rate_up": "500 Mb/s"}
        async with client.post("/site", data=sent, headers=OWN) as response:
            assert "no probe is running" in (await response.text()).lower()
        now = await asyncio.to_thread(house.read_text)
        assert now == before.replace('rate_up = "600 Mb/s"', 'rate_up = "500 Mb/s"', 1)
        assert client.app[dashboard.DESK].site.handoff("A").card.rate_up_bps == 500_000_000
        async with client.post("/site", data=sent | {"rate_up": "1 Mb/s"}, headers=OWN) as response:
            assert response.status == 409
            assert "the file was changed after this form was made" in await response.text()
        assert await asyncio.to_thread(house.read_text) == now


@pytest.mark.asyncio
async def test_what_is_wrong_stands_at_its_field(house: Path, site: Site) -> None:
    """With the text that was typed, and nothing written; a vague card has its question to the provider."""
    async with await _client(house, site) as client:
        page = await _open(client)
        assert "Vague" in page.one("section", **{"aria-labelledby": "handoff-0-card"}).text
        assert "To ask the provider:" in page.one("section", **{"aria-labelledby": "handoff-0-card"}).text
        fields = _fields(page, "handoff/1/card") | {"rate_up": "fast"}
        async with client.post("/site", data=fields, headers=OWN) as response:
            assert response.status == 422
            page = read(await response.text())
        field = page.one("input", id="handoff-1-card-rate_up")
        assert (field.attributes["value"], field.attributes["aria-invalid"]) == ("fast", "true")
        assert "rate" in page.one("b", id=field.attributes["aria-describedby"] or "").text
        window = {key: fields[key] for key in ("token", "sha256")} | {"where": "new/window", "name": "x y"}
        async with client.post("/site", data=window, headers=OWN) as response:
            assert response.status == 422
        odd = fields | {"database": "other.db"}
        async with client.post("/site", data=odd, headers=OWN) as response:
            assert "database: this form has no such field" in await response.text()


@pytest.mark.asyncio
async def test_a_probe_goes_by_what_was_written(house: Path) -> None:
    """The daemon of that very file: its trains follow it, and the record says who had it read."""
    loaded = await asyncio.to_thread(sites.load, house)
    async with alive(Clock(), loaded) as one:
        held = await asyncio.to_thread(site_file.read, house)
        changed = site_file.with_values(held, ("handoff", 1, "card"), {"rate_up": "500 Mb/s"})
        await asyncio.to_thread(site_file.write, held, changed, clock=Clock())
        await one.daemon.read_again("the site file, table handoff/1/card", why="on the Site page by anna")
        assert one.daemon.site.handoff("A").card.rate_up_bps == 500_000_000
        (kept,) = one.store.of(AskedFor)
        assert (kept.what, kept.why[-4:]) == ("the site file, table handoff/1/card", "anna")


@pytest.mark.asyncio
async def test_a_probe_that_refuses_is_said(house: Path, site: Site) -> None:
    """Asked at its door, on record by whom; one that refuses is said."""
    async with await _client(house, site) as client, probing(site) as one:
        assert not await asyncio.to_thread(one.daemon.site.file.exists)  # so that the probe must refuse
        fields = _fields(await _open(client), "handoff/1/card") | {"rate_up": "500 Mb/s"}
        async with client.post("/site", data=fields, headers=OWN) as response:
            assert "the running probe refused it" in await response.text()
        assert one.store.of(AskedFor) == []
        assert one.daemon.refused is not None


def test_a_place_with_more_digits_than_python_reads() -> None:
    """4300 by default (Python's documentation of sys.set_int_max_str_digits): the table is not there."""
    digits = "9" * 5000
    assert page.where_of(f"handoff/0/{digits}") == ("handoff", 0, digits)
