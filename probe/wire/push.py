"""Frames within a TCP stream, as bytes and back: how a rehearsal pushes.

Each frame is a head of eight octets, its number and the length of what follows, both of 32 bits in network
order, and then that many octets which mean nothing. Pure: no socket, no clock.
"""

from __future__ import annotations

import struct

from store.errors import BadPacket

FRAME_BYTES_MAX = 64 << 20
_HEAD = struct.Struct("!II")
HEAD_BYTES = _HEAD.size


def head(frame: int, body_bytes: int) -> bytes:
    """What goes before `body_bytes` octets of a frame."""
    return _HEAD.pack(frame, body_bytes)


class Frames:
    """Reads a stream, however it is cut."""

    def __init__(self) -> None:
        self._head = bytearray()
        self._frame = 0
        self._left_bytes = 0

    def feed(self, data: memoryview) -> list[int]:
        """The numbers of the frames that are whole with these octets. Raises BadPacket."""
        found = []
        while data:
            if not self._left_bytes:
                wanted = HEAD_BYTES - len(self._head)
                self._head += data[:wanted]
                data = data[wanted:]
                if len(self._head) < HEAD_BYTES:
                    break
                self._frame, self._left_bytes = _HEAD.unpack(self._head)
                self._head.clear()
                if not 0 < self._left_bytes <= FRAME_BYTES_MAX:
                    raise BadPacket("frame of a push", f"a body of {self._left_bytes} octets")
            taken = min(self._left_bytes, len(data))
            self._left_bytes -= taken
            data = data[taken:]
            if not self._left_bytes:
                found.append(self._frame)
        return found
