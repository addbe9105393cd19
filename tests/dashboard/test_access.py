"""Logging in: what is kept, who gets in, who must wait, who may press.

Sources beside the checks; RFC 6265bis, RFC 9106 and RFC 9110 from memory.
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
import shutil
import ssl
import stat
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.cookies import SimpleCookie
from pathlib import Path

import aiohttp
import pytest
import pytest_asyncio
from aiohttp.test_utils import TestClient, TestServer
from cryptography.hazmat.primitives.kdf.argon2 import Argon2id

import linebook
from dashboard import app as dashboard
from dashboard import logins
from dashboard.access import ACCESS
from dashboard.listening import Listening
from dashboard.logins import Login, Role
from dashboard.sessions import FREE_TRIES, IDLE_S, SESSIONS_MAX, WHOLE_S, Sessions, Waits
from store.clock import NS_PER_S, Clock
from store.errors import UserMistake
from store.reader import ReaderThread
from store.records import WindowOpened
from store.site import Site
from tests.dashboard import invented
from tests.dashboard.conftest import HOST, Client
from tests.dashboard.reading import read
from tests.dashboard.test_acts import OWN, probing
from tests.lacking import lacking

ANNA, BEN = "correct horse 1", "another pony 22"


@dataclass
class _Hand:
    """A monotonic clock moved by hand."""

    now_ns: int = field(default=10**12)

    def __call__(self) -> int:
        return self.now_ns


@pytest.fixture(autouse=True)
def _leaves_no_login(site: Site) -> Iterator[None]:
    """The site is every test's, and most ask for no login."""
    yield
    logins.path_of(site.database).unlink(missing_ok=True)


@pytest.fixture(scope="module")
def known() -> tuple[Login, ...]:
    """One of each role, hashed once."""
    return (logins.made("anna", ANNA, role=Role.OPERATE), logins.made("ben", BEN, role=Role.READ))


@pytest_asyncio.fixture
async def closed(site: Site, tmp_path: Path, known: tuple[Login, ...]) -> tuple[Client, _Hand]:
    """A dashboard that asks for a login, and the hand of its clock."""
    await asyncio.to_thread(logins.save, logins.path_of(site.database), known)
    hand = _Hand()
    app = dashboard.make_app(
        site=site,
        reader=ReaderThread(site.database),
        clock=Clock(unix_ns=invented.clock().unix_ns, monotonic_ns=hand),
        allowed_hosts=frozenset({HOST}),
        where=Listening(login=True),
    )
    jar = aiohttp.CookieJar(unsafe=True)
    return TestClient(TestServer(app), headers={"Host": HOST}, cookie_jar=jar), hand


async def _try(client: Client, name: str, password: str, then: str = "/shows") -> aiohttp.ClientResponse:
    data = {
        "token": client.app[ACCESS].token(None), "name": name, "password": password, "then": then,
    }  # fmt: skip
    async with client.post("/login", data=data, headers=OWN, allow_redirects=False) as response:
        await response.read()
        return response


def _hash_by_another(login: Login, password: str) -> bool:
    """What OpenSSL's argon2id says of a hash, by way of `cryptography`: another implementation."""
    try:
        Argon2id.verify_phc_encoded(password.encode(), login.hash)
    except Exception:
        return False
    return True


def test_what_is_kept_is_argon2id(known: tuple[Login, ...], tmp_path: Path) -> None:
    """By RFC 9106 section 4, second recommended option: t=3, p=4, m=64 MiB, 128 bits of salt, 256 of tag; for
    nobody else to read."""
    path = tmp_path / "site.db.logins"
    logins.save(path, known)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert ANNA not in path.read_text()
    assert sorted(logins.load(path), key=lambda one: one.name) == sorted(known, key=lambda one: one.name)
    assert known[0].hash.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert [len(part) for part in known[0].hash.split("$")[-2:]] == [22, 43]  # base64 of 16 and 32 bytes
    assert _hash_by_another(known[0], ANNA)
    assert not _hash_by_another(known[0], BEN)


@pytest.mark.parametrize(
    ("name", "password", "says"),
    [
        ("anna", "short", "too short: take 12"),
        ("anna", "x" * 1025, "too long|hardly more"),
        ("anna", "aaaaaaaaaaaaa", "hardly more than one letter"),
        ("an na", ANNA, "NAME: 'an na' cannot be one"),
        ("", ANNA, "NAME: '' cannot be one"),
    ],
)
def test_what_cannot_be_a_login_is_said(name: str, password: str, says: str) -> None:
    """In one sentence."""
    with pytest.raises(UserMistake, match=says):
        logins.made(name, password, role=Role.READ)


def test_a_file_that_others_read_is_refused(tmp_path: Path, known: tuple[Login, ...]) -> None:
    """And so is one that is none."""
    path = tmp_path / "logins"
    logins.save(path, known)
    path.chmod(0o640)
    with pytest.raises(UserMistake, match="other accounts may open it; say chmod 600"):
        logins.load(path)
    path.write_text('{"kind": "logins"}')
    path.chmod(0o600)
    with pytest.raises(UserMistake, match="holds no logins"):
        logins.load(path)


def test_sessions_end(known: tuple[Login, ...]) -> None:
    """Idle, or old however busy; the longest silent one when there are too many; with the login."""
    every, anna = Sessions(), known[0]
    secret = every.begin(anna, now_ns=0)
    assert every.of("else", now_ns=1) is None
    for hour in range(1, WHOLE_S // 3600 + 1):
        assert every.of(secret, now_ns=hour * 3600 * NS_PER_S) is not None
    assert every.of(secret, now_ns=WHOLE_S * NS_PER_S + 1) is None
    idle = every.begin(anna, now_ns=0)
    assert every.of(idle, now_ns=IDLE_S * NS_PER_S + 1) is None
    many = [every.begin(anna, now_ns=0) for _ in range(SESSIONS_MAX + 1)]
    assert [every.of(one, now_ns=1) is None for one in many[:2]] == [True, False]
    assert len(every.keep(lambda login: login != anna)) == SESSIONS_MAX


def test_waits_double() -> None:
    """2, 4, 8 s ... up to the longest; a right try forgets them."""
    waits, now_ns, seen = Waits(60), 0, []
    for _ in range(FREE_TRIES + 6):
        assert waits.left_s("a", now_ns=now_ns) == 0
        waits.wrong("a", now_ns=now_ns)
        seen.append(waits.left_s("a", now_ns=now_ns))
        now_ns += seen[-1] * NS_PER_S
    assert seen == [0, 0, 2, 4, 8, 16, 32, 60, 60]
    assert waits.left_s("b", now_ns=now_ns) == 0
    waits.right("a")
    assert waits.left_s("a", now_ns=now_ns - 1) == 0


@pytest.mark.asyncio
async def test_a_stranger_sees_the_login_page_only(closed: tuple[Client, _Hand], site: Site) -> None:
    """Pages lead there, JSON says 401, a form is refused; nothing of the site is told, not even its name."""
    client, _ = closed
    async with client:
        async with client.get("/circuit/A?period=week", allow_redirects=False) as response:
            assert response.status == 303
            assert response.headers["Location"] == "/login?then=%2Fcircuit%2FA%3Fperiod%3Dweek"
        async with client.get("/today.json") as response:
            assert response.status == 401
            assert (await response.json())["kind"] == "error"
        async with client.post("/acts/stop", data={}, headers=OWN) as response:
            assert response.status == 403
            assert "Log in and press again" in await response.text()
        async with client.get("/") as response:
            text = await response.text()
            page = read(text)
    assert response.url.path == "/login"
    assert site.name not in text
    assert "/circuit/" not in page.one("body").text
    fields = page.one("form", action="/login")
    hints = [one.attributes.get("autocomplete") for one in fields.all("input")]
    assert [hint for hint in hints if hint] == ["username", "current-password"]


@pytest.mark.asyncio
async def test_login_and_logout(closed: tuple[Client, _Hand], caplog: pytest.LogCaptureFixture) -> None:
    """A cookie that no script and no other site gets (RFC 6265bis 4.1.2), a new secret each time, dead after
    the logout even where somebody kept it."""
    caplog.set_level(logging.INFO, logger="dashboard.access")
    client, _ = closed
    async with client:
        first = await _try(client, "anna", ANNA)
        assert (first.status, first.headers["Location"]) == (303, "/shows")
        morsel = SimpleCookie(first.headers["Set-Cookie"])["linebook"]
        assert (morsel["httponly"], morsel["samesite"], morsel["path"]) == (True, "Strict", "/")
        assert (morsel["secure"], morsel["domain"]) == ("", "")
        second = await _try(client, "anna", ANNA)
        again = SimpleCookie(second.headers["Set-Cookie"])["linebook"].value
        assert again != morsel.value
        async with client.get("/today.json", headers={"Cookie": f"linebook={morsel.value}"}) as response:
            assert response.status == 200  # the jar's own goes along, too
        async with client.get("/") as response:
            form = read(await response.text()).one("form", action="/logout")
        assert "anna, may operate" in form.text
        token = form.one("input", name="token").attributes["value"]
        async with client.post("/logout", data={"token": "x"}, headers=OWN) as response:
            assert response.status == 403
        async with client.post("/logout", data={"token": token}, headers=OWN) as response:
            assert response.url.path == "/login"
        client.session.cookie_jar.clear()
        for kept in (morsel.value, again, "planted"):
            async with client.get("/today.json", headers={"Cookie": f"linebook={kept}"}) as response:
                assert response.status == 401
    said = [record.getMessage().split(" address")[0] for record in caplog.records]
    assert said == ["login name=anna role=operate", "login name=anna role=operate", "logout name=anna"]


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("then", "leads"),
    [
        ("/circuit/A?period=week", "/circuit/A?period=week"),
        ("//example.net/", "/"),
        ("/\\example.net", "/"),
        ("https://example.net/", "/"),
        ("javascript:alert(1)", "/"),
        ("/a\r\nX: y", "/"),
        ("/login", "/"),
    ],
)
async def test_a_login_leads_to_own_pages_only(then: str, leads: str) -> None:
    """Whatever a link to the login page says."""
    from dashboard.routes.access import _then

    assert _then(then) == leads


@pytest.mark.asyncio
async def test_wrong_tries_wait(closed: tuple[Client, _Hand], caplog: pytest.LogCaptureFixture) -> None:
    """By name and by address, whatever the name; a name that is not there is answered alike (RFC 9110 10.2.3:
    Retry-After in seconds; RFC 6585 section 4: 429)."""
    client, hand = closed
    async with client:
        answers = [await _try(client, name, "wrong, wrong") for name in ("anna", "nobody", "ben")]
        assert [one.status for one in answers] == [403, 403, 403]
        held = await _try(client, "anna", ANNA)
        assert (held.status, held.headers["Retry-After"]) == (429, "2")
        hand.now_ns += 2 * NS_PER_S
        assert (await _try(client, "anna", ANNA)).status == 303
    said = [record.getMessage() for record in caplog.records if record.name == "dashboard.access"]
    assert [one.split(" address")[0] for one in said] == [
        "login failed name='anna'",
        "login failed name='nobody'",
        "login failed name='ben'",
        "login too soon name='anna'",
    ]


@pytest.mark.asyncio
async def test_a_long_name_is_not_kept(closed: tuple[Client, _Hand]) -> None:
    """Tries are counted by name; whoever names a megabyte each time fills no memory with it."""
    client, _ = closed
    async with client:
        assert (await _try(client, "x" * 100_000, "wrong, wrong")).status == 403
        assert max(map(len, client.app[ACCESS]._by_name._known)) == logins.NAME_LENGTH_MAX + 1


@pytest.mark.asyncio
async def test_a_reader_has_no_form_and_an_operator_is_on_record(
    closed: tuple[Client, _Hand], site: Site, known: tuple[Login, ...]
) -> None:
    """Nor is a form taken from a reader that was made by hand. A login that is removed has no effect."""
    client, hand = closed
    async with probing(site) as one, client:
        await _try(client, "ben", BEN)
        async with client.get("/") as response:
            page = read(await response.text())
        assert [form.attributes["action"] for form in page.all("form", method="post")] == ["/logout"]
        token = page.one("form", action="/logout").one("input", name="token").attributes["value"] or ""
        async with client.post("/acts/stop", data={"token": token}, headers=OWN) as response:
            assert response.status == 403
            assert "ben may read and not operate" in await response.text()
        assert one.store.of(WindowOpened) == []
        await _try(client, "anna", ANNA)
        async with client.post("/acts/stop", data={"token": token}, headers=OWN) as response:
            assert response.status == 403  # the token of another session
        async with client.get("/") as response:
            token = (
                read(await response.text()).one("form", action="/logout").one("input").attributes["value"]
                or ""
            )
        async with client.post(
            "/acts/stop", data={"token": token}, headers=OWN, allow_redirects=False
        ) as response:
            assert response.status == 303
        (stop,) = one.store.of(WindowOpened)
        assert stop.why == "asked for on the Today page by anna"
        await asyncio.to_thread(logins.save, logins.path_of(site.database), known[1:])
        hand.now_ns += 3 * NS_PER_S
        async with client.get("/today.json") as response:
            assert response.status == 401


HOW = "linebook login"


@pytest.mark.parametrize(
    ("where", "made", "says"),
    [
        (Listening(host="192.0.2.130"), 0, "^--host 192.0.2.130: without a login .* this machine only"),
        (Listening(host="192.0.2.130"), 1, "passwords would pass in the clear"),
        (Listening(host="0.0.0.0", proxied=True), 1, "--behind-proxy: say with --name"),
        (Listening(host="::", certificate=Path("c"), key=Path("k")), 1, "--host ::: say with --name"),
        (Listening(host="192.0.2.130", certificate=Path("c")), 1, "--certificate and --key: give both"),
        (Listening(proxied=True, names=("book.example.net",)), 0, "--behind-proxy: nobody could log in"),
        (Listening(login=True), 0, "--ask-login: nobody could log in"),
        (Listening(proxied=True, names=("http://x",)), 1, "--name http://x: say a name"),
    ],
)
def test_what_may_not_listen(where: Listening, made: int, says: str) -> None:
    """One sentence that names the option."""
    from dashboard import listening

    with pytest.raises(UserMistake, match=says):
        listening.check(where, logins=made, how=HOW)


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1 and its key, as openssl makes them."""
    if shutil.which("openssl") is None:
        lacking("needs openssl: apt-get install openssl")
    chain, key = tmp_path / "chain.pem", tmp_path / "key.pem"
    command = (
        "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=localhost"
    )
    more = ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(chain)]
    subprocess.run([*command.split(), *more], check=True, capture_output=True)
    return chain, key


@pytest.mark.asyncio
async def test_tls_to_the_browser(site: Site, pair: tuple[Path, Path], known: tuple[Login, ...]) -> None:
    """Met by a client that checks the certificate; the cookie is for this host by TLS only (RFC 6265bis
    4.1.3.2), and a form's Origin is https."""
    chain, key = pair
    await asyncio.to_thread(logins.save, logins.path_of(site.database), known)
    where = Listening(certificate=chain, key=key, login=True)
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(
        dashboard.serve(site, where=where, clock=Clock(), ready=ready.set_result), name="dashboard"
    )
    try:
        url = await ready
        assert url.startswith("https://127.0.0.1:")
        trusted = await asyncio.to_thread(ssl.create_default_context, cafile=str(chain))
        jar = aiohttp.CookieJar(unsafe=True)
        async with aiohttp.ClientSession(
            connector=aiohttp.TCPConnector(ssl=trusted), cookie_jar=jar
        ) as session:
            async with session.get(url) as response:
                page = read(await response.text())
            token = page.one("input", name="token").attributes["value"] or ""
            data = {"token": token, "name": "ben", "password": BEN, "then": "/"}
            for origin, status in ((url.replace("https", "http"), 403), (url, 303)):
                headers = {"Origin": origin.rstrip("/")}
                async with session.post(
                    f"{url}login", data=data, headers=headers, allow_redirects=False
                ) as response:
                    assert response.status == status
            morsel = SimpleCookie(response.headers["Set-Cookie"])["__Host-linebook"]
            assert (morsel["secure"], morsel["path"], morsel["domain"]) == (True, "/", "")
            async with session.get(f"{url}today.json") as response:
                assert response.status == 200
    finally:
        task.cancel()
        await asyncio.wait({task})


@pytest.mark.asyncio
async def test_a_program_collects_and_sees_nothing_else(
    closed: tuple[Client, _Hand], site: Site, known: tuple[Login, ...], caplog: pytest.LogCaptureFixture
) -> None:
    """By its token as RFC 6750 (from memory) has it: no page, no paper, no act; void once removed."""
    client, hand = closed
    program, token = logins.for_program("collector")
    path = logins.path_of(site.database)
    await asyncio.to_thread(logins.save, path, (*known, program))
    bearer = {"Authorization": f"Bearer {token}"}
    async with client:
        async with client.get("/metrics", headers=bearer) as response:
            assert response.status == 200
            assert (await response.text()).endswith("# EOF\n")
        for where in ("/today.json", "/openapi.json", "/calendar.ics"):
            async with client.get(where, headers=bearer) as response:
                assert response.status == 401
        async with client.get("/", headers=bearer, allow_redirects=False) as response:
            assert response.status == 303
        async with client.post("/acts/stop", headers=OWN | bearer, data={"minutes": "5"}) as response:
            assert response.status == 403
        assert (await _try(client, "collector", token)).status != 303
        hand.now_ns += 3600 * NS_PER_S
        async with client.get("/metrics") as response:
            assert response.status == 401
            assert response.headers["WWW-Authenticate"].startswith("Bearer")
        await asyncio.to_thread(logins.save, path, known)
        hand.now_ns += 3 * NS_PER_S
        async with client.get("/metrics", headers=bearer) as response:
            assert response.status == 401
        for _ in range(FREE_TRIES + 1):
            async with client.get("/metrics", headers={"Authorization": "Bearer wrong"}) as response:
                last = response.status
        assert (last, "Retry-After" in response.headers) == (429, True)
    assert token not in caplog.text
    await asyncio.to_thread(logins.save, path, (program,))
    assert token not in await asyncio.to_thread(path.read_text)


def test_a_token_is_printed_once_and_kept_hashed(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """SHA-256 of what was printed, as hashlib has it; made anew, the one before is void."""
    tmp_path.joinpath("house.toml").write_text(f'database = "{site.database}"\n')
    file, tokens = str(tmp_path / "house.toml"), []
    for _ in range(2):
        assert linebook.main(["login", file, "collector", "--role", "program"]) == 0
        tokens.append(capsys.readouterr().out.strip())
    (kept,) = logins.load(logins.path_of(site.database))
    assert kept.hash == f"sha256:{hashlib.sha256(tokens[1].encode()).hexdigest()}"
    assert logins.program_of([kept], tokens[0]) is None
    assert logins.program_of([kept], tokens[1]) == kept
    assert linebook.main(["login", file]) == 0
    assert capsys.readouterr().out == "collector may collect /metrics.\n"
    assert linebook.main(["login", file, "collector", "--remove"]) == 0
