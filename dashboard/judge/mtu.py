"""What a path MTU means: in words, and against the size that a contract card states. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.judge.verdict import Word
from store.path_mtu import IPV6_LEAST_BYTES, Beyond, FamilyMtu, PathMtu
from store.records import Standing

_BEYOND = {
    Beyond.INTERFACE: "which is all that this host's interface sends",
    Beyond.ICMP: "and a router says so of one more",
    Beyond.SILENT: "and one more is gone without a word (a black hole: what relies on being told hangs)",
    Beyond.ENDPOINT: "the most that an endpoint reflects",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MtuVerdict:
    """Whether a way carries packets of the stated size whole, and why that is said."""

    word: Word
    because: str


def verdict(found: PathMtu, stated_bytes: int | None) -> MtuVerdict:
    """Against the size that the card states: each way, in each IP version that could be tried.

    A limit of this host's own interface, or a direction that could not be told, leaves it open.
    """
    if stated_bytes is None:
        return MtuVerdict(word=Word.NOT_TESTED, because="The contract card states no mtu.")
    if found.standing is not Standing.VALID:
        return MtuVerdict(word=Word.NOT_TESTED, because="This record may not speak about the line.")
    told = [
        (f"IPv{one.ip_version} {way}", *_carried(one, way, stated_bytes))
        for one in found.found
        for way in _WAYS
    ]
    short = [f"{name} carries {size}" for name, carried, size in told if carried is False]
    open_ = [name for name, carried, _ in told if carried is None]
    if short:
        return MtuVerdict(
            word=Word.NOT_MET, because=f"{stated_bytes} bytes are stated, and {', '.join(short)}."
        )
    if open_:
        why = f"{stated_bytes} bytes are stated, and this could not be told of {', '.join(open_)}."
        return MtuVerdict(word=Word.UNDECIDED, because=why)
    names = ", ".join(name for name, _, _ in told)
    return MtuVerdict(word=Word.MET, because=f"The {stated_bytes} bytes that are stated pass: {names}.")


_WAYS = ("up", "down")


def _carried(one: FamilyMtu, way: str, stated_bytes: int) -> tuple[bool | None, int | None]:
    """Whether one direction carries the stated size, None for unknown; and the most that it carries."""
    size = one.up_bytes if way == "up" else one.down_bytes
    if size is None or size >= stated_bytes:
        return (None if size is None else True), size
    own_limit = one.beyond in (Beyond.INTERFACE, Beyond.ENDPOINT) and size == one.up_bytes
    return (None if own_limit or (way == "down" and one.down_at_least) else False), size


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
