"""Failover: a train bound to each of two uplinks, one that goes by the routes, and a stopwatch.

Somebody breaks the main uplink meanwhile; nothing here does. The third train is bound to nothing, so it goes
the way that everything takes, whoever chooses it: this host's routes or a router. The endpoint says where its
packets come from (asked twice a second, by the uplink that works), and while the main uplink is silent it
sends packets down it of its own accord (a knock), since replies cannot try the way down when nothing gets up.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from probe import failover_outcome
from probe.control import Control
from probe.failover_outcome import Knocks, Packet, Port, Seen
from probe.linux import interface, link
from probe.linux.link_news import LinkNews
from probe.methods.train import PACKET_BYTES, TrainSession, schedule_reasons
from probe.reach import Binding, Reach
from probe.train_outcome import Tally
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US, Clock
from store.failovers import EGRESS_EVERY_MS, Failover, Watched
from store.records import Failed

WHAT = "failover"
PER_SECOND = 20.0

_WAITING_S = 3.0  # for the last replies
_ASK_S = 1.0  # what one question may take: the uplink that is asked by may be the dead one
_END_S = 5.0
_LOOK_S = 0.1
_QUIET_S = 0.7  # without a reply on the main uplink, the way down is tried
_HEADER_BYTES = {4: 28, 6: 48}


@dataclass(frozen=True, slots=True, kw_only=True)
class FailoverPlan:
    """How long to watch, and packets a second of each train."""

    seconds: float = 120.0
    per_second: float = PER_SECOND


@dataclass(frozen=True, slots=True, kw_only=True)
class Uplinks:
    """The way by the uplink that will be broken, and by the one that is to take over."""

    main: Reach
    backup: Reach


async def run(
    plan: FailoverPlan,
    where: Uplinks,
    clock: Clock,
    *,
    stop: asyncio.Event | None = None,
    on_progress: Callable[[str], None] | None = None,
) -> Failover | Failed:
    """Watch for `seconds`, or until `stop` is set; some 3 s longer for the last replies.

    Both uplinks must work at first. A stop of all tests at the endpoint ends it early, and it says so.
    """
    async with (
        Control(where.main, clock=clock) as main,
        Control(where.backup, clock=clock) as backup,
    ):
        exercise = _Exercise(plan, where, clock, controls=(main, backup), say=on_progress or (lambda _: None))
        failed = await exercise.open()
        if failed is not None:
            await exercise.close()
            return failed
        try:
            await exercise.watch(stop or asyncio.Event())
        finally:
            await exercise.close()
        return exercise.record()


class _Exercise:
    """The three trains, and what was noticed beside them. Sessions stand as main, backup, routed."""

    def __init__(
        self,
        plan: FailoverPlan,
        where: Uplinks,
        clock: Clock,
        *,
        controls: tuple[Control, Control],
        say: Callable[[str], None],
    ) -> None:
        self._plan, self._where, self._clock, self._say = plan, where, clock, say
        self._main_control, self._backup_control = controls
        self._tallies: list[Tally] = []
        self._sessions: list[TrainSession] = []
        self._egress: list[str | None] = [None] * 3
        self._seen: list[Seen] = []
        self._device = where.main.binding.device()
        self._route: object = None
        self._route_moved_ms: float | None = None
        self._port = Port()
        self._knocks: list[tuple[float, int]] = []  # when asked, and how many left
        self._proven = False
        self._started_ns = self._started_unix_ns = self._ended_ns = 0
        self._stopped_there = False

    async def open(self) -> Failed | None:
        """Open all three trains; why not, when one fails."""
        by_uplink = ((self._where.main, self._main_control), (self._where.backup, self._backup_control))
        for reach, control in by_uplink:
            failed = await self._open(reach, control)
            if failed is not None:
                return failed
        address = self._sessions[0].address or self._where.main.invitation.host
        there = replace(self._where.main.invitation, host=address)  # the same one, and no name to look up
        routed = replace(self._where.main, invitation=there, binding=Binding(), assigned=())
        return await self._open(routed, self._backup_control)

    async def _open(self, reach: Reach, control: Control) -> Failed | None:
        spacing_ns = round(NS_PER_S / self._plan.per_second)
        tally = Tally(spacing_ns=spacing_ns, waiting_ns=round(_WAITING_S * NS_PER_S))
        session = TrainSession(
            control,
            reach,
            self._clock,
            tally=tally,
            per_second=self._plan.per_second,
            packet_bytes=PACKET_BYTES,
        )
        self._tallies.append(tally)
        self._sessions.append(session)
        failed = await session.open()
        return None if failed is None else replace(failed, what=WHAT)

    async def watch(self, stop: asyncio.Event) -> None:
        """Let the trains go until the time is over or somebody ends it, and wait for the last replies."""
        self._started_ns, self._started_unix_ns = self._clock.monotonic_ns(), self._clock.unix_ns()
        for session in self._sessions:
            session.start()
        beside = [
            asyncio.create_task(work(), name=f"failover {work.__name__}")
            for work in (self._ask_egress, self._watch_port, self._watch_route, self._try_way_down)
        ]
        try:
            await self._until(stop)
        finally:
            for task in beside:
                task.cancel()
            await asyncio.gather(*beside, return_exceptions=True)
        self._ended_ns = self._clock.monotonic_ns()
        for session in self._sessions:
            session.stop()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_WAITING_S):
                for session in self._sessions:
                    await session.complete.wait()

    async def _until(self, stop: asyncio.Event) -> None:
        ends_ns = self._started_ns + round(self._plan.seconds * NS_PER_S)
        while not (stop.is_set() or self._stopped_there or self._slept):
            left_s = (ends_ns - self._clock.monotonic_ns()) / NS_PER_S
            if left_s <= 0:
                return
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(min(left_s, _LOOK_S)):
                    await stop.wait()

    @property
    def _slept(self) -> bool:
        return any(session.slept.is_set() for session in self._sessions)

    async def close(self) -> None:
        """Send no more and let go of the trains at the endpoint, by whichever uplink works."""
        for session, tally in zip(self._sessions, self._tallies, strict=True):
            session.stop()
            if not session.ssid:
                session.close()
                continue
            counts = None
            for control in (self._backup_control, self._main_control):
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(_END_S):
                        found = await control.close_train(session.ssid)
                        counts = None if isinstance(found, Failed) else found
                if counts is not None:
                    break
            tally.finish(counts, after=tally.after, now_ns=self._clock.monotonic_ns())
            session.close()

    # Beside the trains

    def _ms(self, monotonic_ns: int) -> float:
        return (monotonic_ns - self._started_ns) / NS_PER_MS

    def _now_ms(self) -> float:
        return self._ms(self._clock.monotonic_ns())

    async def _ask_egress(self) -> None:
        for place in (0, 1):
            self._egress[place] = (await self._told(place))[0]
        while True:
            asked_ms = self._now_ms()
            address, told_ms = await self._told(2)
            if address is not None:
                if not self._seen or self._seen[-1].address != address:
                    self._say(f"{told_ms / 1000:7.2f} s  traffic comes from {address}")
                self._seen.append(Seen(asked_ms=asked_ms, told_ms=told_ms, address=address))
            await asyncio.sleep(max(0.05, (EGRESS_EVERY_MS - (self._now_ms() - asked_ms)) / 1000))

    async def _told(self, place: int) -> tuple[str | None, float]:
        """Where a train's packets came from last, by the first uplink that works; when that was told."""
        for control in (self._backup_control, self._main_control):
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_ASK_S):
                    found = await control.train_counts(self._sessions[place].ssid)
                if not isinstance(found, Failed):
                    return found.address, self._now_ms()
                if control.refusal is not None and control.refusal.code == "unknown":
                    self._stopped_there = True
                    break
        return None, self._now_ms()

    async def _try_way_down(self) -> None:
        """Knock once while all is well, and each second while the main uplink is silent."""
        session, quiet = self._sessions[0], True
        while True:
            silent_s = (self._clock.monotonic_ns() - session.heard_ns) / NS_PER_S
            if not self._proven and session.answered and silent_s < _QUIET_S:
                await self._knock(while_silent=False)
                await asyncio.sleep(_LOOK_S)
                self._proven = bool(session.knocked_ns)
            if session.answered and silent_s >= _QUIET_S:
                if quiet:
                    self._say(f"{self._now_ms() / 1000:7.2f} s  the main uplink does not answer")
                quiet = False
                await self._knock(while_silent=True)
                await asyncio.sleep(_ASK_S)
            elif not quiet:
                self._say(f"{self._now_ms() / 1000:7.2f} s  the main uplink answers again")
                quiet = True
            await asyncio.sleep(_LOOK_S)

    async def _knock(self, *, while_silent: bool) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_ASK_S):
                found = await self._backup_control.knock(self._sessions[0].ssid)
            if while_silent and not isinstance(found, Failed):
                self._knocks.append((self._now_ms(), found.sent))

    async def _watch_port(self) -> None:
        if self._device is None:
            return
        before = await asyncio.to_thread(link.read, self._device)
        with LinkNews() as news:
            while True:
                await news.within(_LOOK_S)
                now = await asyncio.to_thread(link.read, self._device)
                fell = before.carrier and (not now.carrier or (now.lost or 0) > (before.lost or 0))
                if fell and self._port.lost_ms is None:
                    self._port = Port(lost_ms=self._now_ms())
                    self._say(f"{self._now_ms() / 1000:7.2f} s  no carrier on port {self._device}")
                if now.carrier and self._port.lost_ms is not None and self._port.back_ms is None:
                    self._port = replace(self._port, back_ms=self._now_ms())
                before = now

    async def _watch_route(self) -> None:
        address = self._sessions[2].address or ""
        self._route = interface.way_out(address, binding=Binding())
        while self._route_moved_ms is None:
            await asyncio.sleep(_LOOK_S)
            now = interface.way_out(address, binding=Binding())
            if now is not None and now != self._route:  # none at all leads nowhere yet
                self._route_moved_ms = self._now_ms()

    # The record

    def record(self) -> Failover:
        """What it all showed."""
        packets = [self._packets(place) for place in range(3)]
        main, other, routed = (self._watched(place, packets[place]) for place in range(3))
        broken = main.breaks[0] if main.breaks else None
        knocks = (
            self._knocks_in(broken.from_ms, broken.until_ms)
            if broken
            else Knocks(proven=False, sent=0, heard=0)
        )
        failure, because = failover_outcome.failure(broken, port=self._port, knocks=knocks)
        moves = failover_outcome.moves(broken, routed, packets[2], self._seen)
        version = ipaddress.ip_address(self._sessions[0].address or "0.0.0.0").version  # noqa: S104 - no socket
        return Failover(
            handoff=self._where.main.handoff,
            endpoint=self._where.main.endpoint,
            started_unix_ns=self._started_unix_ns,
            reasons=self._reasons(),
            backup=self._where.backup.handoff,
            seconds=round((self._ended_ns - self._started_ns) / NS_PER_S, 3),
            per_second=self._plan.per_second,
            ip_version=version,
            failure=failure,
            because=because,
            failed_ms=None if broken is None else broken.from_ms,
            carrier_lost_ms=_whole(self._port.lost_ms),
            carrier_back_ms=_whole(self._port.back_ms),
            knocks=knocks.sent,
            knocks_heard=knocks.heard,
            route_moved_ms=_whole(self._route_moved_ms) if broken else None,
            main_back_ms=None if broken is None else broken.until_ms,
            switched=moves.switched,
            last_ms=moves.last_ms,
            first_ms=moves.first_ms,
            without_ms=moves.without_ms,
            lost_switching=moves.lost_switching,
            egress_before=moves.egress_before,
            egress_after=moves.egress_after,
            returned_ms=moves.returned_ms,
            lost_returning=moves.lost_returning,
            main=main,
            other=other,
            routed=routed,
            spent_bytes=self._spent_bytes(version),
        )

    def _packets(self, place: int) -> list[Packet]:
        tally, found = self._tallies[place], []
        for index in range(tally.after):
            at_ms, rtt_ns = self._ms(tally.sent_at(index)), tally.rtt_ns(index)
            if rtt_ns is None:
                found.append(Packet(at_ms=at_ms, fate=tally.lost(index) or "unattributed"))
            else:
                found.append(Packet(at_ms=at_ms, fate="back", back_ms=at_ms + rtt_ns / NS_PER_MS))
        spacing_ms = 1000 / self._plan.per_second
        return failover_outcome.with_holes(found, spacing_ms=spacing_ms, until_ms=self._ms(self._ended_ns))

    def _watched(self, place: int, packets: Sequence[Packet]) -> Watched:
        tally = self._tallies[place]
        rtts_ns = sorted(rtt for index in range(tally.after) if (rtt := tally.rtt_ns(index)) is not None)
        middle_us = rtts_ns[len(rtts_ns) // 2] // NS_PER_US if rtts_ns else None
        egress = self._egress[place] if place < 2 else next((one.address for one in self._seen), None)
        return failover_outcome.watched(packets, egress_address=egress, rtt_p50_us=middle_us)

    def _knocks_in(self, from_ms: int, until_ms: int | None) -> Knocks:
        end_ms = self._ms(self._ended_ns) if until_ms is None else until_ms
        heard_ms = [self._ms(at_ns) for at_ns in self._sessions[0].knocked_ns]
        return Knocks(
            proven=self._proven,
            sent=sum(sent for at_ms, sent in self._knocks if from_ms <= at_ms <= end_ms),
            heard=sum(from_ms <= at_ms <= end_ms for at_ms in heard_ms),
        )

    def _reasons(self) -> tuple[str, ...]:
        spacing_ns = round(NS_PER_S / self._plan.per_second)
        found = []
        if self._stopped_there:
            found.append("aborted")
        if self._slept:
            found.append("slept")
        if any(
            schedule_reasons(one.lateness_ns, disturbed=False, spacing_ns=spacing_ns)
            for one in self._sessions
        ):
            found.append("late_schedule")
        if self._egress[0] is not None and self._egress[0] == self._egress[1]:
            found.append("elsewhere")
        return tuple(found)

    def _spent_bytes(self, version: int) -> int:
        packets = sum(session.sent + session.answered for session in self._sessions)
        return packets * (PACKET_BYTES + _HEADER_BYTES[version])


def _whole(moment_ms: float | None) -> int | None:
    return None if moment_ms is None else round(moment_ms)
