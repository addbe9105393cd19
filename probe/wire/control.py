"""Control messages between probe and endpoint: JSON over HTTPS, as values and back.

Each message is a frozen dataclass; `encode` makes a JSON object of it, `decode` reads one strictly
(every field of the right type and of a value it can have, none missing; unknown fields are ignored so that a
newer end may say more). The paths stand in `PATHS`. Pure: no socket, no clock.

A rate flow is a TCP connection to the endpoint's flow port: the probe sends its one-time token
(`TOKEN_BYTES`), the endpoint answers `READY`. For an up flow the probe then sends payload; for a down
flow it sends `GO`, and again twice a second as a sign of life, and the endpoint sends payload for the
granted seconds. Whoever receives ends the flow. A connection with a wrong token is closed without a byte.
"""

from __future__ import annotations

import base64
import binascii
import functools
import ipaddress
import math
import re
import types
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from store.errors import BadMessage

PROTOCOL = 1
PROTOCOL_HEADER = "Linebook-Protocol"  # in every request and every answer
TOKEN_BYTES = 32  # as keys of trains and paced runs have
RUN_NAME = re.compile(r"[0-9a-z]{1,40}")
READY = b"R"
GO = b"G"

PATHS = {
    "hello": "/v1/hello",  # GET -> Hello
    "trains": "/v1/trains",  # POST TrainRequest -> TrainGrant
    "train": "/v1/trains/{ssid}",  # GET -> TrainCounts; DELETE -> TrainCounts, and the session ends
    # POST -> Knocked: packets to where the train was last heard from
    "knock": "/v1/trains/{ssid}/knock",
    "runs": "/v1/runs",  # POST RunRequest -> RunGrant
    "run": "/v1/runs/{run}",  # GET -> RunReport (waits up to 1 s for the end); DELETE -> RunReport, ended
    # the same for a paced run (probe.wire.paced_control), which an endpoint of an older version does not know
    "paced_runs": "/v1/paced",  # POST PacedRequest -> PacedGrant
    "capacity_runs": "/v1/capacity",  # POST CapacityRequest -> PacedGrant; from then on it is a paced run
    "bursts": "/v1/bursts",  # POST PacedRequest with burst_packets -> PacedGrant; then as a paced run
    "paced_run": "/v1/paced/{run}",  # GET -> PacedReport (waits up to 1 s); DELETE -> PacedReport, ended
    # and for a rehearsal (probe.wire.rehearsal_control)
    "rehearsals": "/v1/rehearsals",  # POST RehearsalRequest -> RehearsalGrant
    "rehearsal": "/v1/rehearsals/{run}",  # GET -> RehearsalReport (waits up to 1 s); DELETE -> it, ended
    "ceiling": "/v1/ceiling",  # POST CeilingRequest -> CeilingReport, after some seconds
    "stop": "/v1/stop",  # POST -> Stopped: every run and train of this caller ends
}

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Hello:
    """What an endpoint says of itself to an admitted caller."""

    version: str
    protocol: int
    your_address: str
    seconds_max: int
    flows_max: int
    per_second_max: int
    bytes_left: int | None  # of this month's allowance for this caller; None means no limit
    paces: bool | None = None  # whether it holds down flows to a rate; None: from before it could
    rehearsal_seconds_max: int | None = None  # None: from before it knew rehearsals
    unwell: str | None = None  # what speaks against the endpoint itself just now; probe.endpoint.crossing


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainRequest:
    """A STAMP session: `packet_bytes` is the UDP payload, at least 112, of the longest packet.

    With `whole` its replies must be sent whole or not at all, however long.
    """

    per_second: float
    packet_bytes: int
    whole: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainGrant:
    """A session's SSID (RFC 8972), its HMAC key of 32 bytes and the reflector's UDP port.

    `instance` is another after each restart of the endpoint; a probe whose session is gone reads from
    it whether the endpoint went away or only forgot. `your_address` is the caller's, as the endpoint sees it;
    `whole` says that replies are not cut, as asked.
    """

    ssid: int
    key: bytes
    port: int
    instance: str | None = None
    your_address: str | None = None
    whole: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainCounts:
    """What the reflector saw of a session: packets, distinct sequence numbers, replies sent.

    `address` is where its packets came from last, without the port; None before the first.
    """

    received: int
    distinct: int
    reflected: int
    highest: int  # -1 before the first packet
    address: str | None = None  # None also from an endpoint of before it told


@dataclass(frozen=True, slots=True, kw_only=True)
class Knocked:
    """How many packets left for a train's caller without being asked for by a packet of it."""

    sent: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRequest:
    """A rate run: `direction` up, down or both; `flows` in each direction asked.

    `down_at_most_bps` is the TCP payload, in bit/s, that the down flows send at most together; None for all
    that goes. An endpoint that does not say that it `paces` would pass over it, so it must not be asked.
    """

    direction: str
    flows: int
    seconds: float
    congestion: str | None = None  # congestion control wanted for down flows
    down_at_most_bps: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunGrant:
    """One token a flow, and the TCP port that takes them."""

    run: str
    port: int
    up_tokens: tuple[bytes, ...]
    down_tokens: tuple[bytes, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverReport:
    """What the receiving end of a direction counted.

    `bins` are bytes per 100 ms from the first payload byte of any flow on, by the receiver's
    monotonic clock, all whole ones within the run's seconds. `cpu_ratio` is the share of one core
    that the receiving process used. The last three are for a sender whose report never came.
    """

    bins: tuple[int, ...]
    received_bytes: int
    cpu_ratio: float
    silent: bool  # the sender fell silent and the flow was given up
    mss_bytes: int | None = None
    ip_version: int | None = None
    tcp_timestamps: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SenderReport:
    """What the sending end of a direction read from TCP_INFO, summed over its flows.

    Times are microseconds summed over flows; `rtt_us` are the smoothed RTTs sampled about ten
    times a second. `sent_bytes` includes `retransmitted_bytes`.
    """

    mss_bytes: int
    ip_version: int
    tcp_timestamps: bool
    congestion: str
    sent_bytes: int
    retransmitted_bytes: int
    rtt_us: tuple[int, ...]
    elapsed_us: int
    busy_us: int
    window_limited_us: int
    buffer_limited_us: int
    cpu_ratio: float
    path_mtu_bytes: int | None = None  # the least of its flows; None: from before it was told


@dataclass(frozen=True, slots=True, kw_only=True)
class RunReport:
    """A run at the endpoint. `up` and `down` hold what is known so far, None before the first byte."""

    finished: bool
    why: str | None  # why it ended early, None when it ran its time
    up: ReceiverReport | None
    down: SenderReport | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CeilingRequest:
    """How much does the endpoint carry over its own loopback, in so many flows?"""

    flows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CeilingReport:
    """Payload that the endpoint carried from itself to itself, and the rate of the port it answers by."""

    flows: int
    seconds: float
    goodput_bps: int
    kernel: str
    port_rate_bps: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """How many runs and trains a stop ended."""

    runs: int
    trains: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why the endpoint does not do what was asked; the body of every answer from 400 up.

    Codes: ``not_admitted`` (wrong key, or no key; nothing else is said), ``busy``, ``limit``,
    ``allowance``, ``unknown`` (no such path, train or run), ``bad_request``, ``protocol``, ``trouble``
    (the endpoint itself failed).
    """

    code: str
    why: str
    retry_after_s: float | None = None


def encode(message: Any) -> dict[str, Any]:
    """The message as a JSON object; bytes become base64."""
    return {field.name: _plain(getattr(message, field.name)) for field in fields(message)}


def decode(kind: type[T], data: object) -> T:
    """Read `data`, an already parsed JSON value, as a message of `kind`. Raises BadMessage."""
    found = _read(kind, data, kind.__name__)
    assert isinstance(found, kind)  # noqa: S101 - for the type checker; _read built it
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, bytes):
        return base64.b64encode(value).decode()
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return encode(value) if is_dataclass(value) else value


def _read(kind: Any, data: object, where: str) -> Any:
    if get_origin(kind) in (Union, types.UnionType):
        (inner,) = (arm for arm in get_args(kind) if arm is not type(None))
        return None if data is None else _read(inner, data, where)
    if get_origin(kind) is tuple:
        if not isinstance(data, list):
            raise BadMessage("control message", f"{where} is not a list")
        return tuple(_read(get_args(kind)[0], item, where) for item in data)
    if kind is bytes:
        try:
            return base64.b64decode(data if isinstance(data, str) else "?", validate=True)
        except (binascii.Error, ValueError):
            raise BadMessage("control message", f"{where} is not base64") from None
    if is_dataclass(kind):
        if not isinstance(data, dict):
            raise BadMessage("control message", f"{where} is not an object")
        return _read_fields(kind, data, where)
    if kind is float:
        return _read_float(data, where)
    if not isinstance(data, kind) or (isinstance(data, bool) and kind is not bool):
        raise BadMessage("control message", f"{where} is not {kind.__name__}")
    if isinstance(data, int) and not -(1 << 63) <= data < 1 << 63:  # what a record can hold
        raise BadMessage("control message", f"{where} does not fit into 64 bits")
    if isinstance(data, str) and not data.isprintable():  # it goes into logs, terminals and pages
        raise BadMessage("control message", f"{where} has characters that cannot be printed")
    return data


def _read_float(data: object, where: str) -> float:
    try:
        found = float(data) if isinstance(data, int | float) and not isinstance(data, bool) else math.nan
    except OverflowError:  # an integer beyond 1e308
        found = math.inf
    if not math.isfinite(found):  # Python's JSON reader lets NaN and Infinity through
        raise BadMessage("control message", f"{where} is not a finite number")
    return found


def _can_be(name: str, value: Any) -> bool:
    """Whether a field of this name, which means the same in every message, can have this value."""
    if value is None:
        return True
    match name:
        case "ssid" | "port" | "tcp_port" | "udp_port":
            return bool(0 < value < 1 << 16)
        case "key":
            return len(value) == TOKEN_BYTES
        case "keys" | "up_tokens" | "down_tokens":
            return all(len(one) == TOKEN_BYTES for one in value)
        case "run":
            return RUN_NAME.fullmatch(value) is not None
        case "ip_version":
            return value in (4, 6)
        case "address" | "your_address":
            return _is_address(value)
    return True


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


_hints = functools.cache(get_type_hints)  # a handful of classes; without it, each message evaluates its hints


def _read_fields(kind: Any, data: dict[str, Any], where: str) -> Any:
    hints = _hints(kind)
    values = {}
    for field in fields(kind):
        if field.name in data:
            values[field.name] = _read(hints[field.name], data[field.name], f"{where}.{field.name}")
            if not _can_be(field.name, values[field.name]):
                raise BadMessage("control message", f"{where}.{field.name} cannot be that")
        elif get_origin(hints[field.name]) not in (Union, types.UnionType):
            raise BadMessage("control message", f"{where}.{field.name} is missing")
        else:
            values[field.name] = None
    return kind(**values)
