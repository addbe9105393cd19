"""The endpoint as a whole: what each control path does, and `serve`, which opens and closes everything.

Control is HTTPS (front.py), trains are answered by the reflector, payload moves in the bulk process
(probe/bulk). Here they meet admission: every train and run belongs to a caller, and no caller can see,
count or end another's. A caller that falls silent on control, trains and flows loses its runs.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import logging
import os
import secrets
import sys
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, replace
from importlib import metadata
from pathlib import Path

from probe.bulk import own_rate
from probe.bulk.server import AnyReport, FlowServer
from probe.bulk.worker import PacedAdmission, RehearsalAdmission
from probe.endpoint import keys as key_files
from probe.endpoint import ledger as ledgers
from probe.endpoint import limits
from probe.endpoint.admission import SILENCE_S, Admission, PacedTerms, Terms
from probe.endpoint.cross_tests import CrossTests
from probe.endpoint.doors import Doors, open_doors
from probe.endpoint.front import Answer, Call, Front
from probe.endpoint.keys import Keys
from probe.endpoint.reflector import Reflector, ReflectorSockets
from probe.linux import clock_state, interface
from probe.linux.segments import come_first
from probe.reach import Binding
from probe.wire.control import (
    PROTOCOL,
    TOKEN_BYTES,
    CeilingReport,
    CeilingRequest,
    Hello,
    Knocked,
    Refusal,
    RunGrant,
    RunReport,
    RunRequest,
    Stopped,
    TrainCounts,
    TrainGrant,
    TrainRequest,
)
from probe.wire.paced import KEY_BYTES
from probe.wire.paced_control import CapacityRequest, PacedGrant, PacedReport, PacedRequest
from probe.wire.rehearsal_control import RehearsalGrant, RehearsalReport, RehearsalRequest
from probe.wire.stamp import error_estimate
from store.clock import NS_PER_MS, NS_PER_S, NS_PER_US, Clock
from store.errors import UserMistake

log = logging.getLogger(__name__)

_REPORT_WITHIN_S = 1.0  # a question for a run waits this long for its end, then hears how far it is
_LONG_POLL_S = 5.0  # how long ending a run waits for its end
_KEPT_NS = 60 * NS_PER_S  # how long an ended run's report stays to be asked for
_OVERTIME_NS = 30 * NS_PER_S  # over its seconds a run may take this long to begin and to end
_SWITCH_S = 0.0001  # how long a train's packet may wait for the interpreter while the loop has it
_ROUND_S = 1.0  # between two looks at what is silent, expired or changed
_CEILING_KEPT_NS = 600 * NS_PER_S  # so that callers together do not keep the machine busy with itself
_HMAC_KEY_BYTES = 32
_UNKNOWN_ERROR_NS = 10 * NS_PER_MS  # what a clock that nobody sets is said to be off; its S bit stays 0


@dataclass(slots=True, kw_only=True)
class _Run:
    """A run under way or ended a short while ago, with the task that watches it."""

    terms: Terms
    digest: bytes  # of the key it was opened with
    watch: asyncio.Task[None]
    ended_ns: int | None = None


async def serve(directory: Path, *, listen: str | None, clock: Clock, ready: Callable[[str], None]) -> None:
    """Answer the callers of the endpoint in `directory` until cancelled; all is closed within 2 s then.

    `listen` is an address of this host with or without a port (``192.0.2.10``, ``[2001:db8::1]:4000``),
    None for every address. `ready` gets one sentence when callers can come. Raises UserMistake for a
    directory, address or port that cannot be used.
    """
    sys.setswitchinterval(_SWITCH_S)
    async with opened(directory, listen=listen, clock=clock, first=True) as endpoint:
        # a train's packet that waits for other programs is late by seconds; the loop that lets go of the
        # interpreter for it comes first as well
        first = come_first(busy=False)
        gc.freeze()  # what is there by now stays, so nothing of it has to be looked through again
        ready(endpoint.sentence())
        log.info("endpoint comes before ordinary work=%s", first)
        while True:
            await asyncio.sleep(_ROUND_S)
            await endpoint.look_after()


@contextlib.asynccontextmanager
async def opened(
    directory: Path, *, listen: str | None, clock: Clock, first: bool = False
) -> AsyncIterator[Endpoint]:
    """The endpoint in `directory`, answering; on leaving, everything is closed. As `serve` otherwise.

    With `first`, trains are answered before ordinary work is done.
    """
    keys = await asyncio.to_thread(key_files.load, directory)
    tls = await asyncio.to_thread(key_files.tls_context, keys)
    ledger = await asyncio.to_thread(ledgers.load, directory)
    version = await asyncio.to_thread(_version)
    admission = Admission(
        callers=keys.callers.current,
        leaving=keys.callers.still(now_unix_ns=clock.unix_ns()),
        limits=keys.limits,
        ledger=ledger,
    )
    reflector = Reflector(error_estimate=_own_error_estimate(), unix_ns=clock.unix_ns)
    async with contextlib.AsyncExitStack() as closing:
        doors = open_doors(listen, port=keys.port, flow_port=keys.flow_port)
        closing.callback(doors.close)
        stamp = ReflectorSockets(reflector, doors.trains, clock=clock)
        stamp.start(first=first)
        closing.push_async_callback(stamp.close)
        flows = await FlowServer.start((*doors.flows, *doors.paced), clock=clock)
        closing.push_async_callback(flows.close)
        endpoint = Endpoint(
            keys=keys,
            admission=admission,
            reflector=reflector,
            trains=stamp,
            flows=flows,
            ledger=ledger,
            doors=doors,
            version=version,
            clock=clock,
        )
        closing.push_async_callback(endpoint.close)
        closing.push_async_callback(endpoint.front.close)
        await endpoint.front.start(doors.control, tls=tls)
        yield endpoint


class Endpoint:
    """What the control paths do. Owns the task that watches each run; `close` ends them."""

    def __init__(
        self,
        *,
        keys: Keys,
        admission: Admission,
        reflector: Reflector,
        trains: ReflectorSockets,
        flows: FlowServer,
        ledger: ledgers.Ledger,
        doors: Doors,
        version: str,
        clock: Clock,
    ) -> None:
        self._keys = keys
        self._admission = admission
        self._reflector = reflector
        self._trains = trains
        self._flows = flows
        self._ledger = ledger
        self.doors = doors
        self._version = version
        self._clock = clock
        self._instance = secrets.token_hex(8)  # another after each restart
        self._runs: dict[str, _Run] = {}
        self._opened_by: dict[int, tuple[str, bytes]] = {}  # by SSID: the caller, and its key's SHA-256
        self._version_read = keys.version
        self._callers = keys.callers
        self._saving = asyncio.Lock()
        self._measuring = False
        self._crosses = CrossTests(directory=keys.directory, clock=clock)
        self._ceilings: dict[int, tuple[int, int]] = {}  # by flows: when, and payload in bit/s
        self.front = Front(self._answers(), admit=admission.caller_of)

    def _answers(self) -> dict[tuple[str, str], Answer]:
        """What answers each method and path of `control.PATHS`."""
        return {
            ("GET", "hello"): self._noted(self._hello),
            ("POST", "trains"): self._noted(self._open_train),
            ("GET", "train"): self._noted(self._train_counts),
            ("DELETE", "train"): self._noted(self._close_train),
            ("POST", "knock"): self._noted(self._knock),
            ("POST", "runs"): self._beginning(self._open_run),
            ("GET", "run"): self._noted(self._run_report),
            ("DELETE", "run"): self._noted(self._end_run),
            ("POST", "paced_runs"): self._beginning(self._open_paced),
            ("POST", "capacity_runs"): self._beginning(self._open_capacity),
            ("POST", "bursts"): self._beginning(self._open_paced),
            ("GET", "paced_run"): self._noted(self._paced_report),
            ("DELETE", "paced_run"): self._noted(self._end_paced),
            ("POST", "rehearsals"): self._beginning(self._open_rehearsal),
            ("GET", "rehearsal"): self._noted(self._rehearsal_report),
            ("DELETE", "rehearsal"): self._noted(self._end_rehearsal),
            ("POST", "ceiling"): self._noted(self._ceiling),
            ("POST", "stop"): self._noted(self._stop),
        }

    def _told(self, own_port: int, *, invited: int) -> int:
        """The port a grant names: the invited one, for `--listen` may lie behind a port forwarding.

        Where the kernel chose, no invitation can know the port, so it is the own one.
        """
        return own_port if self.doors.by_kernel else invited

    def sentence(self) -> str:
        """Where it answers, for a person."""
        doors = self.doors
        where = "every address" if len(doors.addresses) > 1 else doors.addresses[0]
        return (
            f"The endpoint answers on {where}: port {doors.port} (TCP for control, UDP for trains) "
            f"and port {doors.flow_port} (TCP for rate flows{_also(doors)})."
        )

    async def look_after(self) -> None:
        """What is due once a second: end what is silent or expired, look at the clock, read what changed.

        OSError where trains can no longer be answered, for then a service manager has to begin anew.
        """
        self._trains.check()
        now_ns = self._clock.monotonic_ns()
        for caller, heard_ns in self._reflector.heard():
            self._admission.heard(caller, now_ns=heard_ns)
        for terms in self._admission.silent_runs(now_ns=now_ns):
            if now_ns - self._flows.last_activity_ns(terms.run) > SILENCE_S * NS_PER_S:
                self._flows.abort(terms.run, "the caller fell silent")
        self._reflector.error_estimate = _own_error_estimate()
        for ssid in self._reflector.expired(now_ns=now_ns):
            self._forget_train(ssid)
        for name, run in tuple(self._runs.items()):
            if run.ended_ns is not None and now_ns - run.ended_ns > _KEPT_NS:
                self._forget_run(name)
        await self._renew()
        await self._crosses.look_after(idle=not self._at_work())

    def _at_work(self) -> bool:
        return self._measuring or any(run.ended_ns is None for run in self._runs.values())

    async def close(self) -> None:
        """End every run and write down what it moved."""
        await self._crosses.close()
        watches = [run.watch for run in self._runs.values()]
        for watch in watches:
            watch.cancel()
        await asyncio.gather(*watches, return_exceptions=True)
        await self._save_ledger()

    def _noted(self, answer: Answer) -> Answer:
        async def noted(call: Call) -> object:
            self._admission.heard(call.caller, now_ns=self._clock.monotonic_ns())
            return await answer(call)

        return noted

    def _beginning(self, answer: Answer) -> Answer:
        """What begins a run, and so not while this machine measures itself."""

        async def beginning(call: Call) -> object:
            return _MEASURING if self._measuring else await answer(call)

        return self._noted(beginning)

    async def _hello(self, call: Call) -> Hello:
        limits = self._admission.limits_of(call.caller)
        return Hello(
            version=self._version,
            protocol=PROTOCOL,
            your_address=call.remote,
            seconds_max=limits.seconds_per_run,
            flows_max=limits.flows,
            per_second_max=limits.per_second,
            bytes_left=self._admission.bytes_left(call.caller, unix_ns=self._clock.unix_ns()),
            paces=True,
            rehearsal_seconds_max=limits.seconds_per_rehearsal,
            unwell=self._crosses.unwell(idle=not self._at_work()),
        )

    async def _open_train(self, call: Call) -> TrainGrant | Refusal:
        request = call.message(TrainRequest)
        now_ns = self._clock.monotonic_ns()
        ssid = self._admission.open_train(call.caller, request, now_ns=now_ns)
        if isinstance(ssid, Refusal):
            return ssid
        self._opened_by[ssid] = call.caller, call.digest
        key = secrets.token_bytes(_HMAC_KEY_BYTES)
        self._reflector.open(
            ssid,
            caller=call.caller,
            key=key,
            per_second=request.per_second,
            packet_bytes=request.packet_bytes,
            now_ns=now_ns,
            whole=bool(request.whole),
        )
        return TrainGrant(
            ssid=ssid,
            key=key,
            port=self._told(self.doors.train_port, invited=self._keys.port),
            instance=self._instance,
            your_address=call.remote,
            whole=bool(request.whole),
        )

    async def _train_counts(self, call: Call) -> TrainCounts | Refusal:
        ssid = self._own_train(call)
        return _NO_TRAIN if ssid is None else self._reflector.counts(ssid)

    async def _knock(self, call: Call) -> Knocked | Refusal:
        ssid = self._own_train(call)
        if ssid is None:
            return _NO_TRAIN
        return Knocked(sent=self._reflector.knock(ssid, now_ns=self._clock.monotonic_ns()))

    async def _close_train(self, call: Call) -> TrainCounts | Refusal:
        ssid = self._own_train(call)
        return _NO_TRAIN if ssid is None else self._forget_train(ssid)

    async def _open_run(self, call: Call) -> RunGrant | Refusal:
        terms = self._admission.open_run(
            call.caller,
            call.message(RunRequest),
            now_ns=self._clock.monotonic_ns(),
            unix_ns=self._clock.unix_ns(),
        )
        if isinstance(terms, Refusal):
            return terms
        up_tokens, down_tokens = _tokens(terms.up_flows), _tokens(terms.down_flows)
        self._flows.admit(
            terms.run,
            up_tokens=up_tokens,
            down_tokens=down_tokens,
            seconds=terms.seconds,
            congestion=terms.congestion,
            bytes_max=terms.bytes_max,
            down_at_most_bps=terms.down_at_most_bps,
        )
        self._keep(terms, call)
        return RunGrant(
            run=terms.run,
            port=self._told(self.doors.flow_port, invited=self._keys.flow_port),
            up_tokens=up_tokens,
            down_tokens=down_tokens,
        )

    async def _open_paced(self, call: Call) -> PacedGrant | Refusal:
        terms = self._admission.open_paced(
            call.caller,
            call.message(PacedRequest),
            now_ns=self._clock.monotonic_ns(),
            unix_ns=self._clock.unix_ns(),
        )
        return terms if isinstance(terms, Refusal) else self._granted(terms, call)

    async def _open_capacity(self, call: Call) -> PacedGrant | Refusal:
        terms = self._admission.open_capacity(
            call.caller,
            call.message(CapacityRequest),
            now_ns=self._clock.monotonic_ns(),
            unix_ns=self._clock.unix_ns(),
        )
        return terms if isinstance(terms, Refusal) else self._granted(terms, call)

    def _granted(self, terms: PacedTerms, call: Call) -> PacedGrant:
        """Take the run of whoever shows its key."""
        key = secrets.token_bytes(KEY_BYTES)
        self._flows.admit_paced(
            PacedAdmission(
                run=terms.run,
                up=terms.up,
                key=key,
                offered_bps=terms.offered_bps,
                payload_bytes=terms.payload_bytes,
                seconds=terms.seconds,
                bytes_max=terms.bytes_max,
                searches=terms.searches,
                burst_packets=terms.burst_packets,
            )
        )
        self._keep(terms, call)
        return PacedGrant(
            run=terms.run,
            port=self._told(self.doors.paced_port, invited=self._keys.flow_port),
            key=key,
            most_bps=terms.offered_bps if terms.searches else None,
        )

    async def _open_rehearsal(self, call: Call) -> RehearsalGrant | Refusal:
        terms = self._admission.open_rehearsal(
            call.caller,
            call.message(RehearsalRequest),
            now_ns=self._clock.monotonic_ns(),
            unix_ns=self._clock.unix_ns(),
        )
        if isinstance(terms, Refusal):
            return terms
        keys = _tokens(len(terms.streams))
        self._flows.admit_rehearsal(
            RehearsalAdmission(
                run=terms.run,
                streams=terms.streams,
                keys=keys,
                seconds=terms.seconds,
                bytes_max=terms.bytes_max,
            )
        )
        self._keep(terms, call)
        return RehearsalGrant(
            run=terms.run,
            tcp_port=self._told(self.doors.flow_port, invited=self._keys.flow_port),
            udp_port=self._told(self.doors.paced_port, invited=self._keys.flow_port),
            keys=keys,
        )

    async def _run_report(self, call: Call) -> RunReport | Refusal:
        return _rate(await self._reported(call))

    async def _paced_report(self, call: Call) -> PacedReport | Refusal:
        return _paced(await self._reported(call))

    async def _end_run(self, call: Call) -> RunReport | Refusal:
        return _rate(await self._end(call))

    async def _end_paced(self, call: Call) -> PacedReport | Refusal:
        return _paced(await self._end(call))

    async def _rehearsal_report(self, call: Call) -> RehearsalReport | Refusal:
        return _rehearsal(await self._reported(call))

    async def _end_rehearsal(self, call: Call) -> RehearsalReport | Refusal:
        return _rehearsal(await self._end(call))

    async def _reported(self, call: Call) -> AnyReport | Refusal:
        run = self._own_run(call)
        return _NO_RUN if run is None else await self._flows.finished(run, timeout_s=_REPORT_WITHIN_S)

    async def _end(self, call: Call) -> AnyReport | Refusal:
        run = self._own_run(call)
        if run is None:
            return _NO_RUN
        report = await self._halt(run, "the caller ended it")
        self._forget_run(run)
        return report

    async def _ceiling(self, call: Call) -> CeilingReport | Refusal:
        """Measure this machine against itself, when nobody has a run under way; told again for 10 min."""
        flows = call.message(CeilingRequest).flows
        most = self._admission.limits_of(call.caller).flows
        if not 1 <= flows <= most:
            return Refusal(code="limit", why=f"the endpoint grants 1 to {most} flows")
        at_ns, found_bps = self._ceilings.get(flows, (0, 0))
        if not found_bps or self._clock.monotonic_ns() - at_ns >= _CEILING_KEPT_NS:
            if self._at_work():
                return Refusal(code="busy", why="a run is under way at the endpoint", retry_after_s=60)
            measured = await self._measure_itself(flows)
            if isinstance(measured, str):
                return Refusal(code="trouble", why=measured)
            found_bps = measured
        return CeilingReport(
            flows=flows,
            seconds=own_rate.SECONDS,
            goodput_bps=found_bps,
            kernel=os.uname().release,
            port_rate_bps=await asyncio.to_thread(_port_rate_bps, call.remote),
        )

    async def _measure_itself(self, flows: int) -> int | str:
        self._measuring = True
        try:
            found = await own_rate.measure(flows, clock=self._clock)
        finally:
            self._measuring = False
        if isinstance(found, int):
            self._ceilings[flows] = self._clock.monotonic_ns(), found
            log.info("ceiling measured flows=%d goodput_bps=%d", flows, found)
        return found

    async def _stop(self, call: Call) -> Stopped:
        trains = self._admission.trains_of(call.caller)
        for ssid in trains:
            self._forget_train(ssid)
        runs = self._admission.runs_of(call.caller)
        await asyncio.gather(*(self._halt(run, "the caller stopped everything") for run in runs))
        return Stopped(runs=len(runs), trains=len(trains))

    def _own_train(self, call: Call) -> int | None:
        text = call.parts["ssid"]
        ssid = int(text) if text.isdecimal() else 0
        return ssid if ssid in self._admission.trains_of(call.caller) else None

    def _own_run(self, call: Call) -> str | None:
        found = self._runs.get(call.parts["run"])
        return found.terms.run if found is not None and found.terms.caller == call.caller else None

    def _keep(self, terms: Terms, call: Call) -> None:
        watch = asyncio.create_task(self._watch(terms), name=f"watch run {terms.run}")
        self._runs[terms.run] = _Run(terms=terms, digest=call.digest, watch=watch)

    async def _watch(self, terms: Terms) -> None:
        """Until the run has ended, for whatever reason; then free its place and book its bytes."""
        try:
            while not (await self._flows.finished(terms.run, timeout_s=_ROUND_S)).finished:
                if self._clock.monotonic_ns() - terms.ends_ns > _OVERTIME_NS:
                    self._flows.abort(terms.run, "it went over its time")
        finally:
            moved_bytes = self._flows.spent_bytes(terms.run)
            self._admission.close_run(terms.run, moved_bytes=moved_bytes, unix_ns=self._clock.unix_ns())
            self._runs[terms.run].ended_ns = self._clock.monotonic_ns()
            log.info("run ended caller=%s run=%s bytes=%d", terms.caller, terms.run, moved_bytes)
        await self._save_ledger()

    async def _halt(self, run: str, why: str) -> AnyReport:
        self._flows.abort(run, why)
        return await self._flows.finished(run, timeout_s=_LONG_POLL_S)

    def _forget_run(self, name: str) -> None:
        """Drop an ended run's report; one that still runs stays until it has ended."""
        run = self._runs.get(name)
        if run is not None and run.watch.done():
            del self._runs[name]
            self._flows.forget(name)

    def _forget_train(self, ssid: int) -> TrainCounts:
        self._admission.close_train(ssid)
        self._opened_by.pop(ssid, None)
        return self._reflector.close(ssid)

    async def _renew(self) -> None:
        """Take over new invitations and limits; what was opened with a key that is gone ends."""
        version = await asyncio.to_thread(key_files.version_of, self._keys.directory)
        if version[0] is not None and version != self._version_read:
            self._version_read = version
            await asyncio.to_thread(self._read_again)
        now_unix_ns = self._clock.unix_ns()
        still = self._callers.still(now_unix_ns=now_unix_ns)
        if len(still) < len(self._callers.leaving):
            await asyncio.to_thread(self._let_go, now_unix_ns)
        if self._admission.renew(self._callers.current, still):
            self._end_what_is_gone()
            self.front.cut_off()

    def _read_again(self) -> None:
        """Callers and limits, each for itself: a mistake in one must not keep the other from counting."""
        try:
            self._callers = key_files.callers_of(self._keys.directory)
        except UserMistake as error:
            log.error("callers not renewed why=%s", error)
        try:
            self._admission.grant(limits.load(self._keys.directory / limits.FILE))
        except UserMistake as error:
            log.error("limits not renewed why=%s", error)

    def _let_go(self, now_unix_ns: int) -> None:
        """Forget the older keys whose time is over; without a file that can be written, at least here."""
        left = {name: one for name, one in self._callers.leaving.items() if now_unix_ns < one.until_unix_ns}
        self._callers = replace(self._callers, leaving=left)
        try:
            key_files.let_go(self._keys.directory, now_unix_ns=now_unix_ns)
        except UserMistake as error:
            log.error("an older key is out and stays in the file why=%s", error)

    def _end_what_is_gone(self) -> None:
        """End trains and runs whose key is admitted no more, which may be the older one of two."""
        for ssid, (caller, digest) in tuple(self._opened_by.items()):
            if not self._admission.admits(caller, digest):
                log.info("train ended, its key is gone caller=%s", caller)
                self._forget_train(ssid)
        for name, run in self._runs.items():
            caller = run.terms.caller
            if run.ended_ns is None and not self._admission.admits(caller, run.digest):
                known = self._admission.knows(caller)
                self._flows.abort(
                    name, "the caller's key was replaced" if known else "the caller was revoked"
                )

    async def _save_ledger(self) -> None:
        async with self._saving:
            try:
                await asyncio.to_thread(ledgers.save, self._keys.directory, self._ledger.dumps())
            except OSError as error:  # the figures stay in memory; the next run tries again
                log.error("ledger not saved why=%s", error)


_NO_TRAIN = Refusal(code="unknown", why="the endpoint has no such train of this caller")
_MEASURING = Refusal(code="busy", why="the endpoint is measuring its own ceiling", retry_after_s=5)
_NO_RUN = Refusal(code="unknown", why="the endpoint has no such run of this caller")


def _also(doors: Doors) -> str:
    alone = doors.paced_port != doors.flow_port  # where the kernel chose
    return f") and {doors.paced_port} (UDP for paced runs" if alone else ", UDP for paced runs"


def _rate(found: AnyReport | Refusal) -> RunReport | Refusal:
    return found if isinstance(found, RunReport | Refusal) else _NO_RUN


def _paced(found: AnyReport | Refusal) -> PacedReport | Refusal:
    return found if isinstance(found, PacedReport | Refusal) else _NO_RUN


def _rehearsal(found: AnyReport | Refusal) -> RehearsalReport | Refusal:
    return found if isinstance(found, RehearsalReport | Refusal) else _NO_RUN


def _tokens(count: int) -> tuple[bytes, ...]:
    return tuple(secrets.token_bytes(TOKEN_BYTES) for _ in range(count))


def _port_rate_bps(address: str) -> int | None:
    """The rate of the port by which this machine answers a caller, where it is one and says so."""
    way = interface.way_out(address, binding=Binding())
    return None if way is None else interface.describe(way.interface).port_rate_bps


def _own_error_estimate() -> int:
    """The error estimate of this host's clock now; S only when an outside source sets it (RFC 4656 4.1.2)."""
    state = clock_state.read()
    error_ns = _UNKNOWN_ERROR_NS if state.error_us is None else state.error_us * NS_PER_US
    return error_estimate(state.synchronised is True, error_ns)


def _version() -> str:
    try:
        return metadata.version("linebook")
    except metadata.PackageNotFoundError:  # run from a checkout
        return "unreleased"
