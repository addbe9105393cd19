"""The sockets an endpoint listens on: control and flows over TCP, trains and paced runs over UDP, on each
address.

IPv4 and IPv6 have sockets of their own, so that an address is always what it looks like. Whatever
keeps a socket from opening is a `UserMistake` that says what to do.
"""

from __future__ import annotations

import errno
import ipaddress
import re
import socket
from dataclasses import dataclass

from store.errors import UserMistake

_EVERYWHERE: tuple[str, ...] = ("0.0.0.0", "::")  # noqa: S104 - an endpoint is there to be reached, and admits only the invited
_NO_IPV6 = {errno.EAFNOSUPPORT, errno.EADDRNOTAVAIL}
_BACKLOG = 1024  # a flood of connections waits here; the kernel's own limit is 4096
_LISTEN = re.compile(
    r"(\[(?P<v6>[0-9A-Fa-f:.]+)\]|(?P<v4>[0-9.]+))(:(?P<port>[0-9]{1,5}))?|(?P<bare>[0-9A-Fa-f:.]+)"
)
_EXPECTED = "expected an address of this host such as 192.0.2.10 or [2001:db8::10], perhaps with :PORT"


@dataclass(frozen=True, slots=True, kw_only=True)
class Doors:
    """The bound sockets, those for TCP listening; whoever opened them closes them.

    `port` takes control (TCP), `train_port` trains (UDP; the same unless the kernel was to choose),
    `flow_port` rate flows (TCP), `paced_port` paced runs (UDP; the flow port, unless so). `by_kernel`: the
    kernel chose the ports, so no invitation knows them.
    """

    addresses: tuple[str, ...]
    control: tuple[socket.socket, ...]
    trains: tuple[socket.socket, ...]
    flows: tuple[socket.socket, ...]
    paced: tuple[socket.socket, ...]
    by_kernel: bool = False

    @property
    def port(self) -> int:
        return _port_of(self.control[0])

    @property
    def train_port(self) -> int:
        return _port_of(self.trains[0])

    @property
    def flow_port(self) -> int:
        return _port_of(self.flows[0])

    @property
    def paced_port(self) -> int:
        return _port_of(self.paced[0])

    def close(self) -> None:
        """Close every socket; those that others have closed already stay so."""
        for sock in (*self.control, *self.trains, *self.flows, *self.paced):
            sock.close()


def open_doors(listen: str | None, *, port: int, flow_port: int) -> Doors:
    """Open every socket on the address `listen`, or on all addresses for None. Raises UserMistake.

    A port behind the address replaces `port`, and flows take the next one; with port 0 the kernel
    chooses each.
    """
    addresses = _EVERYWHERE
    if listen is not None:
        address, own_port = _read(listen)
        addresses = (address,)
        if own_port is not None:
            port, flow_port = own_port, own_port + 1 if own_port else 0
    opened: list[tuple[str, list[socket.socket]]] = []
    try:
        for address in addresses:
            sockets: list[socket.socket] = []
            opened.append((address, sockets))
            try:
                sockets.append(_tcp(address, port))
                sockets.append(_bound(address, port, socket.SOCK_DGRAM))
                sockets.append(_tcp(address, flow_port))
                sockets.append(_bound(address, flow_port, socket.SOCK_DGRAM))
            except OSError as error:
                if listen is None and address == "::" and not sockets and error.errno in _NO_IPV6:
                    opened.pop()  # a host without IPv6
                    continue
                raise _mistake(error, address, (port, port, flow_port, flow_port)[len(sockets)]) from None
    except BaseException:
        for _, sockets in opened:
            for sock in sockets:
                sock.close()
        raise
    control, trains, flows, paced = zip(*(sockets for _, sockets in opened), strict=True)
    return Doors(
        addresses=tuple(address for address, _ in opened),
        control=control,
        trains=trains,
        flows=flows,
        paced=paced,
        by_kernel=port == 0,
    )


def _read(listen: str) -> tuple[str, int | None]:
    """``ADDRESS``, ``ADDRESS:PORT`` or ``[V6]:PORT`` as (address, port or None)."""
    found = _LISTEN.fullmatch(listen)
    try:
        if found is None:
            raise ValueError("not the form of an address")
        address = ipaddress.ip_address(found["v6"] or found["v4"] or found["bare"])
    except ValueError:
        raise UserMistake(f"--listen {listen!r}: {_EXPECTED}") from None
    port = None if found["port"] is None else int(found["port"])
    if port is not None and port > 65534:  # the flow port is the next one
        raise UserMistake(f"--listen {listen!r}: {port} is no port from 1 to 65534")
    return str(address), port


def _tcp(address: str, port: int) -> socket.socket:
    sock = _bound(address, port, socket.SOCK_STREAM)
    try:
        sock.listen(_BACKLOG)
    except OSError:
        sock.close()
        raise
    return sock


def _bound(address: str, port: int, kind: socket.SocketKind) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    sock = socket.socket(family, kind)
    try:
        if family == socket.AF_INET6:
            sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        if kind == socket.SOCK_STREAM:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # restart without waiting
        sock.setblocking(False)
        sock.bind((address, port))
    except OSError:
        sock.close()
        raise
    return sock


def _mistake(error: OSError, address: str, port: int) -> UserMistake:
    match error.errno:
        case errno.EADDRINUSE:
            return UserMistake(
                f"port {port} is taken on {address}, perhaps by another endpoint: end what listens there, "
                "or invite into a new directory with --address HOST:PORT"
            )
        case errno.EADDRNOTAVAIL:
            return UserMistake(f"--listen {address}: this host has no such address; {_EXPECTED}")
        case errno.EACCES:
            return UserMistake(f"port {port}: only root may listen below 1024; choose a higher port")
        case _:
            return UserMistake(f"port {port} on {address} cannot be opened: {error.strerror}")


def _port_of(sock: socket.socket) -> int:
    return int(sock.getsockname()[1])
