"""Frozen records of everything that can happen to a line.

Methods make them, the writer appends them, judges read them; nobody changes them. Units are in
the names; times are Unix nanoseconds (labels) unless a name says otherwise. `standing` says
whether a record may speak about the line, `reasons` why not (short codes, listed in `REASONS`).
Imports layers and histogram only.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import ClassVar

from store.histogram import Delays, Histogram
from store.layers import LayerRates


class Direction(StrEnum):
    """Which way payload travels, seen from the probe. UP is probe to endpoint."""

    UP = "up"
    DOWN = "down"
    BOTH = "both"


class Standing(StrEnum):
    """VALID counts; EXCLUDED is left out by a rule; VOID means the method itself failed."""

    VALID = "valid"
    EXCLUDED = "excluded"
    VOID = "void"


class Owner(StrEnum):
    """Who must act."""

    HOUSE = "house"
    PROVIDER = "provider"
    ENDPOINT = "endpoint"
    UNKNOWN = "unknown"


class Limit(StrEnum):
    """What held a run's rate down, as far as the run itself can tell."""

    PATH = "path"
    PROBE = "probe"
    ENDPOINT = "endpoint"
    PORT = "port"
    WINDOW = "window"
    PACE = "pace"  # what the run itself asked for at most
    UNDECIDED = "undecided"


class Stamps(StrEnum):
    """Where a delay's time stamps come from: the kernel, or calls of the clock in this program."""

    KERNEL = "kernel"
    CLOCK = "clock"


class Carrier(StrEnum):
    """How an interface reaches the line; only WIRED and LOOPBACK may be evidence."""

    WIRED = "wired"
    WIRELESS = "wireless"
    TUNNEL = "tunnel"
    LOOPBACK = "loopback"
    UNKNOWN = "unknown"


REASONS = {  # code -> (standing it brings, sentence a person reads)
    "light": (Standing.VALID, "a light run, which asked for a share only and says nothing of the full rate"),
    "asked": (
        Standing.VALID,
        "somebody asked for it just then: its moment was chosen, not drawn, so it is in no sample",
    ),
    "short": (Standing.VALID, "30 s or less, so not a TCP throughput run by RFC 6349 section 5"),
    "wireless": (Standing.EXCLUDED, "the probe reached the line over wireless"),
    "tunnel": (Standing.EXCLUDED, "the run left through a tunnel"),
    "elsewhere": (Standing.EXCLUDED, "it left this host by another way than the handoff's"),
    "half_duplex": (Standing.EXCLUDED, "the port had negotiated half duplex"),
    "port_errors": (Standing.EXCLUDED, "frames were damaged at the probe's own port meanwhile"),
    "port_limit": (Standing.EXCLUDED, "the rate is the top of a port of this class, not of the line"),
    "probe_limit": (Standing.VOID, "the probe host was at its limit"),
    "endpoint_limit": (Standing.VOID, "the endpoint was at its limit"),
    "host_ceiling": (Standing.VOID, "the rate came too near the most that this host was measured to carry"),
    "endpoint_ceiling": (
        Standing.VOID,
        "the rate came too near the most that the endpoint was measured to carry",
    ),
    "ceiling_unknown": (
        Standing.VALID,
        "nobody has measured what this host and the endpoint carry at most, so that is not ruled out",
    ),
    "endpoint_unwell": (
        Standing.EXCLUDED,
        "the endpoint was busy, or lost packets in a cross-test with another one, which is not on this line",
    ),
    "window_limit": (Standing.EXCLUDED, "TCP windows, not the line, held the rate"),
    "other_traffic": (
        Standing.EXCLUDED,
        "other traffic of this host took more of the rate than the rules let pass",
    ),
    "aborted": (Standing.VOID, "the run ended before its time"),
    "paused": (Standing.EXCLUDED, "the receiver was not heard for a while, so nothing was sent meanwhile"),
    "counts_disagree": (Standing.VOID, "the endpoint says that more arrived than was sent to it"),
    "too_short": (Standing.VOID, "no whole second was left after start-up"),
    "unsettled": (
        Standing.EXCLUDED,
        "more arrived in seconds that lost more than a capacity may, so the line may carry more",
    ),
    "never_full": (
        Standing.EXCLUDED,
        "the search ended before the line showed that it was full, so it may carry more",
    ),
    "endpoint_restarted": (Standing.EXCLUDED, "the endpoint restarted within this span, or was not there"),
    "late_schedule": (Standing.EXCLUDED, "the probe could not keep its sending schedule"),
    "slept": (Standing.VOID, "the host slept in the middle of it"),
    "thin_watch": (
        Standing.EXCLUDED,
        "less than 95 % of the time that was asked for was watched by spans that count",
    ),
    "local_resolver": (
        Standing.EXCLUDED,
        "the resolver that was asked runs on this host, so its answers may come out of this host's memory",
    ),
    "clock_set": (Standing.VALID, "the clock was set meanwhile; the start is by the one before"),
    "clock_step": (Standing.EXCLUDED, "the clock was set within this span; one-way figures are left out"),
}


def standing_of(reasons: tuple[str, ...]) -> Standing:
    """The worst standing that any of the reasons brings; VALID for none. KeyError for unknown codes."""
    found = {REASONS[reason][0] for reason in reasons}
    for worst in (Standing.VOID, Standing.EXCLUDED):
        if worst in found:
            return worst
    return Standing.VALID


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What else was true while a run ran; None wherever the host could not say, and in older records.

    Ratios run from 0 to 1, CPU as a share of the busiest of what was watched (one core), but for the whole
    host's. `other_bps` is what this host moved on the interface besides the run, at the IP layer. What
    grows is told as its growth meanwhile. The record of a train's minute has some of it rounded
    (`probe.circumstances.rounded`).
    """

    interface: str | None = None
    carrier: Carrier = Carrier.UNKNOWN
    source_address: str | None = None
    egress_address: str | None = None  # as the endpoint saw it
    port_rate_bps: int | None = None
    duplex: str | None = None
    mtu_bytes: int | None = None
    other_up_bps: int | None = None
    other_down_bps: int | None = None
    probe_cpu_ratio: float | None = None
    endpoint_cpu_ratio: float | None = None
    interface_errors: int | None = None  # growth of error and drop counters during the run
    clock_synchronised: bool | None = None
    clock_error_us: int | None = None  # how far off the kernel said that the clock might be
    kernel: str | None = None
    planned_unix_ns: int | None = None  # the moment that the schedule had drawn for the run
    campaign: str | None = None  # the campaign that the run belongs to
    left_elsewhere: str | None = None  # how it is known that it did not leave by its handoff
    carrier_changes: int | None = None  # carriers lost and come back
    frame_errors: int | None = None  # of `interface_errors` those that are no drops
    pause_received: int | None = None  # pause frames (IEEE 802.3 annex 31B)
    pause_sent: int | None = None
    host_cpu_ratio: float | None = None  # of all processors together
    path_mtu_up_bytes: int | None = None  # as the sending kernel knew it
    path_mtu_down_bytes: int | None = None
    optic_received_nw: int | None = None
    optic_sent_nw: int | None = None
    optic_temperature_mc: int | None = None  # thousandths of a degree Celsius
    rules: str | None = None  # the site's rules of evidence where they are not the usual ones
    endpoint_unwell: str | None = None  # what spoke against the endpoint itself when it was asked


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """Bytes of payload that arrived in the 100 ms from `start_ms` on, by the receiver's clock."""

    start_ms: int
    bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RateSide:
    """One direction of a rate run, counted where it arrived.

    `rates` covers `steady_from_ms` to `steady_to_ms` only; `lowest_second_bps` is the payload rate
    of the slowest whole second in there (what an assured floor counts). `sent_bytes` includes
    repeats; `retransmitted_ratio` is repeats / sent (RFC 6349 4.2: efficiency = 1 - that).
    The last four come from the sender's TCP_INFO.
    """

    rates: LayerRates
    lowest_second_bps: int
    bins: tuple[Bin, ...]
    steady_from_ms: int
    steady_to_ms: int
    received_bytes: int
    mss_bytes: int
    ip_version: int
    tcp_timestamps: bool
    sent_bytes: int
    retransmitted_bytes: int
    retransmitted_ratio: float
    limited_by: Limit
    congestion: str  # congestion control of the sender
    tcp_rtt_us: int | None = None  # median of the sender's smoothed RTT over the run
    busy_ratio: float | None = None  # share of the run with data outstanding
    window_limited_ratio: float | None = None  # share of busy time held by the receiver's window
    buffer_limited_ratio: float | None = None  # share of busy time held by the sender's buffer


@dataclass(frozen=True, slots=True, kw_only=True)
class RateRun:
    """A TCP rate run. `up` and `down` are None for a direction that was not asked.

    A light run asked for no more TCP payload than `at_most_up_goodput_bps` up and `at_most_down_goodput_bps`
    down; None for a full run, and for a direction that was not asked.
    """

    kind: str = field(default="rate", init=False)
    handoff: str
    endpoint: str
    started_unix_ns: int
    seconds: float
    direction: Direction
    flows: int
    up: RateSide | None
    down: RateSide | None
    rtt_idle_us: Delays | None
    rtt_loaded_us: Delays | None
    timestamps: Stamps
    spent_bytes: int  # payload both ways, for the test allowance
    reasons: tuple[str, ...]
    circumstances: Circumstances
    at_most_up_goodput_bps: int | None = None
    at_most_down_goodput_bps: int | None = None

    @property
    def standing(self) -> Standing:
        return standing_of(self.reasons)

    @property
    def light(self) -> bool:
        """Whether it was held below the line's rate on purpose, so that it is no run at full rate."""
        return self.at_most_up_goodput_bps is not None or self.at_most_down_goodput_bps is not None

    def at_most_goodput_bps(self, direction: Direction) -> int | None:
        """What was asked for at most in one direction (UP or DOWN), of payload."""
        return self.at_most_up_goodput_bps if direction is Direction.UP else self.at_most_down_goodput_bps

    def side(self, direction: Direction) -> RateSide | None:
        """What was measured in one direction (UP or DOWN); None where it was not."""
        return self.up if direction is Direction.UP else self.down if direction is Direction.DOWN else None

    def sides(self) -> dict[Direction, RateSide]:
        """The measured directions."""
        found = {Direction.UP: self.up, Direction.DOWN: self.down}
        return {direction: side for direction, side in found.items() if side is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainSpan:
    """A span of a train: a minute in the daemon, the whole of `run train`.

    Counts are of packets *sent* within the span. `lost_up` + `lost_down` + `lost_unattributed` are
    those with no reply within `waiting_s`. `held_*` arrived, but only at the end of a silence of at
    least 0.2 s that began before they were due. PDV is delay over the span's own minimum
    (RFC 5481), jitter the RFC 3550 estimate at the span's end (None with fewer than two packets),
    stored to the nanosecond.
    """

    kind: str = field(default="train", init=False)
    handoff: str
    endpoint: str
    started_unix_ns: int
    seconds: float
    per_second: float
    packet_bytes: int  # UDP payload, equal both ways
    waiting_s: float
    sent: int
    received: int
    lost_up: int
    lost_down: int
    lost_unattributed: int
    held_up: int
    held_down: int
    duplicated_up: int
    duplicated_down: int
    reordered_up: int
    reordered_down: int
    blips: int  # silences of 0.2 to 0.5 s, either direction
    rtt: Histogram
    pdv_up: Histogram
    pdv_down: Histogram
    jitter_up_us: float | None
    jitter_down_us: float | None
    timestamps: Stamps
    reflector_timestamps: Stamps = Stamps.CLOCK  # KERNEL where replies were told on leaving (RFC 8972)
    reasons: tuple[str, ...] = ()
    circumstances: Circumstances | None = None

    @property
    def standing(self) -> Standing:
        return standing_of(self.reasons)

    @property
    def spent_bytes(self) -> int:
        """UDP payload of its packets and their replies."""
        return (self.sent + self.received) * self.packet_bytes

    @property
    def lost(self) -> int:
        return self.lost_up + self.lost_down + self.lost_unattributed

    @property
    def duplicated(self) -> int:
        return self.duplicated_up + self.duplicated_down

    @property
    def reordered(self) -> int:
        return self.reordered_up + self.reordered_down


class StallClass(StrEnum):
    """Silences by length. Common practice, no source."""

    STALL = "stall"  # 0.5 to 3 s
    LONG_STALL = "long stall"  # 3 to 10 s
    OUTAGE = "outage"  # over 10 s


@dataclass(frozen=True, slots=True, kw_only=True)
class Stall:
    """A silence of at least 0.5 s in one direction of a train, from one delivery to the next.

    `how`: ``lost`` when every packet due in it was lost, ``held`` when every one came late,
    ``mixed`` otherwise. `direction` is UP, DOWN, or BOTH where neither could be told.
    """

    kind: str = field(default="stall", init=False)
    handoff: str
    endpoint: str
    started_unix_ns: int
    duration_us: int
    direction: Direction
    how: str
    lost: int
    held: int

    @property
    def seconds(self) -> float:
        return self.duration_us / 1e6

    @property
    def class_(self) -> StallClass:
        if self.duration_us < 3_000_000:
            return StallClass.STALL
        return StallClass.LONG_STALL if self.duration_us <= 10_000_000 else StallClass.OUTAGE


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """A measurement that could not be made; a result like any other.

    `what` names the attempt (``run rate``), `why` is one sentence, `whose` who must act, `spent_bytes` what
    it may have moved all the same, estimated by its time: nobody counted.
    """

    kind: str = field(default="failed", init=False)
    what: str
    why: str
    whose: Owner
    started_unix_ns: int = 0
    handoff: str = ""
    endpoint: str = ""
    spent_bytes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Skipped:
    """A planned run that was not started, with the rule that forbade it."""

    kind: str = field(default="skipped", init=False)
    what: str
    why: str
    planned_unix_ns: int
    handoff: str
    endpoint: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A time without measuring: neither good nor bad. `handoff` is empty when all were concerned."""

    kind: str = field(default="gap", init=False)
    started_unix_ns: int
    ended_unix_ns: int
    why: str
    handoff: str = ""
    endpoint: str = ""


class OpenKind(StrEnum):
    """What an open window means: no run in SHOW and QUIET, no test traffic at all in STOP."""

    SHOW = "show"
    QUIET = "quiet"
    MAINTENANCE = "maintenance"
    STOP = "stop"


class Opener(StrEnum):
    """Who opened a window: somebody at once, upload that was seen, or the hours of the site file."""

    PERSON = "person"
    UPLOAD = "upload"
    SITE = "site"


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowOpened:
    """A window opened; it is open until a `WindowClosed` with its name, handoff and start.

    `ends_unix_ns` is when it should close, None when somebody or something will say so. `reference` is
    the provider's notice of a maintenance window. `handoff` is empty when all are concerned.
    """

    kind: str = field(default="window opened", init=False)
    started_unix_ns: int
    name: str
    window: OpenKind
    opener: Opener
    why: str
    ends_unix_ns: int | None = None
    reference: str | None = None
    handoff: str = ""
    endpoint: str = field(default="", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowClosed:
    """The end of the window that opened at `opened_unix_ns`, with the reason."""

    kind: str = field(default="window closed", init=False)
    started_unix_ns: int
    opened_unix_ns: int
    name: str
    window: OpenKind
    opener: Opener
    why: str
    handoff: str = ""
    endpoint: str = field(default="", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What is to be read otherwise in an older record, which stays as it is.

    `corrects_seq` is that record's number in the chain (`store.seal`), `handoff` and `endpoint` are its
    own; `what` says how it is to be read, `why` how that is known.
    """

    kind: str = field(default="correction", init=False)
    handoff: str
    endpoint: str
    corrects_seq: int
    written_unix_ns: int
    what: str
    why: str

    @property
    def started_unix_ns(self) -> int:
        """When it came to be on record."""
        return self.written_unix_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinned:
    """A stretch of the chain of which details or whole records were let go, by the rule in `why`.

    `before` and `after` are the heads of the chain before record `first_seq` and after `last_seq`, as
    found right before the thinning; `remainder` is the head of a chain that starts from `before` and
    goes through what is left of the stretch.
    """

    kind: str = field(default="thinned", init=False)
    first_seq: int
    last_seq: int
    thinned_unix_ns: int
    before: bytes
    after: bytes
    remainder: bytes
    why: str
    handoff: str = ""
    endpoint: str = ""

    @property
    def started_unix_ns(self) -> int:
        """When it was done."""
        return self.thinned_unix_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A run of a campaign: its moment, and the last one at which it would still end within its slot."""

    start_unix_ns: int
    latest_unix_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """A question and every moment of the runs that will answer it, as fixed before the first of them.

    `started_unix_ns` is when it was fixed, `planned` was drawn from `seed`. Days and `hours` are as the site
    file had them, in `timezone`; `hours` is empty where the whole day was meant. `last_day` or `count` is
    None.
    """

    kind: str = field(default="campaign", init=False)
    handoff: str
    endpoint: str
    name: str
    question: str
    started_unix_ns: int
    direction: Direction
    seconds: float
    flows: int
    every_s: int
    hours: str
    first_day: str
    last_day: str | None
    count: int | None
    timezone: str
    seed: str
    planned: tuple[Planned, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Says:
    """What a field of a document is, as the data dictionary has it; see `store.dictionary.Column`."""

    meaning: str
    unit: str = ""
    layer: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A record that is kept whole, as one text, and not in columns: of what comes in tens or hundreds a day.

    A kind is a subclass in a module of its own, whose fields say what they are (`store.documents`).
    `handoff` and `endpoint` are empty where none is concerned.
    """

    kind: ClassVar[str]
    meaning: ClassVar[str]  # one sentence: what such a record is
    handoff: str = ""
    endpoint: str = ""
    started_unix_ns: int
    reasons: tuple[str, ...] = ()  # codes of `REASONS`

    @property
    def standing(self) -> Standing:
        return standing_of(self.reasons)


Record = (
    RateRun
    | TrainSpan
    | Stall
    | Failed
    | Skipped
    | Gap
    | Correction
    | Thinned
    | WindowOpened
    | WindowClosed
    | Campaign
    | Document
)
