"""Where the dashboard listens, under which names, and what must be so before anybody else may reach it.

Beyond this machine's loopback it needs logins and TLS, its own or a proxy's. Imports store's errors only.
"""

from __future__ import annotations

import errno
import ipaddress
import re
import socket
import ssl
from dataclasses import dataclass
from pathlib import Path

from store.errors import UserMistake

DEFAULT_PORT = 8470
_PORTS_TRIED = 20  # with so many neighbours taken, somebody should say which one they want
_NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?(?::[0-9]{1,5})?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Listening:
    """What was asked for. `names` are those by which browsers reach it beside its address."""

    host: str = "127.0.0.1"
    port: int | None = None
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    proxied: bool = False
    login: bool = False

    @property
    def asks_login(self) -> bool:
        """A proxy's visitors come from loopback too, so they are asked wherever it listens."""
        return self.login or self.proxied or not is_loopback(self.host)

    @property
    def scheme(self) -> str:
        """By which browsers reach it."""
        return "https" if self.certificate is not None or self.proxied else "http"


def check(asked: Listening, *, logins: int, how: str) -> None:
    """Raises UserMistake for what may not be so. `how` is the command that makes a login."""
    host = asked.host
    beyond = not is_loopback(host)
    if beyond and not logins:
        raise UserMistake(
            f"--host {host}: without a login the dashboard listens on this machine only, because beyond it a "
            f"login is needed; make one with {how}, or reach it from elsewhere through an SSH tunnel"
        )
    if asked.asks_login and not logins:
        option = "--behind-proxy" if asked.proxied else "--ask-login"
        raise UserMistake(f"{option}: nobody could log in; make a login with {how}")
    if (asked.certificate is None) != (asked.key is None):
        raise UserMistake("--certificate and --key: give both, the chain of certificates and its private key")
    if asked.proxied and asked.certificate is not None:
        raise UserMistake("--behind-proxy: the proxy does TLS, so leave out --certificate and --key, or it")
    if beyond and asked.scheme == "http":
        raise UserMistake(
            f"--host {host}: passwords would pass in the clear; give --certificate and --key, or say "
            "--behind-proxy when a proxy before it does TLS"
        )
    for name in asked.names:
        if not _NAME.fullmatch(name):
            raise UserMistake(
                f"--name {name}: say a name as a browser has it, such as book.example.net or with :8470"
            )
    if (asked.proxied or (beyond and ipaddress.ip_address(host).is_unspecified)) and not asked.names:
        option = "--behind-proxy" if asked.proxied else f"--host {host}"
        raise UserMistake(
            f"{option}: say with --name by which name browsers reach it, such as book.example.net"
        )


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches it. Raises UserMistake for what is no address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        raise UserMistake(
            f"--host {host}: not an address; say 127.0.0.1, ::1 or localhost, or an address of this machine"
        ) from None


def own_names(asked: Listening, *, shown: str, port: int) -> frozenset[str]:
    """The Host headers it answers to."""
    usual = 443 if asked.scheme == "https" else 80  # which a browser leaves out (RFC 9110, 4.2.1 and 4.2.2)
    names = set()
    for name in ("127.0.0.1", "localhost", "[::1]", in_url(shown)):
        names |= {f"{name}:{port}", *([name] if port == usual else [])}
    for name in map(str.lower, asked.names):
        with_port = ":" in name
        names |= {name} if with_port or asked.proxied or port == usual else set()
        names |= set() if with_port else {f"{name}:{port}"}
    return frozenset(names)


def tls(asked: Listening) -> ssl.SSLContext | None:
    """What TLS is served with; None without. Blocks. Raises UserMistake for files that cannot serve."""
    if asked.certificate is None or asked.key is None:
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2  # RFC 9325, 3.1.1
    try:
        context.load_cert_chain(asked.certificate, asked.key, password=lambda: "")
    except ssl.SSLError as wrong:
        raise UserMistake(
            f"--certificate {asked.certificate}, --key {asked.key}: no pair in PEM without a passphrase "
            f"({wrong.reason or wrong})"
        ) from None
    except OSError as trouble:
        name = f"{asked.certificate} or {asked.key}"
        raise UserMistake(f"--certificate, --key: {name} cannot be read: {trouble.strerror}") from None
    return context


def listen(host: str, port: int | None) -> socket.socket:
    """A listening socket at `port`, or at the first free one from the default on. Raises UserMistake."""
    address = "127.0.0.1" if host == "localhost" else host
    ports = range(DEFAULT_PORT, DEFAULT_PORT + _PORTS_TRIED) if port is None else range(port, port + 1)
    for number in ports:
        try:
            return socket.create_server(
                (address, number), family=socket.AF_INET6 if ":" in address else socket.AF_INET
            )
        except OSError as trouble:
            if trouble.errno == errno.EADDRINUSE:
                continue
            option = "--host" if trouble.errno == errno.EADDRNOTAVAIL else "--port"
            value = address if option == "--host" else number
            raise UserMistake(f"{option} {value}: cannot listen on {address}: {trouble.strerror}") from None
    if port is None:
        raise UserMistake(
            f"ports {ports[0]} to {ports[-1]} are all taken on {address}; name a free one with --port"
        )
    raise UserMistake(f"--port {port}: another program listens there already; choose another port")


def in_url(address: str) -> str:
    """An address as it stands in a URL."""
    return f"[{address}]" if ":" in address else address
