"""Runs started and ended on pages, and the stream of events that follows them.

The stream's form: HTML Living Standard, section 9.2.6, "interpreting an event stream" (from memory), read
here by a reader written from it.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from typing import Any

import aiohttp
import pytest

from dashboard import app as dashboard
from dashboard import live
from dashboard.listening import Listening
from store.asked_for import AskedFor
from store.clock import Clock
from store.records import Direction
from store.site import Method, Site
from tests.dashboard.conftest import Client
from tests.dashboard.reading import Element, read
from tests.dashboard.test_acts import OWN, _key, probing

pytestmark = pytest.mark.asyncio

RUN = {"what": "run", "handoff": "A", "kind": "rate", "direction": "up", "seconds": "5", "endpoint": "north"}


async def _send(client: Client, where: str, fields: dict[str, str]) -> tuple[int, Element]:
    data = {"token": _key(client), **fields}
    async with client.post(where, data=data, headers=OWN, allow_redirects=False) as response:
        return response.status, read(await response.text() or "<html></html>")


async def test_what_fills_the_line_is_asked_for_once_more(client: Client, site: Site) -> None:
    """A page of its own with the caution and a box to tick; sent again, the probe has it."""
    async with probing(site) as one:
        one.rate.lasts_s = 0.01
        status, page = await _send(client, "/runs/start", RUN)
        assert status == 200
        assert "A rate run up on handoff A, 5 s, to north." in page.one("main").text
        assert "an emergency call, an alarm or a medical device" in page.one("main").text
        form = page.one("form", action="/runs/start")
        box = form.one("input", type="checkbox")
        assert (box.attributes["name"], "required" in box.attributes) == ("confirmed", True)
        assert one.store.of(AskedFor) == []
        hidden = {
            field.attributes["name"] or "": field.attributes["value"] or ""
            for field in form.all("input", type="hidden")
        }
        async with client.post(
            "/runs/start", data={**hidden, "confirmed": "yes"}, headers=OWN, allow_redirects=False
        ) as response:
            assert (response.status, response.headers["Location"]) == (303, "/#now")
        async with asyncio.timeout(10):
            await one.daemon.book.board.until(lambda: True if one.rate.runs else None)
        (asked,) = one.store.of(AskedFor)
        assert (asked.what, asked.why) == (
            "rate run up on A to north, 5 s",
            "asked for on the Circuit page",
        )
        assert (one.rate.runs[0][0].method, one.rate.runs[0][0].direction) == (Method.RATE, Direction.UP)


async def test_a_light_run_goes_at_once_and_a_window_refuses(client: Client, site: Site) -> None:
    """Without a question, as it fills nothing; in a show window with the sentence of the rule, and 409."""
    async with probing(site) as one:
        one.rate.lasts_s = 0.01
        assert (await _send(client, "/runs/start", RUN | {"kind": "light"}))[0] == 303
        await one.daemon.open_show("A", minutes=None, why="a show")
        status, page = await _send(client, "/runs/start", RUN | {"kind": "light"})
        assert status == 409
        assert "Nothing was started: it may not run now: a show window is open: a show." in page.text
        assert len(one.store.of(AskedFor)) == 1


@pytest.mark.parametrize(
    ("fields", "status", "says"),
    [
        (RUN | {"what": "flood"}, 400, "what: this form starts nothing"),
        (RUN | {"kind": "flood"}, 400, "kind: expected one of rate"),
        (RUN | {"seconds": "1e3"}, 400, "seconds: expected a whole number from 2 to 60"),
        (RUN | {"handoff": "C"}, 400, "handoff: expected one of old, A"),
        (RUN | {"rate": "1"}, 400, "rate: this form has no such field"),
        (RUN | {"kind": "light", "endpoint": "moon"}, 409, "endpoint: expected one of"),
        ({"what": "rehearsal", "plan": "none", "seconds": "60"}, 400, "plan: expected one of evening"),
        ({"what": "row", "handoff": "A", "row": "A1", "seconds": ""}, 400, "row: expected one of A3"),
        ({"what": "check", "plan": "none", "before": "1h"}, 400, "plan: expected one of evening"),
        ({"what": "check", "plan": "evening", "before": "2h"}, 400, "before: expected one of 24h, 1h, 10min"),
        (RUN | {"what": "train", "seconds": "60"}, 400, "kind: this form has no such field"),
    ],
)  # fmt: skip
async def test_what_is_wrong_is_said(
    client: Client, site: Site, fields: dict[str, str], status: int, says: str
) -> None:
    """By its field, and nothing is started."""
    async with probing(site) as one:
        found, page = await _send(client, "/runs/start", fields)
        assert (found, says in page.one("main").text) == (status, True)
        assert one.store.of(AskedFor) == []


async def test_forms_stand_where_one_looks_for_them(client: Client) -> None:
    """Circuit, Shows and Acceptance, each button with words, each field in a label."""
    each, windows = (
        ["Check before the show", "Try it now", "Rehearse it now"],
        ["Open a show window", "Close the show windows"],
    )
    for path, words in (
        ("/circuit/A", ["Start a run", "Start a train"]),
        (
            "/shows",
            [*each, *each, *windows],
        ),
        ("/acceptance/A", ["Run a row"]),
    ):
        async with client.get(path) as response:
            page = read(await response.text())
        assert [button.text for button in page.one("main").all("button")] == words


@pytest.mark.parametrize(
    ("before", "lead", "does"),
    [
        ("24h", "This fills the line.", "a run up of 10 s, which takes all that the line gives."),
        ("1h", "This fills the line wherever it carries no more than it asks for.", "which asks for "),
    ],
)
async def test_a_check_says_what_it_does_to_the_line(
    client: Client, site: Site, before: str, lead: str, does: str
) -> None:
    """Each stage its own, on every handoff that it looks at, with the caution."""
    _, page = await _send(client, "/runs/start", {"what": "check", "plan": "evening", "before": before})
    text = page.one("main").text
    assert lead in text
    assert f"On handoff old a run up of {'30' if before == '1h' else '10'} s" in text
    assert does in text
    assert "likewise on handoff A." in text
    assert "an emergency call, an alarm or a medical device" in text


class Stream:
    """Events as the standard reads them: fields of a block that an empty line ends."""

    def __init__(self, response: aiohttp.ClientResponse) -> None:
        self._response = response

    async def __aiter__(self) -> AsyncIterator[dict[str, Any]]:
        block: dict[str, str] = {}
        async for line in self._response.content:
            text = line.decode().rstrip("\n")
            if text.startswith(":"):
                continue
            if not text:
                if "data" in block:
                    yield json.loads(block["data"])
                block = {}
                continue
            name, _, value = text.partition(": ")
            block[name] = value


async def test_the_stream_tells_a_run_and_its_end(client: Client, site: Site) -> None:
    """With the seconds so far; its key is the page's as long as the page need not be read again."""
    async with probing(site) as one:
        one.rate.lasts_s = 60
        await _send(client, "/runs/start", RUN | {"kind": "light"})
        async with asyncio.timeout(10):
            await one.daemon.book.board.until(lambda: True if one.daemon.book.board.runs else None)
        one.daemon.book.board.progress["A"] = "up after 3 s: 17.20 Mb/s payload"
        async with client.get("/") as response:
            section = read(await response.text()).one("section", id="now")
        assert "Up after 3 s: 17.20 Mb/s payload; " in section.one("li").text
        assert "asked for on the Circuit page" in section.one("li").text
        key = section.one("div", id="now-runs").attributes["data-key"]
        async with asyncio.timeout(20), client.get("/now/events") as response:
            assert response.headers["Content-Type"] == "text/event-stream"
            assert response.headers["Content-Security-Policy"]
            events = aiter(Stream(response))
            first = await anext(events)
            assert first["key"] == key
            assert [(run["handoff"], run["seconds"]) for run in first["runs"]] == [("A", 5)]
            assert (await _send(client, "/runs/end", {"handoff": "A"}))[0] == 303
            async for event in events:
                if not event["runs"]:
                    assert event["key"] != key
                    break


async def test_streams_are_few_and_the_probe_is_asked_once_for_all(
    client: Client, site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many read, one task asks; one more than there may be is refused with a sentence."""
    monkeypatch.setattr(live, "MOST", 3)
    async with probing(site):
        readers = [await client.get("/now/events") for _ in range(3)]
        try:
            async with asyncio.timeout(10):
                for reader in readers:
                    await anext(aiter(Stream(reader)))
            assert sum(task.get_name() == "live" for task in asyncio.all_tasks()) == 1
            async with client.get("/now/events") as response:
                assert response.status == 503
        finally:
            for reader in readers:
                reader.close()


async def test_an_open_stream_does_not_hold_the_dashboard_up(site: Site) -> None:
    """Cancelled, it is over within 2 s, and the reader hears the end."""
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        dashboard.serve(site, where=Listening(), clock=Clock(), ready=ready.set_result), name="dashboard"
    )
    url = await ready
    async with aiohttp.ClientSession() as session, session.get(f"{url}now/events") as response:
        await anext(aiter(Stream(response)))
        before = time.monotonic()
        task.cancel()
        await asyncio.wait({task})
        assert time.monotonic() - before < 2
        assert await response.content.read() == b""
