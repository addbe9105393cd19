"""Datagrams through a practice line: kernel stamps on arrival, one upstream socket for each caller.

Stands between `lane`, which decides what becomes of a datagram, and `relay`, whose loop calls what
`readers` lists.
"""

from __future__ import annotations

import contextlib
import socket
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping
from functools import partial

from probe.linux import timestamps
from probe.practice.departures import Departures
from probe.practice.lane import Fate, Lane
from probe.practice.record import Book
from store.clock import Clock
from store.records import Direction

_CALLERS_MAX = 64  # the one heard least recently makes room
_DATAGRAM_MAX_BYTES = 65_535
_BATCH = 32  # read in one go, before what is due leaves


class Datagrams:
    """Carries between whoever sends to `door` and one UDP port upstream."""

    def __init__(
        self,
        door: socket.socket,
        *,
        upstream: tuple[str, int],
        lanes: Mapping[Direction, Lane],
        departures: Departures,
        book: Book,
        clock: Clock,
    ) -> None:
        self._door, self._upstream, self._lanes = door, upstream, lanes
        self._departures, self._book, self._clock = departures, book, clock
        self._speakers: OrderedDict[timestamps.Address, socket.socket] = OrderedDict()
        timestamps.prepare(door, transmit=False)

    def readers(self) -> Iterator[tuple[socket.socket, Callable[[], None]]]:
        """What to wait for, and what to call then."""
        yield self._door, self._from_probes
        for address, speaker in self._speakers.items():
            yield speaker, partial(self._from_endpoint, speaker, address)

    def close(self) -> None:
        """Close every socket, the door included."""
        for sock in (self._door, *self._speakers.values()):
            sock.close()

    def _from_probes(self) -> None:
        for _ in range(_BATCH):
            received = timestamps.receive(self._door, _DATAGRAM_MAX_BYTES, clock=self._clock)
            if received is None:
                return
            speaker = self._speaker_of(received.address)
            self._carry(Direction.UP, received, partial(speaker.send, received.data))

    def _from_endpoint(self, speaker: socket.socket, address: timestamps.Address) -> None:
        if speaker.fileno() < 0:  # it had to make room in this very round
            return
        for _ in range(_BATCH):
            received = timestamps.receive(speaker, _DATAGRAM_MAX_BYTES, clock=self._clock)
            if received is None:
                return
            self._carry(Direction.DOWN, received, partial(self._door.sendto, received.data, address))

    def _speaker_of(self, address: timestamps.Address) -> socket.socket:
        if address in self._speakers:
            self._speakers.move_to_end(address)
            return self._speakers[address]
        if len(self._speakers) == _CALLERS_MAX:
            self._speakers.popitem(last=False)[1].close()
        speaker = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        speaker.setblocking(False)
        timestamps.prepare(speaker, transmit=False)
        speaker.connect(self._upstream)
        self._speakers[address] = speaker
        return speaker

    def _carry(self, direction: Direction, received: timestamps.Received, send: Callable[[], object]) -> None:
        size_bytes = len(received.data)
        arrived_ns = self._departures.arrived_ns(received.stamp_unix_ns)
        passage = self._lanes[direction].datagram(size_bytes, arrived_ns)
        left_unix_ns: list[int] = []
        note = partial(
            self._book.packet,
            direction,
            received.data,
            arrived_unix_ns=received.stamp_unix_ns,
            left_unix_ns=left_unix_ns,
            fate=passage.fate,
            late=passage.late,
        )
        if passage.fate is not Fate.CARRIED:
            note()

        def leave() -> None:
            left_unix_ns.append(self._departures.unix_ns())
            with contextlib.suppress(OSError):  # nobody listens there (any more): lost beyond the line
                send()
            self._book.carried(direction, size_bytes, tcp=False)
            if len(left_unix_ns) == len(passage.leaves_ns):
                note()

        for leaves_ns in passage.leaves_ns:
            self._departures.add(leaves_ns, leave)
