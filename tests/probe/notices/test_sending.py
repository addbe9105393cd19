"""Notices of a running daemon: how many, when, how often; over a restart, a reload, a show, the end.

Time jumps, with a delivery that is a fake; at last real time with a real mail server and database.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import json
import logging
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import UTC, date
from pathlib import Path
from random import Random
from typing import Any

import pytest

from dashboard import text
from probe import daemon, running
from probe.daemon import Methods
from probe.notices import sending
from probe.notices.message import Message
from probe.notices.sending import Missed
from store import export, fault_log
from store.clock import NS_PER_S, Clock
from store.events import Event, EventKind
from store.export import Choice, Format
from store.notice_channels import Channel, Command, Hook, Mail, Matter, Security
from store.notices import Notice, NoticeState
from store.reader import Reader
from store.records import Owner
from store.site import Site
from store.writer import Writer
from tests.probe.jumping import run_from
from tests.probe.living import START_NS, FakeRate, FakeTrain, Life, alive
from tests.probe.notices.post_office import PostOffice, certificate
from tests.probe.sites import handoff, site

LAMP = Channel(name="lamp", way=Command(words=("/bin/true",)))
DESK = Channel(name="desk", way=Command(words=("/bin/false",)))
HOUR_S = 3600.0
PASSWORD, TOKEN = "planted-Pa55word", "planted-T0ken"


@dataclass(kw_only=True)
class Post:
    """Takes messages; `answer` says of each try, counted from 1, why it failed, None when it did not."""

    answer: Callable[[int], str | Missed | None] = lambda number: None
    tries: list[tuple[float, str, Message]] = field(default_factory=list)
    ways: list[Mail | Command | Hook] = field(default_factory=list)

    async def deliver(self, found: Message, channel: Channel, clock: Clock) -> Missed | None:
        self.tries.append(((clock.unix_ns() - START_NS) / NS_PER_S, channel.name, found))
        self.ways.append(channel.way)
        answer = self.answer(len(self.tries))
        return Missed(why=answer) if isinstance(answer, str) else answer


def event(
    life: Life, what: EventKind = EventKind.OUTAGE_START, *, handoff: str = "A", count: int | None = None
) -> Event:
    """An event of now."""
    return Event(
        handoff=handoff,
        endpoint="north",
        started_unix_ns=life.clock.unix_ns(),
        what=what,
        says="x",
        owner=Owner.UNKNOWN,
        count=count,
    )


def lived(
    asked: Site,
    work: Callable[[Life], Awaitable[None]],
    *,
    post: Post | None = None,
    events: list[Event] | None = None,
    notices: list[Notice] | None = None,
    from_ns: int = START_NS,
) -> list[Notice]:
    """The notices on record of a daemon that lived as long as `work` lasts."""

    async def life(clock: Clock) -> list[Notice]:
        post_ = post or Post()
        async with alive(
            clock, asked, events=events or (), notices=notices or (), deliver=post_.deliver
        ) as found:
            await work(found)
        return found.store.of(Notice)

    return run_from(from_ns, life)


def states(notices: list[Notice]) -> list[tuple[str, str]]:
    return [(notice.channel, str(notice.state)) for notice in notices]


def test_one_notice_a_case_and_channel_however_many_events() -> None:
    post = Post()

    async def work(life: Life) -> None:
        for _ in range(20):
            life.daemon.book.keep(event(life))
            await asyncio.sleep(60)
            life.daemon.book.keep(event(life, EventKind.OUTAGE_END))
            await asyncio.sleep(60)

    found = lived(site(notices=(LAMP, DESK)), work, post=post)
    assert sorted((channel, at_s) for at_s, channel, _ in post.tries) == [("desk", 15.0), ("lamp", 15.0)]
    assert sorted(states(found)) == [
        *(("desk", "delivered"), ("desk", "queued"), ("lamp", "delivered"), ("lamp", "queued"))
    ]


def test_a_line_that_flaps_for_ever_takes_no_more_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """One case without end: few of its events are kept, its notice stays the only one of its channel, and a
    later one of another channel says how many events it does not count.
    """
    monkeypatch.setattr(sending, "_MOST_EVENTS", 40)
    monkeypatch.setattr(sending, "_LAST_EVENTS", 20)
    post, kept = Post(), list[int]()
    port = replace(DESK, matters=frozenset({Matter.PORT}))

    async def work(life: Life) -> None:
        life.daemon.book.keep(event(life, EventKind.CARRIER_LOST))  # lasts all the while, and is never let go
        for _ in range(100):
            life.daemon.book.keep(event(life))
            await asyncio.sleep(60)
            life.daemon.book.keep(event(life, EventKind.OUTAGE_END))
            await asyncio.sleep(60)
            kept.append(len(life.daemon.notices.events))
        life.daemon.book.keep(event(life, EventKind.PORT))
        await asyncio.sleep(60)

    found = lived(site(notices=(LAMP, port)), work, post=post)
    assert max(kept) <= 41
    assert [("lamp", "queued"), ("lamp", "delivered"), ("desk", "queued"), ("desk", "delivered")] == states(
        found
    )
    late = post.tries[-1][2]
    told, left_out = len(late.json["events"]), late.json["events_let_go"]
    assert told + left_out == 1 + 2 * 100 + 1
    assert left_out > 150
    assert f"Not counted here are {left_out} earlier events" in late.text
    assert "and not back" in found[-1].says  # of the carrier: what lasts is told, however long ago it began


def test_a_new_case_has_a_new_notice() -> None:
    post = Post()

    async def work(life: Life) -> None:
        for _ in range(3):
            life.daemon.book.keep(event(life, EventKind.PORT))
            await asyncio.sleep(HOUR_S)

    lived(site(notices=(LAMP,)), work, post=post)
    assert [at_s for at_s, _, _ in post.tries] == [15.0, HOUR_S + 15, 2 * HOUR_S + 15]
    assert len({found.id for _, _, found in post.tries}) == 3


def test_what_came_with_it_within_the_first_seconds_is_in_it() -> None:
    post = Post()

    async def work(life: Life) -> None:
        life.daemon.book.keep(event(life, EventKind.CARRIER_LOST))
        await asyncio.sleep(11)
        life.daemon.book.keep(event(life))
        await asyncio.sleep(60)

    lived(site(notices=(LAMP,)), work, post=post)
    ((_, _, found),) = post.tries
    assert [each["what"] for each in found.json["events"]] == ["carrier lost", "outage start"]
    assert found.json["notice"] == found.id
    assert found.subject.startswith("[invented] Quillet Lane (invented): Handoff A: ")


def test_two_stalls_are_none_and_the_third_is_one() -> None:
    post = Post()

    async def work(life: Life) -> None:
        life.daemon.book.keep(event(life, EventKind.STALL, count=2))
        await asyncio.sleep(120)
        assert post.tries == []
        life.daemon.book.keep(event(life, EventKind.STALL, count=1))
        await asyncio.sleep(60)

    lived(site(notices=(LAMP,)), work, post=post)
    assert [at_s for at_s, _, _ in post.tries] == [135.0]


def test_an_event_that_is_told_late_makes_no_second_notice() -> None:
    """A minute with stalls that began before the outage is told after it, and the case begins earlier."""
    post = Post()

    async def work(life: Life) -> None:
        await asyncio.sleep(100)
        life.daemon.book.keep(event(life))
        await asyncio.sleep(50)
        early = replace(event(life, EventKind.STALL, count=9), started_unix_ns=START_NS + 90 * NS_PER_S)
        life.daemon.book.keep(early)
        await asyncio.sleep(HOUR_S)

    lived(site(notices=(LAMP,)), work, post=post)
    assert len(post.tries) == 1


def test_a_failed_try_is_repeated_after_growing_pauses() -> None:
    post = Post(answer=lambda number: "it does not listen" if number < 5 else None)

    async def work(life: Life) -> None:
        life.daemon.book.keep(event(life))
        await asyncio.sleep(HOUR_S)

    *_, last = lived(site(notices=(LAMP,)), work, post=post)
    assert [at_s for at_s, _, _ in post.tries] == [15.0, 45.0, 105.0, 225.0, 465.0]
    assert len({found.id for _, _, found in post.tries}) == 1
    assert (last.state, last.tries, last.why) == (NoticeState.DELIVERED, 5, None)


def test_who_has_the_mail_does_not_get_it_again() -> None:
    """The second of three is refused for a day; the others got it with the first try."""
    to = ("a@example.net", "b@example.net", "c@example.net")
    way = Mail(host="h", port=25, security=Security.NONE, user=None, sender="l@example.net", to=to)
    post = Post(answer=lambda number: Missed(why="refuses 1 of 3 recipients (550)", left=to[1:2]))

    async def work(life: Life) -> None:
        life.daemon.book.keep(event(life))
        await asyncio.sleep(HOUR_S)

    lived(site(notices=(Channel(name="office", way=way),)), work, post=post)
    assert [one.to for one in post.ways if isinstance(one, Mail)] == [to] + [to[1:2]] * (len(post.ways) - 1)
    assert len(post.ways) > 3


def test_after_a_day_it_is_given_up_with_the_reason() -> None:
    post = Post(answer=lambda number: "it does not listen")

    async def work(life: Life) -> None:
        life.daemon.book.keep(event(life))
        await asyncio.sleep(40 * HOUR_S)

    first, last = lived(site(notices=(LAMP,)), work, post=post)
    assert (first.state, last.state, last.why) == (
        NoticeState.QUEUED,
        NoticeState.FAILED,
        "it does not listen",
    )
    assert last.tries == len(post.tries)
    assert 24 * HOUR_S <= post.tries[-1][0] <= 25 * HOUR_S


def test_one_that_cannot_be_delivered_keeps_no_other_back() -> None:
    """The first is refused for ever; that of the next case arrives."""
    refused: set[str] = set()

    async def deliver(found: Message, channel: Channel, clock: Clock) -> Missed | None:
        refused.add(found.id) if not refused else None
        return Missed(why="refused") if found.id in refused else None

    post = Post()
    post.deliver = deliver  # type: ignore[method-assign]

    async def work(life: Life) -> None:
        life.daemon.book.keep(event(life, EventKind.PORT))
        await asyncio.sleep(2 * HOUR_S)
        life.daemon.book.keep(event(life, EventKind.PORT))
        await asyncio.sleep(120)

    found = lived(site(notices=(LAMP,)), work, post=post)
    assert [str(notice.state) for notice in found] == ["queued", "queued", "delivered"]


def test_a_way_out_that_raises_takes_nothing_down() -> None:
    def answer(number: int) -> str | None:
        if number == 1:
            raise RuntimeError("a mistake of ours")
        return None

    post = Post(answer=answer)

    async def work(life: Life) -> None:
        life.daemon.book.keep(event(life))
        await asyncio.sleep(120)

    assert [str(one.state) for one in lived(site(notices=(LAMP,)), work, post=post)] == [
        *("queued", "delivered")
    ]


# Restart


def queued(*, ago_s: float = 60.0) -> tuple[Event, Notice]:
    """An outage with its notice, as a probe left them that stopped before it was delivered."""
    began_ns = START_NS - round(ago_s * NS_PER_S)
    outage = Event(
        handoff="A",
        endpoint="north",
        started_unix_ns=began_ns,
        what=EventKind.OUTAGE_START,
        says="x",
        owner=Owner.UNKNOWN,
    )
    notice = Notice(
        handoff="A",
        started_unix_ns=began_ns,
        channel="lamp",
        subject="line",
        case_unix_ns=began_ns,
        queued_unix_ns=began_ns,
        state=NoticeState.QUEUED,
        says="Handoff A: outage, north silent.",
    )
    return outage, notice


async def a_minute(life: Life) -> None:
    await asyncio.sleep(60)


def test_a_restart_delivers_what_was_queued() -> None:
    outage, notice = queued()
    post = Post()
    (done,) = lived(site(notices=(LAMP,)), a_minute, post=post, events=[outage], notices=[notice])
    assert (done.state, done.id, len(post.tries)) == (NoticeState.DELIVERED, notice.id, 1)


def test_a_restart_does_not_repeat_what_was_delivered() -> None:
    outage, notice = queued()
    done = replace(notice, state=NoticeState.DELIVERED, started_unix_ns=notice.started_unix_ns + 1, tries=1)
    post = Post()
    assert lived(site(notices=(LAMP,)), a_minute, post=post, events=[outage], notices=[notice, done]) == []
    assert post.tries == []


def test_a_restart_queues_for_an_open_case_that_has_no_notice_yet() -> None:
    """The event was on the disk, its notice was not."""
    outage, _ = queued()
    assert states(lived(site(notices=(LAMP,)), a_minute, events=[outage])) == [
        *(("lamp", "queued"), ("lamp", "delivered"))
    ]


def test_a_restart_after_more_than_a_day_tries_once_more() -> None:
    outage, notice = queued(ago_s=30 * HOUR_S)
    post = Post(answer=lambda number: "it does not listen")
    (done,) = lived(site(notices=(LAMP,)), a_minute, post=post, events=[outage], notices=[notice])
    assert (done.state, len(post.tries)) == (NoticeState.FAILED, 1)


# Shows


async def in_a_show(life: Life, *events: Event) -> None:
    """A show of an hour, with these events in its first minute."""
    await life.daemon.open_show("A", minutes=60, why="an evening class")
    for one in events:
        life.daemon.book.keep(one)
    await asyncio.sleep(2 * HOUR_S)


def test_in_a_show_it_waits_until_the_window_closes() -> None:
    post = Post()

    async def work(life: Life) -> None:
        await in_a_show(life, event(life, EventKind.STALL, count=5))

    lived(site(notices=(LAMP,)), work, post=post)
    ((at_s, _, _),) = post.tries
    assert HOUR_S <= at_s <= HOUR_S + 60


def test_an_outage_with_another_uplink_is_told_at_once() -> None:
    post = Post()

    async def work(life: Life) -> None:
        await in_a_show(life, event(life))

    two = site(
        notices=(LAMP,),
        handoffs=(replace(handoff(), interface="eth1"), replace(handoff("B"), interface="eth2")),
    )
    lived(two, work, post=post)
    assert [at_s for at_s, _, _ in post.tries] == [15.0]


def test_an_outage_without_another_uplink_waits() -> None:
    post = Post()

    async def work(life: Life) -> None:
        await in_a_show(life, event(life))

    lived(site(notices=(LAMP,)), work, post=post)
    assert post.tries[0][0] >= HOUR_S


# Reload


def test_a_channel_that_is_gone_gives_up_and_a_new_one_hears_of_the_open_case() -> None:
    post = Post(answer=lambda number: "it does not listen")
    asked = site(notices=(LAMP,))

    async def work(life: Life) -> None:
        life.daemon.book.keep(event(life))
        await asyncio.sleep(100)
        post.answer = lambda number: None
        await life.daemon.reload(replace(asked, notices=(DESK,)))
        await asyncio.sleep(100)

    found = lived(asked, work, post=post)
    assert states(found) == [
        *(("lamp", "queued"), ("lamp", "failed"), ("desk", "queued"), ("desk", "delivered"))
    ]
    assert found[1].why == "the site file does not have this notice any more"


def test_a_channel_hears_only_of_what_it_asks_for() -> None:
    asked = site(notices=(replace(LAMP, matters=frozenset({Matter.CLOCK})), DESK))

    async def work(life: Life) -> None:
        life.daemon.book.keep(event(life))
        await asyncio.sleep(60)

    assert {channel for channel, _ in states(lived(asked, work))} == {"desk"}


# With a real server and a real database


def owner_mail(office: PostOffice, *, secret: str = PASSWORD) -> Channel:
    way = Mail(
        host="127.0.0.1",
        port=office.port,
        security=Security.STARTTLS,
        user="linebook",
        sender="linebook@example.net",
        to=("office@example.net",),
    )
    return Channel(name="owner-mail", way=way, secret=secret)


@contextlib.asynccontextmanager
async def going(asked: Site) -> AsyncIterator[daemon.Daemon]:
    """A daemon with the real ways out on the site's database, which it takes up where the last one ended."""

    def opened() -> tuple[Writer, dict[str, Any]]:
        writer = Writer.open(asked.database, clock=Clock())
        return writer, dict(running._left(asked, now_ns=time.time_ns()))

    writer, left = await asyncio.to_thread(opened)
    made = await daemon.prepared(
        asked,
        clock=Clock(),
        writer=writer,
        methods=Methods(rate=FakeRate(), train=FakeTrain()),
        random=Random(1),
        spent_bytes={},
        **left,
    )
    task = asyncio.create_task(made.run(), name="daemon")
    await made.began.wait()
    try:
        yield made
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        await asyncio.to_thread(writer.close)


def outage() -> Event:
    return Event(
        handoff="A",
        endpoint="north",
        started_unix_ns=time.time_ns(),
        what=EventKind.OUTAGE_START,
        says="nothing came back from north for more than 10 s",
        owner=Owner.UNKNOWN,
    )


@pytest.fixture
def brisk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sending, "SETTLE_S", 0.05)


@pytest.fixture
def office(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> PostOffice:
    file, context = certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(file))
    return PostOffice(context=context)


def real_site(folder: Path, *notices: Channel) -> Site:
    return site(database=folder / "line.db", file=folder / "house.toml", notices=notices)


class Failures(logging.Handler):
    """Counts the tries that failed, as the probe's log tells them."""

    def __init__(self) -> None:
        super().__init__()
        self.count, self.more = 0, asyncio.Event()
        logging.getLogger("probe").addHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        if record.getMessage().startswith("notice not delivered"):
            self.count += 1
            self.more.set()

    async def until(self, count: int) -> None:
        async with asyncio.timeout(20):
            while self.count < count:
                self.more.clear()
                await self.more.wait()
        logging.getLogger("probe").removeHandler(self)


@pytest.mark.asyncio
@pytest.mark.usefixtures("brisk")
async def test_a_letter_that_was_refused_arrives_once_over_restarts(
    tmp_path: Path, office: PostOffice
) -> None:
    """Refused in the first life, delivered in the second, not repeated in the third."""
    office.refusals = ["451 come back later"]
    async with office.opened():
        asked = real_site(tmp_path, owner_mail(office))
        async with going(asked) as made:
            failures = Failures()
            made.book.keep(outage())
            await failures.until(1)
        assert office.letters == []
        async with going(asked) as made:
            async with asyncio.timeout(20):
                while not office.letters:
                    office.more.clear()
                    await office.more.wait()
                await made.book.store.flush()
                while made.notices._waiting:
                    await made.notices._changed.change_within(0.05)
        async with going(asked) as made:
            assert made.notices._waiting == []
            callers = office.callers
            made.book.keep(outage())  # of the same case
            await made.notices._changed.change_within(0.3)
            assert made.notices._waiting == []
    assert (len(office.letters), office.callers) == (1, callers)
    kept = await asyncio.to_thread(_notices, asked)
    assert [str(one.state) for one in kept] == ["queued", "delivered"]
    assert {one.id for one in kept} == {office.letters[0]["Message-ID"].strip("<>").partition("@")[0]}


def _notices(asked: Site) -> list[Notice]:
    with closing(Reader.open(asked.database)) as reader:
        return reader.documents(Notice)


@pytest.mark.asyncio
@pytest.mark.usefixtures("brisk")
async def test_a_server_that_hangs_does_not_hold_up_the_end(tmp_path: Path, office: PostOffice) -> None:
    office.mute = True
    async with office.opened():
        async with going(real_site(tmp_path, owner_mail(office))) as made:
            made.book.keep(outage())
            async with asyncio.timeout(20):
                await office.more.wait()
            began = time.monotonic()
        assert time.monotonic() - began < 2


@pytest.mark.asyncio
@pytest.mark.usefixtures("brisk")
async def test_no_secret_is_anywhere(
    tmp_path: Path, office: PostOffice, caplog: pytest.LogCaptureFixture
) -> None:
    """Not in the log, the database, any export, the fault log, a repr: though the server quotes it back."""
    caplog.set_level(logging.DEBUG)
    office.password = "another"
    async with office.opened():
        desk = Channel(name="desk", way=Hook(url=f"http://127.0.0.1:{office.port}/in"), secret=TOKEN)
        asked = real_site(tmp_path, owner_mail(office), desk)
        async with going(asked) as made:
            failures = Failures()
            made.book.keep(outage())
            await failures.until(2)
            made.notices.follow(replace(asked, notices=()))
    found = caplog.text + repr(asked)
    found += await asyncio.to_thread(_everything, asked, tmp_path)
    assert "does not take the user or the password (535)" in found
    login = base64.b64encode(f"\0linebook\0{PASSWORD}".encode()).decode()
    assert [secret for secret in (PASSWORD, TOKEN, login) if secret in found] == []


def _everything(asked: Site, folder: Path) -> str:
    """The octets of the database and of every export, and the fault log as text and JSON."""
    with closing(Reader.open(asked.database)) as reader:
        choice = Choice(site=asked.name, where=UTC)
        for format_ in (Format.CSV, Format.JSONL, Format.PARQUET):
            export.write(reader, folder / format_, choice, format_=format_)
        cases = fault_log.read(reader, gap_s=600, since_ns=0, until_ns=2**62, now_ns=time.time_ns())
    files = [path for path in folder.rglob("*") if path.is_file() and path.suffix != ".pem"]
    octets = b"\n".join(path.read_bytes() for path in files)
    said = text.events(cases, first=date(2026, 1, 1), last=date(2026, 1, 2), where=UTC)
    times = {"since_ns": 0, "until_ns": 1, "now_ns": 2}
    made = json.dumps(fault_log.as_json(cases, site=asked, handoff=None, **times))
    assert len(cases) == 1
    return octets.decode("latin-1") + said + made
