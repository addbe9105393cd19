"""The three ways out, each against something real: a mail server, a web server, programs."""

from __future__ import annotations

import asyncio
import json
import os
import select
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from aiohttp import web

from probe.notices import command
from probe.notices.message import Message
from probe.notices.sending import Missed, deliver
from store.clock import Clock
from store.notice_channels import Channel, Command, Hook, Mail, Security
from tests.probe.notices.post_office import PostOffice, certificate

PASSWORD = "planted-Pa55word"
MESSAGE = Message(
    id="owner-mail-A-line-1780000000000000000",
    subject="[invented] Quillet Lane: Handoff A: outage, north silent.",
    text="Handoff A: outage, north silent.\n.\n..two dots\nKöhler – ö\n",
    json={"kind": "case", "says": "Handoff A: outage, north silent.", "owner": "unknown"},
)


async def sent(channel: Channel, message: Message = MESSAGE) -> str | None:
    missed = await deliver(message, channel, Clock())
    return None if missed is None else missed.why


def mail(port: int, *, security: Security = Security.STARTTLS, secret: str | None = PASSWORD) -> Channel:
    return Channel(
        name="owner-mail",
        way=Mail(
            host="127.0.0.1",
            port=port,
            security=security,
            user=None if security is Security.NONE else "linebook",
            sender="linebook@example.net",
            to=("office@example.net", "owner@example.net"),
        ),
        secret=secret,
    )


@pytest.fixture
def office(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> PostOffice:
    """A mail server whose certificate this host trusts, as SSL_CERT_FILE of OpenSSL lets it."""
    file, context = certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(file))
    return PostOffice(context=context)


@pytest.mark.asyncio
class TestMail:
    async def test_a_letter_arrives_whole(self, office: PostOffice) -> None:
        async with office.opened():
            assert await sent(mail(office.port)) is None
        (letter,) = office.letters
        assert letter["Subject"] == MESSAGE.subject
        assert letter["To"] == "office@example.net, owner@example.net"
        assert letter["Message-ID"] == f"<{MESSAGE.id}@example.net>"
        assert letter["Auto-Submitted"] == "auto-generated"  # RFC 3834
        assert letter.get_content().replace("\r\n", "\n") == MESSAGE.text

    async def test_a_server_on_this_host_may_do_without_tls(self) -> None:
        office = PostOffice()
        async with office.opened():
            assert await sent(mail(office.port, security=Security.NONE, secret=None)) is None
        assert len(office.letters) == 1

    async def test_without_starttls_nothing_is_sent(self) -> None:
        office = PostOffice()
        async with office.opened():
            why = await sent(mail(office.port))
        assert why is not None
        assert "does not offer what the site file asks for" in why
        assert office.letters == []

    async def test_a_wrong_password_is_not_repeated(self, office: PostOffice) -> None:
        """The server's answer quotes it; the sentence does not."""
        async with office.opened():
            why = await sent(mail(office.port, secret="planted-wrong"))
        assert why == (
            f"the mail server 127.0.0.1:{office.port} does not take the user or the password (535)"
        )

    async def test_a_certificate_that_nobody_vouches_for(
        self, office: PostOffice, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.delenv("SSL_CERT_FILE")
        async with office.opened():
            why = await sent(mail(office.port))
        assert why is not None
        assert "shows a certificate that cannot be verified" in why
        assert office.letters == []

    async def test_a_refusal(self, office: PostOffice) -> None:
        office.refusals = ["451 come back later"]
        async with office.opened():
            refused = await sent(mail(office.port))
            assert refused == f"the mail server 127.0.0.1:{office.port} refuses the message (451)"
            assert await sent(mail(office.port)) is None

    async def test_one_recipient_is_refused(self, office: PostOffice) -> None:
        """Who has the mail is not among those left (RFC 5321 section 3.3: each RCPT has its answer)."""
        office.unknown = {"office@example.net"}
        async with office.opened():
            missed = await deliver(MESSAGE, mail(office.port), Clock())
            where = f"the mail server 127.0.0.1:{office.port}"
            assert missed == Missed(
                why=f"{where} refuses 1 of 2 recipients (550)", left=("office@example.net",)
            )
            office.unknown |= {"owner@example.net"}
            both = await deliver(MESSAGE, mail(office.port), Clock())
        assert both == Missed(why=f"{where} refuses 2 of 2 recipients (550)")
        assert [letter["Subject"] for letter in office.letters] == [MESSAGE.subject]

    async def test_nobody_listens(self, office: PostOffice) -> None:
        async with office.opened():
            port = office.port
        assert await sent(mail(port)) == f"the mail server 127.0.0.1:{port} does not listen"

    async def test_a_server_that_says_nothing_is_left_at_once(self) -> None:
        office = PostOffice(mute=True)
        async with office.opened():
            task = asyncio.create_task(sent(mail(office.port)))
            await office.more.wait()
            began = time.monotonic()
            task.cancel()
            await asyncio.wait({task})
            assert time.monotonic() - began < 2
        assert task.cancelled()


@asynccontextmanager
async def served(answer: Callable[[web.Request], Awaitable[web.Response]]) -> AsyncIterator[str]:
    """A web server on loopback that answers a POST so; its address."""
    app = web.Application()
    app.router.add_post("/{path:.*}", answer)
    runner = web.AppRunner(app, shutdown_timeout=0.1)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    assert site._server is not None
    host, port = site._server.sockets[0].getsockname()[:2]
    try:
        yield f"http://{host}:{port}"
    finally:
        await runner.cleanup()


def hook(url: str, *, secret: str | None = None) -> Channel:
    return Channel(name="desk", way=Hook(url=url), secret=secret)


@pytest.mark.asyncio
class TestHook:
    async def test_the_case_arrives_as_json(self) -> None:
        seen: list[tuple[str, object, str | None, str | None]] = []

        async def answer(request: web.Request) -> web.Response:
            headers = request.headers
            body = await request.json()
            seen.append((request.path_qs, body, headers.get("Authorization"), headers.get("Idempotency-Key")))
            return web.Response(status=204)

        async with served(answer) as address:
            assert await sent(hook(f"{address}/in?box=1", secret="planted-token")) is None
            assert await sent(hook(address)) is None
        first, second = seen
        assert first == ("/in?box=1", MESSAGE.json, "Bearer planted-token", MESSAGE.id)
        assert (second[0], second[2]) == ("/", None)

    @pytest.mark.parametrize("status", [400, 500])
    async def test_a_refusal_is_said_by_its_number(self, status: int) -> None:
        async def answer(request: web.Request) -> web.Response:
            return web.Response(status=status, text=request.headers["Authorization"])

        async with served(answer) as address:
            why = await sent(hook(f"{address}/a-path-that-may-be-secret", secret="planted-token"))
        assert why == f"the web hook at 127.0.0.1 answered {status}"

    async def test_a_redirect_is_not_followed(self) -> None:
        asked: list[str] = []

        async def answer(request: web.Request) -> web.Response:
            asked.append(request.path)
            return web.Response(status=307, headers={"Location": "/elsewhere"})

        async with served(answer) as address:
            why = await sent(hook(f"{address}/in", secret="planted-token"))
        assert why == "the web hook at 127.0.0.1 answered 307, which leads elsewhere"
        assert asked == ["/in"]

    async def test_one_that_does_not_answer_is_left_at_once(self) -> None:
        reached = asyncio.Event()

        async def answer(request: web.Request) -> web.Response:
            reached.set()
            await asyncio.Event().wait()
            raise AssertionError

        async with served(answer) as address:
            task = asyncio.create_task(sent(hook(address)))
            await reached.wait()
            began = time.monotonic()
            task.cancel()
            await asyncio.wait({task})
            assert time.monotonic() - began < 2

    async def test_a_name_that_does_not_resolve(self) -> None:
        """RFC 6761: invalid never does."""
        why = await sent(hook("https://hooks.invalid/x"))
        assert why == "the web hook at hooks.invalid has a name that does not resolve"


async def program(folder: Path, text: str) -> Channel:
    """A program of these lines of Python."""
    path = folder / "told"

    def write() -> None:
        path.write_text(f"#!{sys.executable}\n{text}")
        path.chmod(0o700)

    await asyncio.to_thread(write)
    return Channel(name="lamp", way=Command(words=(str(path), "--on", "a b; $HOME")))


async def ended(pid: int) -> bool:
    """Whether a process ends within some seconds, or has already."""
    try:
        found = os.pidfd_open(pid)
    except ProcessLookupError:
        return True
    try:
        return bool((await asyncio.to_thread(select.select, [found], [], [], 5))[0])
    finally:
        os.close(found)


@pytest.mark.asyncio
class TestCommand:
    async def test_gets_its_words_and_the_case(self, tmp_path: Path) -> None:
        """No shell looks at the words."""
        out = tmp_path / "out.json"
        lamp = await program(
            tmp_path,
            f"import json, sys\nfound = json.load(sys.stdin)\n"
            f"open({str(out)!r}, 'w').write(json.dumps([sys.argv[1:], found]))\n",
        )
        assert await sent(lamp) is None
        found = json.loads(await asyncio.to_thread(out.read_text))
        assert found == [["--on", "a b; $HOME"], MESSAGE.json]

    async def test_one_that_fails_is_told_by_its_code(self, tmp_path: Path) -> None:
        lamp = await program(tmp_path, "import sys\nsys.exit(7)\n")
        assert await sent(lamp) == f"the command {tmp_path / 'told'} ended with 7"

    async def test_one_that_does_not_read(self, tmp_path: Path) -> None:
        assert await sent(await program(tmp_path, "")) is None

    async def test_one_that_is_not_there(self, tmp_path: Path) -> None:
        lamp = Channel(name="lamp", way=Command(words=(str(tmp_path / "none"),)))
        why = await sent(lamp)
        assert why == f"the command {tmp_path / 'none'} cannot be started (No such file or directory)"

    async def test_one_that_hangs_is_ended_with_what_it_started(self, tmp_path: Path) -> None:
        pids = tmp_path / "pids"
        lamp = await program(
            tmp_path,
            "import os, subprocess, sys, time\n"
            "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
            f"open({str(pids)!r}, 'w').write(f'{{os.getpid()}} {{child.pid}}')\n"
            "time.sleep(600)\n",
        )
        assert isinstance(lamp.way, Command)
        why = await command.run(MESSAGE, lamp.way, within_s=2.0)
        assert why == f"the command {tmp_path / 'told'} had not ended after 2 s and was ended"
        found = [int(pid) for pid in (await asyncio.to_thread(pids.read_text)).split()]
        assert len(found) == 2
        assert [await ended(pid) for pid in found] == [True, True]

    async def test_cancelled_it_is_ended_within_2_s(self, tmp_path: Path) -> None:
        running = tmp_path / "running"
        os.mkfifo(running)
        lamp = await program(
            tmp_path,
            f"import os, time\nopen({str(running)!r}, 'w').write(str(os.getpid()))\ntime.sleep(600)\n",
        )
        task = asyncio.create_task(sent(lamp))
        pid = int(await asyncio.to_thread(running.read_text))
        began = time.monotonic()
        task.cancel()
        await asyncio.wait({task})
        assert time.monotonic() - began < 2
        assert await ended(pid)
