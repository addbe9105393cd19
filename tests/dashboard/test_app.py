"""Routes, headers, errors and lifetimes of the dashboard, met over HTTP."""

from __future__ import annotations

import asyncio
import hashlib
import socket
import time
from typing import Any

import aiohttp
import pytest

from dashboard import app as dashboard
from dashboard.listening import Listening
from store.clock import Clock
from store.errors import UserMistake
from store.site import Site
from tests.dashboard.conftest import Client, client_of
from tests.dashboard.reading import read

pytestmark = pytest.mark.asyncio

# What each response must say, by the documents that define it: CSP Level 3 sections 6.1 to 6.4, Fetch
# section "X-Content-Type-Options header", Referrer Policy section 3.1 (names from memory).
POLICY = {
    "default-src": "'none'",
    "script-src": "'self'",
    "style-src": "'self'",
    "img-src": "'self' data:",
    "connect-src": "'self'",
    "base-uri": "'none'",
    "form-action": "'self'",
    "frame-ancestors": "'none'",
}

EVERYWHERE = [
    ("/", 200),
    ("/today.json", 200),
    ("/circuit/old", 200),
    ("/circuit/old?period=week", 200),
    ("/circuit/A.json?period=hour", 200),
    ("/figures/today/evening.json", 200),
    ("/figures/circuit/old/rates-up.json", 200),
    ("/figures/circuit/old/train.json?endpoint=north", 200),
    ("/figures/circuit/old/train.json?endpoint=lan", 200),
    ("/events", 200),
    ("/shows", 200),
    ("/uploads", 200),
    ("/uploads.json?size=64+GB&start=23:00&deadline=09:00", 200),
    ("/uploads?size=64", 400),
    ("/uploads.json?size=64+GB&start=yesterday", 400),
    ("/uploads?size=64+GB&size=65+GB", 400),
    ("/shows.json", 200),
    ("/events.json?handoff=old", 200),
    ("/nowhere", 404),
    ("/circuit/C", 404),
    ("/circuit/C.json", 404),
    ("/figures/today/none.json", 404),
    ("/figures/circuit/old/none.json", 404),
    ("/figures/circuit/old/train.json", 404),
    ("/static/0000000000000000/book.css", 404),
    ("/circuit/old?period=year", 400),
    ("/circuit/old.json?period=day&period=week", 400),
    ("/events?day=today", 400),
    ("/?period=day", 400),
    ("/today.json?since=1", 400),
]


@pytest.mark.parametrize(("path", "status"), EVERYWHERE)
async def test_headers_everywhere(client: Client, path: str, status: int) -> None:
    """The security headers stand on every response, and no banner tells what serves it."""
    async with client.get(path) as response:
        assert response.status == status
        policy = dict(
            part.strip().split(" ", 1) for part in response.headers["Content-Security-Policy"].split(";")
        )
        assert policy == POLICY
        assert response.headers["X-Content-Type-Options"] == "nosniff"
        assert response.headers["Referrer-Policy"] == "no-referrer"
        assert "Server" not in response.headers
        assert "Set-Cookie" not in response.headers
        assert response.headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize(("path", "status"), [one for one in EVERYWHERE if one[1] != 200])
async def test_errors_have_one_shape(client: Client, path: str, status: int) -> None:
    """A JSON address answers errors as one JSON shape, any other as a page that leads on."""
    async with client.get(path) as response:
        if path.split("?")[0].endswith(".json"):
            found = await response.json()
            assert found.keys() == {"kind", "status", "why"}
            assert (found["kind"], found["status"]) == ("error", status)
            assert found["why"].endswith(".")
        else:
            page = read(await response.text())
            assert [link.attributes["href"] for link in page.one("main").all("a")] == [
                "/",
                "/shows",
                "/circuit/old",
                "/circuit/A",
                "/events",
                "/uploads",
            ]


@pytest.mark.parametrize(
    ("path", "names"),
    [
        ("/circuit/old?period=year", ["period", "'year'", "hour, day, week, month"]),
        ("/circuit/old.json?period=day&period=week", ["period", "2 times"]),
        ("/?period=day", ["'period'", "takes none"]),
        ("/circuit/old?endpoint=north", ["'endpoint'", "takes period"]),
    ],
)
async def test_bad_query_names_its_parameter(client: Client, path: str, names: list[str]) -> None:
    """A query that cannot be answered gets 400 and a sentence with the parameter and what would be right."""
    async with client.get(path) as response:
        text = await response.text()
    text = text if path.split("?")[0].endswith(".json") else read(text).one("main").text
    assert response.status == 400
    assert [name for name in names if name not in text] == []


async def test_markup_in_an_address_stays_text(client: Client) -> None:
    """What an address says is shown as text, never as markup."""
    async with client.get("/circuit/%3Cscript%3Ealert(1)%3C%2Fscript%3E") as response:
        page = read(await response.text())
    assert response.status == 404
    assert page.one("main").all("script") == []
    assert "<script>alert(1)</script>" in page.one("main").text


@pytest.mark.parametrize(
    "host", ["example.net", "127.0.0.1", "127.0.0.1:80", "localhost:8470.example.net", ""]
)
async def test_other_names_are_refused(client: Client, host: str) -> None:
    """A name elsewhere that was pointed at this machine reads nothing (DNS rebinding)."""
    async with client.get("/today.json", headers={"Host": host}) as response:
        text = await response.text()
    assert response.status == 421  # Misdirected Request, RFC 9110 section 15.5.20
    assert "Quillet" not in text
    assert "Content-Security-Policy" in response.headers


async def test_it_only_shows(client: Client) -> None:
    """Nothing can be sent to it."""
    async with client.post("/", data={"a": "b"}) as response:
        assert response.status == 405
        assert response.headers["Allow"] == "GET,HEAD"
        assert "Content-Security-Policy" in response.headers


async def test_static_files_are_kept_for_ever_under_their_hash(client: Client) -> None:
    """Every file a page asks for is there with its type, and its address is the hash of its bytes."""
    async with client.get("/circuit/old") as response:
        page = read(await response.text())
    urls = [
        one.attributes["href"] for one in page.all("link") if one.attributes["rel"] in ("stylesheet", "icon")
    ]
    urls += [one.attributes["src"] for one in page.all("script")]
    types = {}
    for url in urls:
        async with client.get(str(url)) as response:
            content = await response.read()
            assert response.status == 200
            assert response.headers["Cache-Control"] == "public, max-age=31536000, immutable"  # RFC 8246
            _, _, digest, name = str(url).split("/")
            assert hashlib.sha256(content).hexdigest().startswith(digest)
            types[name] = response.content_type
    assert types == {
        "book.css": "text/css",
        "mark.svg": "image/svg+xml",
        "plotly.min.js": "text/javascript",
        "charts.js": "text/javascript",
    }


async def test_no_database_is_said_in_a_sentence(nowhere: Site) -> None:
    """Before the probe's first start there is a page that says so, and JSON that says so."""
    async with client_of(nowhere) as client:
        async with client.get("/") as response:
            page = read(await response.text())
        async with client.get("/today.json") as answer:
            found = await answer.json()
    assert (response.status, answer.status) == (503, 503)
    assert "the probe makes it on its first start" in page.one("main").text
    assert "the probe makes it on its first start" in found["why"]


async def _served(site: Site, *, host: str = "127.0.0.1", port: int | None) -> tuple[asyncio.Task[None], str]:
    """The dashboard as a task, and its address."""
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        dashboard.serve(site, where=Listening(host=host, port=port), clock=Clock(), ready=ready.set_result),
        name="dashboard",
    )
    either: set[asyncio.Future[Any]] = {task, ready}
    await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
    if task.done():
        await task
    return task, ready.result()


async def _ended(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.wait({task})


async def test_serves_until_cancelled_and_ends_within_two_seconds(site: Site) -> None:
    """It answers at the address it names; cancelled, it is gone within 2 s even with a connection open."""
    task, url = await _served(site, port=None)
    async with aiohttp.ClientSession() as session:
        async with session.get(f"{url}today.json") as response:
            assert (await response.json())["kind"] == "today"
        before = time.monotonic()
        await _ended(task)
        assert time.monotonic() - before < 2
    assert task.cancelled()
    with socket.socket() as again:  # the port is free again
        again.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        again.bind(("127.0.0.1", int(url.rstrip("/").rsplit(":", 1)[1])))


async def test_every_own_name_is_answered(site: Site) -> None:
    """127.0.0.1, localhost and [::1] with the port are its own names."""
    task, url = await _served(site, port=None)
    port = url.rstrip("/").rsplit(":", 1)[1]
    async with aiohttp.ClientSession() as session:
        for name in ("127.0.0.1", "localhost", "[::1]"):
            async with session.get(f"{url}today.json", headers={"Host": f"{name}:{port}"}) as response:
                assert response.status == 200
    await _ended(task)


async def test_taken_port_is_named_or_passed_over(site: Site) -> None:
    """A port asked for that is taken is a mistake that names it; without one the next free is taken."""
    task, url = await _served(site, port=None)
    port = int(url.rstrip("/").rsplit(":", 1)[1])
    with pytest.raises(UserMistake, match=rf"--port {port}: another program listens there"):
        await dashboard.serve(site, where=Listening(host="127.0.0.1", port=port), clock=Clock(), ready=print)
    second, other = await _served(site, port=None)
    assert int(other.rstrip("/").rsplit(":", 1)[1]) > port
    await _ended(task)
    await _ended(second)


@pytest.mark.parametrize(
    ("host", "says"),
    [
        ("0.0.0.0", "beyond it a login is needed.*SSH tunnel"),
        ("192.0.2.130", "beyond it a login is needed.*SSH tunnel"),
        ("::", "beyond it a login is needed"),
        ("probe.example.net", "say 127.0.0.1, ::1 or localhost"),
    ],
)
async def test_other_hosts_are_refused(site: Site, host: str, says: str) -> None:
    """It listens on this machine only, and says what to do instead."""
    with pytest.raises(UserMistake, match=says):
        await dashboard.serve(site, where=Listening(host=host, port=None), clock=Clock(), ready=print)
