"""Control messages of paced runs; how they become JSON stands in `probe.wire.control`. Pure.

A paced run has one direction. Its key opens the way over UDP (`probe.wire.paced`), to the port of the grant.
A capacity run is a paced one whose sender searches for its rate by the receiver's STATUS (`probe.load_rate`);
it is asked for at a path of its own and is a paced run from then on.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedRequest:
    """`direction` up or down; `offered_bps` at the IP layer in packets of `payload_bytes` of UDP payload.

    With `burst_packets` so many are sent at once, as fast as the sender's line takes them and `offered_bps`
    allows, and nothing more; `seconds` is then how long arrivals are waited for at least.
    """

    direction: str
    offered_bps: int
    payload_bytes: int
    seconds: float
    burst_packets: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacityRequest:
    """`direction` up or down, in packets of `payload_bytes` of UDP payload; the rate is searched."""

    direction: str
    payload_bytes: int
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedGrant:
    """The run's key, and the UDP port that takes it; of a capacity run the most it may offer, at the IP
    layer.
    """

    run: str
    port: int
    key: bytes
    most_bps: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedReceived:
    """What the receiving end counted, in packets; `packets` without copies, `expected` the largest sequence
    number and one.

    `bins` are packets per 100 ms from the first arrival on. For the same bins `bases_us` is the least delay
    over the least of all (two clocks: it drifts), `pdv_p99_us` and `pdv_max_us` delay over the bin's own
    least; None where nothing arrived. `pdv` is a packed `store.histogram.Histogram` of all of it;
    `expected_at` is `expected` as it was at each bin's end, None from a version before. The last six are
    empty until the run has ended. `log` has the packets of a burst (`probe.wire.arrival_log`).

    `dropped_socket` packets arrived and found the receiver's buffer full, `dropped_host` any packets found
    its processors' queues full. `cpu_ratio` is the share of one core that the receiving thread used.
    """

    ip_version: int
    packets: int
    expected: int
    duplicated: int
    reordered: int
    late: int
    dropped_socket: int
    dropped_host: int
    buffer_bytes: int
    kernel_stamps: bool
    cpu_ratio: float
    bins: tuple[int, ...] = ()
    bases_us: tuple[int | None, ...] = ()
    pdv_p99_us: tuple[int | None, ...] = ()
    pdv_max_us: tuple[int | None, ...] = ()
    pdv: bytes = b""
    expected_at: tuple[int, ...] | None = None
    log: bytes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchStep:
    """A report that reached the sender, or None twice for one that was missed, and the rate from then on."""

    at_us: int  # from the first packet, by the sender's clock
    rate_bps: int
    sequence_errors: int | None
    delay_range_us: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedSearch:
    """How a capacity run's sender came to its rates. `packets_at` were sent and `unsent_at` were due and not
    sent at the end of each 100 ms of its own; these and `steps` are empty until the run has ended.
    """

    congested: bool
    top_bps: int  # the highest rate it was at
    burst_bytes: int
    steps: tuple[SearchStep, ...] = ()
    packets_at: tuple[int, ...] = ()
    unsent_at: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedSent:
    """What the sending end handed to its kernel, over `elapsed_us`.

    `burst_us` is the largest excess over the offered rate in any stretch of the run, as time at that rate;
    `segments` how many packets a call sends. Packets that were due and not sent: `forgone` because the sender
    came too late to send them without a longer burst, `refused` by a full queue of its own or by its network;
    while it did not hear from the receiver, `paused_us`, none was due. `search` is there in a capacity run,
    whose rate moves: its burst is told in octets there, and `burst_us` is at its last rate.
    """

    ip_version: int
    packets: int
    elapsed_us: int
    burst_us: int
    segments: int
    forgone: int
    refused: int
    paused_us: int
    cpu_ratio: float
    search: PacedSearch | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedReport:
    """A paced run at one end; `received` and `sent` as far as known, None before the first packet."""

    finished: bool
    why: str | None  # why it ended early, None when it ran its time
    received: PacedReceived | None
    sent: PacedSent | None
