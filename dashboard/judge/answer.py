"""What a campaign's runs say to its question: a verdict where the card states a rate, else what was measured.

Before its end a campaign has no answer: who looks as the runs come in, and stops when they suit, finds what
is not there; its number of runs was fixed against that. Pure. Imports contract, floor and campaign.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo

from dashboard.judge import contract, evidence, floor, layers, sampling
from dashboard.judge.campaign import Outcome, Result, at_best
from dashboard.judge.floor import Floor
from dashboard.judge.verdict import RateVerdict, Word
from store.clock import local
from store.quantities import counted
from store.records import Direction, Failed, RateRun, RateSide, Skipped
from store.site import Card

_WORST_FIRST = (Word.NOT_MET, Word.UNDECIDED, Word.NOT_TESTED, Word.MET)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """`word` is the worst of the verdicts; None before the end, and where there is nothing to judge by.

    Each direction that was run has its verdict or its floor.
    """

    word: Word | None
    sentences: tuple[str, ...]
    verdicts: tuple[RateVerdict, ...] = ()
    floors: tuple[tuple[Direction, Floor], ...] = ()


def answer(result: Result, card: Card | None, *, house: bool, zone: tzinfo) -> Answer:
    """The answer as far as there is one.

    `card` is None where no contract card is at hand. `house` says that the runs went to an endpoint in the
    house, which tells nothing of the line.
    """
    asked = _directions(result.campaign.direction)
    if not result.ended:
        return Answer(word=None, sentences=tuple(_not_yet(result, card, asked, zone)))
    if card is None or house:
        stated = []
    else:
        stated = [direction for direction in asked if card.rate_bps(direction) is not None]
    verdicts = tuple(_verdict(result, card, direction, zone) for direction in stated if card is not None)
    floors = tuple((one, floor.assured_floor(_values(result, one))) for one in asked if one not in stated)
    words = {verdict.word for verdict in verdicts}
    return Answer(
        word=next((word for word in _WORST_FIRST if word in words), None),
        sentences=(
            *(verdict.because for verdict in verdicts),
            *([] if not floors else [_why_none(result, card, [one for one, _ in floors], house=house)]),
            *(_measured(result, one, found) for one, found in floors),
            *_missing(result),
        ),
        verdicts=verdicts,
        floors=floors,
    )


def _directions(direction: Direction) -> tuple[Direction, ...]:
    return (Direction.UP, Direction.DOWN) if direction is Direction.BOTH else (direction,)


def _not_yet(result: Result, card: Card | None, asked: tuple[Direction, ...], zone: tzinfo) -> Iterator[str]:
    planned = result.campaign.planned
    ahead, last_ns = result.counts[Outcome.AHEAD], planned[-1].latest_unix_ns
    still = (
        f"{ahead} of {len(planned)} runs {'is' if ahead == 1 else 'are'} still to come"
        if ahead
        else "The last run may still be under way"
    )
    last = f"{local(last_ns, zone):%a %d %b %Y}"
    yield (
        f"{still}, the last on {last} at the latest. The answer is given then: one that is looked for as the "
        "runs come in finds what is not there."
    )
    if card is not None and any(card.rate_bps(direction) is not None for direction in asked):
        yield at_best(len(planned), promised=card.met_ratio)


def _verdict(result: Result, card: Card, direction: Direction, zone: tzinfo) -> RateVerdict:
    records = [fate.record for fate in result.fates]
    return contract.rate_verdict(
        _runs(result),
        card,
        direction,
        skipped=[one for one in records if isinstance(one, Skipped)],
        failed=[one for one in records if isinstance(one, Failed)],
        zone=zone,
    )


def _runs(result: Result) -> list[RateRun]:
    return [fate.record for fate in result.fates if isinstance(fate.record, RateRun)]


def _sides(result: Result, direction: Direction) -> list[RateSide]:
    return [side for _, side in evidence.counted(_runs(result), direction)[0]]


def _values(result: Result, direction: Direction) -> list[int]:
    return [side.lowest_second_bps for side in _sides(result, direction)]


def _why_none(result: Result, card: Card | None, directions: list[Direction], *, house: bool) -> str:
    """Why there is no verdict on these directions."""
    if house:
        return (
            f"The endpoint {result.campaign.endpoint} is in the house, so these runs say nothing of the line."
        )
    if card is None:
        return "A database has no contract card to judge by; name the site file for a verdict."
    words = " and no ".join(f"{layers.DIRECTION_WORDS[one]} rate" for one in directions)
    return f"The contract card states no {words}, so what was measured is all there is to say."


def _measured(result: Result, direction: Direction, found: Floor) -> str:
    """How the runs of one direction lie, at payload, and the floor under them."""
    what, sides = layers.DIRECTION_WORDS[direction], _sides(result, direction)
    if not sides:
        return f"No valid run measured the {what}."
    rates = sorted(side.rates.goodput_bps for side in sides)
    alike = sampling.effective_n([float(value) for value in _values(result, direction)])
    weaker = (
        f" Neighbouring runs resemble each other and count as {alike:.0f} independent ones, so it says less."
        if alike < len(sides)
        else ""
    )
    return (
        f"{what.capitalize()}, in payload: {counted(len(sides), 'valid run')} carried "
        f"{layers.rate_text(rates[(len(rates) - 1) // 2])} at the median, {layers.rate_text(rates[0])} to "
        f"{layers.rate_text(rates[-1])}. {found.because}{weaker}"
    )


def _missing(result: Result) -> Iterator[str]:
    missing = result.counts[Outcome.MISSING]
    if missing:
        verb = "has" if missing == 1 else "have"
        yield (
            f"{counted(missing, 'planned run')} {verb} no record: the probe was not there, which is neither "
            "good nor bad."
        )
