"""What is fuzzed: for each target how octets are fed to its parsers, and inputs to begin with.

A target returns for anything it reads and for anything it refuses in its own way; whatever else comes out
is a finding. Where a parser wants a seal by a key (HMAC), an input whose first octet is odd gets the right
one, since no fuzzer guesses it.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import io
import json
import struct
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC
from functools import cache
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
    """One group of parsers."""

    feed: Callable[[bytes], object]
    seeds: tuple[bytes, ...]


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


def _datagrams(data: bytes) -> None:
    """Everything else that comes over UDP, and the stream of a push."""
    for covered, mac_bytes in ((len(data) - 33, 32), (len(data) - 9, 8), (len(data) - 11, 10)):
        packet = sealed(data, max(0, covered), mac_bytes=mac_bytes)
        for read in (
            lambda one: paced.unpack(KEY, one),
            lambda one: arq.unpack(arq.tag_of(KEY), one),
            lambda one: arq.asked(KEY, one),
            lambda one: rtp.unpack(KEY, KEY[:4], one),
        ):
            with contextlib.suppress(BadPacket):
                read(packet)
    query = dns.encode_query(7, "north.example.net")
    for reply in (data, query[:2] + b"\x81\x80\0\x01\0\x02\0\0\0\0" + query[12:] + data):
        with contextlib.suppress(BadPacket):
            dns.decode_reply(reply, query=query)
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
    Held.octets = data
    with contextlib.suppress(UserMistake):
        site_reader.read(Held("/nowhere/site.toml"), now_ns=NOON_NS)


def _settings(data: bytes) -> None:
    """The endpoint's own files."""
    text = data.decode("utf-8", "replace")
    with contextlib.suppress(UserMistake):
        limits.parse(text, file="limits.toml")
    with contextlib.suppress(ValueError):
        Ledger.loads(text)


def _imports(data: bytes) -> None:
    """An encoder's drops, and the house's list of its own loads."""
    with contextlib.suppress(UserMistake):
        drops.parse(data, name="drops.csv", where=UTC, destinations=("one", "two"), frames_per_second=25)
    Held.octets = data
    with contextlib.suppress(UserMistake):
        found.read_list(Held("/nowhere/kiln.csv"), UTC)


def _query(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    try:
        query = URL("/x?" + text, encoded=True).query
    except ValueError:
        return
    for ask in (
        lambda: api.period_of(query, "endpoint"),
        lambda: events.asked_of(query, site=_house(), now_ns=NOON_NS),
        lambda: findings.last_day(query, site=_house(), now_ns=NOON_NS),
        lambda: side_by_side.asked_of(query, site=_house()),
        lambda: term.month_of(query, site=_house(), now_ns=NOON_NS),
        lambda: uploads.question_of(query, site=_house(), now_ns=NOON_NS),
    ):
        with contextlib.suppress(api.BadQuery, api.NotHere):
            ask()


@cache
def _house() -> Site:
    """The site of the example file, with invitations made up."""
    Held.octets = _example()
    return site_reader.read(Held("/nowhere/site.toml"), now_ns=NOON_NS)


def _record(data: bytes) -> None:
    """The packed fields of a database that somebody else made."""
    with contextlib.suppress(BadMessage):
        Histogram.unpack(data)
    with contextlib.suppress(BadMessage):
        list(varint.unpack(data, "numbers"))
    with contextlib.suppress(BadMessage):
        arrival_log.unpack(data)
    with contextlib.suppress(BadMessage):
        list(samples.unpacked(replace(_PACKETS, packed=_base64(data))))
    with contextlib.suppress(ValueError):
        timestamp.read_token(data, digest=hashlib.sha256(b"").digest())


_PACKETS = made.packets(NOON_NS)


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode()


def _packs(data: bytes) -> None:
    """What `linebook verify` is given: manifests, and zips."""
    with (
        contextlib.suppress(zipfile.BadZipFile, *bundle._BROKEN),
        zipfile.ZipFile(io.BytesIO(data)) as archive,
    ):
        if zip_tricks.oddity(archive, folder="pack/", whole=(".json",)) is None:
            with contextlib.suppress(UserMistake):
                bundle._verify_zip(archive, Path("pack.zip"), frozenset())
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

TARGETS = {
    "stamp": Target(feed=_stamp, seeds=(b"\1" + _SENDER, b"\0" + _REFLECTED, b"\1" + _REFLECTED)),
    "datagrams": Target(
        feed=_datagrams,
        seeds=(
            b"\1" + paced.alive(KEY, 5),
            b"\1" + arq.ask(KEY, [1, 2, 9]),
            b"\0" + arq.pack(arq.tag_of(KEY), arq.Part(sequence=4, frame=1, place=0, parts=3, repeat=False)),
            b"\0" + push.head(3, 5) + b"abcde",
        ),
    ),
    "control": Target(
        feed=_control,
        seeds=(
            b"\0" + json.dumps(control.encode(_HELLO)).encode(),
            b'\4{"direction": "up", "flows": 4, "seconds": 10.0}',
            b'\7{"code": "busy", "why": "so", "retry_after_s": 1.5}',
        ),
    ),
    "invitation": Target(
        feed=_invitation,
        seeds=(invitation.write(_INVITED).encode(), b"[2001:db8::1]:4000", b"far.example.net"),
    ),
    "site": Target(feed=_site, seeds=(_example(),)),
    "settings": Target(
        feed=_settings,
        seeds=(
            limits.template().replace("# ", "").encode(),
            b'{"format": 1, "months": {"2026-11": {"a": 1}}}',
        ),
    ),
    "imports": Target(
        feed=_imports,
        seeds=(
            b"time,seconds,frames,destination\n2026-03-09 19:31:05,1.4,42,one\n",
            b"what,from,to\nkiln,2026-03-10T14:05,2026-03-10T15:05\n",
        ),
    ),
    "query": Target(
        feed=_query,
        seeds=(b"period=week&endpoint=north", b"day=2026-09-01&handoff=A", b"month=2026-08", b"size=1+GB"),
    ),
    "record": Target(
        feed=_record,
        seeds=(
            Histogram([5, 5, 7, 9000]).pack(),
            Histogram([5, 5, 7]).pack_open(),
            bytes.fromhex("0103110507b0"),
            varint.pack([1, 2, 3, 300]),
            struct.pack("<4B", 1, 0, 1, 0),
        ),
    ),
    "packs": Target(
        feed=_packs,
        seeds=(_zip(), b'{"start": {"seq": 0, "head": "00"}, "days": [], "heads": [], "keys": []}'),
    ),
}
