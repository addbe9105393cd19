"""The invitation: one line that carries all a probe needs to reach an endpoint.

``linebook://HOST:PORT/?v=1&key=KEY&pin=PIN[&flows=PORT]``: control over HTTPS on TCP port PORT,
STAMP on UDP port PORT, rate flows on TCP port PORT + 1 unless ``flows`` says otherwise. KEY is the
caller's bearer key, PIN the SHA-256 of the endpoint's certificate, both 32 bytes in unpadded
base64url. Whoever holds the line may use the endpoint: it is a secret. Pure.
"""

from __future__ import annotations

import base64
import binascii
import ipaddress
import re
from dataclasses import dataclass, field
from urllib.parse import parse_qsl, urlencode, urlsplit

from store.errors import InvitationMistake

SCHEME = "linebook"
DEFAULT_PORT = 47862  # a user port without a registered service that we know of (from memory)
KEY_BYTES = PIN_BYTES = 32

_HOST_NAME = re.compile(r"(?!-)[A-Za-z0-9-]{1,63}(?<!-)(\.(?!-)[A-Za-z0-9-]{1,63}(?<!-))*\.?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Invitation:
    """Where an endpoint is, how to know it again, and the key it admits. The key never shows in a repr."""

    host: str
    port: int
    flow_port: int
    key: bytes = field(repr=False)
    pin: bytes = field(repr=False)


def parse(text: str) -> Invitation:
    """Read an invitation.

    Raises InvitationMistake with one sentence that repeats nothing of the line, since any part of a
    mangled line may be the key.
    """
    try:
        parts = urlsplit(text.strip())
        port = _port(DEFAULT_PORT if parts.port is None else parts.port)
        pairs = parse_qsl(parts.query, keep_blank_values=True)
    except ValueError:
        raise InvitationMistake(
            "invitation: the address after linebook:// is not HOST or HOST:PORT with PORT from 1 to 65534"
        ) from None
    if parts.scheme != SCHEME:
        raise InvitationMistake(
            "invitation: expected a line that starts with linebook://, as `linebook endpoint invite` gives"
        )
    if not _is_host(parts.hostname or ""):
        raise InvitationMistake("invitation: what follows linebook:// is neither a host name nor an address")
    fields = dict(pairs)
    if set(fields) - {"v", "key", "pin", "flows"} or len(pairs) != len(fields):
        raise InvitationMistake(
            "invitation: expected v, key, pin and perhaps flows after the ?, each of them once"
        )
    if fields.get("v") != "1":
        raise InvitationMistake("invitation: it is of a version this Linebook does not know; expected v=1")
    return Invitation(
        host=parts.hostname or "",
        port=port,
        flow_port=_flow_port(fields["flows"]) if "flows" in fields else port + 1,
        key=_secret(fields, "key", KEY_BYTES),
        pin=_secret(fields, "pin", PIN_BYTES),
    )


def write(invitation: Invitation) -> str:
    """The invitation as its one line; `parse` undoes it."""
    host = f"[{invitation.host}]" if ":" in invitation.host else invitation.host
    fields = {"v": "1", "key": secret_text(invitation.key), "pin": secret_text(invitation.pin)}
    if invitation.flow_port != invitation.port + 1:
        fields["flows"] = str(invitation.flow_port)
    return f"{SCHEME}://{host}:{invitation.port}/?{urlencode(fields)}"


def parse_address(text: str, *, default_port: int = DEFAULT_PORT) -> tuple[str, int]:
    """``HOST``, ``HOST:PORT``, ``[V6]:PORT`` or a bare IPv6 address as (host, port).

    Raises InvitationMistake.
    """
    if "://" in text:  # maybe an invitation, so not repeated
        raise InvitationMistake("address: expected HOST or HOST:PORT, without anything before or behind it")
    expected = f"address {text!r}: expected HOST or HOST:PORT, with PORT from 1 to 65534"
    try:
        parts = urlsplit(f"//[{text}]" if _is_v6(text) else f"//{text}")
        host, port = parts.hostname or "", _port(default_port if parts.port is None else parts.port)
    except ValueError:
        raise InvitationMistake(expected) from None
    if parts.path or parts.query or parts.fragment or "@" in parts.netloc or not _is_host(host):
        raise InvitationMistake(expected)
    return host, port


def secret_text(secret: bytes) -> str:
    """A key or pin as unpadded base64url, as it stands in an invitation and in a bearer header."""
    return base64.urlsafe_b64encode(secret).rstrip(b"=").decode()


def read_secret(text: str, length: int) -> bytes | None:
    """Undo `secret_text`; None for any text that is not `length` bytes."""
    try:
        found = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        return None
    return found if len(found) == length else None


def _is_v6(text: str) -> bool:
    try:
        return ipaddress.ip_address(text).version == 6
    except ValueError:
        return False


def _is_host(host: str) -> bool:
    return _is_v6(host) or (len(host) <= 253 and _HOST_NAME.fullmatch(host) is not None)


def _port(number: int) -> int:
    if not 1 <= number <= 65534:  # the flow port is the next one
        raise ValueError("no port")
    return number


def _flow_port(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) <= 5 and 1 <= int(text) <= 65535):
        raise InvitationMistake("invitation: its flows is no port from 1 to 65535")
    return int(text)


def _secret(fields: dict[str, str], name: str, length: int) -> bytes:
    found = read_secret(fields.get(name, ""), length)
    if found is None:
        raise InvitationMistake(
            f"invitation: its {name} is not {length} bytes of base64url; is the line whole?"
        )
    return found
