"""What measuring costs in bytes, and whether a run may still be paid from this month's test allowance.

A run costs rate x seconds / 8 in each direction it fills, with the rate that the contract card states: a
forecast, as the line may give more or less. A light run costs its share of that, a capacity run the same
or, where that is less, all that its search can come to in its seconds, a loaded-delay run what its loads
do. A train costs its packets both ways at the IP layer. Spending is counted per handoff and local calendar
month. Trains are counted and never stopped: what they will need until the month ends is set aside, and what
campaigns have planned too. Once 80 % of the allowance are spent or set aside, the other runs are thinned,
one of every 2, 4, 8, ... slots, so that the forecast stays within the allowance. The provider's cap works
the same way: what all others are forecast to leave of it until it begins anew is a second purse, and the
tighter of the two decides.

Pure: times are Unix nanoseconds that the caller hands in. Imports store, the schedule and the search's table.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta, tzinfo
from random import Random
from typing import NamedTuple

from probe.load_rate import ROWS, most_bytes
from probe.schedule import has_busy_run, hours_s, midnight_ns, runs_a_day
from store.cap import CapState
from store.clock import NS_PER_S, local
from store.default_schedule import FLOWS
from store.layers import IP_BYTES, UDP_BYTES
from store.quantities import percent, size_text
from store.records import Direction
from store.site import CampaignPlan, CapCounts, Card, Handoff, Method, RunPlan, Site, Times, TrainPlan

TRAIN_PAYLOAD_BYTES = 152  # of a packet of the daemon's trains, as methods.train has it
MONTH_DAYS = 30  # what a forecast calls a month; spending goes by the calendar
WARN_RATIO = 0.8  # of the allowance: from here on runs are thinned. Common practice, no source
_DAY_S = 86_400
_OVER_IP_BYTES = IP_BYTES[4] + UDP_BYTES


class CostLine(NamedTuple):
    """One plan's forecast in words and bytes; a run without a stated rate counts 0, and its words say so."""

    what: str
    bytes: int


@dataclass(slots=True, kw_only=True)
class Purse:
    """What each handoff's tests spent in a local month; empty again when another month begins."""

    where: tzinfo
    month_ns: int  # when the month of `spent` began
    spent: dict[str, int] = field(default_factory=dict)
    _moved: dict[str, tuple[int, int]] = field(default_factory=dict, init=False)
    _before: tuple[int, dict[str, int]] = field(default=(0, {}), init=False)  # another month and its `spent`

    def learn(self, spent: Mapping[str, int], *, now_ns: int, where: tzinfo) -> None:
        """Go by this time zone, and take over what the record has of the month of `now_ns`, unless more is
        known of it here: the record may lag behind.
        """
        self.where = where
        for handoff, count_bytes in spent.items():
            self.spent[handoff] = max(count_bytes, self.spent_bytes(handoff, now_ns=now_ns))

    def charge(self, handoff: str, count_bytes: int, *, now_ns: int, up_ratio: float = 0.5) -> None:
        """Add to what `handoff` spent; `up_ratio` of it went up."""
        self.spent[handoff] = self.spent_bytes(handoff, now_ns=now_ns) + count_bytes
        up, down = self.moved(handoff)
        up_bytes = round(count_bytes * up_ratio)
        self._moved[handoff] = up + up_bytes, down + count_bytes - up_bytes

    def moved(self, handoff: str) -> tuple[int, int]:
        """What tests moved up and down in all, since the probe started."""
        return self._moved.get(handoff, (0, 0))

    def spent_bytes(self, handoff: str, *, now_ns: int) -> int:
        """What `handoff` spent in the month of `now_ns`."""
        month_ns = month_start_ns(now_ns, where=self.where)
        if month_ns != self.month_ns:  # a clock that is set there and back finds what was spent before
            last = self.month_ns, self.spent
            self.month_ns, self.spent = self._before if self._before[0] == month_ns else (month_ns, {})
            self._before = last
        return self.spent.get(handoff, 0)


def run_bytes(
    card: Card,
    *,
    direction: Direction,
    seconds: float,
    share_ratio: float = 1.0,
    counts: CapCounts = CapCounts.BOTH,
) -> int | None:
    """What one run moves, the directions that count together; None when the rate of one is not stated."""
    asked = (Direction.UP, Direction.DOWN) if direction is Direction.BOTH else (direction,)
    total = 0.0
    for one_way in asked:
        if not _counted(one_way, counts):
            continue
        rate_bps = card.rate_bps(one_way)
        if rate_bps is None:
            return None
        total += rate_bps * share_ratio * seconds / 8
    return round(total)


def train_bytes(*, per_second: float, seconds: float, ip_packet_bytes: int) -> int:
    """What a train moves at the IP layer: each packet once up and, reflected at its own size, once down."""
    return round(per_second * seconds * ip_packet_bytes * 2)


def packet_at_ip(payload_bytes: int = TRAIN_PAYLOAD_BYTES) -> int:
    """A train packet at the IP layer: its UDP payload and 28 bytes of IPv4 and UDP headers."""
    return payload_bytes + _OVER_IP_BYTES


def monthly_cost(site: Site) -> dict[str, tuple[CostLine, ...]]:
    """Handoff by handoff, what the schedule moves in 30 days when no window stops a run, by the card that
    the site has (`Site.at`)."""
    return {handoff.name: tuple(_lines(site, handoff)) for handoff in site.handoffs}


class Thin(NamedTuple):
    """One of `one_in` slots has its run; with `spares_busy` those that the busy hours must have go as well.

    `one_in` is a power of two, or 0 when no run fits any more.
    """

    one_in: int
    spares_busy: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """How a handoff's tests stand in a month. `limit_bytes` is None without a limit.

    The others are what the schedule will still move until the month ends: trains, campaigns, the runs that
    the busy hours must have, one a day and plan, and all other runs, unthinned. What the provider's cap, of
    `cap_bytes`, leaves for tests is an allowance too, of the cap's own month.
    """

    cap_bytes: int | None = None
    counts: CapCounts = CapCounts.BOTH
    handoff: str
    spent_bytes: int
    limit_bytes: int | None
    trains_bytes: int
    campaigns_bytes: int
    busy_bytes: int
    runs_bytes: int

    @property
    def warns(self) -> bool:
        """Whether 80 % of the allowance are spent."""
        return self.limit_bytes is not None and self.spent_bytes >= WARN_RATIO * self.limit_bytes

    @property
    def thin(self) -> Thin:
        """How far runs are thinned now, so that the forecast stays within the allowance where it can."""
        promised_bytes = self.spent_bytes + self.trains_bytes + self.campaigns_bytes
        if self.limit_bytes is None or promised_bytes < WARN_RATIO * self.limit_bytes:
            return Thin(1, spares_busy=True)
        left_bytes = self.limit_bytes - promised_bytes
        if left_bytes <= 0:
            return Thin(0, spares_busy=False)
        if left_bytes > self.busy_bytes:
            return Thin(_power_of_two(self.runs_bytes / (left_bytes - self.busy_bytes)), spares_busy=True)
        return Thin(_power_of_two((self.busy_bytes + self.runs_bytes) / left_bytes), spares_busy=False)

    @property
    def forecast_bytes(self) -> int:
        """What the month will have cost at its end, with the thinning there is now."""
        one_in, spares_busy = self.thin
        going = self.spent_bytes + self.trains_bytes + self.campaigns_bytes
        if not one_in:
            return going
        if spares_busy:
            return going + self.busy_bytes + self.runs_bytes // one_in
        return going + (self.busy_bytes + self.runs_bytes) // one_in

    @property
    def month(self) -> str:
        """Whose month it is."""
        return "month" if self.cap_bytes is None else "cap's month"

    def purse(self, *, whose: str = "the") -> str:
        """What limits, with its size where there is any."""
        size = size_text(self.limit_bytes) if self.limit_bytes else ""
        if self.cap_bytes is None:
            return f"{whose} test allowance{size and f' of {size}'}"
        cap = size_text(self.cap_bytes)
        return f"{f'the {size} that' if size else 'what'} the provider's cap of {cap} leaves for tests"

    def said(self) -> str:
        """The sentence for a notice: what is spent, what the month will come to, what is thinned."""
        if self.limit_bytes is None:
            moved = size_text(self.spent_bytes)
            return f"handoff {self.handoff}: tests moved {moved} this month; no allowance is set"
        thinned = {1: "no run is thinned", 0: "no more runs go, trains do"}.get(
            self.thin.one_in, f"one of {self.thin.one_in} slots has its run"
        )
        if not self.limit_bytes:
            return f"handoff {self.handoff}: nothing is left of {self.purse()}; {thinned}"
        share = percent(self.spent_bytes / self.limit_bytes)
        return (
            f"handoff {self.handoff}: {share} of {self.purse()} are spent; forecast to the {self.month}'s "
            f"end {size_text(self.forecast_bytes)}; {thinned}"
        )


def state(site: Site, handoff: Handoff, *, spent_bytes: int, now_ns: int, where: tzinfo) -> Allowance:
    """How `handoff` stands at an instant, with so many bytes spent in its local month."""
    ahead = _ahead(site, handoff, now_ns=now_ns, ends_ns=month_end_ns(now_ns, where=where), where=where)
    return replace(ahead, spent_bytes=spent_bytes, limit_bytes=handoff.allowance_bytes)


def under_cap(site: Site, handoff: Handoff, found: CapState, *, where: tzinfo) -> Allowance:
    """How its tests stand under the provider's cap: they get what all others leave until it begins anew."""
    counts = found.cap.counts
    ahead = _ahead(site, handoff, now_ns=found.now_ns, ends_ns=found.until_ns, where=where, counts=counts)
    return replace(
        ahead,
        spent_bytes=found.own_bytes,
        limit_bytes=found.room_bytes,
        cap_bytes=found.cap.limit_bytes,
    )


def tightest(found: Sequence[Allowance]) -> Allowance:
    """The one under which the fewest runs go."""
    return max(found, key=lambda one: (one.thin.one_in == 0, one.thin.one_in, not one.thin.spares_busy))


def _ahead(
    site: Site,
    handoff: Handoff,
    *,
    now_ns: int,
    ends_ns: int,
    where: tzinfo,
    counts: CapCounts = CapCounts.BOTH,
) -> Allowance:
    """What the schedule will move until then in the directions that count, nothing spent and no limit."""
    left_days = (ends_ns - now_ns) / (_DAY_S * NS_PER_S)
    trains = (train for train in site.trains if train.handoff == handoff.name)
    runs = () if handoff.metered and not handoff.metered_runs else site.runs
    own = [
        (run, once_bytes(run, handoff.card_at(now_ns), counts) or 0)
        for run in runs
        if run.handoff == handoff.name
    ]
    busy_bytes = round(sum(once for run, once in own if has_busy_run(run)) * left_days)
    all_bytes = round(sum(once * runs_a_day(run) for run, once in own) * left_days)
    ways = 1.0 if counts is CapCounts.BOTH else 0.5
    return Allowance(
        handoff=handoff.name,
        spent_bytes=0,
        limit_bytes=None,
        trains_bytes=round(sum(_train_day_bytes(train) for train in trains) * left_days * ways),
        campaigns_bytes=sum(
            _campaign_bytes(
                one, handoff.card_at(now_ns), from_ns=now_ns, to_ns=ends_ns, where=where, counts=counts
            )
            for one in site.campaigns
            if one.run.handoff == handoff.name
        ),
        busy_bytes=busy_bytes,
        runs_bytes=max(0, all_bytes - busy_bytes),
        counts=counts,
    )


def may_start(handoff: Handoff, found: Allowance, *, cost_bytes: int | None) -> str | None:
    """None when a rate run may start, else the sentence that says why not.

    A run of unknown cost may start until the allowance, less what the trains need, is used up.
    """
    if handoff.metered and not handoff.metered_runs:
        return f"handoff {handoff.name} is metered, so it gets no rate runs"
    if found.limit_bytes is None:
        return None
    left_bytes = found.limit_bytes - found.spent_bytes - found.trains_bytes
    if left_bytes > 0 and (cost_bytes or 0) <= left_bytes:
        return None
    left = size_text(max(0, found.limit_bytes - found.spent_bytes))
    trains = (
        f", of which the trains need {size_text(found.trains_bytes)} until the {found.month} ends"
        if found.trains_bytes
        else ""
    )
    needs = "" if cost_bytes is None else f" and the run needs about {size_text(cost_bytes)}"
    purse = found.purse(whose="this month's")
    if not found.limit_bytes:
        return f"nothing is left of {purse}"
    return f"{left} of {purse} are left{trains}{needs}"


def refused(handoff: Handoff, plan: RunPlan, purses: Sequence[Allowance], *, at_ns: int) -> str | None:
    """The sentence of the first purse that does not let a run of this plan start then; None when all do."""
    card = handoff.card_at(at_ns)
    whys = (may_start(handoff, purse, cost_bytes=once_bytes(plan, card, purse.counts)) for purse in purses)
    return next((why for why in whys if why is not None), None)


@dataclass(slots=True, kw_only=True)
class Thinning:
    """Which slots of a plan go without their run: of each so many in a row one, at random, has it.

    At random, as every fourth slot of an hourly plan would always be the same hours of the day.
    """

    random: Random
    row: int = field(default=0, init=False)  # slots of this row
    left: int = field(default=0, init=False)  # of these, still to come
    chosen: int = field(default=0, init=False)

    def leaves_out(self, one_in: int) -> bool:
        """Whether the next slot goes without. A row under way is finished, but for a shorter one."""
        if self.left == 0 or one_in < self.row:
            self.row = self.left = max(1, one_in)
            self.chosen = self.random.randint(1, self.row) if one_in else 0
        here = self.left == self.chosen
        self.left -= 1
        return not here


def _power_of_two(least: float) -> int:
    """The smallest power of two that is not below `least`; 1 for what is below 1."""
    return 1 << math.ceil(math.log2(max(1.0, least)))


def month_start_ns(unix_ns: int, *, where: tzinfo) -> int:
    """The instant at which the local month of `unix_ns` began."""
    return midnight_ns(local(unix_ns, where).date().replace(day=1), where=where)


def month_end_ns(unix_ns: int, *, where: tzinfo) -> int:
    """The instant at which the local month of `unix_ns` ends."""
    first = local(unix_ns, where).date().replace(day=1)
    return midnight_ns((first + timedelta(days=31)).replace(day=1), where=where)


def _lines(site: Site, handoff: Handoff) -> Iterator[CostLine]:
    for train in site.trains:
        if train.handoff == handoff.name:
            yield CostLine(_train_words(train), _month_of(train))
    for run in site.runs:
        if run.handoff == handoff.name and (handoff.metered_runs or not handoff.metered):
            once = once_bytes(run, handoff.card)
            uncounted = ", not counted as the card states no rate" if once is None else ""
            yield CostLine(_run_words(run) + uncounted, round((once or 0) * runs_a_day(run) * MONTH_DAYS))


def campaign_cost(plan: CampaignPlan, card: Card, *, runs: int) -> CostLine:
    """A whole campaign's forecast."""
    once = once_bytes(plan.run, card)
    uncounted = ", not counted as the card states no rate" if once is None else ""
    return CostLine(f"{_run_words(plan.run)}, {runs} runs{uncounted}", (once or 0) * runs)


def _campaign_bytes(
    plan: CampaignPlan, card: Card, *, from_ns: int, to_ns: int, where: tzinfo, counts: CapCounts
) -> int:
    """What a campaign will move in a span, by its runs a day; a count may end it earlier."""
    begins_ns = max(from_ns, midnight_ns(plan.first_day, where=where))
    ends_ns = to_ns
    if plan.last_day is not None:
        ends_ns = min(to_ns, midnight_ns(plan.last_day + timedelta(days=1), where=where))
    runs = runs_a_day(plan.run) * max(0, ends_ns - begins_ns) / (_DAY_S * NS_PER_S)
    if plan.count is not None:
        runs = min(runs, plan.count)
    return round((once_bytes(plan.run, card, counts) or 0) * runs)


def _counted(one_way: Direction, counts: CapCounts) -> bool:
    return counts is CapCounts.BOTH or str(counts) == str(one_way)


def once_bytes(run: RunPlan, card: Card, counts: CapCounts = CapCounts.BOTH) -> int | None:
    """What one run of a plan moves in the directions that count, None where the card states no rate."""
    if run.one_way_bytes is not None:
        both = run.direction is Direction.BOTH
        ways = (Direction.UP, Direction.DOWN) if both else (run.direction,)
        return run.one_way_bytes * sum(_counted(one_way, counts) for one_way in ways)
    if run.loads:
        each = [run_bytes(card, direction=way, seconds=run.seconds, counts=counts) for way in run.loads]
        known = [count for count in each if count is not None]
        return sum(known) if len(known) == len(each) else None
    found = run_bytes(
        card, direction=run.direction, seconds=run.seconds, share_ratio=run.share_ratio, counts=counts
    )
    return (
        min(found, most_bytes(run.seconds, ROWS - 1))
        if run.method is Method.CAPACITY and found is not None
        else found
    )


def _month_of(train: TrainPlan) -> int:
    return round(_train_day_bytes(train) * MONTH_DAYS)


def _train_day_bytes(train: TrainPlan) -> float:
    seconds = float(_DAY_S)
    if train.times is not None:
        seconds = hours_s(train.times) * len(train.times.weekdays) / 7
    return train.per_second * seconds * packet_at_ip() * 2


def _train_words(train: TrainPlan) -> str:
    return f"train to {train.endpoint}, {train.per_second:g} packets a second{_times_words(train.times)}"


def _run_words(run: RunPlan) -> str:
    way = "both ways" if run.direction is Direction.BOTH else str(run.direction)
    flows = "" if run.flows == FLOWS else f", {run.flows} flow{'s' if run.flows > 1 else ''}"
    often = f"{run.seconds} s every {_span(run.every_s)}"
    if run.stream is not None:
        return f"rehearsal of {run.stream.name} to {run.endpoint}, {often}{_times_words(run.times)}"
    if run.loads:
        loads = ", then ".join("both ways at once" if each is Direction.BOTH else each for each in run.loads)
        what = f"loaded-delay run to {run.endpoint}, {loads}{flows}"
        return f"{what}, {run.seconds} s each, every {_span(run.every_s)}{_times_words(run.times)}"
    if run.method is not Method.RATE:
        often = f"every {_span(run.every_s)}" if run.method in (Method.BURST, Method.MTU) else often
        at = "" if run.offered_bps is None else f" at {run.offered_bps / 1e6:g} Mb/s"
        return f"{run.method} run{at} to {run.endpoint}, {way}, {often}{_times_words(run.times)}"
    what = f"light run at {run.share_ratio * 100:g} %" if run.light else "rate run"
    return f"{what} to {run.endpoint}, {way}{flows}, {often}{_times_words(run.times)}"


def _times_words(times: Times | None) -> str:
    return "" if times is None else f", {times.said()}"


def _span(seconds: int) -> str:
    for length, unit in ((_DAY_S, "day"), (3600, "hour"), (60, "minute")):
        if seconds % length == 0:
            count = seconds // length
            return unit if count == 1 else f"{count} {unit}s"
    return f"{seconds} s"
