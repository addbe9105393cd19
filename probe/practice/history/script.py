"""What happens on the practice site, and when: every fault with its dates and its size, as data.

All of it is invented. A fault that is None, or an empty tuple, does not happen; so a test may move one,
resize it or leave it out. Times of day are local minutes, weekdays 0 for Monday. Pure; imports nothing of the
project.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

TIMEZONE = "CET"  # UTC+01:00, in summer UTC+02:00
FIRST_DAY = date(2026, 3, 1)
MONTHS = 18

WEEKDAYS = frozenset(range(5))
EVERY_DAY = frozenset(range(7))


def clock(hour: int, minute: int = 0) -> int:
    """A minute of the day."""
    return hour * 60 + minute


def at(text: str) -> datetime:
    """A moment on the site's own clock, which is why it has no offset: ``2026-03-19 16:41:20``."""
    return datetime.fromisoformat(text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """From the first up to the second minute of the day, on these weekdays."""

    from_minute: int
    to_minute: int
    weekdays: frozenset[int] = EVERY_DAY

    def holds(self, moment: datetime) -> bool:
        """Whether a local moment lies within."""
        minute = moment.hour * 60 + moment.minute
        return moment.weekday() in self.weekdays and self.from_minute <= minute < self.to_minute


@dataclass(frozen=True, slots=True, kw_only=True)
class Sag:
    """Rate up in these hours, median and 5th percentile, and what the round trip gains."""

    hours: tuple[Hours, ...]
    p50_bps: float
    p5_bps: float
    added_us: int
    first: date = FIRST_DAY
    last: date = date.max


@dataclass(frozen=True, slots=True, kw_only=True)
class BadNights:
    """One night of every so many, drawn by the seed: from 23:00 to about 04:00 the rate up has about this
    median.
    """

    first: date
    of_days: int
    p50_bps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MicroStalls:
    """Stalls at random gaps: so many an hour within the hours and outside of them."""

    hours: Hours
    an_hour: float
    else_an_hour: float
    seconds: tuple[float, float, float]  # least, most, most frequent of a triangle
    held_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Kiln:
    """Loss up in bursts while the kiln's contactors switch; `off` are Mondays of weeks with it off."""

    hours: Hours
    loss_ratio: float
    burst_s: tuple[float, float]
    every_s: float
    off: frozenset[date]


@dataclass(frozen=True, slots=True, kw_only=True)
class Restarts:
    """Every so many days from the first on, at about this minute, the modem is gone for a while."""

    first: date
    every_days: int
    minute: int
    within_minutes: int
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """Nothing passes; local time."""

    start: datetime
    seconds: float
    ticket: str | None = None
    ticket_after_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Works:
    """A maintenance announced from `start` to `planned_end`, which lasted to `end`; nothing passes then."""

    reference: str
    start: datetime
    planned_end: datetime
    end: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """From this local moment on the round trip is longer by this much."""

    start: datetime
    added_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Busy:
    """On these days, in these hours, one endpoint takes no more than this."""

    endpoint: str
    first: date
    last: date
    hours: Hours
    most_bps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """A local time."""

    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Backup:
    """Other traffic of the house up, in these hours, and from how much to how much."""

    hours: Hours
    up_bps: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockSlip:
    """The probe's clock runs away by this much, evenly, and is mended at the end."""

    start: datetime
    end: datetime
    by_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowNames:
    """On these days so many of the names that the resolver must fetch take 0.7 s and more."""

    first: date
    last: date
    ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OldLine:
    """The cable line: down 260 to 272, up 16.9 at the median and 15.8 at the 5th percentile, 21 ms."""

    first: date = FIRST_DAY
    last: date = date(2026, 8, 31)
    down_bps: tuple[float, float] = (260e6, 272e6)
    up_p50_bps: float = 16.9e6
    up_p5_bps: float = 15.8e6
    rtt_us: int = 21_000
    loss_ratio: float = 0.0001
    queue_bytes: int = 1_400_000
    sag: Sag | None = None
    nights: BadNights | None = None
    stalls: MicroStalls | None = None
    kiln: Kiln | None = None
    restarts: Restarts | None = None
    outages: tuple[Outage, ...] = ()
    step: Step | None = None
    busy: Busy | None = None
    slow_port: Between | None = None
    backup: Backup | None = None
    slip: ClockSlip | None = None
    slow_names: SlowNames | None = None
    down: tuple[Between, ...] = ()  # the probe was


@dataclass(frozen=True, slots=True, kw_only=True)
class DirtyConnector:
    """The light that arrives sinks evenly from the first day on, until somebody cleans."""

    first: date
    days: int
    from_dbm: float
    to_dbm: float
    errors_after_days: int
    cleaned: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Squeeze:
    """On these days and hours handoff B carries this much up, at layer 2, and round trips gain a little."""

    first: date
    last: date
    hours: Hours
    ethernet_bps: float
    added_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NewCircuit:
    """The fibre circuit with handoffs A and B. `until` says when a flaw of the acceptance was mended."""

    first: date = date(2026, 6, 16)
    wrong_layer_until: date | None = None
    small_burst_until: date | None = None
    burst_bytes: int = 128_000
    failover_s: float | None = None
    dirt: DirtyConnector | None = None
    outages_a: tuple[Outage, ...] = ()
    works_a: tuple[Works, ...] = ()
    squeeze: Squeeze | None = None
    detour_us: int = 0
    detour: tuple[date, date] | None = None  # first and last day
    studio_two: bool = False
    hot_months: frozenset[int] = frozenset()
    light_dbm: float = -6.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Script:
    """Both lines."""

    old: OldLine = field(default_factory=OldLine)
    new: NewCircuit = field(default_factory=NewCircuit)


CLEAN = Script()

USUAL = Script(
    old=OldLine(
        sag=Sag(
            hours=(
                Hours(from_minute=clock(18, 30), to_minute=clock(22, 45), weekdays=WEEKDAYS),
                Hours(from_minute=clock(17), to_minute=clock(22, 45), weekdays=EVERY_DAY - WEEKDAYS),
            ),
            p50_bps=9.2e6,
            p5_bps=5.1e6,
            added_us=14_000,
        ),
        nights=BadNights(first=date(2026, 3, 4), of_days=9, p50_bps=11.3e6),  # 14.1 until nine o'clock
        stalls=MicroStalls(
            hours=Hours(from_minute=clock(19), to_minute=clock(22, 30)),
            an_hour=5.0,
            else_an_hour=0.4,
            seconds=(0.6, 2.4, 0.9),
            held_ratio=0.7,
        ),
        kiln=Kiln(
            hours=Hours(from_minute=clock(14, 5), to_minute=clock(14, 35), weekdays=frozenset({1, 3})),
            loss_ratio=0.018,
            burst_s=(20.0, 90.0),
            every_s=420.0,
            off=frozenset({date(2026, 4, 6)}),
        ),
        restarts=Restarts(
            first=date(2026, 3, 3), every_days=6, minute=clock(3, 12), within_minutes=4, seconds=250.0
        ),
        outages=(Outage(start=at("2026-03-19 16:41:20"), seconds=4905.0),),
        step=Step(start=at("2026-03-24 01:30"), added_us=11_000),
        busy=Busy(
            endpoint="south",
            first=date(2026, 3, 9),
            last=date(2026, 3, 13),
            hours=Hours(from_minute=clock(20), to_minute=clock(21)),
            most_bps=7e6,
        ),
        slow_port=Between(start=at("2026-03-11 10:20"), end=at("2026-03-12 09:05")),
        backup=Backup(
            hours=Hours(from_minute=clock(12), to_minute=clock(12, 40), weekdays=WEEKDAYS), up_bps=(6e6, 8e6)
        ),
        slip=ClockSlip(start=at("2026-03-16 00:00"), end=at("2026-03-16 06:00"), by_us=420_000),
        down=(Between(start=at("2026-03-21 08:00"), end=at("2026-03-21 15:30")),),
    ),
    new=NewCircuit(
        wrong_layer_until=date(2026, 6, 20),
        small_burst_until=date(2026, 6, 19),
        failover_s=47.0,
        dirt=DirtyConnector(
            first=date(2027, 1, 11),
            days=21,
            from_dbm=-6.8,
            to_dbm=-12.9,
            errors_after_days=16,
            cleaned=date(2027, 2, 3),
        ),
        outages_a=(
            Outage(
                start=at("2026-11-10 09:14"),
                seconds=232 * 60.0,
                ticket="GF-20117",
                ticket_after_s=1500.0,
            ),
        ),
        works_a=(
            Works(
                reference="GW-1119",
                start=at("2026-11-19 02:00"),
                planned_end=at("2026-11-19 05:00"),
                end=at("2026-11-19 05:40"),
            ),
        ),
        squeeze=Squeeze(
            first=date(2027, 8, 9),
            last=date(2027, 8, 17),
            hours=Hours(from_minute=clock(19, 30), to_minute=clock(22)),
            ethernet_bps=1.18e9,
            added_us=2_500,
        ),
        detour_us=19_000,
        detour=(date(2027, 2, 1), date(2027, 2, 28)),
        studio_two=True,
        hot_months=frozenset({7}),
    ),
)


def last_day(months: int) -> date:
    """The last day of so many months from the first one on."""
    month = FIRST_DAY.month - 1 + months
    return date(FIRST_DAY.year + month // 12, month % 12 + 1, 1) - timedelta(days=1)
