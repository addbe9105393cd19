"""What a page elsewhere, or another program of this machine, may try against the dashboard.

The threats are those of docs/threat-model.md; those with a test beside their subject are not here again.
"""

from __future__ import annotations

import asyncio
import contextlib
import csv
import io
import logging
import resource
from http.cookies import SimpleCookie

import pytest
from aiohttp import DummyCookieJar, web
from aiohttp.test_utils import TestClient, TestServer

from dashboard import app, lobby, logins
from dashboard.access import ACCESS
from dashboard.app import make_app
from dashboard.listening import Listening
from dashboard.logins import Role
from dashboard.pages import spread
from dashboard.pages.ledger import Cell, Heading, Table
from dashboard.papers import files
from store.clock import Clock
from store.reader import ReaderThread
from store.site import Site
from tests.dashboard.conftest import HOST, Client

OWN = {"Sec-Fetch-Site": "same-origin", "Origin": "null"}
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
WAYS_OUT = [
    "/static/../../pyproject.toml",
    "/static/0/..%2f..%2fpyproject.toml",
    "/static/..%2f..%2f/pyproject.toml",
    "/static/%2e%2e/%2e%2e/pyproject.toml",
    "/static//etc/passwd",
    "/static/0/%00book.css",
    "/..%5c..%5cpyproject.toml",
    "/circuit/..%2f..%2fetc%2fpasswd",
    "/figures/circuit/old/..%2f..%2f..%2fpyproject.toml",
    "/%2e%2e/site.toml",
    "//etc/passwd",
]


async def raw(client: Client, octets: bytes) -> bytes:
    """The answer to a request that no well-behaved library would send."""
    assert client.port is not None
    reader, writer = await asyncio.open_connection("127.0.0.1", client.port)
    try:
        writer.write(octets)
        async with asyncio.timeout(5):
            return await reader.read()
    finally:
        writer.close()
        await asyncio.gather(writer.wait_closed(), return_exceptions=True)


@pytest.mark.asyncio
@pytest.mark.parametrize("path", WAYS_OUT)
async def test_no_path_leads_out(client: Client, path: str) -> None:
    """Sent as it stands, where a browser would tidy it up: nothing is found, and nothing of a file said."""
    answer = await raw(client, f"GET {path} HTTP/1.1\r\nHost: {HOST}\r\nConnection: close\r\n\r\n".encode())
    assert answer.startswith((b"HTTP/1.1 404 ", b"HTTP/1.1 400 "))
    assert b"[project]" not in answer
    assert b"root:" not in answer


@pytest.mark.asyncio
async def test_a_huge_form(client: Client) -> None:
    """RFC 9110 section 15.5.14: 413, of the one shape of errors, before it is held in memory."""
    body = io.BytesIO(b"token=" + b"a" * (4 << 20))
    async with client.post("/acts/stop", data=body, headers=OWN | FORM) as response:
        page = await response.text()
    assert response.status == 413
    assert "Content-Security-Policy" in response.headers
    assert "Traceback" not in page


@pytest.mark.asyncio
async def test_idle_connections_by_the_thousand(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond what may stand the oldest of the crowd go, forms that never end among them; nobody else does."""
    monkeypatch.setattr(lobby, "IDLE_MAX", 3)
    server = client.server.runner.server
    assert isinstance(server, web.Server)
    head = "".join(f"{name}: {value}\r\n" for name, value in (OWN | FORM).items())
    form = f"POST /acts/stop HTTP/1.1\r\nHost: {HOST}\r\nContent-Length: 9\r\n{head}\r\n"
    async with contextlib.AsyncExitStack() as stack:
        standing = []
        for own in ("127.0.0.3", *("127.0.0.2" for _ in range(5))):
            opened = await asyncio.open_connection("127.0.0.1", client.port, local_addr=(own, 0))
            stack.callback(opened[1].close)
            standing.append(opened)
        standing[1][1].write(form.encode())
        async with client.get("/openapi.json") as response:  # by now all of it has arrived
            await response.read()
        client.app[app.LOBBY].look(server.connections)
        for reader, _ in standing[1:4]:
            with contextlib.suppress(ConnectionResetError):
                assert await reader.read() == b""
        reader, writer = standing[0]
        writer.write(f"GET /openapi.json HTTP/1.1\r\nHost: {HOST}\r\n\r\n".encode())
        assert (await reader.readline()).startswith(b"HTTP/1.1 200 ")


@pytest.mark.asyncio
@pytest.mark.parametrize("octets", [b"\x16\x03\x01\x02\x00", b"GET * HTTP/1.1\r\n\r\n", b"A\x1b[2J\r\n\r\n"])
async def test_what_is_no_http_is_in_no_log(
    site: Site, caplog: pytest.LogCaptureFixture, octets: bytes
) -> None:
    """It would be a traceback each, and anybody who reaches the port can send it."""
    made = make_app(
        site=site, reader=ReaderThread(site.database), clock=Clock(), allowed_hosts=frozenset({HOST})
    )
    runner = app.runner_of(made)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    try:
        reader, writer = await asyncio.open_connection(*runner.addresses[0])
        writer.write(octets)
        assert (await reader.read()).startswith(b"HTTP/1.0 400 ")
        writer.close()
    finally:
        await runner.cleanup()
    assert not [one for one in caplog.records if one.exc_info or one.levelno >= logging.ERROR]


def test_a_service_manager_that_forbids_more_files(monkeypatch: pytest.MonkeyPatch) -> None:
    """As the unit's filter of system calls does: EPERM, which Python tells as ValueError."""

    def forbidden(*_: object) -> None:
        raise ValueError("not allowed to raise maximum limit")

    monkeypatch.setattr(resource, "getrlimit", lambda _: (256, 4096))
    monkeypatch.setattr(resource, "setrlimit", forbidden)
    lobby.more_files()


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("application/x-www-form-urlencoded; charset=none-such", b"a=b"),
        ("application/x-www-form-urlencoded", b"a=\xff"),
        ("multipart/form-data", b"a"),
        ("multipart/form-data; boundary=x", b"--x\r\n\r\n"),
    ],
)
async def test_octets_that_are_no_form(
    client: Client, caplog: pytest.LogCaptureFixture, kind: str, body: bytes
) -> None:
    """RFC 9110 section 15.5.1: 400 and no mistake of ours, so that nobody fills the log with tracebacks."""
    async with client.post("/acts/stop", data=body, headers=OWN | {"Content-Type": kind}) as response:
        assert "no form of a page" in await response.text()
    assert response.status == 400
    assert not [record for record in caplog.records if record.exc_info]


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "head",
    [
        f"GET / HTTP/1.1\r\nHost: {HOST}\r\nHost: example.net\r\n\r\n",
        f"GET http://example.net/ HTTP/1.1\r\nHost: {HOST}\r\nConnection: close\r\n\r\n",
        "GET / HTTP/1.0\r\n\r\n",
        f"GET / HTTP/1.1\r\nHost: {HOST}@example.net\r\nConnection: close\r\n\r\n",
    ],
    ids=["two hosts", "absolute form", "no host", "user"],
)
async def test_a_name_is_not_smuggled_in(client: Client, head: str) -> None:
    """No second Host, and no other form of address, gets a page out of the dashboard (DNS rebinding)."""
    answer = await raw(client, head.encode())
    assert answer.startswith((b"HTTP/1.1 421 ", b"HTTP/1.0 421 ", b"HTTP/1.1 400 ", b"HTTP/1.0 400 "))
    assert b"Quillet" not in answer


@pytest.mark.asyncio
async def test_a_header_does_not_split(client: Client, caplog: pytest.LogCaptureFixture) -> None:
    """Line ends in an address go into no header of the answer (RFC 9112 section 11.1)."""
    caplog.set_level(logging.INFO)
    for path in ("/circuit/x%0d%0aSet-Cookie:%20a=b", "/acts/x%0d%0aSet-Cookie:%20a=b", "/%0d%0aSet-Cookie:"):
        answer = await raw(
            client, f"GET {path} HTTP/1.1\r\nHost: {HOST}\r\nConnection: close\r\n\r\n".encode()
        )
        head, _, _ = answer.partition(b"\r\n\r\n")
        assert b"Set-Cookie" not in head


@pytest.mark.asyncio
async def test_a_session_that_was_planted(site: Site, request: pytest.FixtureRequest) -> None:
    """Session fixation: the cookie that a browser came with never becomes the one that is logged in."""
    password, file = "a long enough sentence", logins.path_of(site.database)
    request.addfinalizer(file.unlink)  # the site is every test's
    await asyncio.to_thread(logins.save, file, (logins.made("anna", password, role=Role.OPERATE),))
    made = make_app(
        site=site,
        reader=ReaderThread(site.database),
        clock=Clock(),
        allowed_hosts=frozenset({HOST}),
        where=Listening(login=True),
    )
    planted = {"Cookie": "linebook=planted-by-somebody-else"}
    async with TestClient(TestServer(made), headers={"Host": HOST}, cookie_jar=DummyCookieJar()) as client:
        data = {"token": made[ACCESS].token(None), "name": "anna", "password": password, "then": "/"}
        async with client.post("/login", data=data, headers=OWN | planted, allow_redirects=False) as response:
            assert response.status == 303
            given = SimpleCookie(response.headers["Set-Cookie"])["linebook"].value
        assert "planted" not in given
        assert len(given) >= 43  # 256 bits in base64url
        for cookie, status in ((planted["Cookie"], 401), (f"linebook={given}", 200)):
            async with client.get("/today.json", headers={"Cookie": cookie}) as response:
                assert response.status == status


@pytest.mark.asyncio
@pytest.mark.parametrize("path", ["/evenings/old.json?month=1287-11", "/term/old.json?month=0001-01"])
async def test_a_month_whose_nanoseconds_no_database_holds(client: Client, path: str) -> None:
    """64 bits hold nanoseconds from 1677 on; what is asked for before is refused, not a mistake of ours."""
    async with client.get(path) as response:
        assert response.status == 400
        assert "before 2000-01" in (await response.json())["why"]


@pytest.mark.parametrize("first", ["=", "+", "-", "@", "\t", "\r"])
def test_no_table_of_a_page_or_paper_begins_as_a_formula(first: str) -> None:
    """Neither caption, heading nor cell; the characters are those of export's test."""
    text = f'{first}HYPERLINK("http://example.net/")'
    table = Table(caption=text, headings=(Heading(text=text),), rows=((Cell(text=text),),))
    out = io.StringIO(newline="")
    files._table(csv.writer(out, lineterminator="\r\n"), table)
    for written in (spread.text(table), out.getvalue()):
        cells = [one for row in csv.reader(io.StringIO(written, newline="")) for one in row]
        assert len(cells) >= 2
        assert {one[:2] for one in cells} == {f"'{first}"}
