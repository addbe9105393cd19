"""Rows of an acceptance sheet about delay, loss and failover: A12, A13, A14 and A17. Pure."""

from __future__ import annotations

from dashboard.judge import soak as soaks
from dashboard.judge.acceptance_material import Material, newest, valid
from dashboard.judge.acceptance_rows import LOADED_ADDED_US, PULLS
from dashboard.judge.acceptance_verdict import (
    RowVerdict,
    at_most,
    lasted,
    long_enough,
    loss_within,
    percent,
    untested,
    whole,
    worst,
)
from dashboard.judge.verdict import Word
from store.acceptance import About
from store.failovers import Failover, Failure
from store.histogram import RELATIVE_ERROR, Histogram
from store.loaded_delay import UnderLoad
from store.quantities import grouped
from store.records import Direction, Owner

_CLOCK_US = 100  # our median RTT against a relay's own book: within 0.1 ms
_ADDED_ERROR_US, _ADDED_ERROR_RATIO = 1_000, 0.02  # of added delay, against a kernel's queue
_TWO_HOURS_S = 7_200
_EIGHTY = (0.75, 0.9)  # of the committed rate, for "at 80 %"
_WAYS = (Direction.UP, Direction.DOWN)


def loaded_delay(found: Material) -> RowVerdict:
    """A12: delay idle against the contract, and what a full line adds."""
    runs = [run for run in valid(found.loaded) if {load.direction for load in run.loads} >= set(_WAYS)]
    run = newest([one for one in runs if whole("A12", one.seconds)] or runs)
    if run is None:
        return untested("A12", "No loaded-delay run with a load each way is on record.")
    idle_us = run.idle.rtt_us.percentile(0.95)
    words, parts = [], []
    stated = found.card.rtt_p95_us
    if idle_us is None:
        words.append(Word.NOT_TESTED)
    elif stated is None:
        words.append(Word.UNDECIDED)
        parts.append(f"idle p95 {_ms(idle_us)}, and the contract card states no delay")
    else:
        words.append(at_most(idle_us, stated, error=_CLOCK_US + idle_us * RELATIVE_ERROR))
        parts.append(f"idle p95 {_ms(idle_us)} of {_ms(stated)}")
    for load in run.loads:
        if load.direction in _WAYS:
            words.append(_added_word(load))
            parts.append(_added_said(load))
    verdict = RowVerdict(
        row="A12",
        word=worst(words),
        because=f"{'; '.join(parts)}; {_ms(LOADED_ADDED_US)} more under load are allowed.".capitalize(),
        limit=f"idle {'not stated' if stated is None else _ms(stated)}; added {_ms(LOADED_ADDED_US)}",
        found="; ".join(parts),
        error="± 1.6 % of a delay and 0.1 ms; of what is added 1 ms or 2 %",
        started_unix_ns=run.started_unix_ns,
    )
    return long_enough(verdict, run.seconds)


def delay_variation(found: Material) -> RowVerdict:
    """A13: delay over the minimum, p99, each way of the longest train."""
    train = max(found.trains, key=lambda one: one.seconds, default=None)
    if train is None:
        return untested("A13", "No train to an endpoint outside is on record.")
    stated = found.card.pdv_p99_us
    words, parts = [], []
    for way, histogram in (("up", train.pdv_up), ("down", train.pdv_down)):
        p99_us = histogram.percentile(0.99)
        if p99_us is None:
            words.append(Word.NOT_TESTED)
            continue
        parts.append(f"{way} p99 {_ms(p99_us)} of {grouped(histogram.count)} packets")
        words.append(_variation_word(histogram, p99_us, stated))
    if not parts:
        return untested(
            "A13", "The train's one-way figures may not be used, so there is no variation to judge."
        )
    limit = "not stated" if stated is None else _ms(stated)
    verdict = RowVerdict(
        row="A13",
        word=worst(words),
        because=f"To {train.endpoint}, {lasted(train.seconds)} at {train.per_second:g} a second: "
        f"{'; '.join(parts)}; {'the contract card states none' if stated is None else f'{limit} is stated'}.",
        limit=limit,
        found="; ".join(parts),
        error="± 1.6 % and 0.1 ms",
        started_unix_ns=train.started_unix_ns,
    )
    return long_enough(verdict, train.seconds)


def loss_soak(found: Material) -> RowVerdict:
    """A14: a day's soak, and two hours at 80 % of the rate."""
    run = max(valid(found.soaks), key=lambda one: (one.counted_s, one.started_unix_ns), default=None)
    if run is None:
        return untested("A14", "No soak is on record.")
    stated = found.card.loss_ratio
    said = soaks.said(run, soaks.judge(run)).rstrip(".")
    words = [Word.UNDECIDED if stated is None else loss_within(run.lost, run.sent, stated)]
    parts = [said, "the contract card states no loss" if stated is None else f"{percent(stated)} is stated"]
    for way in _WAYS:
        word, text = _at_eighty(found, way, stated)
        words.append(word)
        parts.append(text)
    verdict = RowVerdict(
        row="A14",
        word=worst(Word.UNDECIDED if word is Word.NOT_TESTED else word for word in words),
        because=f"{'; '.join(parts)}.",
        limit="not stated" if stated is None else percent(stated),
        found=said,
        error="exact bounds at 95 %; losses in bursts are fewer independent ones",
        started_unix_ns=run.started_unix_ns,
    )
    return long_enough(verdict, run.counted_s)


def failover(found: Material) -> RowVerdict:
    """A17: pulls of this handoff, measured, and the cut of the mains, typed in."""
    pulls = [
        one for one in found.failovers if one.handoff == found.handoff and one.failure is not Failure.NONE
    ]
    typed = next((one for one in reversed(found.notes) if one.about is About.ROW and one.of == "A17"), None)
    if not pulls and typed is None:
        return untested("A17", "Nobody has pulled it while `linebook failover` watched, or cut the mains.")
    words = [_pull_word(one, found.failover_s) for one in pulls[-PULLS:]]
    parts = [_pull_said(one) for one in pulls[-PULLS:]]
    limit = "not stated" if found.failover_s is None else f"{found.failover_s:g} s"
    if pulls and found.failover_s is None:
        parts.append("nothing states how fast the other uplink must take over (failover_within)")
    if len(pulls) < PULLS:
        words.append(Word.UNDECIDED)
        parts.append(f"{len(pulls)} of {PULLS} pulls were watched")
    if typed is None:
        words.append(Word.UNDECIDED)
        parts.append("nobody has said how it was when the mains were cut")
    else:
        words.append(Word(typed.word))
        parts.append(f"mains cut: {typed.word}{f' ({typed.says})' if typed.says else ''}")
    because = f"{'; '.join(parts)}."
    if Word.NOT_MET in words[: len(pulls[-PULLS:])]:
        because += (
            " How fast the other uplink takes over is decided by the house's router, not by the provider."
        )
    return RowVerdict(
        row="A17",
        word=worst(words),
        because=because[0].upper() + because[1:],
        limit=limit,
        found="; ".join(parts),
        error="± one packet spacing, 20 ms",
        started_unix_ns=pulls[-1].started_unix_ns if pulls else typed.started_unix_ns if typed else None,
        owner=Owner.HOUSE,
    )


def _added_word(load: UnderLoad) -> Word:
    if load.added_rtt is None:
        return Word.NOT_TESTED
    added_us = load.added_rtt.p95_us
    return at_most(added_us, LOADED_ADDED_US, error=max(_ADDED_ERROR_US, abs(added_us) * _ADDED_ERROR_RATIO))


def _added_said(load: UnderLoad) -> str:
    if load.added_rtt is None:
        return f"what load {load.direction} adds is not known"
    return f"load {load.direction} adds {_ms(load.added_rtt.p95_us)} to p95"


def _variation_word(histogram: Histogram, p99_us: int, stated: int | None) -> Word:
    if stated is None:
        return Word.UNDECIDED
    return at_most(p99_us, stated, error=_CLOCK_US + p99_us * RELATIVE_ERROR)


def _at_eighty(found: Material, way: Direction, stated: float | None) -> tuple[Word, str]:
    """What paced runs at 80 % lost in this direction, all together."""
    committed = found.card.rate_bps(way)
    runs = [
        run
        for run in valid(found.paced)
        if run.direction is way and committed and _EIGHTY[0] <= run.offered_bps / committed <= _EIGHTY[1]
    ]
    seconds = sum(run.seconds for run in runs)
    lost, sent = sum(run.lost for run in runs), sum(run.sent for run in runs)
    said = f"at 80 % {way} {lasted(seconds)} of 2 h, {lost} of {sent} lost" if runs else f"none at 80 % {way}"
    if stated is None or not runs:
        return Word.NOT_TESTED, said
    word = loss_within(lost, sent, stated)
    enough = seconds >= 0.95 * _TWO_HOURS_S
    return (Word.UNDECIDED if word is Word.MET and not enough else word), said


def _pull_word(one: Failover, limit_s: float | None) -> Word:
    if one.switched is None:
        return Word.UNDECIDED
    if not one.switched:
        return Word.NOT_MET
    if limit_s is None or one.without_ms is None:
        return Word.UNDECIDED
    return at_most(one.without_ms, limit_s * 1000, error=1000 / one.per_second)


def _pull_said(one: Failover) -> str:
    if one.switched is None:
        return f"a {one.failure} failure: whether {one.backup} took over cannot be told"
    if not one.switched:
        return f"a {one.failure} failure: {one.backup} did not take over"
    return f"a {one.failure} failure: {(one.without_ms or 0) / 1000:.1f} s without, then by {one.backup}"


def _ms(delay_us: float) -> str:
    return f"{delay_us / 1000:.1f} ms"
