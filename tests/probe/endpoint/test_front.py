"""The HTTPS front over real TLS on 127.0.0.1: what strangers hear, and what a bad request gets."""

from __future__ import annotations

import asyncio
import json
import logging
import socket
import ssl
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from probe.endpoint import front, keys
from probe.endpoint.front import Call, Front
from probe.wire.control import Refusal, RunRequest, Stopped, decode
from probe.wire.invitation import secret_text

KEY = bytes(range(32))
GOOD = {"Authorization": f"Bearer {secret_text(KEY)}", "Linebook-Protocol": "1"}


async def stop(call: Call) -> Stopped:
    """An answer that takes no message."""
    return Stopped(runs=1, trains=2)


async def open_run(call: Call) -> Stopped:
    """An answer that reads its body."""
    return Stopped(runs=call.message(RunRequest).flows, trains=0)


async def fail(call: Call) -> Stopped:
    """An answer with a mistake of ours in it."""
    raise RuntimeError("a secret detail")


ANSWERS: dict[tuple[str, str], front.Answer] = {
    ("POST", "stop"): stop,
    ("POST", "runs"): open_run,
    ("GET", "hello"): fail,
}


@pytest.fixture
def tls(tmp_path: Path) -> ssl.SSLContext:
    keys.invite(tmp_path / "endpoint", address="192.0.2.10")
    return keys.tls_context(keys.load(tmp_path / "endpoint"))


@asynccontextmanager
async def opened(tls: ssl.SSLContext) -> AsyncIterator[int]:
    """A front with one caller; gives its port."""
    far = Front(ANSWERS, admit=lambda key: "a" if key == KEY else None)
    sock = socket.create_server(("127.0.0.1", 0))
    try:
        await far.start([sock], tls=tls)
        yield sock.getsockname()[1]
    finally:
        await far.close()


def trusting() -> ssl.SSLContext:
    """A caller that looks at no certificate: pinning is not this test's business."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


@asynccontextmanager
async def connected(
    port: int, own: str = "127.0.0.1"
) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port, ssl=trusting(), local_addr=(own, 0))
    try:
        yield reader, writer
    finally:
        writer.close()
        await asyncio.gather(writer.wait_closed(), return_exceptions=True)


async def cut_off(reader: asyncio.StreamReader) -> bool:
    """Wait for the end of a connection: True when it came without a word, cleanly or by a reset."""
    try:
        return await reader.read() == b""
    except ConnectionResetError:
        return True


async def ask(
    port: int, method: str, path: str, *, headers: dict[str, str], data: bytes | None = None
) -> tuple[int, dict[str, str], bytes]:
    async with (
        aiohttp.ClientSession(connector=aiohttp.TCPConnector(ssl=trusting())) as session,
        session.request(
            method,
            f"https://127.0.0.1:{port}{path}",
            headers=headers,
            data=data,
            skip_auto_headers=["Accept"],
        ) as response,
    ):
        return response.status, dict(response.headers), await response.read()


async def refusal(port: int, method: str, path: str, **parts: Any) -> tuple[int, Refusal]:
    status, headers, body = await ask(port, method, path, **parts)
    assert "Server" not in headers
    return status, decode(Refusal, json.loads(body))


@pytest.mark.asyncio
async def test_strangers_all_hear_the_same(tls: ssl.SSLContext) -> None:
    """Whatever path, method and kind of wrong key: one answer, which names no program and no version."""
    authorizations = [
        {},
        {"Authorization": f"Bearer {secret_text(bytes(32))}"},
        {"Authorization": f"Bearer {secret_text(KEY)}x"},
        {"Authorization": f"Bearer {secret_text(KEY)[:-1]}"},
        {"Authorization": f"Basic {secret_text(KEY)}"},
        {"Authorization": "Bearer"},
        {"Authorization": "Bearer é"},
        {"Linebook-Protocol": "9"},
        {"Expect": "100-continue"},
    ]
    found = set()
    async with opened(tls) as port:
        for method, path in [
            ("GET", "/v1/hello"),
            ("POST", "/v1/stop"),
            ("GET", "/"),
            ("PROPFIND", "/x/y?z"),
        ]:
            for headers in authorizations:
                status, said, body = await ask(port, method, path, headers=headers)
                found.add((status, tuple(sorted((k, v) for k, v in said.items() if k != "Date")), body))
    ((status, headers_said, body),) = found
    assert status == 401
    assert decode(Refusal, json.loads(body)).code == "not_admitted"
    assert {name for name, _ in headers_said} == {"Content-Type", "Content-Length", "Connection"}


@pytest.mark.asyncio
async def test_a_caller_is_answered(tls: ssl.SSLContext) -> None:
    async with opened(tls) as port:
        status, headers, body = await ask(port, "POST", "/v1/stop", headers=GOOD)
    assert (status, json.loads(body)) == (200, {"runs": 1, "trains": 2})
    assert headers["Linebook-Protocol"] == "1"
    assert "Server" not in headers


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "said", [b"\x00\x01\x02\r\n\r\n", b"HELO far.example.net\r\n\r\n", b"GET / HTTP/9\r\n\r\n"]
)
async def test_what_is_not_http_hears_nothing(tls: ssl.SSLContext, said: bytes) -> None:
    async with opened(tls) as port, connected(port) as (reader, writer):
        writer.write(said)
        async with asyncio.timeout(2):
            assert await reader.read() == b""


@pytest.mark.asyncio
async def test_a_silent_stranger_is_cut_off(tls: ssl.SSLContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also one that trickles a header."""
    monkeypatch.setattr(front, "READ_S", 0.2)
    async with opened(tls) as port, connected(port) as (reader, writer):
        writer.write(b"GET /v1/hello HTTP/1.1\r\nHost: x\r\nAuthor")
        async with asyncio.timeout(2):
            assert await cut_off(reader)


@pytest.mark.asyncio
async def test_a_caller_is_not_cut_off(tls: ssl.SSLContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """Once a connection has shown a key, it may stay and ask again."""
    monkeypatch.setattr(front, "READ_S", 0.2)
    head = "".join(f"{name}: {value}\r\n" for name, value in GOOD.items())
    question = f"POST /v1/stop HTTP/1.1\r\nHost: x\r\nContent-Length: 0\r\n{head}\r\n".encode()
    async with opened(tls) as port, connected(port) as (reader, writer):
        for _ in range(2):
            writer.write(question)
            async with asyncio.timeout(2):
                assert (await reader.readuntil(b"}")).startswith(b"HTTP/1.1 200 ")
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(reader.read(1), 0.3)


@pytest.mark.asyncio
async def test_a_huge_body(tls: ssl.SSLContext) -> None:
    async with opened(tls) as port:
        found = await refusal(port, "POST", "/v1/runs", headers=GOOD, data=bytes(16 * 1024 + 1))
        assert found == (400, Refusal(code="bad_request", why="the body has more than 16384 bytes"))


@pytest.mark.asyncio
async def test_a_slow_body(tls: ssl.SSLContext, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(front, "READ_S", 0.2)
    head = "".join(f"{name}: {value}\r\n" for name, value in GOOD.items())
    async with opened(tls) as port, connected(port) as (reader, writer):
        writer.write(f"POST /v1/runs HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n{head}\r\n{{".encode())
        async with asyncio.timeout(4):
            answer = await reader.readuntil(b"}")
    assert answer.startswith(b"HTTP/1.1 400 ")
    assert b"the body did not come within" in answer


@pytest.mark.asyncio
@pytest.mark.parametrize("spoken", ["2", "0", "", "one", None])
async def test_another_protocol(tls: ssl.SSLContext, spoken: str | None) -> None:
    """The refusal says both versions and what to do."""
    headers = {k: v for k, v in GOOD.items() if k != "Linebook-Protocol"}
    async with opened(tls) as port:
        status, found = await refusal(
            port,
            "POST",
            "/v1/stop",
            headers=headers if spoken is None else headers | {"Linebook-Protocol": spoken},
        )
    assert (status, found.code) == (400, "protocol")
    assert f"speaks protocol 1, the caller {'nothing' if spoken is None else spoken}" in found.why


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("body", "why"),
    [
        (b"", "it is not JSON"),
        (b"{", "it is not JSON"),
        (b"\xff", "it is not JSON"),
        (b"[" * 16_000, "it is not JSON"),
        (b"[]", "RunRequest is not an object"),
        (b'{"direction": "up"}', "RunRequest.flows is missing"),
        (b'{"direction": "up", "flows": 1, "seconds": NaN}', "RunRequest.seconds is not a finite number"),
    ],
)
async def test_a_body_that_is_no_message(tls: ssl.SSLContext, body: bytes, why: str) -> None:
    async with opened(tls) as port:
        found = await refusal(port, "POST", "/v1/runs", headers=GOOD, data=body)
    assert found == (400, Refusal(code="bad_request", why=why))


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("method", "path"), [("GET", "/"), ("GET", "/v1/stop"), ("POST", "/v1/hello"), ("POST", "/v1/stop/../x")]
)
async def test_no_such_path(tls: ssl.SSLContext, method: str, path: str) -> None:
    async with opened(tls) as port:
        status, found = await refusal(port, method, path, headers=GOOD)
    assert (status, found.code) == (404, "unknown")


@pytest.mark.asyncio
async def test_a_mistake_of_ours(tls: ssl.SSLContext, caplog: pytest.LogCaptureFixture) -> None:
    """It is logged here and told as no more than trouble there."""
    with caplog.at_level(logging.ERROR):
        async with opened(tls) as port:
            status, found = await refusal(port, "GET", "/v1/hello", headers=GOOD)
    assert (status, found.code) == (500, "trouble")
    assert "secret detail" not in found.why
    assert "secret detail" in caplog.text


@pytest.mark.asyncio
async def test_older_tls_is_refused(tls: ssl.SSLContext) -> None:
    old = trusting()
    old.maximum_version = ssl.TLSVersion.TLSv1_2
    async with opened(tls) as port:
        with pytest.raises((ssl.SSLError, ConnectionResetError)):
            await asyncio.open_connection("127.0.0.1", port, ssl=old)


@pytest.mark.asyncio
async def test_connections_of_one_caller(tls: ssl.SSLContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the limit a connection hears why and ends; when one before it ends, there is room again."""
    monkeypatch.setattr(front, "CONNECTIONS_MAX", 1)
    head = "".join(f"{name}: {value}\r\n" for name, value in GOOD.items())
    question = f"POST /v1/stop HTTP/1.1\r\nHost: x\r\nContent-Length: 0\r\n{head}\r\n".encode()

    async def heard(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bytes:
        writer.write(question)
        async with asyncio.timeout(2):
            return await reader.readuntil(b"}")

    async with opened(tls) as port:
        async with connected(port) as first:
            assert (await heard(*first)).startswith(b"HTTP/1.1 200 ")
            async with connected(port) as second:
                answer = await heard(*second)
                assert answer.startswith(b"HTTP/1.1 429 ")
                assert b"connections" in answer
            assert (await heard(*first)).startswith(b"HTTP/1.1 200 ")
        for _ in range(20):
            async with connected(port) as third:
                if (await heard(*third)).startswith(b"HTTP/1.1 200 "):
                    break
        else:
            pytest.fail("the place of a connection that ended stays taken")


@pytest.mark.asyncio
async def test_a_key_that_is_gone_holds_no_connection(tls: ssl.SSLContext) -> None:
    """It would take a place of the caller's, whose new key finds none when all are taken."""
    admitted = {KEY: "a"}
    far = Front(ANSWERS, admit=admitted.get)
    with socket.create_server(("127.0.0.1", 0)) as door:
        await far.start([door], tls=tls)
        async with connected(door.getsockname()[1]) as (reader, writer):
            head = "".join(f"{name}: {value}\r\n" for name, value in GOOD.items())
            writer.write(f"POST /v1/stop HTTP/1.1\r\nHost: x\r\nContent-Length: 0\r\n{head}\r\n".encode())
            await reader.readuntil(b"}")
            admitted.clear()
            far.cut_off()
            async with asyncio.timeout(2):
                assert await cut_off(reader)
        await far.close()


@pytest.mark.asyncio
async def test_two_thousand_half_open_strangers(tls: ssl.SSLContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """They come faster than they are cut off, from one address; a caller from another is answered."""
    monkeypatch.setattr(front, "READ_S", 60)
    monkeypatch.setattr(front, "_HANDSHAKE_S", 60)
    standing: list[socket.socket] = []
    loop = asyncio.get_running_loop()
    async with opened(tls) as port:
        try:
            for number in range(2000):
                sock = socket.socket()
                sock.setblocking(False)
                sock.bind(("127.0.0.2", 0))
                await loop.sock_connect(sock, ("127.0.0.1", port))
                await loop.sock_sendall(
                    sock, b"" if number % 2 else b"\x16\x03\x01\x02\x00"
                )  # a TLS record begins
                standing.append(sock)
                if number >= 600:  # this process holds the endpoint's side as well
                    standing.pop(0).close()
            async with asyncio.timeout(5):
                status, _, _ = await ask(port, "POST", "/v1/stop", headers=GOOD)
        finally:
            for sock in standing:
                sock.close()
    assert status == 200


@pytest.mark.asyncio
async def test_a_crowd_that_has_shaken_hands(tls: ssl.SSLContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """Connections that finished TLS and then say nothing take no caller's place either."""
    monkeypatch.setattr(front, "STRANGERS_MAX", 8)
    monkeypatch.setattr(front, "READ_S", 60)
    async with opened(tls) as port, AsyncExitStack() as standing:
        for _ in range(30):
            await standing.enter_async_context(connected(port, own="127.0.0.2"))
        async with asyncio.timeout(5):
            status, _, _ = await ask(port, "POST", "/v1/stop", headers=GOOD)
    assert status == 200


@pytest.mark.asyncio
async def test_an_endless_body(tls: ssl.SSLContext) -> None:
    """Chunks without an end: refused at the limit, and the connection is not read for ever."""
    head = "".join(f"{name}: {value}\r\n" for name, value in GOOD.items())
    start = f"POST /v1/runs HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n{head}\r\n".encode()
    async with opened(tls) as port, connected(port) as (reader, writer):
        writer.write(start)

        async def pour() -> None:
            while True:
                writer.write(b"1000\r\n" + bytes(4096) + b"\r\n")
                await writer.drain()
                await asyncio.sleep(0)  # drain alone may give the end no chance to be noticed

        pouring = asyncio.create_task(pour())
        async with asyncio.timeout(5):
            answer = await reader.readuntil(b"}")
            await asyncio.wait([pouring])  # the connection ends
        assert isinstance(pouring.exception(), ConnectionError)
    assert answer.startswith(b"HTTP/1.1 400 ")
    assert b"the body has more than 16384 bytes" in answer


@pytest.mark.asyncio
@pytest.mark.parametrize("head", [b"A: " + bytes(100_000), b"A: b\r\n" * 10_000])
async def test_an_endless_head(tls: ssl.SSLContext, head: bytes) -> None:
    """A header line, or headers, without an end: the connection ends without a word."""
    async with opened(tls) as port, connected(port) as (reader, writer):
        writer.write(b"GET /v1/hello HTTP/1.1\r\nHost: x\r\n" + head.replace(b"\0", b"a"))
        async with asyncio.timeout(2):
            assert await cut_off(reader)
