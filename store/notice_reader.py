"""Reads the tables ``[[notice]]`` of a site file: channels out, every mistake with its key and line.

A password or token stands in the secrets file under ``[notice]``, by the channel's name, and in no mistake.
Imports notice_channels and toml_table.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable
from typing import Any, TypeVar
from urllib.parse import urlsplit

from store.notice_channels import USUAL, Channel, Command, Hook, Mail, Matter, Security
from store.quantities import shown
from store.toml_table import (
    Reader,
    Table,
    count,
    list_of,
    name_among,
    one_of,
    refuse_twins,
    text,
    word_of,
)

T = TypeVar("T")

KEYS = ("name", "kind", "events", "handoffs")
MAIL_KEYS = ("host", "port", "security", "user", "from", "to")
COMMAND_KEYS = ("run",)
HOOK_KEYS = ("url",)

_PORTS = {Security.STARTTLS: 587, Security.TLS: 465, Security.NONE: 25}  # RFC 6409, RFC 8314, RFC 5321
_MAILBOX = re.compile(r"[^\s@<>,;:\"\\()\[\]]{1,64}@[A-Za-z0-9.\-\[\]:]{1,253}")
_HOST = re.compile(r"[A-Za-z0-9.:\-]{1,253}")


def channels(
    top: Table, secrets: Table | None, *, handoffs: set[str], name: Reader[str]
) -> tuple[Channel, ...]:
    """The channels of a site file; `secrets` is the table ``[notice]`` of its secrets file, if it has one."""
    tables = top.tables("notice")
    found = tuple(_channel(table, secrets, handoffs, name) for table in tables)
    refuse_twins(tables)
    return found


def _channel(table: Table, secrets: Table | None, handoffs: set[str], name: Reader[str]) -> Channel:
    called = table.need("name", name, 'a short name such as "owner-mail"')
    make, own_keys = table.need("kind", one_of(_KINDS), '"mail", "command" or "hook"')
    table.only(*KEYS, *own_keys)
    secret = secrets.maybe(called, _secret_text) if secrets else None
    return Channel(
        name=called,
        way=make(table, secret is not None),
        matters=frozenset(table.ask("events", list_of(word_of(Matter)), tuple(USUAL))),
        handoffs=table.ask("handoffs", list_of(name_among("handoff", handoffs)), ()),
        secret=secret,
    )


def _mail(table: Table, has_secret: bool) -> Mail:
    host = table.need("host", _host, 'the mail server, such as "mail.example.net"')
    security = table.ask("security", word_of(Security), Security.STARTTLS)
    user = table.maybe("user", text)
    if security is Security.NONE and not _is_here(host):
        table.refuse("security", f'"none" is for a server on this host; {host} needs "starttls" or "tls"')
    if user is not None and security is Security.NONE:
        table.refuse("user", 'a password would go unprotected; expected security = "starttls" or "tls"')
    if user is not None and not has_secret:
        table.refuse("user", "its password is missing; expected it under [notice] in the secrets file")
    if user is None and has_secret:
        table.refuse("user", "missing; the secrets file has a password for this notice")
    return Mail(
        host=host,
        port=table.ask("port", count(1, 65_535), _PORTS[security]),
        security=security,
        user=user,
        sender=table.need("from", _mailbox, 'an address such as "linebook@example.net"'),
        to=table.need("to", list_of(_mailbox), 'a list of addresses such as ["office@example.net"]'),
    )


def _command(table: Table, has_secret: bool) -> Command:
    if has_secret:
        table.refuse("kind", "a command gets no secret; take this notice's out of the secrets file")
    words = table.need("run", list_of(_word), 'a list such as ["/usr/local/bin/lamp", "--on"]')
    if not words[0].startswith("/"):
        table.refuse("run", f"{shown(words[0])} is no whole path of a program, such as /usr/local/bin/lamp")
    return Command(words=words)


def _hook(table: Table, has_secret: bool) -> Hook:
    return Hook(url=table.need("url", _address, 'an address such as "https://hooks.example.net/linebook"'))


def _address(value: Any) -> str:
    found = text(value)
    try:
        parts = urlsplit(found)
        host, _ = parts.hostname or "", parts.port
    except ValueError:
        parts, host = urlsplit(""), ""
    if not host or not found.isascii() or not found.isprintable() or " " in found:
        raise ValueError(f'{shown(value)} is no address such as "https://hooks.example.net/linebook"')
    if parts.username is not None or parts.password is not None:
        raise ValueError("holds a user or password; put a secret under [notice] in the secrets file")
    if parts.scheme != "https" and not (parts.scheme == "http" and _is_here(host)):
        raise ValueError(f'{shown(value)} is not https; "http" is for an address on this host')
    return found


def _host(value: Any) -> str:
    if not _HOST.fullmatch(text(value)):
        raise ValueError(f'{shown(value)} is no host such as "mail.example.net"')
    return str(value)


def _mailbox(value: Any) -> str:
    if not _MAILBOX.fullmatch(text(value)):
        raise ValueError(f'{shown(value)} is no mail address such as "office@example.net"')
    return str(value)


def _word(value: Any) -> str:
    """A word of a command: any text but one that no program can be given."""
    if not isinstance(value, str) or "\0" in value:
        raise ValueError(f"{shown(value)} is no text in quotes")
    return value


def _secret_text(value: Any) -> str:
    """Text that no sentence may repeat."""
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ValueError("expected the password or token in quotes, in one line")
    return value


def _is_here(host: str) -> bool:
    """Whether a host is this one."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


_Maker = Callable[[Table, bool], Mail | Command | Hook]
_KINDS: dict[str, tuple[_Maker, tuple[str, ...]]] = {
    "mail": (_mail, MAIL_KEYS),
    "command": (_command, COMMAND_KEYS),
    "hook": (_hook, HOOK_KEYS),
}
