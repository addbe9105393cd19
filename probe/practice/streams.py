"""TCP through a practice line: both sides are ended here, and what one sends enters the other's queue.

While the queue is full nothing is read, so the sender's own TCP holds it back. An end (FIN) is passed on
behind the bytes before it; a reset overtakes them, and what they had on their way is thrown away. Stands
beside `datagrams`; `relay` calls what `readers` and `writers` list.
"""

from __future__ import annotations

import errno
import socket
import struct
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial

from probe.practice.departures import Departures
from probe.practice.lane import Lane
from probe.practice.record import Book
from store.records import Direction

_CONNECTIONS_MAX = 200  # select takes descriptors below 1024, and a connection has two
_RECEIVE_BUFFER_BYTES = 262_144  # small, since what waits in the kernel waits outside of the line's queue
_SEGMENT_BYTES = 1460  # what Ethernet carries of TCP over IPv4, where loopback would take 64 KB at once
_UNSENT_MAX_BYTES = 1_048_576  # with more than this the reader beyond is slower than the line
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)  # struct linger

_OTHER = {Direction.UP: Direction.DOWN, Direction.DOWN: Direction.UP}


@dataclass(slots=True, eq=False)
class _Half:
    """One direction of a connection, from the side that sends to the side that reads."""

    direction: Direction
    source: socket.socket
    target: socket.socket
    last_turn: int = 0
    unsent: deque[memoryview] = field(default_factory=deque)
    unsent_bytes: int = 0
    ended: bool = False  # the source sends no more
    end_arrived: bool = False  # and its end has passed the line
    told: bool = False  # and the target knows
    target_gone: bool = False


@dataclass(slots=True, eq=False)
class _Connection:
    up: _Half
    down: _Half
    closed: bool = False


class Streams:
    """Accepts at each door and connects to the port upstream that belongs to it."""

    def __init__(
        self,
        doors: Mapping[socket.socket, tuple[str, int]],
        *,
        lanes: Mapping[Direction, Lane],
        departures: Departures,
        book: Book,
    ) -> None:
        self._doors, self._lanes, self._departures, self._book = doors, lanes, departures, book
        self._connections: list[_Connection] = []
        self._turn = 0
        for door in doors:  # accepted sockets inherit it, in time for the window that they announce
            door.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER_BYTES)
            door.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, _SEGMENT_BYTES)

    def readers(self, now_ns: int) -> Iterator[tuple[socket.socket, Callable[[], None]]]:
        """What to wait for, and what to call then; whoever waited longest for a turn comes first."""
        if len(self._connections) < _CONNECTIONS_MAX:
            for door in self._doors:
                yield door, partial(self._accept, door)
        waiting = [
            (half.last_turn, index, connection, half)
            for index, connection in enumerate(self._connections)
            for half in (connection.up, connection.down)
            if not half.ended and half.unsent_bytes < _UNSENT_MAX_BYTES
        ]
        for _, _, connection, half in sorted(waiting, key=lambda found: found[:2]):
            if self._lanes[half.direction].chunk_bytes(now_ns):
                yield half.source, partial(self._read, connection, half)

    def writers(self) -> Iterator[tuple[socket.socket, Callable[[], None]]]:
        """Sockets with something unsent, and what to call when they take more."""
        for connection in self._connections:
            for half in (connection.up, connection.down):
                if half.unsent:
                    yield half.target, partial(self._send, connection, half)

    def room_at_ns(self, now_ns: int) -> int | None:
        """When a queue that is full now has room again; None while none is full or nobody could use it."""
        full = [lane for lane in self._lanes.values() if not lane.chunk_bytes(now_ns)]
        return min((lane.room_at_ns(now_ns) for lane in full), default=None) if self._connections else None

    def close(self) -> None:
        """Reset every connection and close the doors."""
        for connection in list(self._connections):
            self._reset(connection)
        for door in self._doors:
            door.close()

    def _accept(self, door: socket.socket) -> None:
        try:
            near, _ = door.accept()
        except OSError:  # gone before it was accepted
            return
        far = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        far.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER_BYTES)
        far.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, _SEGMENT_BYTES)
        for sock in (near, far):
            sock.setblocking(False)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        up = _Half(direction=Direction.UP, source=near, target=far)
        down = _Half(direction=Direction.DOWN, source=far, target=near)
        connection = _Connection(up=up, down=down)
        self._connections.append(connection)
        if far.connect_ex(self._doors[door]) not in (0, errno.EINPROGRESS):
            self._reset(connection)

    def _read(self, connection: _Connection, half: _Half) -> None:
        now_ns = self._departures.now_ns()
        lane = self._lanes[half.direction]
        room_bytes = lane.chunk_bytes(now_ns)
        if not room_bytes or connection.closed:  # another one's turn filled the queue, or it just ended
            return
        self._turn += 1
        half.last_turn = self._turn
        try:
            data = half.source.recv(room_bytes)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            half.ended = True
            self._departures.add(lane.passing_ns(now_ns), partial(self._reset, connection))
            return
        leaves_ns = lane.chunk(len(data), now_ns)
        if data:
            self._departures.add(leaves_ns, partial(self._deliver, connection, half, data))
        else:
            half.ended = True
            self._departures.add(leaves_ns, partial(self._deliver_end, connection, half))

    def _deliver(self, connection: _Connection, half: _Half, data: bytes) -> None:
        if connection.closed or half.target_gone:
            return
        self._book.carried(half.direction, len(data), tcp=True)
        half.unsent.append(memoryview(data))
        half.unsent_bytes += len(data)
        self._send(connection, half)

    def _deliver_end(self, connection: _Connection, half: _Half) -> None:
        half.end_arrived = True
        self._send(connection, half)

    def _send(self, connection: _Connection, half: _Half) -> None:
        if connection.closed or half.target_gone:
            return
        try:
            while half.unsent:
                sent_bytes = half.target.send(half.unsent[0])
                half.unsent_bytes -= sent_bytes
                if sent_bytes == len(half.unsent[0]):
                    half.unsent.popleft()
                else:
                    half.unsent[0] = half.unsent[0][sent_bytes:]
            if half.end_arrived and not half.told:
                half.target.shutdown(socket.SHUT_WR)
                half.told = True
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            self._lose_target(connection, half)
        if connection.up.told and connection.down.told:
            self._close(connection)

    def _lose_target(self, connection: _Connection, half: _Half) -> None:
        """The reader is gone; its reset travels back to the sender, who goes on until it arrives."""
        half.target_gone = True
        half.unsent.clear()
        half.unsent_bytes = 0
        back = self._lanes[_OTHER[half.direction]]
        self._departures.add(back.passing_ns(self._departures.now_ns()), partial(self._reset, connection))

    def _reset(self, connection: _Connection) -> None:
        if not connection.closed:
            for half in (connection.up, connection.down):
                half.source.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
            self._close(connection)

    def _close(self, connection: _Connection) -> None:
        connection.closed = True
        connection.up.source.close()
        connection.down.source.close()
        self._connections.remove(connection)
