"""What became of a campaign: every planned run by name, none left out. And what one can show at best.

A planned run belongs to the first record of its campaign that starts between its moment and the next one's.
One that has none is missing: the probe was not there to say why. Pure. Imports sampling and store.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from dashboard.judge import sampling
from store.clock import NS_PER_S
from store.quantities import percent
from store.records import Campaign, Failed, Planned, RateRun, Record, Skipped

_LATE_NS = 60 * NS_PER_S  # what the last run may be late beyond its latest moment


class Outcome(StrEnum):
    """What became of a planned run: of MISSING there is no record, AHEAD is still to come."""

    VALID = "valid"
    EXCLUDED = "excluded"
    VOID = "void"
    SKIPPED = "skipped"
    FAILED = "failed"
    MISSING = "no_record"
    AHEAD = "not_yet_due"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fate:
    """A planned run, what became of it and why: reason codes of a run, or the sentence of its record."""

    planned: Planned
    outcome: Outcome
    why: str
    record: RateRun | Failed | Skipped | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """Every planned run of a campaign, in the order of their moments.

    `ended` says that even the last must be over.
    """

    campaign: Campaign
    fates: tuple[Fate, ...]
    ended: bool

    @property
    def counts(self) -> dict[Outcome, int]:
        """How many runs came to which end; together they are all that were planned."""
        found = Counter(fate.outcome for fate in self.fates)
        return {outcome: found[outcome] for outcome in Outcome}

    @property
    def reasons(self) -> dict[tuple[Outcome, str], int]:
        """How many were not valid, by what became of them and why."""
        return dict(
            Counter((fate.outcome, fate.why) for fate in self.fates if fate.outcome is not Outcome.VALID)
        )


def result(campaign: Campaign, records: Iterable[Record], *, now_unix_ns: int) -> Result:
    """What became of `campaign`; of the records only those of its runs are taken."""
    own = sorted((one for one in records if _belongs(one, campaign)), key=_started_ns)
    place, fates = 0, []
    for planned, until_ns in zip(campaign.planned, _ends(campaign), strict=True):
        while place < len(own) and _started_ns(own[place]) < planned.start_unix_ns:
            place += 1
        record = None
        if place < len(own) and _started_ns(own[place]) < until_ns:
            record = own[place]
            place += 1
        fates.append(_fate(planned, record, now_unix_ns=now_unix_ns))
    over_ns = _ends(campaign)[-1] + round(campaign.seconds * NS_PER_S) if campaign.planned else 0
    return Result(campaign=campaign, fates=tuple(fates), ended=now_unix_ns > over_ns)


def at_best(runs: int, *, promised: float) -> str:
    """What so many runs can show, said before the first of them: exact binomial bounds at 95 %.

    Runs that resemble their neighbours count as fewer, so this is the most that can be hoped for.
    """
    if runs < 1:
        return "No run is planned, so nothing can be shown."
    floor = sampling.lower_bound(runs, runs)
    most, least = sampling.most_failures(runs, promised), sampling.least_failures(runs, promised)
    parts = [f"{runs} runs can show at best that {percent(floor, 1)} of runs meet the rate, if none fails."]
    if most is None:
        parts.append(f"That does not reach the {percent(promised)} of the card, whatever they show.")
    else:
        parts.append(f"Up to {most} failures support {percent(promised)} or more.")
    if least is not None:
        parts.append(f"From {least} failures on they show that it is less; between is undecided.")
    return " ".join(parts)


def _belongs(record: Record, campaign: Campaign) -> bool:
    match record:
        case RateRun():
            return record.circumstances.campaign == campaign.name and record.handoff == campaign.handoff
        case Failed() | Skipped():
            return record.what == what(campaign.name) and record.handoff == campaign.handoff
        case _:
            return False


def what(name: str) -> str:
    """How a failed or skipped run of a campaign calls itself."""
    return f"run rate, campaign {name}"


def _started_ns(record: Record) -> int:
    """The planned moment where the record knows it, else its start."""
    match record:
        case RateRun():
            planned_ns = record.circumstances.planned_unix_ns
            return record.started_unix_ns if planned_ns is None else planned_ns
        case Skipped():
            return record.planned_unix_ns
        case Failed():
            return record.started_unix_ns
        case _:
            raise TypeError(record)


def _ends(campaign: Campaign) -> list[int]:
    """Until when each planned run could have started; slots do not overlap."""
    starts = [one.start_unix_ns for one in campaign.planned[1:]]
    return [*starts, *(one.latest_unix_ns + _LATE_NS for one in campaign.planned[-1:])]


def _fate(planned: Planned, record: Record | None, *, now_unix_ns: int) -> Fate:
    match record:
        case RateRun():
            outcome = Outcome(str(record.standing))
            if record.light and outcome is Outcome.VALID:  # no answer to a question about the rate
                outcome = Outcome.EXCLUDED
            return Fate(planned=planned, outcome=outcome, why=" ".join(record.reasons), record=record)
        case Failed():
            return Fate(planned=planned, outcome=Outcome.FAILED, why=record.why, record=record)
        case Skipped():
            return Fate(planned=planned, outcome=Outcome.SKIPPED, why=record.why, record=record)
    if now_unix_ns <= planned.latest_unix_ns:
        return Fate(planned=planned, outcome=Outcome.AHEAD, why="its moment is still to come", record=None)
    return Fate(planned=planned, outcome=Outcome.MISSING, why="there is no record of it", record=None)
