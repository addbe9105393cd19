"""How a measurement leaves this host and whom it reaches: the `where` of every method.

Stands above wire and the kernel's addresses, below the methods. Imports no event loop.
"""

from __future__ import annotations

import socket
from collections.abc import Mapping
from dataclasses import dataclass

from probe.linux import addresses
from probe.wire import invitation
from probe.wire.invitation import Invitation
from store.errors import UserMistake
from store.records import Failed, Owner
from store.site import USUAL, EndpointRef, Evidence, Site

_LOOPBACK = "lo"


@dataclass(frozen=True, slots=True, kw_only=True)
class Binding:
    """The interface and source address that a socket must use; None leaves it to the kernel's routes."""

    interface: str | None = None
    source: str | None = None

    def device(self) -> str | None:
        """The interface that it must leave by: the one named, or the one that holds the source address.

        None leaves it to the kernel's routes; so does an address that stands on no line, such as one of
        loopback, from which routes of its own may lead on.
        """
        if self.interface is not None or self.source is None:
            return self.interface
        holder = addresses.holder(self.source)
        return None if holder == _LOOPBACK else holder

    def apply(self, sock: socket.socket) -> None:
        """Bind `sock` so that it leaves by this handoff. OSError when the host has no such thing.

        A source address alone does not choose the way out; the interface does.
        """
        device = self.device()
        if device:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, device.encode() + b"\0")
        if self.source:
            sock.bind((self.source, 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """One handoff and one endpoint, with the invitation that opens it.

    `assigned` are the networks that the handoff's provider assigned, empty where nobody said; `evidence`
    the site's rules for what may speak about the line.
    """

    handoff: str
    endpoint: str
    invitation: Invitation
    binding: Binding
    assigned: tuple[str, ...] = ()
    evidence: Evidence = USUAL

    def failed(self, what: str, why: str, whose: Owner, *, started_unix_ns: int) -> Failed:
        """The record of a measurement by this way that came to nothing."""
        return Failed(
            what=what,
            why=why,
            whose=whose,
            started_unix_ns=started_unix_ns,
            handoff=self.handoff,
            endpoint=self.endpoint,
        )


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
                assigned=handoff.addresses,
                evidence=site.rules.evidence,
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
