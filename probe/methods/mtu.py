"""Path MTU by packetization-layer probing over STAMP (RFC 8899), in each IP version that the endpoint has.

Padded packets that nobody may cut are sent and come back as long as they went. Beside each goes a small one:
a large one counts as missing only where its companion came back, so loss on the line is not taken for a
limit, and a size has failed after `MAX_PROBES` such misses (section 5.1.2) or when a router says so. Where a
size does not come back, the reflector's own count tells whether it got there: then it is the way down that
does not carry it. A reply is as long as its packet, so the way down is known up to the way up's limit only.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from probe import circumstances, standing
from probe.circumstances import Traffic
from probe.control import Control
from probe.linux import error_queue, interface, segments, timestamps
from probe.linux.error_queue import Icmp, Told
from probe.mtu_search import Search
from probe.rate_outcome import Moved
from probe.reach import Reach
from probe.wire import control as wire
from probe.wire.stamp import SenderPacket, decode_reflector, encode_sender, error_estimate, ntp_of
from store.clock import NS_PER_S, Clock
from store.errors import BadPacket
from store.layers import IP_BYTES, UDP_BYTES
from store.path_mtu import IPV6_LEAST_BYTES, Beyond, FamilyMtu, PathMtu
from store.records import Failed, Owner

WHAT = "run mtu"

MAX_PROBES = 3  # RFC 8899 section 5.1.2
BASE_BYTES = {4: 1200, 6: IPV6_LEAST_BYTES}  # sections 5.1.2 and 5.1.3
_WAIT_S = 1.0  # PROBE_TIMER, which section 5.1.1 wants no shorter
_BEHIND_S = 0.1  # so far may a large one be behind its companion before the next is sent
_TRIES = 4 * MAX_PROBES  # attempts at one size, those without a companion among them
_SMALL_BYTES = 112  # the smallest authenticated STAMP packet
_LARGEST_BYTES = 8_972  # of UDP payload, which an endpoint reflects at most
_PER_SECOND = 50.0
_LET_GO_S = 0.4

OnProgress = Callable[[str], None]


async def run(where: Reach, clock: Clock, *, on_progress: OnProgress | None = None) -> PathMtu | Failed:
    """Search the path MTU of each IP version, one after the other. Cancelled, it lets go at both ends."""
    say, began = on_progress or (lambda _: None), clock.look()
    async with Control(where, clock=clock) as control:
        hello = await control.hello()
        if isinstance(hello, Failed):
            return replace(hello, what=WHAT)
        families = await _addresses(where)
        if not families:
            why = f"the name {where.invitation.host} does not resolve"
            return where.failed(WHAT, why, Owner.UNKNOWN, started_unix_ns=clock.unix_ns())
        way = await circumstances.way_out(where, families[0])
        before = await circumstances.look(way)
        probers = [_Prober(where, clock, control, address=address, say=say) for address in families]
        found = [await prober.found() for prober in probers]
    if all(one.up_bytes is None for one in found):
        why = found[0].why or "nothing came back"
        return where.failed(WHAT, why, Owner.UNKNOWN, started_unix_ns=clock.unix_ns())
    elapsed_ns = clock.monotonic_ns() - began.monotonic_ns
    sent_bytes = sum(prober.sent_bytes for prober in probers)
    known = circumstances.found(
        hello.your_address,
        where=where,
        around=await circumstances.surroundings(where, families[0]),
        traffic=Traffic(
            before=before,
            after=await circumstances.look(way),
            own=Moved(up_bytes=sent_bytes, down_bytes=sent_bytes),
            elapsed_ns=elapsed_ns,
        ),
    )
    return PathMtu(
        handoff=where.handoff,
        endpoint=where.endpoint,
        started_unix_ns=began.unix_ns,
        reasons=standing.by_way(known, where.evidence),
        seconds=round(elapsed_ns / NS_PER_S, 3),
        found=tuple(found),
        spent_bytes=2 * sent_bytes,
        circumstances=known,
    )


@dataclass(slots=True, kw_only=True)
class _Tried:
    """What became of one size: whether it got there, and back. `told` is what a router said of it."""

    up: bool
    down: bool
    told: Told | None = None


@dataclass(slots=True)
class _Prober:
    """One IP version: a session, a socket, and what each size did."""

    where: Reach
    clock: Clock
    control: Control
    address: str = field(kw_only=True)
    say: OnProgress = field(kw_only=True)
    sent_bytes: int = field(default=0, init=False)
    probes: int = field(default=0, init=False)
    _grant: wire.TrainGrant = field(
        default_factory=lambda: wire.TrainGrant(ssid=0, key=b"", port=0), init=False
    )
    _sock: socket.socket | None = field(default=None, init=False)
    _sequence: int = field(default=0, init=False)
    _back: set[int] = field(default_factory=set, init=False)
    _told: list[Told] = field(default_factory=list, init=False)
    _news: asyncio.Event = field(default_factory=asyncio.Event, init=False)
    _tried: dict[int, _Tried] = field(default_factory=dict, init=False)

    @property
    def _version(self) -> int:
        return 6 if ":" in self.address else 4

    @property
    def _headers_bytes(self) -> int:
        return IP_BYTES[self._version] + UDP_BYTES

    async def found(self) -> FamilyMtu:
        """The limits of this IP version, or why none could be told."""
        nothing = FamilyMtu(ip_version=self._version)
        way = await circumstances.way_out(self.where, self.address)
        if way is None:
            return replace(nothing, why="this host has no way there")
        port = await asyncio.to_thread(interface.describe, way.interface)
        nothing = replace(nothing, interface_bytes=port.mtu_bytes)
        request = wire.TrainRequest(per_second=_PER_SECOND, packet_bytes=_LARGEST_BYTES, whole=True)
        grant = await self.control.open_train(request)
        if isinstance(grant, Failed):
            return replace(nothing, why=grant.why)
        self._grant = grant
        try:
            self._open()
            return await self._searched(nothing)
        except OSError as error:
            return replace(nothing, why=f"this host cannot send there ({error.strerror})")
        finally:
            self._close()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_LET_GO_S):
                    await self.control.close_train(grant.ssid)

    async def _searched(self, nothing: FamilyMtu) -> FamilyMtu:
        smallest, largest = _SMALL_BYTES + self._headers_bytes, _LARGEST_BYTES + self._headers_bytes
        base, most = BASE_BYTES[self._version], min(nothing.interface_bytes or largest, largest)
        self.say(f"IPv{self._version}: packets of {base} bytes first, then up to {most}")
        first = await self._try(min(base, most))
        if first is None:
            return replace(
                nothing, probes=self.probes, why="the line was too lossy to tell, or nothing came back"
            )
        search = Search(passes=base if first.up else smallest, fails=most + 1 if first.up else base)
        up = await self._search(search, lambda tried: tried.up)
        if up is None:
            return replace(nothing, probes=self.probes, why="the line became too lossy to tell")
        down = await self._down(up, base=base, smallest=smallest)
        tried = self._tried.get(up + 1)
        told = None if tried is None else tried.told
        beyond = Beyond.SILENT if told is None else Beyond.ICMP
        if tried is None:
            beyond = Beyond.INTERFACE if up == nothing.interface_bytes else Beyond.ENDPOINT
        return replace(
            nothing,
            up_bytes=up,
            down_bytes=down,
            down_at_least=down == up,
            beyond=beyond,
            told_by=told.sender if told is not None else None,
            told_bytes=told.fits_bytes or None if told is not None else None,
            probes=self.probes,
        )

    async def _down(self, up: int, *, base: int, smallest: int) -> int | None:
        """The largest size that came back; None where that cannot be told."""
        if self._grant.whole is not True:
            return None  # an endpoint of an older version cuts its replies as it likes
        tried = self._tried.get(up) or await self._try(up)
        if tried is None:
            return None
        if tried.down:
            return up
        first = await self._try(base) if base < up else None
        passes = base if first is not None and first.down else smallest
        return await self._search(Search(passes=passes, fails=up), lambda tried: tried.down)

    async def _search(self, search: Search, passes: Callable[[_Tried], bool]) -> int | None:
        """Where the search ends; None when a size could not be tried."""
        while (size := search.next()) is not None:
            tried = await self._try(size)
            if tried is None:
                return None
            if passes(tried):
                search.passed(size)
            else:
                search.failed(size, told=None if tried.told is None else tried.told.fits_bytes)
        return search.passes

    async def _try(self, size: int) -> _Tried | None:
        """What becomes of packets of `size`; None where not even their small companions come back."""
        if size not in self._tried:
            found = await self._probed(size)
            if found is None:
                return None
            self._tried[size] = found
            back = "came back" if found.down else "got there only" if found.up else "did not get there"
            self.say(f"IPv{self._version}: {size} bytes {back}")
        return self._tried[size]

    async def _probed(self, size: int) -> _Tried | None:
        before = await self._distinct()
        larges: list[int] = []
        missed = 0
        self._told.clear()
        for _ in range(_TRIES):
            large = self._send(size - self._headers_bytes)
            if large is None:
                return _Tried(up=False, down=False)
            larges.append(large)
            small = self._send(_SMALL_BYTES)
            await self._until(partial(self._settled, size, larges, small), _WAIT_S)
            missed += small in self._back
            wait_s = _WAIT_S if missed >= MAX_PROBES else _BEHIND_S
            await self._until(partial(self._settled, size, larges), wait_s)
            if not self._back.isdisjoint(larges):
                return _Tried(up=True, down=True)
            if (told := self._too_big(size)) is not None:
                return _Tried(up=False, down=False, told=told)
            if missed >= MAX_PROBES:
                after = await self._distinct()
                if before is None or after is None:
                    return None
                return _Tried(up=after - before > len(larges), down=False)
        return None

    def _settled(self, size: int, larges: Sequence[int], small: int | None = None) -> bool:
        """Whether one of these came back, or a router said that the large ones are too big."""
        return not self._back.isdisjoint((*larges, small)) or self._too_big(size) is not None

    def _too_big(self, size: int) -> Told | None:
        return next((one for one in self._told if one.fits_bytes < size), None)

    async def _until(self, over: Callable[[], bool], seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while not over():
                    self._news.clear()
                    await self._news.wait()

    async def _distinct(self) -> int | None:
        """How many packets the reflector has seen; None where it does not answer."""
        counts = await self.control.train_counts(self._grant.ssid)
        return None if isinstance(counts, Failed) else counts.distinct

    # The socket

    def _open(self) -> None:
        family = socket.AF_INET6 if self._version == 6 else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_DGRAM)
        try:
            sock.setblocking(False)
            self.where.binding.apply(sock)
            timestamps.prepare(sock, transmit=False)
            error_queue.prepare(sock)
            segments.never_cut(sock)
            sock.connect((self.address, self._grant.port))
        except OSError:
            sock.close()
            raise
        self._sock = sock
        asyncio.get_running_loop().add_reader(sock, self._read)

    def _close(self) -> None:
        if self._sock is not None:
            asyncio.get_running_loop().remove_reader(self._sock)
            self._sock.close()
            self._sock = None

    def _send(self, payload_bytes: int) -> int | None:
        """The packet's number; None for one that this host's interface does not take."""
        assert self._sock is not None  # noqa: S101 - opened before anything is tried
        number, self._sequence = self._sequence, self._sequence + 1
        packet = SenderPacket(
            sequence=number,
            sent_ntp=ntp_of(self.clock.unix_ns()),
            error_estimate=error_estimate(False, NS_PER_S),
            ssid=self._grant.ssid,
        )
        data = encode_sender(packet, key=self._grant.key, size=payload_bytes)
        for _ in range(2):  # an ICMP error that has come meanwhile makes one call fail
            try:
                self._sock.send(data)
            except OSError as error:
                if error.errno == errno.EMSGSIZE and not self._errors():
                    return None
                if error.errno in error_queue.PASSING:
                    continue
                raise
            break
        self.sent_bytes += payload_bytes
        self.probes += payload_bytes > _SMALL_BYTES
        return number

    def _errors(self) -> bool:
        """Take what waits in the error queue; whether a router said that something was too big."""
        assert self._sock is not None  # noqa: S101 - as above
        told = [
            one for one in error_queue.drain(self._sock) if isinstance(one, Told) and one.icmp is Icmp.TOO_BIG
        ]
        self._told += told
        return bool(told)

    def _read(self) -> None:
        if self._sock is None:
            return
        self._errors()
        while self._sock is not None:
            found = timestamps.receive(self._sock, 1 << 14, clock=self.clock)
            if found is None:
                break
            with contextlib.suppress(BadPacket):
                packet = decode_reflector(found.data, key=self._grant.key)
                if packet.ssid == self._grant.ssid:
                    self._back.add(packet.sender_sequence)
        self._news.set()


async def _addresses(where: Reach) -> list[str]:
    """One address of each IP version that the endpoint's name has; a source address settles the version."""
    source = where.binding.source
    family = socket.AF_UNSPEC if source is None else socket.AF_INET6 if ":" in source else socket.AF_INET
    try:
        found: Sequence[Any] = await asyncio.get_running_loop().getaddrinfo(
            where.invitation.host, None, family=family, type=socket.SOCK_DGRAM
        )
    except OSError:
        return []
    first: dict[int, str] = {}
    for entry in found:
        first.setdefault(entry[0], str(entry[4][0]))
    return [first[each] for each in (socket.AF_INET, socket.AF_INET6) if each in first]
