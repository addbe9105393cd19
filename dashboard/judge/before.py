"""What a check shortly before a show makes of what it finds: a day, an hour, ten minutes before.

The forecast of comparable hours stands; each thing looked at now can only lower it. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from enum import StrEnum

from dashboard.judge import freezes, layers
from dashboard.judge.changes import Change, by_uplink
from dashboard.judge.comparable import History
from dashboard.judge.stream import GO_SHARE, PEAK_SHARE, TIGHT_SHARE, Answer, Check
from store.clock import NS_PER_S
from store.failovers import Failover
from store.quantities import counted, grouped, percent, size_text
from store.records import Circumstances, Failed, RateRun, Stall, Standing, TrainSpan, standing_of
from store.shows import Forecast, LookedAt
from store.site import Destination, StreamPlan

REACHED = 0.97  # of what a capped run asked for: what its packets and its end leave of it
OTHERS_SHARE = 0.05  # of the plan's demand that other traffic may take before somebody should look
RECENT_S = 1800
LEAST_WATCHED_S = 300  # of the last half hour, for its stalls to say something
EXERCISED_S = 92 * 86_400  # a failover that was tried within a quarter counts as exercised


class Found(StrEnum):
    """What one thing says of the show. A note decides nothing; what was not done neither."""

    FINE = "fine"
    AMISS = "amiss"
    BAD = "bad"
    NOT_DONE = "not done"
    NOTE = "note"


_SAY_NOTHING = ("light", "short", "ceiling_unknown")  # reasons that every run of a check may have
_OF_HOUSE = ("house segment", "other traffic")  # rows on what every uplink shares
_CAPS = {Found.AMISS: Answer.TIGHT, Found.BAD: Answer.HOLD}
_WORSE = (Answer.GO, Answer.TIGHT, Answer.HOLD)


def answer(forecast: Answer, rows: Sequence[LookedAt]) -> tuple[Answer, LookedAt | None]:
    """The answer with what was found just now, and the row that lowered it; None where none did.

    Unknown stays Unknown unless something is bad.
    """
    worst = max((row for row in rows if row.found in _CAPS), key=_place, default=None)
    if worst is None:
        return forecast, None
    capped = _CAPS[Found(worst.found)]
    if forecast is Answer.UNKNOWN:
        return (Answer.HOLD, worst) if capped is Answer.HOLD else (forecast, None)
    return (capped, worst) if _WORSE.index(capped) > _WORSE.index(forecast) else (forecast, None)


def lowered(check: Check, looked: Forecast | None, plan: StreamPlan, *, when: str) -> Check:
    """The answer of comparable hours as the last check before this very show left it, told since `when`."""
    if looked is None:
        return check
    found, decides = answer(check.answer, looked.rows)
    if decides is None:
        return check
    helps = still_helping(check, found, decides, plan)
    return replace(
        check,
        answer=found,
        because=f"Looked at {when}, {decides.what}: {decides.said}",
        smallest_change=helps[0].text if helps else None,
        options=helps,
        shares=None,
        beside_upload=check.beside_upload and max(found, check.beside_upload, key=_WORSE.index),
    )


def still_helping(
    check: Check, found: Answer, decides: LookedAt | None, plan: StreamPlan
) -> tuple[Change, ...]:
    """The changes that help once `decides` has lowered the answer to what was `found`.

    Of what comparable hours say, only that of other uplinks still holds then, and of what lies in the house
    none.
    """
    if decides is None:
        return check.options
    if decides.what in _OF_HOUSE or found is Answer.UNKNOWN:
        return ()
    return tuple(
        by_uplink(plan.destinations, name, str(word))
        for name, word in check.elsewhere
        if word is not Answer.UNKNOWN and _WORSE.index(word) < _WORSE.index(found)
    )


def _place(row: LookedAt) -> int:
    return _WORSE.index(_CAPS[Found(row.found)])


def carried(
    run: RateRun | Failed | str, check: Check, *, asked_bps: int | None, own: bool, name: str
) -> LookedAt:
    """A run up: by what it asked for (IP layer), or for a full one by the shares of a floor.

    `run` is a sentence where it was not made. One on another uplink than the plan's is a note.
    """
    what = f"run up on {name}"
    if isinstance(run, str):
        return LookedAt(what=what, found=Found.NOT_DONE, said=f"Not made: {run}.")
    if isinstance(run, Failed):
        return LookedAt(what=what, found=Found.NOT_DONE, said=f"Failed: {run.why} (owner: {run.whose}).")
    if run.up is None:
        return LookedAt(what=what, found=Found.NOT_DONE, said="It did not go up.")
    got = run.up.rates.ip_bps
    payload = run.up.rates.goodput_bps
    slowest = run.up.lowest_second_bps * got // payload if payload else 0
    found, limits = _of_rate(got, slowest, check, asked_bps)
    against = tuple(code for code in run.reasons if code not in _SAY_NOTHING)
    if found is not Found.FINE and standing_of(against) is not Standing.VALID:
        codes = ", ".join(against)
        said = f"{layers.rate_text(got)}, which says nothing of the line ({codes})."
        return LookedAt(what=what, found=Found.NOT_DONE, said=said)
    said = (
        f"{layers.rate_text(got)} at the IP layer, {layers.rate_text(slowest)} in its slowest second, where "
        f"the plan needs {layers.rate_text(check.demand_bps)} and {layers.rate_text(check.peak_bps)} at its "
        f"peak; {limits}"
    )
    idle, loaded = run.rtt_idle_us, run.rtt_loaded_us
    if idle is not None and loaded is not None:
        said += f"; it added {max(0, loaded.p95 - idle.p95) / 1000:.0f} ms to the delay (p95)"
    return LookedAt(what=what, found=found if own else Found.NOTE, said=f"{said}.")


def _of_rate(got: int, slowest: int, check: Check, asked_bps: int | None) -> tuple[Found, str]:
    needs, peak = check.demand_bps, check.peak_bps
    if asked_bps is not None:
        if got >= REACHED * asked_bps and slowest >= peak:
            return Found.FINE, f"it asked for {layers.rate_text(asked_bps)}"
        if slowest >= peak:
            return Found.AMISS, f"it asked for {layers.rate_text(asked_bps)} and did not get all of it"
        return Found.BAD, "its slowest second is below the peak"
    if needs <= GO_SHARE * got and peak <= PEAK_SHARE * slowest:
        return Found.FINE, f"within {percent(GO_SHARE)} of it"
    if needs <= TIGHT_SHARE * got and peak <= slowest:
        return Found.AMISS, f"more than {percent(GO_SHARE)} of it"
    return Found.BAD, "which leaves too little to spare"


def recent(
    destinations: Sequence[Destination],
    history: History,
    trains: Sequence[tuple[Sequence[Stall], float]],
) -> LookedAt:
    """The last half hour of each train of the line: its stalls on the way up, and for how long it watched."""
    what = "stalls of the last 30 min"
    watched_s = sum(seconds for _, seconds in trains)
    if watched_s < LEAST_WATCHED_S:
        said = f"Trains watched {watched_s / 60:.1f} min of it, too little to say."
        return LookedAt(what=what, found=Found.NOT_DONE, said=said)
    stalls = sum(len(found) for found, _ in trains)
    if not stalls:
        return LookedAt(what=what, found=Found.FINE, said=f"None in {watched_s / 60:.0f} min of trains.")
    if history.floor.bps is None:
        return LookedAt(what=what, found=Found.AMISS, said=f"{stalls} in {watched_s / 60:.0f} min of trains.")
    now = replace(history, trains=tuple(tuple(found) for found, _ in trains), train_s=watched_s)
    cost = freezes.by_stall(destinations, now)
    frozen = sum(seconds > 0 for train in cost for seconds in train)
    said = f"{stalls} in {watched_s / 60:.0f} min of trains, {frozen} of them longer than the buffers hold."
    return LookedAt(what=what, found=Found.AMISS if frozen else Found.FINE, said=said)


def house(span: TrainSpan | Failed | None, stalls: Sequence[Stall]) -> LookedAt:
    """The house's own part, by a train to the house endpoint beside the run; None where there is none."""
    what = "house segment"
    if span is None:
        said = "There is no house endpoint, so the house's part is not told from the line's."
        return LookedAt(what=what, found=Found.NOT_DONE, said=said)
    if isinstance(span, Failed):
        said = f"The train to the house endpoint failed: {span.why}."
        return LookedAt(what=what, found=Found.NOT_DONE, said=said)
    lost = span.lost_up + span.lost_down + span.lost_unattributed
    if not lost and not stalls:
        return LookedAt(
            what=what, found=Found.FINE, said=f"Clean: none of {grouped(span.sent)} packets lost, no stall."
        )
    said = (
        f"{grouped(lost)} of {grouped(span.sent)} packets to the house endpoint lost, "
        f"{counted(len(stalls), 'stall')}: the house's own "
        f"network (lead, switch, Wi-Fi, probe) needs a look before the line is blamed."
    )
    return LookedAt(what=what, found=Found.BAD if stalls else Found.AMISS, said=said)


def port(known: Circumstances | None, check: Check, *, contracted_bps: int | None) -> LookedAt:
    """The port that the run left by: its rate against the plan's peak and against the contract card."""
    what = "port rate"
    if known is None or known.port_rate_bps is None:
        return LookedAt(
            what=what, found=Found.NOT_DONE, said="The host does not say at which rate its port runs."
        )
    rate = layers.rate_text(known.port_rate_bps)
    said = f"{known.interface} at {rate}, {known.duplex or 'duplex unknown'}"
    if known.duplex == "half":
        return LookedAt(
            what=what, found=Found.BAD, said=f"{said}: half duplex collapses under load both ways."
        )
    if known.port_rate_bps * PEAK_SHARE < check.peak_bps:
        return LookedAt(what=what, found=Found.BAD, said=f"{said}: too little for the plan's peak.")
    if contracted_bps is not None and known.port_rate_bps < contracted_bps:
        stated = layers.rate_text(contracted_bps)
        return LookedAt(what=what, found=Found.NOTE, said=f"{said}, where the card says {stated}.")
    return LookedAt(what=what, found=Found.FINE, said=f"{said}.")


def others(known: Circumstances | None, check: Check) -> LookedAt:
    """What else moved up beside the run; only what this host can see."""
    what = "other traffic"
    if known is None or known.other_up_bps is None:
        return LookedAt(what=what, found=Found.NOT_DONE, said="This host cannot see what others send.")
    sent = layers.rate_text(known.other_up_bps)
    if known.other_up_bps <= OTHERS_SHARE * check.demand_bps:
        return LookedAt(
            what=what, found=Found.FINE, said=f"{sent} up beside the run, as far as this host sees."
        )
    said = f"{sent} up beside the run: pause backups and uploads before the show."
    return LookedAt(what=what, found=Found.AMISS, said=said)


def maintenance(planned: Sequence[str]) -> LookedAt:
    """The provider's works that touch the show, each with its hours in words."""
    what = "planned maintenance"
    if not planned:
        return LookedAt(what=what, found=Found.FINE, said="None on record within the show.")
    return LookedAt(what=what, found=Found.BAD, said=f"Within the show: {'; '.join(planned)}.")


def allowance(left_bytes: int | None, check: Check, seconds: float) -> LookedAt:
    """What the provider's cap leaves against what the show sends; `left_bytes` is None without a cap."""
    what = "cap left"
    needs = round(check.demand_bps * seconds / 8)
    if left_bytes is None:
        return LookedAt(what=what, found=Found.FINE, said="The site file knows no cap of the provider.")
    said = f"{size_text(max(0, left_bytes))} left of this month's cap, the show sends {size_text(needs)}."
    found = Found.BAD if needs > left_bytes else Found.AMISS if needs > 0.8 * left_bytes else Found.FINE
    return LookedAt(what=what, found=found, said=said)


def exercised(newest: Failover | None, *, now_unix_ns: int, uplinks: int) -> LookedAt:
    """Whether the backup has been seen to take over of late."""
    what = "failover"
    if uplinks < 2:
        return LookedAt(what=what, found=Found.NOTE, said="There is one uplink, so nothing takes over.")
    if newest is None or now_unix_ns - newest.started_unix_ns > EXERCISED_S * NS_PER_S:
        said = "Not exercised in the last quarter: linebook failover, with everybody warned, shows it."
        return LookedAt(what=what, found=Found.NOTE, said=said)
    days = (now_unix_ns - newest.started_unix_ns) // (86_400 * NS_PER_S)
    gap = (
        "did not take over"
        if newest.without_ms is None
        else f"took over after {newest.without_ms / 1000:.1f} s"
    )
    return LookedAt(
        what=what, found=Found.NOTE, said=f"Exercised {counted(days, 'day')} ago: {newest.backup} {gap}."
    )
