"""How the way for a paced run is opened over UDP, at the endpoint's door and from the probe.

Whoever does not hold the key of a run that was admitted gets no answer; whoever holds it gets answers no
larger than its questions until it has shown that they reach it (`probe.wire.paced`). Imports no event loop.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Sequence
from dataclasses import dataclass

from probe.linux import own_address, timestamps
from probe.reach import Binding
from probe.wire import paced
from probe.wire.paced import Said, Word
from store.errors import BadPacket

_DRAINED = 64  # datagrams taken in one go
_DATAGRAM_BYTES = 2048
_ASK_AGAIN_S = 0.3
_QUESTIONS = 12  # some 4 s in all, so that a stall of some seconds is survived


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """A caller that proved its address, with the socket that is connected to it."""

    run: str
    key: bytes
    sock: socket.socket
    ready: bytes  # to be sent once all is prepared


class PacedDoor:
    """The UDP sockets at which paced runs are opened."""

    def __init__(self, sockets: Sequence[socket.socket]) -> None:
        self.sockets = {sock.fileno(): sock for sock in sockets}
        self._runs: dict[bytes, tuple[str, bytes]] = {}  # tag -> run, key
        for sock in sockets:
            sock.setblocking(False)
            own_address.tell(sock)
            # from now on, so that a run's own socket may stand beside it at the same port
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)

    def admit(self, run: str, key: bytes) -> None:
        """Open to whoever holds `key`, once; a run may have several."""
        self._runs[paced.tag_of(key)] = run, key

    def forget(self, run: str) -> None:
        """Open to this run no more."""
        self._runs = {tag: known for tag, known in self._runs.items() if known[0] != run}

    def read(self, fileno: int) -> list[Joined]:
        """Answer what has come; the runs that were joined."""
        door, joined = self.sockets[fileno], []
        for _ in range(_DRAINED):
            with contextlib.suppress(OSError):
                found = timestamps.receive(door, _DATAGRAM_BYTES)
                if found is None:
                    break
                one = self._understand(door, found)
                if one is not None:
                    joined.append(one)
        return joined

    def _understand(self, door: socket.socket, found: timestamps.Received) -> Joined | None:
        run, key = self._runs.get(paced.tag_in(found.data) or b"", ("", b""))
        if not run:
            return None
        try:
            said = paced.unpack(key, found.data)
        except BadPacket:
            return None
        challenge = paced.cookie(key, address=repr(found.address), nonce=said.nonce)
        if said.word is Word.HELLO:
            answer = paced.pack(key, Word.CHALLENGE, nonce=challenge, echo=said.nonce)
            door.sendmsg((answer,), own_address.leave_from(found.own_address), 0, found.address)
        elif said.word is Word.PROOF and said.echo == challenge:
            sock = _beside(door, found)
            del self._runs[paced.tag_of(key)]
            return Joined(run=run, key=key, sock=sock, ready=paced.ready(key, said))
        return None


def _beside(door: socket.socket, found: timestamps.Received) -> socket.socket:
    """A socket at the door's port, of this caller alone; the kernel hands it what comes from there."""
    host, port, *rest = door.getsockname()
    if found.own_address is not None:
        host = socket.inet_ntop(door.family, found.own_address)
    sock = socket.socket(door.family, socket.SOCK_DGRAM)
    try:
        if door.family == socket.AF_INET6:
            sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            rest = list(found.address[2:])  # the scope of a link-local address
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((host, port, *rest))
        sock.connect(found.address)
    except OSError:
        sock.close()
        raise
    return sock


def knock(addresses: Sequence[str], port: int, *, key: bytes, binding: Binding) -> socket.socket:
    """Open the way to the first of `addresses` (numeric) that answers. OSError when none does."""
    failure = OSError("no address to send to")
    for address in addresses:
        family = socket.AF_INET6 if ":" in address else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_DGRAM)
        try:
            binding.apply(sock)
            sock.connect((address, port))
            sock.settimeout(_ASK_AGAIN_S)
            nonce = os.urandom(paced.NONCE_BYTES)
            hello = paced.pack(key, Word.HELLO, nonce=nonce)
            challenge = _asked(sock, hello, key=key, word=Word.CHALLENGE, nonce=nonce)
            proof = paced.pack(key, Word.PROOF, nonce=nonce, echo=challenge.nonce)
            _asked(sock, proof, key=key, word=Word.READY, nonce=nonce)
            return sock
        except OSError as error:
            failure = error
            sock.close()
    raise failure


def _asked(sock: socket.socket, question: bytes, *, key: bytes, word: Word, nonce: bytes) -> Said:
    """The answer to a question that is repeated until it comes. OSError when it does not."""
    for _ in range(_QUESTIONS):
        with contextlib.suppress(TimeoutError, ConnectionRefusedError):
            sock.send(question)
            while True:
                with contextlib.suppress(BadPacket):
                    said = paced.unpack(key, sock.recv(_DATAGRAM_BYTES))
                    if said.word is word and said.echo == nonce:
                        return said
    raise OSError("nothing answers its UDP port; is it open there, and is UDP let through?")
