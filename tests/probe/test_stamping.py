"""The day's head is stamped in the background: asked for as RFC 3161 says, checked, kept, and tried again."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import aiohttp
import pytest
from aiohttp import web

from probe import stamping
from store import timestamp
from store.clock import Clock
from store.writer import Writer
from tests.store import samples, sealed, stamped

LOG = logging.getLogger("probe")


@pytest.fixture(autouse=True)
def known_request(monkeypatch: pytest.MonkeyPatch) -> None:
    """The request that the recorded response answers, whatever it is for: its nonce is not drawn again."""
    asked = timestamp.Request(
        der=stamped.ABC_REQUEST, digest=timestamp.request(b"abc").digest, nonce=stamped.ABC_NONCE
    )
    monkeypatch.setattr(timestamp, "request", lambda octets: asked)


@dataclass(kw_only=True)
class Stamper:
    """Answers with `answers`, one after the other, and keeps what it was sent."""

    answers: list[tuple[int, bytes]]
    got: list[tuple[str, bytes]] = field(default_factory=list)

    async def handle(self, request: web.Request) -> web.Response:
        self.got.append((request.content_type, await request.read()))
        status, body = self.answers.pop(0)
        return web.Response(status=status, body=body, content_type=timestamp.REPLY_MEDIA_TYPE)


@asynccontextmanager
async def serving(stamper: Stamper) -> AsyncIterator[str]:
    """The stamper on loopback; yields its address."""
    app = web.Application()
    app.router.add_post("/tsa", stamper.handle)
    runner = web.AppRunner(app)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    try:
        yield f"http://127.0.0.1:{runner.addresses[0][1]}/tsa"
    finally:
        await runner.cleanup()


class TestAsking:
    @pytest.mark.asyncio
    async def test_the_request_goes_as_its_media_type_and_the_answer_comes_back(self) -> None:
        stamper = Stamper(answers=[(200, stamped.ABC)])
        async with serving(stamper) as url:
            assert await stamping.ask(url, b"abc") == (stamped.ABC, stamped.ABC_UNIX_NS)
        assert stamper.got == [("application/timestamp-query", stamped.ABC_REQUEST)]  # RFC 3161 section 3.4

    @pytest.mark.asyncio
    @pytest.mark.parametrize(
        ("status", "body", "why"),
        [
            (500, b"", "HTTP status 500"),
            (200, stamped.REFUSED, "status 2"),
            (200, stamped.HEAD, "another nonce"),
            (200, bytes(2 << 20), "larger than any"),
        ],
        ids=["trouble", "refused", "another request", "too large"],
    )
    async def test_any_other_answer_is_none(self, status: int, body: bytes, why: str) -> None:
        async with serving(Stamper(answers=[(status, body)])) as url:
            with pytest.raises(ValueError, match=why):
                await stamping.ask(url, b"abc")

    @pytest.mark.asyncio
    async def test_nobody_there(self) -> None:
        async with serving(Stamper(answers=[])) as url:
            pass
        with pytest.raises(aiohttp.ClientError):
            await stamping.ask(url, b"abc")


def pauses(count: int, waits: list[float]) -> Callable[[float], Awaitable[None]]:
    """A sleep that takes no time, notes what it was asked for, and ends everything at the end."""

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        if len(waits) == count:
            raise asyncio.CancelledError

    return sleep


@pytest.mark.asyncio
async def test_it_asks_again_ever_later_until_it_has_the_stamp(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """After 600 s doubled, then doubled again; once it has the stamp, nothing is left to ask for."""
    caplog.set_level(logging.INFO)
    path = tmp_path / "line.db"
    await asyncio.to_thread(_two_days, path)
    writer = await asyncio.to_thread(
        Writer.open, path, clock=Clock(unix_ns=lambda: sealed.NOON_NS + sealed.DAY_NS)
    )
    stamper = Stamper(answers=[(503, b""), (200, stamped.REFUSED), (200, stamped.ABC)])
    waits: list[float] = []
    async with serving(stamper) as url:
        with contextlib.suppress(asyncio.CancelledError):
            await stamping.keep_stamped(url, database=path, store=writer, log=LOG, sleep=pauses(3, waits))
        await writer.flush()
        with contextlib.suppress(asyncio.CancelledError):
            await stamping.keep_stamped(url, database=path, store=writer, log=LOG, sleep=pauses(4, waits))
    assert waits == [1200, 2400, 600, 600]
    assert len(stamper.got) == 3
    assert "time stamp stored head=1" in caplog.text
    await asyncio.to_thread(writer.close)


@pytest.mark.asyncio
async def test_a_database_that_cannot_be_read_is_looked_at_again(tmp_path: Path) -> None:
    waits: list[float] = []
    with contextlib.suppress(asyncio.CancelledError):
        await stamping.keep_stamped(
            "http://127.0.0.1:9/",
            database=tmp_path / "nothing.db",
            store=Writer.__new__(Writer),
            log=LOG,
            sleep=pauses(2, waits),
        )
    assert waits == [600, 600]


def _two_days(path: Path) -> None:
    """A database whose first day is over and has its head."""
    sealed.make(path, [[samples.stall(1)], [samples.stall(2)]])
