"""How a measurement leaves this host and whom it reaches: the `where` of every method.

Stands above wire, below the methods. Imports no event loop.
"""

from __future__ import annotations

import socket
from collections.abc import Mapping
from dataclasses import dataclass

from probe.wire import invitation
from probe.wire.invitation import Invitation
from store.errors import UserMistake
from store.site import EndpointRef, Site


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


Reaches = Mapping[str, Mapping[str, Reach]]  # by handoff and endpoint


def reaches_of(site: Site) -> Reaches:
    """The way from each handoff to each endpoint. Raises UserMistake that names the endpoint."""
    invitations = {endpoint.name: _invitation(endpoint) for endpoint in site.endpoints}
    return {
        handoff.name: {
            name: Reach(
                handoff=handoff.name,
                endpoint=name,
                invitation=found,
                binding=Binding(interface=handoff.interface, source=handoff.source),
            )
            for name, found in invitations.items()
        }
        for handoff in site.handoffs
    }


def _invitation(endpoint: EndpointRef) -> Invitation:
    try:
        return invitation.parse(endpoint.invitation)
    except UserMistake as mistake:
        raise UserMistake(f"endpoint {endpoint.name!r}: {mistake}") from None
