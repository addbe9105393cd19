"""Side-by-side: an old and a new line by hour of the local day, and what paying for both cost."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode

from multidict import MultiMapping

from dashboard import over_time, text_over_time
from dashboard.api import BadQuery, Json, only
from dashboard.over_time import Compared, HourSide
from dashboard.pages.frame import Frame, Link, side_by_side_url
from dashboard.pages.ledger import Heading, Table, cells, number
from dashboard.pages.wording import DASH, counted, mbps, ms, percent
from store.clock import rfc3339
from store.reader import Reader
from store.site import Handoff, Site

_DAYS = (7, 30, 90)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Which two lines, over how many days up to now."""

    old: Handoff
    new: Handoff
    days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """Two lines compared."""

    site: Site
    asked: Asked
    compared: Compared
    now_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SideBySidePage:
    """What side_by_side.html may use, and nothing else."""

    frame: Frame
    worst: str
    said: str
    periods: tuple[Link, ...]
    pairs: tuple[Link, ...]
    rates: Table
    delays: Table
    cost: str


def asked_of(query: MultiMapping[str], *, site: Site) -> Asked:
    """What a query asks for: the first two handoffs over 30 days unless it says so. Raises BadQuery."""
    only(query, "old", "new", "days")
    names = [one.name for one in site.handoffs]
    if len(names) < 2:
        raise BadQuery(f"This site has one handoff, {names[0]}; two lines side by side need two.")
    old = query.get("old") or next(each for each in names if each != query.get("new"))
    new = query.get("new") or next(each for each in names if each != old)
    for key, name in (("old", old), ("new", new)):
        if name not in names:
            raise BadQuery(f"{key}={name} is no handoff. This site has: {', '.join(names)}.")
    if old == new:
        raise BadQuery(f"old and new are both {old}; name two.")
    days = query.get("days", "30")
    if days not in map(str, _DAYS):
        raise BadQuery(f"days={days} is none of {', '.join(map(str, _DAYS))}.")
    return Asked(old=site.handoff(old), new=site.handoff(new), days=int(days))


def url(asked: Asked, *, days: int | None = None, suffix: str = "") -> str:
    query = {"old": asked.old.name, "new": asked.new.name, "days": days or asked.days}
    return f"{side_by_side_url()}{suffix}?{urlencode(query)}"


def find(reader: Reader, *, site: Site, asked: Asked, now_ns: int) -> Findings:
    """Read and judge; runs in the reader's thread."""
    compared = over_time.compared(reader, site, asked.old, asked.new, now_ns=now_ns, days=asked.days)
    return Findings(site=site, asked=asked, compared=compared, now_ns=now_ns)


def page(found: Findings, *, frame: Frame) -> SideBySidePage:
    """The findings as the page says them."""
    asked, compared = found.asked, found.compared
    return SideBySidePage(
        frame=frame,
        worst=_worst(compared),
        said=f"{asked.old.title} beside {asked.new.title}, {compared.first_day:%d %b %Y} to "
        f"{compared.last_day:%d %b %Y}, by hour of the local day.",
        periods=tuple(
            Link(text=counted(days, "day"), url=url(asked, days=days), here=days == asked.days)
            for days in _DAYS
        ),
        pairs=_pairs(found),
        rates=_rates(compared),
        delays=_delays(compared),
        cost=" ".join(text_over_time.overlap(compared)),
    )


def _worst(compared: Compared) -> str:
    """The old line's worst hour of the day, and the new line in it; empty without such an hour."""
    both = [
        (old.up_bps, hour, new.up_bps)
        for hour, (old, new) in enumerate(compared.hours)
        if old.up_bps is not None and new.up_bps is not None
    ]
    if not both:
        return ""
    slowest_bps, hour, then_bps = min(both)
    return (
        f"In its slowest hour, from {_hour(hour)}, {compared.old.name} carried {mbps(slowest_bps)} Mb/s "
        "up at "
        f"the median, and {compared.new.name} {mbps(then_bps)} in the same hour."
    )


def _pairs(found: Findings) -> tuple[Link, ...]:
    """Every other pair, the older handoff of the file first."""
    every = found.site.handoffs
    return tuple(
        Link(
            text=f"{old.name} beside {new.name}",
            url=url(Asked(old=old, new=new, days=found.asked.days)),
            here=(old.name, new.name) == (found.asked.old.name, found.asked.new.name),
        )
        for nth, old in enumerate(every)
        for new in every[nth + 1 :]
    )


def _rates(compared: Compared) -> Table:
    old, new = compared.old.name, compared.new.name
    return Table(
        caption="Payload of rate runs, medians",
        headings=(
            Heading(text="Hour"),
            *(number(f"{name} {way}", "Mb/s") for way in ("up", "down") for name in (old, new)),
            *(number(f"{name} runs") for name in (old, new)),
        ),
        rows=tuple(
            cells(
                _hour(hour),
                *(mbps(each.up_bps) for each in pair),
                *(mbps(each.down_bps) for each in pair),
                *(str(each.runs_up + each.runs_down) for each in pair),
            )
            for hour, pair in enumerate(compared.hours)
        ),
    )


def _delays(compared: Compared) -> Table:
    names = (compared.old.name, compared.new.name)
    return Table(
        caption="Round trips, loss and stalls of the trains to endpoints outside",
        headings=(
            Heading(text="Hour"),
            *(number(f"{name} p50", "ms") for name in names),
            *(number(f"{name} p95", "ms") for name in names),
            *(number(f"{name} loss") for name in names),
            *(number(f"{name} stalls", "an hour") for name in names),
        ),
        rows=tuple(
            cells(
                _hour(hour),
                *(ms(each.rtt_p50_us) for each in pair),
                *(ms(each.rtt_p95_us) for each in pair),
                *(percent(each.loss_ratio) for each in pair),
                *(_stalls(each) for each in pair),
            )
            for hour, pair in enumerate(compared.hours)
        ),
    )


def _stalls(side: HourSide) -> str:
    return DASH if side.stalls_per_hour is None else f"{side.stalls_per_hour:.2g}"


def _hour(hour: int) -> str:
    return f"{hour:02d}:00"


def as_json(found: Findings) -> Json:
    """The same findings as one JSON object."""
    return {
        "kind": "side by side",
        "schema": 1,
        "started": rfc3339(found.now_ns),
        "standing": "valid",
        "reasons": [],
        "site": found.site.name,
        "invented": found.site.invented,
        **over_time.compared_json(found.compared),
    }
