"""Findings as a terminal shows them: what was seen, the likely cause, who must act, what would confirm it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

from dashboard.judge.finding import Finding, chance_text
from dashboard.judge.findings import Examined, Untested


def findings(found: Sequence[tuple[str, Examined]], *, first: date, last: date, invented: bool) -> str:
    """Handoff by handoff."""
    lines = ["Practice site: all of it is invented."] if invented else []
    for handoff, its in found:
        if not its.found:
            lines.append(f"Handoff {handoff}: no signature shows from {first} to {last}.")
        for one in its.found:
            lines += _lines(one)
        if its.untested:
            lines.append(f"Handoff {handoff}, not tested:")
            lines += [f"  {untested(why, of)}" for why, of in by_why(its.untested)]
    return "\n".join(lines)


def by_why(untested: Iterable[Untested]) -> list[tuple[str, list[Untested]]]:
    """Those that were not tested for the same reason together."""
    found: dict[str, list[Untested]] = {}
    for one in untested:
        found.setdefault(one.why, []).append(one)
    return list(found.items())


def untested(why: str, of: Iterable[Untested]) -> str:
    """As a line: ``17. failing optic, 34. warm optic: no reading of an optic is on record``."""
    return f"{', '.join(f'{one.signature.number}. {one.signature.name}' for one in of)}: {why}."


def title(one: Finding) -> str:
    """The signature's name, as a heading."""
    return one.signature.name[0].upper() + one.signature.name[1:]


def whose(one: Finding) -> str:
    """Who must act, in a word."""
    return "nobody, for information" if one.owner is None else str(one.owner)


def _lines(one: Finding) -> Iterator[str]:
    yield f"Handoff {one.handoff}, {one.number}. {title(one)}"
    yield f"  Seen: {one.seen}"
    yield f"  Likely: {one.signature.cause}."
    yield f"  Owner: {whose(one)}, because {one.because}."
    if one.decides:
        yield f"  Would confirm it: {one.decides}."
    yield f"  Ask for: {one.ask}{'' if one.ask.endswith('?') else '.'}"
    if one.chance is not None:
        yield f"  A line without it would show as much with a chance of {chance_text(one.chance)} at most."
