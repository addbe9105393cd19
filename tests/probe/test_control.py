"""The probe's side of control, against a real endpoint and against far ends that misbehave."""

from __future__ import annotations

import asyncio
import dataclasses
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from aiohttp import web
from cryptography import x509

from probe import control as control_module
from probe.control import Control
from probe.endpoint import keys
from probe.reach import Binding, Reach
from probe.wire.control import Hello, RunGrant, RunRequest, Stopped, TrainGrant, TrainRequest, encode
from probe.wire.invitation import Invitation
from store.clock import Clock
from store.records import Failed, Owner
from tests.probe.endpoint.far import far_end, reach, within

INVITATION = Invitation(host="127.0.0.1", port=1, flow_port=2, key=bytes(32), pin=bytes(32))
RUN = RunRequest(direction="up", flows=1, seconds=30)

Handler = Callable[[web.BaseRequest], Awaitable[web.StreamResponse]]


@pytest.fixture
def directory(tmp_path: Path) -> Path:
    return tmp_path / "endpoint"


async def hello(where: Reach) -> Hello | Failed:
    async with Control(where, clock=Clock()) as control:
        return await control.hello()


async def failure(where: Reach) -> tuple[str, Owner]:
    """The sentence and the owner of a question that must fail."""
    found = await hello(where)
    assert isinstance(found, Failed)
    assert (found.what, found.handoff, found.endpoint) == ("hello", "handoff", "endpoint")
    assert found.started_unix_ns > 0
    assert "\n" not in found.why
    return found.why, found.whose


def closed_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as sock:
        port: int = sock.getsockname()[1]
        return port


@asynccontextmanager
async def impostor(directory: Path, handler: Handler) -> AsyncIterator[Reach]:
    """A far end with the right certificate that answers whatever `handler` says."""

    def prepare() -> tuple[Invitation, ssl.SSLContext]:
        invitation = keys.invite(directory, address="127.0.0.1")
        return invitation, keys.tls_context(keys.load(directory))

    invitation, tls = await asyncio.to_thread(prepare)
    http = web.Server(handler)
    listening = await asyncio.get_running_loop().create_server(http, "127.0.0.1", 0, ssl=tls)
    try:
        yield reach(invitation, port=listening.sockets[0].getsockname()[1])
    finally:
        listening.close()
        await http.shutdown(0.1)


@pytest.mark.asyncio
async def test_questions(directory: Path) -> None:
    """Each question has its answer as a message."""
    async with far_end(directory) as far, far.control() as control:
        assert isinstance(await control.hello(), Hello)
        assert isinstance(await control.open_train(TrainRequest(per_second=1, packet_bytes=112)), TrainGrant)
        assert isinstance(await control.open_run(RUN), RunGrant)
        assert await control.stop() == Stopped(runs=1, trains=1)


@pytest.mark.asyncio
async def test_it_leaves_by_the_source_address(directory: Path) -> None:
    """The endpoint sees the connection come from where the handoff says."""
    async with far_end(directory) as far:
        where = dataclasses.replace(far.reaches["a"], binding=Binding(source="127.0.0.5"))
        found = await hello(where)
    assert isinstance(found, Hello)
    assert found.your_address == "127.0.0.5"


@pytest.mark.asyncio
async def test_it_leaves_by_the_interface(directory: Path) -> None:
    async with far_end(directory) as far:
        where = dataclasses.replace(far.reaches["a"], binding=Binding(interface="lo"))
        assert isinstance(await hello(where), Hello)


@pytest.mark.asyncio
async def test_wrong_certificate(directory: Path) -> None:
    async with far_end(directory) as far:
        right = far.reaches["a"]
        wrong = dataclasses.replace(right, invitation=dataclasses.replace(right.invitation, pin=bytes(32)))
        assert await failure(wrong) == (
            f"the endpoint at 127.0.0.1:{right.invitation.port} shows another certificate than "
            "the invitation pins",
            Owner.ENDPOINT,
        )


@pytest.mark.asyncio
async def test_a_wrong_certificate_never_hears_the_key(directory: Path) -> None:
    """The pin is checked before a byte of the request leaves."""
    heard = []

    async def note(request: web.BaseRequest) -> web.StreamResponse:
        heard.append(request)
        return web.Response()

    async with impostor(directory, note) as right:
        await failure(
            dataclasses.replace(right, invitation=dataclasses.replace(right.invitation, pin=bytes(32)))
        )
    assert heard == []


@pytest.mark.asyncio
async def test_an_expired_certificate_is_as_good_as_its_pin(
    directory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One whose time was over in 2001 (RFC 5280 4.1.2.5): the pin admits it, and nothing else would."""
    monkeypatch.setattr(keys, "_VALID_TO", datetime(2001, 1, 1, tzinfo=UTC))

    async def note(request: web.BaseRequest) -> web.StreamResponse:
        return web.json_response({"runs": 0, "trains": 0}, headers={"Linebook-Protocol": "1"})

    async with impostor(directory, note) as where, Control(where, clock=Clock()) as control:
        assert await control.stop() == Stopped(runs=0, trains=0)
    shown = x509.load_pem_x509_certificate(await asyncio.to_thread((directory / "identity.pem").read_bytes))
    assert shown.not_valid_after_utc == datetime(2001, 1, 1, tzinfo=UTC)


@pytest.mark.asyncio
async def test_ipv6_that_is_gone_costs_nothing_where_there_is_ipv4(
    directory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name with an address of each version, of which the sixth leads nowhere (RFC 3849, RFC 8305)."""
    async with far_end(directory) as far:
        right = far.reaches["a"]
        port = right.invitation.port

        def both(*_: object, **__: object) -> list[tuple[object, ...]]:
            kind = (socket.SOCK_STREAM, socket.IPPROTO_TCP, "")
            return [
                (socket.AF_INET6, *kind, ("2001:db8::7", port, 0, 0)),
                (socket.AF_INET, *kind, ("127.0.0.1", port)),
            ]

        monkeypatch.setattr(socket, "getaddrinfo", both)
        named = dataclasses.replace(right.invitation, host="north.example.net")
        assert isinstance(await hello(dataclasses.replace(right, invitation=named)), Hello)


@pytest.mark.asyncio
async def test_ipv6_that_is_gone_where_the_handoff_has_nothing_else() -> None:
    where = reach(
        dataclasses.replace(INVITATION, host="2001:db8::7"),
        port=5000,
        binding=Binding(source="2001:db8::130"),
    )
    assert await failure(where) == (
        "this host does not have the source address 2001:db8::130",
        Owner.HOUSE,
    )


@pytest.mark.asyncio
async def test_wrong_key(directory: Path) -> None:
    async with far_end(directory) as far:
        right = far.reaches["a"]
        wrong = dataclasses.replace(right, invitation=dataclasses.replace(right.invitation, key=bytes(32)))
        assert await failure(wrong) == (
            "the endpoint does not admit this invitation's key",
            Owner.ENDPOINT,
        )


@pytest.mark.asyncio
async def test_a_refusal_says_when_to_come_again(directory: Path) -> None:
    async with far_end(directory) as far, far.control("a") as mine, far.control("b") as theirs:
        assert isinstance(await mine.open_run(RUN), RunGrant)
        found = await theirs.open_run(RUN)
        assert isinstance(found, Failed)
        assert "at most 1 run at a time; free again in about 30 s" in found.why
        assert theirs.refusal is not None
        assert theirs.refusal.code == "busy"
        assert theirs.refusal.retry_after_s == pytest.approx(30, abs=1)
        await theirs.hello()
        assert theirs.refusal is None


@pytest.mark.asyncio
async def test_nothing_listens() -> None:
    port = closed_port()
    assert await failure(reach(INVITATION, port=port)) == (
        f"nothing listens at 127.0.0.1:{port}; does the endpoint run?",
        Owner.ENDPOINT,
    )


@pytest.mark.asyncio
async def test_a_name_that_does_not_resolve(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_such_name(*_: object, **__: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", no_such_name)
    where = reach(dataclasses.replace(INVITATION, host="north.example.net"), port=5000)
    assert await failure(where) == ("the name north.example.net does not resolve", Owner.UNKNOWN)


@pytest.mark.asyncio
async def test_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody accepts the connection and then says nothing."""
    monkeypatch.setattr(control_module, "CONNECT_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as sock, within(2):
        port = sock.getsockname()[1]
        assert await failure(reach(INVITATION, port=port)) == (
            f"127.0.0.1:{port} did not answer in time",
            Owner.UNKNOWN,
        )


@pytest.mark.asyncio
async def test_no_such_interface() -> None:
    where = reach(INVITATION, port=5000, binding=Binding(interface="nowhere0"))
    assert await failure(where) == ("this host has no interface 'nowhere0'", Owner.HOUSE)


@pytest.mark.asyncio
async def test_a_source_address_of_another_host() -> None:
    where = reach(INVITATION, port=5000, binding=Binding(source="192.0.2.130"))
    assert await failure(where) == ("this host does not have the source address 192.0.2.130", Owner.HOUSE)


@pytest.mark.asyncio
async def test_no_way_there() -> None:
    """Loopback has no way to an outside address."""
    where = reach(
        dataclasses.replace(INVITATION, host="192.0.2.10"), port=5000, binding=Binding(source="127.0.0.1")
    )
    why, whose = await failure(where)
    assert why.startswith(("there is no way to 192.0.2.10:5000", "no connection to 192.0.2.10:5000"))
    assert whose is Owner.UNKNOWN


@pytest.mark.asyncio
async def test_no_tls() -> None:
    """Something else listens there."""

    async def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 far.example.net\r\n")
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(greet, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        assert await failure(reach(INVITATION, port=port)) == (
            f"what answers at 127.0.0.1:{port} is no endpoint",
            Owner.ENDPOINT,
        )


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("response", "why"),
    [
        (
            web.Response(text="hello", headers={"Linebook-Protocol": "1"}),
            "an answer that is none (it is not JSON)",
        ),
        (web.json_response([], headers={"Linebook-Protocol": "1"}), "Hello is not an object"),
        (web.json_response({}, status=500), "Refusal.code is missing"),
        (web.Response(status=302, headers={"Location": "https://192.0.2.1/"}), "it is not JSON"),
        (
            web.json_response({}, headers={"Linebook-Protocol": "2"}),
            "speaks protocol 2, this Linebook 1; update",
        ),
        (web.Response(body=bytes(9 << 20)), "more than 8388608 bytes"),
    ],
)
async def test_answers_that_are_none(directory: Path, response: web.Response, why: str) -> None:
    async def answer(request: web.BaseRequest) -> web.StreamResponse:
        return response

    async with impostor(directory, answer) as where:
        said, whose = await failure(where)
    assert why in said
    assert whose is Owner.ENDPOINT


@pytest.mark.asyncio
@pytest.mark.parametrize(("up", "down"), [(0, 0), (2, 0), (1, 1)])
async def test_a_grant_of_other_flows(directory: Path, up: int, down: int) -> None:
    """A run of one flow that was asked for would else be on record with flows that it never had."""
    grant = RunGrant(run="0", port=1, up_tokens=(bytes(32),) * up, down_tokens=(bytes(32),) * down)

    async def answer(request: web.BaseRequest) -> web.StreamResponse:
        return web.json_response(encode(grant), headers={"Linebook-Protocol": "1"})

    async with impostor(directory, answer) as where, Control(where, clock=Clock()) as control:
        found = await control.open_run(RUN)
    assert isinstance(found, Failed)
    assert (found.why, found.whose) == ("the endpoint grants other flows than were asked", Owner.ENDPOINT)


@pytest.mark.asyncio
async def test_broken_off(directory: Path) -> None:
    """The endpoint dies in the middle of a question."""

    async def die(request: web.BaseRequest) -> web.StreamResponse:
        assert request.transport is not None
        request.transport.abort()
        return web.Response()

    async with impostor(directory, die) as where:
        port = where.invitation.port
        assert await failure(where) == (f"127.0.0.1:{port} broke the connection off", Owner.UNKNOWN)


@pytest.mark.asyncio
async def test_one_connection_serves_many_questions(directory: Path) -> None:
    peers = set()

    async def note(request: web.BaseRequest) -> web.StreamResponse:
        assert request.transport is not None
        peers.add(request.transport.get_extra_info("peername"))
        return web.json_response({"runs": 0, "trains": 0}, headers={"Linebook-Protocol": "1"})

    async with impostor(directory, note) as where, Control(where, clock=Clock()) as control:
        for _ in range(5):
            assert await control.stop() == Stopped(runs=0, trains=0)
    assert len(peers) == 1


@pytest.mark.asyncio
async def test_what_a_question_carries(directory: Path) -> None:
    """The key as a bearer token (RFC 6750 section 2.1), the protocol, and no name of a program."""
    found: list[dict[str, str]] = []

    async def note(request: web.BaseRequest) -> web.StreamResponse:
        found.append(dict(request.headers))
        return web.json_response({"runs": 0, "trains": 0}, headers={"Linebook-Protocol": "1"})

    async with impostor(directory, note) as where:
        await hello(where)
    assert found[0]["Authorization"].startswith("Bearer ")
    assert found[0]["Linebook-Protocol"] == "1"
    assert "User-Agent" not in found[0]
