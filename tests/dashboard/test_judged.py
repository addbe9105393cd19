"""The slow pages: judged in a process beside, once for all who ask, and kept as long as they are true."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import signal
from collections.abc import AsyncIterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
import pytest_asyncio
from aiohttp.test_utils import TestClient, TestServer

from dashboard.app import make_app
from dashboard.beside import Beside
from dashboard.desk import DESK
from dashboard.judged import Judged
from dashboard.kept import Kept
from dashboard.on_disk import OnDisk
from dashboard.past import Past
from dashboard.slow import Asked, Page
from store.clock import NS_PER_S, Clock, local, zone
from store.reader import ReaderThread
from store.site import Site
from store.tickets import TicketNote
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import HOST, Client

FIRST = local(invented.NOW_NS, zone("UTC")).date().replace(day=1)
SLOW = ("/term/A.json", "/findings/A.json", "/acceptance/A.json", "/ledger/A.json", "/circuit/A.json")


class Hands:
    """Both clocks, set by the test."""

    def __init__(self) -> None:
        self.ahead_ns = 0

    @property
    def clock(self) -> Clock:
        return Clock(unix_ns=lambda: invented.NOW_NS + self.ahead_ns, monotonic_ns=lambda: self.ahead_ns)


@pytest.fixture(scope="module")
def hands() -> Hands:
    return Hands()


@pytest.fixture(scope="module")
def own(site: Site, tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The invented site on a database that these tests may write to."""
    folder = tmp_path_factory.mktemp("judged")
    for each in site.database.parent.glob(f"{site.database.name}*"):
        shutil.copy(each, folder)
    return replace(site, database=folder / site.database.name)


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def beside(own: Site, hands: Hands) -> AsyncIterator[Client]:
    app = make_app(
        site=own,
        reader=ReaderThread(own.database),
        clock=hands.clock,
        allowed_hosts=frozenset({HOST}),
        beside=Beside(own.database),
    )
    async with TestClient(TestServer(app), headers={"Host": HOST}) as client:
        yield client


def _noted(own: Site) -> None:
    with closing(Writer.open(own.database, clock=Clock())) as writer:
        writer.append(TicketNote(handoff="A", started_unix_ns=invented.NOW_NS, reference="GC-1"))


async def _json(client: Client, address: str) -> dict[str, object]:
    async with client.get(address) as response:
        assert response.status == 200
        found: dict[str, object] = json.loads(await response.text())
        return found


@pytest.mark.asyncio(loop_scope="module")
async def test_a_circuit_waits_for_no_month(beside: Client) -> None:
    """The first look says that it is being judged, a later one what it comes to."""
    said = "availability comes to is being judged"
    async with beside.get("/circuit/A") as response:
        assert response.status == 200
        assert said in await response.text()
    await beside.app[DESK].judged.settled()  # type: ignore[union-attr]
    async with beside.get("/circuit/A") as response:
        assert said not in await response.text()


@pytest.mark.asyncio(loop_scope="module")
async def test_say_the_same_as_without_a_process(beside: Client, own: Site, hands: Hands) -> None:
    """The first time and from what is kept; the other way keeps nothing, and is in the reader's thread."""
    app = make_app(
        site=own, reader=ReaderThread(own.database), clock=hands.clock, allowed_hosts=frozenset({HOST})
    )
    async with TestClient(TestServer(app), headers={"Host": HOST}) as plain:
        for address in SLOW:
            wanted = await _json(plain, address)
            assert [await _json(beside, address) for _ in range(2)] == [wanted] * 2, address


@pytest.mark.asyncio(loop_scope="module")
async def test_are_judged_once_for_all_who_ask(beside: Client, hands: Hands) -> None:
    judged = beside.app[DESK].judged  # type: ignore[union-attr]
    asked = Asked(page=Page.ACCEPTANCE, handoff="old")
    found = await asyncio.gather(*(judged.found(asked) for _ in range(20)))
    assert len({id(one) for one in found}) == 1


@pytest.mark.asyncio(loop_scope="module")
async def test_what_is_old_is_shown_with_its_moment_while_it_is_judged_anew(
    beside: Client, hands: Hands
) -> None:
    judged = beside.app[DESK].judged  # type: ignore[union-attr]
    await _json(beside, "/ledger/A.json")
    await judged.settled()
    hands.ahead_ns += 1800 * NS_PER_S
    async with beside.get("/ledger/A") as response:
        text = await response.text()
    assert response.status == 200
    assert "This is how it stood on" in text
    await judged.settled()
    async with beside.get("/ledger/A") as response:
        assert "This is how it stood on" not in await response.text()


@pytest.mark.asyncio(loop_scope="module")
async def test_what_somebody_noted_since_is_never_missing(beside: Client, own: Site, hands: Hands) -> None:
    asked = Asked(page=Page.TERM, handoff="A", day=FIRST)
    judged = beside.app[DESK].judged  # type: ignore[union-attr]
    before = await judged.found(asked)
    await asyncio.to_thread(_noted, own)
    after = await judged.found(asked)
    assert after is not before


@pytest.mark.asyncio(loop_scope="module")
async def test_an_older_page_is_not_shown(beside: Client, hands: Hands) -> None:
    """After an hour a person is told to wait, with an answer that comes back by itself, or gets it whole."""
    await beside.app[DESK].judged.settled()  # type: ignore[union-attr]
    hands.ahead_ns += 2 * 3600 * NS_PER_S
    async with beside.get("/findings/A") as response:
        text = await response.text()
        if response.status == 202:  # it took longer than a person waits
            assert response.headers["Refresh"] == "2"
            assert "Being judged" in text
    await beside.app[DESK].judged.settled()  # type: ignore[union-attr]
    async with beside.get("/findings/A") as response:
        assert response.status == 200


@pytest.mark.asyncio
async def test_a_process_that_cannot_start_leaves_a_thread(
    own: Site, hands: Hands, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("sys.executable", str(tmp_path / "nowhere"))
    beside = Beside(own.database)
    asked = Asked(page=Page.ACCEPTANCE, handoff="A")
    found = await beside.ask(own, asked, now_ns=invented.NOW_NS, urgent=True)
    await beside.close()
    assert found.found.handoff.name == "A"


@pytest.mark.asyncio
async def test_a_process_that_ends_leaves_a_thread(own: Site) -> None:
    beside, asked = Beside(own.database), Asked(page=Page.SO_FAR, handoff="A")
    before = await beside.ask(own, asked, now_ns=invented.NOW_NS, urgent=True)
    assert beside.pid is not None
    os.kill(beside.pid, signal.SIGKILL)
    assert await beside.ask(own, asked, now_ns=invented.NOW_NS, urgent=True) == before
    await beside.close()


@pytest.mark.asyncio
async def test_after_a_start_pages_are_as_they_were(
    own: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From disk by the rules that always hold: not after an hour, nor once somebody noted something,
    nor once the clock went back."""
    monkeypatch.setattr("sys.executable", str(tmp_path / "nowhere"))  # a thread starts sooner
    asked = Asked(page=Page.ACCEPTANCE, handoff="A")

    async def moment_s(started_s: int) -> int:
        """From when the first answer is that a dashboard gives which starts then."""
        hands, on_disk = Hands(), OnDisk(tmp_path / "judged", own)
        hands.ahead_ns = started_s * NS_PER_S
        judged = Judged(
            own,
            reader := ReaderThread(own.database),
            Clock(unix_ns=hands.clock.unix_ns, monotonic_ns=Clock().monotonic_ns),
            kept=Kept(hands.clock),
            past=Past(on_disk),
            beside=Beside(own.database),
            on_disk=on_disk,
        )
        found = await judged.found(asked)
        await judged.settled()
        await judged.close()
        await reader.close()
        return int(found.now_ns - invented.NOW_NS) // NS_PER_S

    assert await moment_s(0) == 0
    assert await moment_s(1800) == 0
    assert await moment_s(1900) == 1800
    assert await moment_s(1900 + 3600) == 1900 + 3600
    assert await moment_s(5000) == 5000
    await asyncio.to_thread(_noted, own)
    assert await moment_s(5001) == 5001
