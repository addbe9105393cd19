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
    """Read an invitation. Raises InvitationMistake with one sentence that never repeats the key."""
    line = text.strip()
    try:
        parts = urlsplit(line)
        port = parts.port or DEFAULT_PORT
    except ValueError:
        raise InvitationMistake(
            "invitation: the address after linebook:// is not HOST or HOST:PORT"
        ) from None
    if parts.scheme != SCHEME:
        raise InvitationMistake(
            f"invitation: it starts with linebook://, as `linebook endpoint invite` prints it, not {line[:12]!r}"
        )
    host = parts.hostname or ""
    _check_host(host)
    pairs = parse_qsl(parts.query, keep_blank_values=True)
    fields = dict(pairs)
    unknown = sorted(set(fields) - {"v", "key", "pin", "flows"})
    if unknown or len(pairs) != len(fields):
        raise InvitationMistake(f"invitation: unknown or repeated part {(unknown or ['?'])[0]!r}")
    if fields.get("v") != "1":
        raise InvitationMistake("invitation: it is of a version this Linebook does not know; expected v=1")
    return Invitation(
        host=host,
        port=port,
        flow_port=_port(fields["flows"]) if "flows" in fields else port + 1,
        key=_secret(fields, "key", KEY_BYTES),
        pin=_secret(fields, "pin", PIN_BYTES),
    )


def write(invitation: Invitation) -> str:
    """The invitation as its one line; `parse` undoes it."""
    host = f"[{invitation.host}]" if ":" in invitation.host else invitation.host
    fields = {"v": "1", "key": _text(invitation.key), "pin": _text(invitation.pin)}
    if invitation.flow_port != invitation.port + 1:
        fields["flows"] = str(invitation.flow_port)
    return f"{SCHEME}://{host}:{invitation.port}/?{urlencode(fields)}"


def parse_address(text: str) -> tuple[str, int]:
    """``HOST``, ``HOST:PORT``, ``[V6]:PORT`` or a bare IPv6 address as (host, port).

    Raises InvitationMistake.
    """
    with_brackets = f"[{text}]" if _is_v6(text) else text
    try:
        parts = urlsplit(f"//{with_brackets}")
        host, port = parts.hostname or "", parts.port or DEFAULT_PORT
    except ValueError:
        raise InvitationMistake(
            f"address {text!r}: expected HOST or HOST:PORT, with PORT from 1 to 65534"
        ) from None
    if parts.path or parts.query or parts.username:
        raise InvitationMistake(f"address {text!r}: expected HOST or HOST:PORT, nothing else")
    _check_host(host)
    _port(str(port))
    return host, port


def _is_v6(text: str) -> bool:
    try:
        return ipaddress.ip_address(text).version == 6
    except ValueError:
        return False


def _check_host(host: str) -> None:
    if not (_is_v6(host) or (len(host) <= 253 and _HOST_NAME.fullmatch(host))):
        raise InvitationMistake(f"invitation: {host!r} is neither a host name nor an address")


def _port(text: str) -> int:
    if not (text.isascii() and text.isdecimal()) or not 1 <= int(text) <= 65534:
        raise InvitationMistake(f"invitation: {text!r} is no port from 1 to 65534")
    return int(text)


def _secret(fields: dict[str, str], name: str, length: int) -> bytes:
    try:
        found = base64.b64decode(fields.get(name, "") + "=", altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        found = b""
    if len(found) != length:
        raise InvitationMistake(
            f"invitation: its {name} is not {length} bytes of base64url; is the line whole?"
        )
    return found


def _text(secret: bytes) -> str:
    return base64.urlsafe_b64encode(secret).rstrip(b"=").decode()
