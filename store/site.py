"""The site file (TOML) in, a frozen `Site` out.

A site file describes one place: its handoffs with their contract cards, endpoints, trains, runs,
stream plans and windows. It may be shown to anyone: invitations, which hold keys, can live in a
file of their own that it names. Every mistake is a `SiteMistake` with the key, its line and what
would be right. Imports errors, clock and card.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from datetime import date
from enum import StrEnum
from pathlib import Path

from store import bursts, path_mtu
from store.card import Card as Card
from store.clock import Clock
from store.day_hours import WEEKDAYS
from store.house import HousePath
from store.loaded_delay import lasts_s
from store.notice_channels import Channel
from store.paced import PART_AROUND_S
from store.records import Direction, Owner
from store.sizes import FRAMES_BYTES
from store.steps import PERCENTS


class Where(StrEnum):
    """Which side of the line an endpoint stands on."""

    OUTSIDE = "outside"
    HOUSE = "house"


class Transport(StrEnum):
    """How a stream travels: a TCP push with TLS, UDP with repeats on request, or RTP."""

    TCP = "tcp"
    ARQ = "arq"
    RTP = "rtp"


class WindowKind(StrEnum):
    SHOW = "show"
    QUIET = "quiet"
    MAINTENANCE = "maintenance"


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """When something happens, in local time of the site.

    `weekdays` (0 = Monday) or `dates`, one of them empty; from `from_minute` to `to_minute` of the
    day, counted from local midnight. A `to_minute` at or below `from_minute` ends on the next day.
    """

    weekdays: frozenset[int]
    dates: frozenset[date]
    from_minute: int
    to_minute: int

    def said(self) -> str:
        """As a person reads them: ``every day 18:00-23:00``, ``Mon Tue 19:00-21:00``."""
        days = " ".join(WEEKDAYS[one] for one in sorted(self.weekdays))
        if len(self.weekdays) == len(WEEKDAYS):
            days = "every day"
        dates = " ".join(str(one) for one in sorted(self.dates))
        begin, end = (
            f"{minute // 60:02d}:{minute % 60:02d}" for minute in (self.from_minute, self.to_minute)
        )
        return f"{dates or days} {begin}-{end}"


EVENINGS = Times(weekdays=frozenset(range(7)), dates=frozenset(), from_minute=18 * 60, to_minute=23 * 60)


@dataclass(frozen=True, slots=True, kw_only=True)
class Safety:
    """What depends on a line besides the internet; None means that nobody answered.

    `never` are the hours in which no run may fill it.
    """

    emergency_calls: bool | None = None
    alarms: bool | None = None
    medical_devices: bool | None = None
    never: tuple[Times, ...] = ()


class CapCounts(StrEnum):
    """Which bytes a provider's cap counts."""

    BOTH = "both"
    UP = "up"
    DOWN = "down"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cap:
    """What a provider lets pass from one `resets_day` of a month to the next; 31 is the last day of any."""

    limit_bytes: int
    resets_day: int = 1
    counts: CapCounts = CapCounts.BOTH


@dataclass(frozen=True, slots=True, kw_only=True)
class HopPlan:
    """The routers on the way: the first `house` of them are the house's own, `most` are asked.

    With `watch` the probe asks them all the time, beside the trains.
    """

    house: int = 1
    most: int = 4
    watch: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LookupPlan:
    """Names that the probe looks up beside those of the endpoints outside, each once every `every_s`.

    `resolver` is the address to ask, None for the host's own; `run_by` who runs it, None where nobody said.
    """

    watch: bool = True
    every_s: float = 600.0
    names: tuple[str, ...] = ()
    resolver: str | None = None
    run_by: Owner | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Handoff:
    """A provider's demarcation port, and how the probe reaches it: interface, source address or both.

    `addresses` are the networks that the provider assigned to it; empty where the file does not say. `card`
    is its newest version, which may begin in the future: whoever goes by a card takes the one in force
    (`card_at`, `at`). With
    `failover_only` the house's router uses it only while another one is down.
    """

    name: str
    title: str
    interface: str | None
    source: str | None
    metered: bool
    allowance_bytes: int | None  # a month; None means no limit
    card: Card
    metered_runs: bool = False  # rate runs although it is metered
    cap: Cap | None = None
    safety: Safety = Safety()
    hops: HopPlan = HopPlan()
    lookups: LookupPlan = LookupPlan()
    addresses: tuple[str, ...] = ()
    earlier: tuple[Card, ...] = ()  # the versions of the card before, oldest first
    failover_only: bool = False
    failover_within_s: float | None = None  # what the house wants a failover to take at most

    @property
    def cards(self) -> tuple[Card, ...]:
        """Every version of the card, oldest first."""
        return (*self.earlier, self.card)

    def card_at(self, unix_ns: int) -> Card:
        """The version in force at a moment; the oldest one before any was."""
        begun = [card for card in self.cards if (card.from_unix_ns or 0) <= unix_ns]
        return begun[-1] if begun else self.cards[0]

    def at(self, unix_ns: int) -> Handoff:
        """The handoff as it stands at a moment: no version of the card that begins later."""
        now = self.cards.index(self.card_at(unix_ns))
        return replace(self, card=self.cards[now], earlier=self.cards[:now])


@dataclass(frozen=True, slots=True, kw_only=True)
class EndpointRef:
    """An endpoint of this site. Its invitation holds a key, so it never shows in a repr."""

    name: str
    where: Where
    invitation: str = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainPlan:
    """A continuous train. `span_s` is the length of its records: 60, shorter for practice.

    With `times` it goes in these hours only.
    """

    handoff: str
    endpoint: str
    per_second: float
    span_s: int = 60
    times: Times | None = None


class Method(StrEnum):
    """How a scheduled run measures, by the word of `method` in the site file."""

    RATE = "rate"
    PACED = "paced"
    CAPACITY = "capacity"
    BURST = "burst"
    SIZES = "sizes"
    STEPS = "steps"
    MTU = "mtu"
    REHEARSAL = "rehearsal"
    LOADED_DELAY = "loaded-delay"
    SOAK = "soak"

    @property
    def by_tcp(self) -> bool:
        """Whether it is held against ceilings. Packets of the others are counted at either end, and what a
        host left unsent or dropped is on record with each run.
        """
        return self in (Method.RATE, Method.LOADED_DELAY)


_CALLED = {
    Method.RATE: "rate run",
    Method.SIZES: "size sweep",
    Method.STEPS: "step run",
    Method.MTU: "path MTU run",
    Method.REHEARSAL: "rehearsal",
    Method.SOAK: "soak",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPlan:
    """A scheduled run: one at a random offset in each slot of `every_s`, in `times` only if given.

    `share_ratio` is the share of the card's rate that it asks for at most: below 1 it is a light run, and the
    card states the rate of each direction it goes. A loaded-delay run has `loads`, one after the
    other, of `seconds` each.
    """

    handoff: str
    endpoint: str
    direction: Direction
    seconds: int
    flows: int
    every_s: int
    times: Times | None = None
    share_ratio: float = 1.0
    method: Method = Method.RATE
    offered_bps: int | None = None  # what a paced run or a rehearsal offers, at the IP layer; None for others
    most_bytes: int | None = None  # the largest burst of a burst run
    stream: StreamPlan | None = None  # what a rehearsal sends

    loads: tuple[Direction, ...] = ()

    @property
    def called(self) -> str:
        """What a person calls it."""
        return "light run" if self.light else _CALLED.get(self.method, f"{self.method} run")

    @property
    def lasts_s(self) -> int:
        """How long all of it takes; `seconds` are those of a size or a step, where it has such."""
        if self.method is Method.SIZES:
            return len(FRAMES_BYTES) * (self.seconds + PART_AROUND_S)
        if self.method is Method.STEPS:
            ways = 2 if self.direction is Direction.BOTH else 1
            return ways * len(PERCENTS) * (self.seconds + PART_AROUND_S)
        return lasts_s(self.loads, self.seconds) if self.loads else self.seconds

    @property
    def one_way_bytes(self) -> int | None:
        """What it sends at most each way that it goes; None for a rate run, which takes what it gets."""
        if self.method is Method.BURST:
            return bursts.foreseen_bytes(self.most_bytes or bursts.BURST_BYTES[2])
        if self.method is Method.MTU:
            return path_mtu.FORESEEN_BYTES
        if self.offered_bps is None:
            return None
        parts = {Method.SIZES: len(FRAMES_BYTES), Method.STEPS: sum(PERCENTS) / 100}.get(self.method, 1)
        return round(self.offered_bps * self.seconds * parts / 8)

    @property
    def light(self) -> bool:
        return self.share_ratio < 1


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignPlan:
    """A question and the runs that will answer it, fixed before the first of them.

    From the local midnight of `first_day` one run in each slot, up to the end of `last_day` or until there
    are `count` of them; one of the two is None.
    """

    name: str
    question: str
    run: RunPlan
    first_day: date
    last_day: date | None
    count: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Destination:
    """One stream of a plan. Rates are the encoder's mean; `peak_factor` scales them to the peak.

    `buffer_s` is the encoder's send buffer (TCP, RTP) or the ARQ latency. `repeat_ceiling` is the
    share of the rate that ARQ may add in repeats.
    """

    name: str
    video_bps: int
    audio_bps: int
    transport: Transport
    buffer_s: float
    peak_factor: float
    repeat_ceiling: float
    keyframe_s: float
    frames_per_second: float
    picture: str | None  # such as 1080p30 H.264; shown, not judged


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamPlan:
    """What a show sends and when. Its hours are a show window by themselves.

    `beside_bps` is what else the house sends up meanwhile, at the IP layer: guests, intercom, the office.
    """

    name: str
    title: str
    handoff: str
    times: Times
    destinations: tuple[Destination, ...]
    beside_bps: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Hours with a rule: no saturating run in a show or quiet window."""

    name: str
    kind: WindowKind
    times: Times
    handoffs: tuple[str, ...]  # empty: all
    reference: str | None  # the provider's notice, for maintenance
    announced: date | None = None  # when that notice came


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What must not have been for a record to speak about the line. Common practice, no source.

    Other traffic of more than `other_traffic_ratio` of the rate; more than `port_errors` damaged frames
    at the probe's own port (None: never asked); an end that used more than `cpu_ratio` of a core; a rate
    within `port_band_ratio` of what a port shows at most; windows that held a sender for `window_ratio` of
    its busy time; a host or an endpoint that carries less than `ceiling_factor` times a rate run's rate.
    Wireless, a tunnel and half duplex speak against it unless they are allowed.
    """

    other_traffic_ratio: float = 0.05
    wireless: bool = False
    tunnel: bool = False
    half_duplex: bool = False
    port_errors: int | None = 0
    cpu_ratio: float = 0.9
    port_band_ratio: float = 0.01
    window_ratio: float = 0.2
    ceiling_factor: float = 1.2

    def changed(self) -> str | None:
        """The rules that are not the usual ones, ``port_errors=5 tunnel=True``; None where all are."""
        names = sorted(each.name for each in fields(self))
        found = [name for name in names if getattr(self, name) != getattr(USUAL, name)]
        return " ".join(f"{name}={getattr(self, name)}" for name in found) or None


USUAL = Evidence()


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """How other traffic on a handoff's interface holds measuring back, and what may be evidence.

    A run waits while others move more than `other_traffic_ratio` of the rate. A show window opens by
    itself after `show_after_s` of upload above `show_upload_bps` (None: never), and closes after
    `show_closes_after_s` below it. Events at most `case_gap_s` apart are one case. Common practice, no
    source.
    """

    other_traffic_ratio: float = 0.05
    show_upload_bps: int | None = 2_000_000
    show_after_s: int = 60
    show_closes_after_s: int = 600
    case_gap_s: int = 600
    evidence: Evidence = USUAL


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """How many days details are kept, None for ever; see `store.thinning` for what never goes."""

    minutes_days: int | None = 400  # the histograms of a train's minutes
    minute_counts_days: int | None = None
    bins_days: int | None = 400  # the 100 ms bins of a rate run
    samples_days: int | None = 400  # the single packets around stalls


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """Days of which nothing goes while the claim stands in the site file; the last one is included."""

    name: str
    first_day: date
    last_day: date
    handoff: str | None  # None: all


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnLoad:
    """Something else in the house that is on at these times, a kiln or a lift: a finding may join them."""

    name: str
    times: Times


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """One place with its lines. `invented` marks demo data wherever it shows."""

    name: str
    invented: bool
    timezone: str
    database: Path
    file: Path
    handoffs: tuple[Handoff, ...]
    endpoints: tuple[EndpointRef, ...]
    trains: tuple[TrainPlan, ...]
    runs: tuple[RunPlan, ...]
    plans: tuple[StreamPlan, ...]
    windows: tuple[Window, ...]
    rules: Rules = Rules()
    busy: Times = EVENINGS
    campaigns: tuple[CampaignPlan, ...] = ()
    timestamp_url: str | None = None  # who stamps each day's head, by RFC 3161
    keep: Keep = Keep()
    claims: tuple[Claim, ...] = ()
    notices: tuple[Channel, ...] = ()
    house: tuple[HousePath, ...] = ()
    soaks: tuple[RunPlan, ...] = ()  # over trains of the site, so they send nothing and are no `runs`
    holidays: tuple[date, ...] = ()  # on which offices do not work, for working days of a contract
    own_loads: tuple[OwnLoad, ...] = ()
    own_list: Path | None = None  # the same as a list of single times, CSV; read when findings are asked for
    runs_by_default: bool = False  # the file has no [[run]], so `runs` is the schedule of the line's class

    def handoff(self, name: str) -> Handoff:
        """The handoff called `name`; KeyError when there is none."""
        return {found.name: found for found in self.handoffs}[name]

    def endpoint(self, name: str) -> EndpointRef:
        """The endpoint called `name`; KeyError when there is none."""
        return {found.name: found for found in self.endpoints}[name]

    def at(self, unix_ns: int) -> Site:
        """The site with the contract cards that are in force at a moment."""
        return replace(self, handoffs=tuple(each.at(unix_ns) for each in self.handoffs))


def load(path: Path, *, clock: Clock = Clock()) -> Site:  # noqa: B008 - it holds nothing
    """Read and check the site file at `path` and the secrets file it may name.

    The schedule of a file that names none is that of the card in force when it is read. Raises SiteMistake
    with key and line for the first mistake found.
    """
    from store.site_reader import read  # it makes the values of this module, so it imports this one

    return read(path, now_ns=clock.unix_ns())


def database_of(path: Path) -> Path:
    """Where the database of a site file is, whatever else is wrong in there.

    Raises SiteMistake for a file that cannot be read or is not TOML, and for its key `database`.
    """
    from store.site_reader import database

    return database(path)
