"""How a measurement leaves this host and whom it reaches: the `where` of every method.

Stands above wire, below the methods. Imports no event loop.
"""

from __future__ import annotations

import socket
from dataclasses import dataclass

from probe.wire.invitation import Invitation


@dataclass(frozen=True, slots=True, kw_only=True)
class Binding:
    """The interface and source address that a socket must use; None leaves it to the kernel's routes."""

    interface: str | None = None
    source: str | None = None

    def apply(self, sock: socket.socket) -> None:
        """Bind `sock` so that it leaves by this handoff. OSError when the host has no such thing.

        A source address alone does not choose the way out; the interface does.
        """
        if self.interface:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, self.interface.encode() + b"\0")
        if self.source:
            sock.bind((self.source, 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """One handoff and one endpoint, with the invitation that opens it."""

    handoff: str
    endpoint: str
    invitation: Invitation
    binding: Binding
