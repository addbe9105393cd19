"""What a handoff's tests, and everybody, have used this month: a part of Today and of Circuit.

Sentences, each with its limit, its forecast and how that was made. Imports store and wording.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from dashboard.api import Json
from dashboard.pages.ledger import Entry, Mark
from dashboard.pages.wording import counted, moment, span
from store import cap
from store.cap import PATTERN_DAYS, CapState
from store.clock import zone
from store.quantities import size_text
from store.reader import Reader
from store.site import CapCounts, Handoff, Site
from store.traffic import Traffic

NEAR = 0.8  # of a limit: from here on tests are thinned, as probe.allowance has it

MARKS = {
    "within": Mark(word="Within", look="firm"),
    "near": Mark(word="Near", look="unsure"),
    "over": Mark(word="Over", look="bad"),
    "unknown": Mark(word="Unknown", look="none"),
}
COUNTS = {CapCounts.BOTH: "both ways", CapCounts.UP: "upload alone", CapCounts.DOWN: "download alone"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Used:
    """What was used on a handoff. `spent_bytes` are the tests' in the calendar month, None if not asked."""

    handoff: Handoff
    spent_bytes: int | None
    cap: CapState | None


def find(reader: Reader, site: Site, handoff: Handoff, *, now_ns: int, spent: bool) -> Used:
    """Read it, with `spent` the tests' ledger too, which takes longer; runs in the reader's thread."""
    where = zone(site.timezone)
    state = None
    if handoff.cap is not None:
        since_ns = cap.since_ns(handoff.cap, now_ns, where=where)
        records = reader.documents(Traffic, handoff=handoff.name, since_ns=since_ns, until_ns=now_ns)
        state = cap.state(handoff.cap, records, now_ns=now_ns, where=where)
    month_ns, _ = cap.period(1, now_ns, where=where)
    spent_bytes = reader.spent_bytes(handoff.name, month_ns) if spent else None
    return Used(handoff=handoff, spent_bytes=spent_bytes, cap=state)


def entries(found: Used, where: tzinfo) -> tuple[Entry, ...]:
    """The sentences; none where the site file limits nothing."""
    made = []
    limit_bytes = found.handoff.allowance_bytes
    if limit_bytes is not None and found.spent_bytes is not None:
        share = found.spent_bytes / limit_bytes
        text = (
            f"Tests on handoff {found.handoff.name} spent {size_text(found.spent_bytes)} of this month’s "
            f"allowance of {size_text(limit_bytes)}, {_share(share)}."
        )
        made.append(Entry(mark=_mark(share), moment=None, text=text))
    if found.cap is not None:
        made.append(_cap_entry(found.handoff, found.cap, where))
    return tuple(made)


def _share(share: float) -> str:
    """In per cent, three digits of what is below ten times all of it; a little is never written 0."""
    return f"{share * 100:.3g} %" if share < 9.995 else f"{share * 100:.0f} %"


def said(found: CapState, where: tzinfo) -> str:
    """How the cap stands, in sentences."""
    began, ends = (moment(ns, where, form="%d %b").text for ns in (found.from_ns, found.until_ns))
    which = f"the provider’s cap of {size_text(found.cap.limit_bytes)}, {COUNTS[found.cap.counts]}"
    if found.interface is None:
        return f"Of {which}, nothing is counted yet: the probe reads this host’s interface once a minute."
    share = found.used_bytes / found.cap.limit_bytes
    lines = [
        f"{size_text(found.used_bytes)} of {which}, are used since {began}, {_share(share)}, as this "
        f"host’s interface {found.interface} counted; tests are {size_text(found.own_bytes)} of that.",
        f"No forecast to {ends} before a whole day was counted."
        if found.forecast_bytes is None
        else f"Forecast to {ends}: {size_text(found.forecast_bytes)}, from the mean of the same weekday "
        f"hours of the last {PATTERN_DAYS} days, and of all hours where one was not seen.",
    ]
    if found.uncounted_s >= 60:
        lines.append(f"{span(found.uncounted_s)} of the time since {began} were not counted.")
    if found.missed:
        lines.append(f"{counted(len(found.missed), 'break')} in counting, the last: {found.missed[-1]}.")
    return " ".join(lines)


def as_json(found: Used) -> Json:
    """The same for programs."""
    return {
        "handoff": found.handoff.name,
        "allowance_bytes": found.handoff.allowance_bytes,
        "spent_bytes": found.spent_bytes,
        "cap": None if found.cap is None else cap.as_json(found.cap),
    }


def _cap_entry(handoff: Handoff, found: CapState, where: tzinfo) -> Entry:
    forecast = found.forecast_bytes
    mark = MARKS["unknown"]
    if forecast is not None or found.used_bytes > found.cap.limit_bytes:
        mark = _mark(max(forecast or 0, found.used_bytes) / found.cap.limit_bytes)
    note = "What the house moves past this host is not in it, unless this host is its router."
    return Entry(mark=mark, moment=None, text=f"Handoff {handoff.name}: {said(found, where)}", more=(note,))


def _mark(share: float) -> Mark:
    return MARKS["over" if share > 1 else "near" if share >= NEAR else "within"]
