"""Control messages of rehearsals; how they become JSON stands in `probe.wire.control`. Pure.

A rehearsal sends the frames of several streams up at once, each stream over a way of its own: ``tcp`` ones
join with their key as the token of a flow, ``arq`` and ``rtp`` ones with their key over UDP
(`probe.wire.paced`). Lists have an entry a second of the time at which frames were due, from the first on.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamRequest:
    """A stream: `group` frames from one keyframe to the next, what arrives more than `buffer_s` after it
    would at best is late; `ip_bps` is what it may take at the IP layer, repeats included."""

    transport: str
    frames_per_second: float
    group: int
    buffer_s: float
    ip_bps: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalRequest:
    streams: tuple[StreamRequest, ...]
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalGrant:
    """A key for each stream, in their order, and the ports that take them."""

    run: str
    tcp_port: int
    udp_port: int
    keys: tuple[bytes, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamReceived:
    """What arrived of a stream, in frames. `late` arrived too late, `shown` could be shown: they arrived, and
    so did all from the keyframe before them on (ARQ: in time). Lists and `delay`, a packed
    `store.histogram.Histogram` of microseconds over the least, are empty until the run has ended.

    `packets` are datagrams without copies, `repeats` those of them that were repeats; 0 for TCP.
    """

    ip_version: int = 4
    frames: int = 0
    late: int = 0
    shown: int = 0
    received_bytes: int = 0
    packets: int = 0
    repeats: int = 0
    duplicated: int = 0
    dropped_socket: int = 0
    arrived_each: tuple[int, ...] = ()
    late_each: tuple[int, ...] = ()
    shown_each: tuple[int, ...] = ()
    worst_ms_each: tuple[int, ...] = ()
    delay: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamSent:
    """What became of a stream's frames where they were made: `frames` were due, the send buffer took `sent`,
    had no room for `dropped`, and `waited` were left out until a keyframe. `high_ms` and `high_bytes` are the
    most that it held. `behind` frames were made late because this host was. Lists are empty until the run has
    ended.
    """

    ip_version: int = 4
    frames: int = 0
    sent: int = 0
    dropped: int = 0
    waited: int = 0
    high_ms: int = 0
    high_bytes: int = 0
    behind: int = 0
    sent_bytes: int = 0  # TCP payload or UDP payload, repeats of ours included
    packets: int = 0
    repeats: int = 0
    refused: int = 0  # repeats that were asked for, beyond the ceiling or too late
    paused_ms: int = 0
    sent_each: tuple[int, ...] = ()
    dropped_each: tuple[int, ...] = ()
    waited_each: tuple[int, ...] = ()
    high_ms_each: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """The receiving end; `cpu_ratio` as the share of one core that its process used."""

    streams: tuple[StreamReceived, ...]
    cpu_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """The sending end, likewise."""

    streams: tuple[StreamSent, ...]
    cpu_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalReport:
    """A rehearsal at one end; `received` and `sent` as far as known."""

    finished: bool
    why: str | None  # why it ended early, None when it ran its time
    received: Received | None
    sent: Sent | None
