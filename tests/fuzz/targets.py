"""What is fuzzed: for each target how octets are fed to its parsers, and inputs to begin with.

A target returns for anything it reads and for anything it refuses in its own way; whatever else comes out
is a finding. Where a target has several parsers, an input's first octet says which one gets the rest, so that
an input costs one parser's time. Where a parser wants a seal by a key (HMAC), an input whose first octet
(after that) is odd gets the right one, since no fuzzer guesses it.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import io
import json
import re
import struct
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC
from functools import cache
from itertools import pairwise
from pathlib import Path, PosixPath
from typing import Any

from yarl import URL

from dashboard import api, found
from dashboard.pages import events, findings, side_by_side, term, uploads
from probe.endpoint import limits
from probe.endpoint.ledger import Ledger
from probe.endpoint.reflector import Reflector
from probe.wire import (
    arq,
    arrival_log,
    control,
    dns,
    invitation,
    paced,
    paced_control,
    push,
    rehearsal_control,
    rtp,
    stamp,
    stamp_tlv,
)
from store import bundle, drops, pack, samples, site_reader, timestamp, varint, zip_tricks
from store.errors import BadMessage, BadPacket, UserMistake
from store.histogram import Histogram
from store.site import Site
from tests.store import samples as made

HOUSE = Path(__file__).parents[2]
KEY = bytes(range(32))
NOON_NS = 1_790_000_000 * 10**9  # September 2026

MESSAGES = (
    *(control.Hello, control.TrainRequest, control.TrainGrant, control.TrainCounts, control.RunRequest),
    *(control.RunGrant, control.RunReport, control.Refusal, control.CeilingReport),
    *(paced_control.PacedRequest, paced_control.CapacityRequest, paced_control.PacedReport),
    *(rehearsal_control.RehearsalRequest, rehearsal_control.RehearsalReport),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A group of parsers. No input is longer than `longest`; `words` are put into inputs as they are."""

    feed: Callable[[bytes], object]
    seeds: tuple[bytes, ...]
    longest: int = 512
    words: tuple[str, ...] = ()


def among(*parsers: Callable[[bytes], object]) -> Callable[[bytes], object]:
    """One of these by the first octet, fed with the rest."""

    def feed(data: bytes) -> None:
        if data:
            parsers[data[0] % len(parsers)](data[1:])

    return feed


def _for(parser: int, *inputs: bytes) -> tuple[bytes, ...]:
    return tuple(bytes([parser]) + one for one in inputs)


def sealed(data: bytes, covered: int, *, mac_bytes: int) -> bytes:
    """`data` with the HMAC of its first `covered` octets behind them, when its first octet is odd."""
    if len(data) <= covered + mac_bytes or not data[0] & 1:
        return data[1:]
    body = data[1:]
    seal = hmac.digest(KEY, body[:covered], "sha256")[:mac_bytes]
    return body[:covered] + seal + body[covered + mac_bytes :]


def _stamp(data: bytes) -> None:
    packet = sealed(data, 96, mac_bytes=16)
    for key in (None, KEY):
        for decode in (stamp.decode_sender, stamp.decode_reflector):
            with contextlib.suppress(BadPacket):
                decode(packet, key=key)
    with contextlib.suppress(BadPacket):
        ssid = stamp.peek_ssid(packet)
        reflector = Reflector(error_estimate=0x8F84, unix_ns=lambda: NOON_NS)
        reflector.open(ssid, caller="a", key=KEY, per_second=20, packet_bytes=1472, now_ns=0)
        reply = reflector.reflect(packet, ("192.0.2.9", 9), received_unix_ns=NOON_NS, ttl=None, now_ns=0)
        assert reply is None or len(reply.data) == len(packet)
    stamp_tlv.asks(packet[112:])
    stamp_tlv.followed(packet[112:], sequence=7, key=KEY)


def _datagram(read: Callable[[bytes], object], *, mac_bytes: int) -> Callable[[bytes], None]:
    def feed(data: bytes) -> None:
        packet = sealed(data, max(0, len(data) - mac_bytes - 1), mac_bytes=mac_bytes)
        with contextlib.suppress(BadPacket):
            read(packet)

    return feed


def _resolver(data: bytes) -> None:
    """What a resolver answers: anything, and anything behind a right head and question."""
    for reply in (data, _QUESTION[:2] + b"\x81\x80\0\x01\0\x02\0\0\0\0" + _QUESTION[12:] + data):
        with contextlib.suppress(BadPacket):
            dns.decode_reply(reply, query=_QUESTION)


_QUESTION = dns.encode_query(7, "north.example.net")


def _pushed(data: bytes) -> None:
    """The stream of a push."""
    with contextlib.suppress(BadPacket):
        frames, cut = push.Frames(), 1 + len(data) // 3
        for at in range(0, len(data), cut):
            frames.feed(memoryview(data)[at : at + cut])


def _control(data: bytes) -> None:
    if not data:
        return
    kind = MESSAGES[data[0] % len(MESSAGES)]
    try:
        said = json.loads(data[1:])
    except (ValueError, RecursionError):
        return
    with contextlib.suppress(BadMessage):
        message = control.decode(kind, said)
        assert control.decode(kind, json.loads(json.dumps(control.encode(message)))) == message


def _invitation(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    with contextlib.suppress(UserMistake):
        read = invitation.parse(text)
        assert invitation.parse(invitation.write(read)) == read
    with contextlib.suppress(UserMistake):
        invitation.parse_address(text)


class Held(PosixPath):
    """A file that is not on the disk: its octets are `octets`, and those of whatever it names beside it."""

    octets = b""

    def read_bytes(self) -> bytes:
        return Held.octets

    def open(self, *_: Any, **__: Any) -> Any:
        return io.TextIOWrapper(io.BytesIO(Held.octets), encoding="utf-8", newline="")


def _site(data: bytes) -> None:
    """A site file; one that begins with a plus is what stands below the least that a site needs."""
    Held.octets = _LEAST + data[1:] if data[:1] == b"+" else data
    with contextlib.suppress(UserMistake):
        site_reader.read(Held("/nowhere/site.toml"), now_ns=NOON_NS)


def _limits(data: bytes) -> None:
    with contextlib.suppress(UserMistake):
        limits.parse(data.decode("utf-8", "replace"), file="limits.toml")


def _ledger(data: bytes) -> None:
    with contextlib.suppress(ValueError):
        Ledger.loads(data.decode("utf-8", "replace"))


def _drops(data: bytes) -> None:
    """An encoder's drops."""
    with contextlib.suppress(UserMistake):
        drops.parse(data, name="drops.csv", where=UTC, destinations=("one", "two"), frames_per_second=25)


def _own_loads(data: bytes) -> None:
    """The house's list of its own loads."""
    Held.octets = data
    with contextlib.suppress(UserMistake):
        found.read_list(Held("/nowhere/kiln.csv"), UTC)


def _asked(ask: Callable[[Any], object]) -> Callable[[bytes], None]:
    def feed(data: bytes) -> None:
        try:
            query = URL("/x?" + data.decode("utf-8", "replace"), encoded=True).query
        except ValueError:
            return
        with contextlib.suppress(api.BadQuery, api.NotHere):
            ask(query)

    return feed


@cache
def _house() -> Site:
    """The site of the example file, with invitations made up."""
    Held.octets = _example()
    return site_reader.read(Held("/nowhere/site.toml"), now_ns=NOON_NS)


def _histogram(data: bytes) -> None:
    with contextlib.suppress(BadMessage):
        Histogram.unpack(data)


def _numbers(data: bytes) -> None:
    with contextlib.suppress(BadMessage):
        list(varint.unpack(data, "numbers"))
    with contextlib.suppress(BadMessage):
        arrival_log.unpack(data)


def _packets(data: bytes) -> None:
    with contextlib.suppress(BadMessage):
        list(samples.unpacked(replace(_PACKETS, packed=_base64(data))))


def _token(data: bytes) -> None:
    with contextlib.suppress(ValueError):
        timestamp.read_token(data, digest=_NOTHING)


_NOTHING = hashlib.sha256(b"").digest()
_PACKETS = made.packets(NOON_NS)


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode()


def _zipped(data: bytes) -> None:
    """A zip that `linebook verify` is given."""
    with (
        contextlib.suppress(zipfile.BadZipFile, *bundle._BROKEN),
        zipfile.ZipFile(io.BytesIO(data)) as archive,
    ):
        if zip_tricks.oddity(archive, folder="pack/", whole=(".json",)) is None:
            with contextlib.suppress(UserMistake):
                bundle._verify_zip(archive, Path("pack.zip"), frozenset())


def _manifest(data: bytes) -> None:
    with contextlib.suppress(ValueError, RecursionError, TypeError, KeyError, AttributeError):
        pack._evidence(Path("/nowhere"), json.loads(data))


def _zip() -> bytes:
    to = io.BytesIO()
    with zipfile.ZipFile(to, "w") as out:
        for name, content in (
            ("manifest.json", json.dumps({"kind": bundle.KIND, "key": "00" * 32, "files": []})),
            ("manifest.sig", "x" * 64),
            ("seal/head-00001.json", '{"number":1}'),
        ):
            out.writestr(zipfile.ZipInfo(f"pack/{name}"), content)
    return to.getvalue()


def _example() -> bytes:
    text = (HOUSE / "deploy" / "site.example.toml").read_text()
    line = invitation.write(_INVITED)
    rows = [row for row in text.splitlines() if not row.startswith(("secrets =", "user ="))]
    return "\n".join(
        f'{row}\ninvitation = "{line}"' if row == "[[endpoint]]" else row for row in rows
    ).encode()


_FRAME = rtp.Packet(sequence=3, timestamp=90_000, frame=1, place=0, last=True)
_TAG = arq.tag_of(KEY)
_INVITED = invitation.Invitation(host="192.0.2.1", port=4000, flow_port=4001, key=KEY, pin=KEY)
_SENDER = stamp.encode_sender(
    stamp.SenderPacket(sequence=7, sent_ntp=1 << 62, error_estimate=0x8F84, ssid=9), key=KEY, size=160
)
_REFLECTED = stamp.encode_reflector(
    stamp.ReflectorPacket(
        sequence=3,
        sent_ntp=1 << 62,
        error_estimate=0x8F84,
        ssid=9,
        received_ntp=1 << 62,
        sender_sequence=7,
        sender_ntp=1 << 62,
        sender_error_estimate=0x8F84,
        sender_ttl=255,
    ),
    key=KEY,
    tail=stamp_tlv.asking(7, key=KEY, size=48),
)
_HELLO = control.Hello(
    version="1",
    protocol=1,
    your_address="192.0.2.9",
    seconds_max=900,
    flows_max=16,
    per_second_max=200,
    bytes_left=1,
)

_LEAST = f"""name = "Quillet Lane"
timezone = "Europe/Lisbon"
database = "line.db"
safety = {{emergency_calls = "no", alarms = "no", medical_devices = "no"}}
[[handoff]]
name = "A"
interface = "eth0"
card = {{rate_down = "250 Mb/s", rate_up = "20 Mb/s"}}
[[endpoint]]
name = "north"
where = "outside"
invitation = "{invitation.write(_INVITED)}"
""".encode()


def _pieces() -> tuple[bytes, ...]:
    """The tables of the example file one by one, each to stand below the least that a site needs.

    A card's own tables come one at a time below its handoff's name.
    """
    rows = [row.partition(" #")[0].rstrip() for row in _example().decode().splitlines()]
    rows = [row for row in rows if row and not row.startswith("#")]
    begins = [at for at, row in enumerate(rows) if row.startswith("[[") and "." not in row] + [len(rows)]
    found = []
    for piece in (rows[a:b] for a, b in pairwise(begins)):
        cuts = [at for at, row in enumerate(piece) if row.startswith(("[handoff.card", "[[handoff.card"))]
        found.append(piece[: cuts[0] if cuts else None])
        found += [[*piece[:2], *piece[a:b]] for a, b in pairwise([*cuts, len(piece)])]
    return tuple("\n".join(["+", *map(_fitted, _own_named(piece))]).encode() for piece in found)


def _own_named(piece: list[str]) -> list[str]:
    """A handoff or endpoint under a name that nothing else has."""
    if piece[0] not in ("[[handoff]]", "[[endpoint]]"):
        return piece
    rest = [row for row in piece[1:] if not row.startswith(("name =", "interface ="))]
    return [piece[0], 'name = "new"', *(('interface = "eth1"',) if piece[0] == "[[handoff]]" else ()), *rest]


def _fitted(row: str) -> str:
    """The row, with the only handoff and endpoint that there are."""
    row = re.sub(r'^((?:in_)?(?:handoff|handoffs|endpoints?) = )\[?".*', r'\1"A"', row)
    if row.startswith("at_once_with"):
        return 'at_once_with = ["A"]'
    if row.startswith("handoffs"):
        return 'handoffs = ["A"]'
    return 'endpoint = "north"' if row.startswith("endpoint =") else row


_LIMITS = "\n".join(
    re.findall(r"^(?:# )?((?:[a-z_]+ = [0-9_]+|\[[a-z.]+\])) *(?:#.*)?$", limits.template(), re.M)
).encode()
_WORDS = tuple(sorted(set(re.findall(r"[a-z_]{4,}", _example().decode()))))

TARGETS = {
    "stamp": Target(feed=_stamp, seeds=(b"\1" + _SENDER, b"\0" + _REFLECTED, b"\1" + _REFLECTED)),
    "datagrams": Target(
        feed=among(
            _datagram(lambda one: paced.unpack(KEY, one), mac_bytes=32),
            _datagram(lambda one: arq.asked(KEY, one), mac_bytes=16),
            _datagram(lambda one: arq.unpack(_TAG, one), mac_bytes=0),
            _datagram(lambda one: rtp.unpack(KEY, KEY[:4], one), mac_bytes=10),
            _pushed,
        ),
        seeds=(
            *_for(0, b"\1" + paced.alive(KEY, 5)),
            *_for(1, b"\1" + arq.ask(KEY, [1, 2, 9])),
            *_for(2, b"\0" + arq.pack(_TAG, arq.Part(sequence=4, frame=1, place=0, parts=3, repeat=False))),
            *_for(3, b"\1" + rtp.pack(KEY, KEY[:4], _FRAME, b"abc")),
            *_for(4, push.head(3, 5) + b"abcde"),
        ),
    ),
    "resolver": Target(
        feed=_resolver,
        seeds=(_QUESTION, bytes.fromhex("c00c000100010000003c0004c0000201")),
        longest=256,
    ),
    "control": Target(
        feed=_control,
        seeds=(
            b"\0" + json.dumps(control.encode(_HELLO)).encode(),
            b'\4{"direction": "up", "flows": 4, "seconds": 10.0}',
            b'\7{"code": "busy", "why": "so", "retry_after_s": 1.5}',
        ),
        longest=4096,
    ),
    "invitation": Target(
        feed=_invitation,
        seeds=(invitation.write(_INVITED).encode(), b"[2001:db8::1]:4000", b"far.example.net"),
        words=("linebook", "?key=", "&pin=", "&flow=", "xn--", "%41"),
    ),
    "site": Target(feed=_site, seeds=(*_pieces(), _LEAST), longest=1700, words=_WORDS),
    "settings": Target(
        feed=among(_limits, _ledger),
        seeds=(
            *_for(0, _LIMITS),
            *_for(1, b'{"format": 1, "months": {"2026-11": {"a": 1}}}'),
        ),
        longest=1024,
        words=tuple(sorted(set(re.findall(r"[a-z_]{4,}", limits.template())))),
    ),
    "imports": Target(
        feed=among(_drops, _own_loads),
        seeds=(
            *_for(0, b"time,seconds,frames,destination\n2026-03-09 19:31:05,1.4,42,one\n"),
            *_for(1, b"what,from,to\nkiln,2026-03-10T14:05,2026-03-10T15:05\n"),
        ),
        longest=256,
    ),
    "query": Target(
        feed=among(
            _asked(lambda query: api.period_of(query, "endpoint")),
            _asked(lambda query: events.asked_of(query, site=_house(), now_ns=NOON_NS)),
            _asked(lambda query: findings.last_day(query, site=_house(), now_ns=NOON_NS)),
            _asked(lambda query: side_by_side.asked_of(query, site=_house())),
            _asked(lambda query: term.month_of(query, site=_house(), now_ns=NOON_NS)),
            _asked(lambda query: uploads.question_of(query, site=_house(), now_ns=NOON_NS)),
        ),
        seeds=(
            *_for(0, b"period=week&endpoint=north"),
            *_for(1, b"what=stall&handoff=A"),
            *_for(2, b"day=2026-09-01&handoff=A"),
            *_for(3, b"day=2026-09-01"),
            *_for(4, b"month=2026-08"),
            *_for(5, b"size=1+GB"),
        ),
        longest=128,
        words=("period=", "endpoint=", "handoff=", "day=", "month=", "size=", "since=", "until=", "%C3%A9"),
    ),
    "record": Target(
        feed=among(_histogram, _numbers, _packets, _token),
        seeds=(
            *_for(0, Histogram([5, 5, 7, 9000]).pack(), Histogram([5, 5, 7]).pack_open()),
            *_for(0, bytes.fromhex("0103110507b0")),
            *_for(1, varint.pack([1, 2, 3, 300])),
            *_for(2, base64.b64decode(_PACKETS.packed)),
            *_for(2, struct.pack("<4B", 1, 0, 1, 0)),
            *_for(3, bytes.fromhex("30053003020102")),
        ),
        longest=128,
    ),
    "packs": Target(
        feed=among(_zipped, _manifest),
        seeds=(
            *_for(0, _zip()),
            *_for(1, b'{"start": {"seq": 0, "head": "00"}, "days": [], "heads": [], "keys": []}'),
        ),
        longest=1024,
        words=("manifest.json", "pack/", "seal/", "head-", "PK\\x01\\x02", "PK\\x05\\x06"),
    ),
}
