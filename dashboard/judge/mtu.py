"""What a path MTU means: in words, and against the size that a contract card states. Pure."""

from __future__ import annotations

from store.path_mtu import IPV6_LEAST_BYTES, Beyond, FamilyMtu

_BEYOND = {
    Beyond.INTERFACE: "which is all that this host's interface sends",
    Beyond.ICMP: "and a router says so of one more",
    Beyond.SILENT: "and one more is gone without a word (a black hole: what relies on being told hangs)",
    Beyond.ENDPOINT: "the most that an endpoint reflects",
}


def said(found: FamilyMtu) -> str:
    """What was found in one IP version, as a sentence."""
    if found.up_bytes is None:
        return f"nothing could be told: {found.why or 'nothing came back'}."
    beyond = _BEYOND.get(found.beyond, "") if found.beyond is not None else ""
    by = f" ({found.told_by} says {found.told_bytes or 'no size'})" if found.told_by else ""
    words = f"up {found.up_bytes} bytes pass, {beyond}{by}; down {_down(found)}."
    if found.ip_version == 6 and found.up_bytes < IPV6_LEAST_BYTES:
        words += f" IPv6 needs {IPV6_LEAST_BYTES} on every link (RFC 8200 section 5)."
    return words


def _down(found: FamilyMtu) -> str:
    if found.down_bytes is None:
        return "it could not be told"
    if found.down_at_least:
        return f"{found.down_bytes} at least (a reply is as long as what asked for it)"
    return f"{found.down_bytes} bytes pass, and one more does not"
