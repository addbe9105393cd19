"""What the record shows of one handoff over months, as the judge of availability takes it.

Sums of hours say enough wherever nothing much was lost; only the hours that leave something open are
read minute by minute, and only the minutes that do, with their stalls and single packets. Reads with a
`Reader`, so it runs in that reader's thread. Imports store and judge.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta, tzinfo

from dashboard.judge import contract, evidence, outages
from dashboard.judge.availability import Seen
from dashboard.judge.loss_grid import Grid, Piece
from dashboard.judge.works import Ticket, Works
from store.cells import Length
from store.clock import NS_PER_S, NS_PER_US, local, unix_ns_of, zone
from store.events import Event, EventKind
from store.reader import Reader, TrainCounts
from store.records import Direction, Stall, TrainSpan
from store.rollup import Rolled, speaks
from store.samples import Samples, unpacked
from store.site import Handoff, Site, Where, WindowKind
from store.terms import OutageRule
from store.tickets import TicketNote, current

_MARGIN_S = 2 * 3600  # around a time: an outage may have opened before it
_WHOLE_RATIO = 0.999  # of an hour, so that its sum leaves no gap that matters
_CARRIER = {EventKind.CARRIER_LOST: True, EventKind.CARRIER_BACK: False}


def read(
    reader: Reader,
    site: Site,
    handoff: Handoff,
    *,
    from_s: int,
    until_s: int,
    only: OutageRule | None = None,
    ignoring: Collection[str] = (),
) -> Seen:
    """All that is on record of a handoff's availability between the two (Unix seconds).

    With `only` what that rule looks at, and trains as finely as it asks. Rules in `ignoring`, by their
    codes, leave no minute of a train out: to show what they do.
    """
    since_ns, until_ns = (from_s - _MARGIN_S) * NS_PER_S, (until_s + _MARGIN_S) * NS_PER_S
    grids = [
        outages.grid_of(rule, from_s, until_s)
        for rule in outages.rules(handoff.card.outages)
        if rule.of_trains and only in (None, rule.rule)
    ]
    inside = {one.name for one in site.endpoints if one.where is Where.HOUSE}
    paths = reader.paths()
    own = [endpoint for name, endpoint in paths if name == handoff.name]
    house = [(handoff.name, endpoint) for endpoint in own if endpoint in inside]
    house = house or [path for path in paths if path[1] in inside]
    outside = [(handoff.name, endpoint) for endpoint in own if endpoint not in inside]
    read_ = {
        path: _pieces(reader, path, grids, since_ns=since_ns, until_ns=until_ns, ignoring=ignoring)
        for path in (*outside, *house)
    }
    pieces = {path: found for path, found in read_.items() if found}
    return Seen(
        outside={path[1]: pieces[path] for path in outside if path in pieces},
        house={f"{path[0]} {path[1]}": pieces[path] for path in house if path in pieces},
        spacing_s=_spacing_s(pieces[path] for path in outside if path in pieces),
        tickets=tickets(reader, handoff, since_ns=since_ns, until_ns=until_ns),
        works=announced(site, handoff, from_s=from_s, until_s=until_s),
        carrier=_carrier(reader, handoff, since_ns=since_ns, until_ns=until_ns)
        if only in (None, OutageRule.SIGNAL_LOSS)
        else None,
        rates=_rates(reader, site, handoff, from_s=from_s, until_s=until_s)
        if only in (None, OutageRule.RATE)
        else None,
    )


def tickets(reader: Reader, handoff: Handoff, *, since_ns: int, until_ns: int) -> list[Ticket]:
    """The tickets that were open at some time between the two."""
    notes = current(reader.documents(TicketNote, handoff=handoff.name))
    return [
        Ticket(
            reference=note.reference,
            opened_s=note.opened_unix_ns / NS_PER_S,
            closed_s=None if note.closed_unix_ns is None else note.closed_unix_ns / NS_PER_S,
            promised_s=None if note.promised_unix_ns is None else note.promised_unix_ns / NS_PER_S,
        )
        for note in notes
        if note.opened_unix_ns is not None
        and note.opened_unix_ns < until_ns
        and (note.closed_unix_ns is None or note.closed_unix_ns >= since_ns)
    ]


def announced(site: Site, handoff: Handoff, *, from_s: int, until_s: int) -> list[Works]:
    """The maintenance windows of the site file that touch the time, oldest first."""
    where = zone(site.timezone)
    found = []
    for window in site.windows:
        if window.kind is not WindowKind.MAINTENANCE or handoff.name not in (
            window.handoffs or (handoff.name,)
        ):
            continue
        times = window.times
        day, last = _day(from_s, where) - timedelta(days=1), _day(until_s, where)
        while day <= last:
            if day in times.dates or day.weekday() in times.weekdays:
                over = 24 * 60 if times.to_minute <= times.from_minute else 0
                low, high = (
                    _at_s(day, minute, where) for minute in (times.from_minute, times.to_minute + over)
                )
                found.append(
                    Works(
                        name=window.name,
                        reference=window.reference,
                        from_s=low,
                        to_s=high,
                        announced=window.announced,
                    )
                )
            day += timedelta(days=1)
    return sorted(
        (one for one in found if one.to_s > from_s and one.from_s < until_s), key=lambda one: one.from_s
    )


# Trains


def _pieces(
    reader: Reader,
    path: tuple[str, str],
    grids: Sequence[Grid],
    *,
    since_ns: int,
    until_ns: int,
    ignoring: Collection[str],
) -> list[Piece]:
    """One train's time in pieces, each as coarse as the rules allow; oldest first, apart."""
    sums = reader.train_sums(
        handoff=path[0],
        endpoint=path[1],
        since_ns=since_ns,
        until_ns=until_ns,
        longest=Length.HOUR,
        histograms=False,
        pdv=False,
    )
    coarse = [_needs_minutes(one, grids) for one in sums]
    # a sum counts the minutes that began in it, so a neighbour of what is read finely is read finely too
    fine = [any(coarse[max(0, nth - 1) : nth + 2]) for nth in range(len(sums))]
    found: list[Piece] = []
    for low, high in _rows(sums, fine):
        found += _of_minutes(reader, path, grids, since_ns=low, until_ns=high, ignoring=ignoring)
    found += [_of_sum(one) for one, finely in zip(sums, fine, strict=True) if not finely]
    return _apart(found)


def _needs_minutes(one: Rolled, grids: Sequence[Grid]) -> bool:
    """Whether a sum leaves open where its losses or its gaps are."""
    seconds = (one.ended_unix_ns - one.started_unix_ns) / NS_PER_S
    if one.left_out or one.seconds < _WHOLE_RATIO * seconds:
        return True
    piece = _of_sum(one)
    return any(grid.leaves_open(piece) for grid in grids)


def _of_sum(one: Rolled) -> Piece:
    return Piece(
        from_s=one.started_unix_ns / NS_PER_S,
        to_s=one.ended_unix_ns / NS_PER_S,
        sent=one.sent,
        lost_up=one.lost_up,
        lost_down=one.lost_down,
        lost_unknown=one.lost_unattributed,
    )


def _rows(sums: Sequence[Rolled], fine: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """(from, to) of sums in a row that are to be read by the minute."""
    start: int | None = None
    for nth, one in enumerate(sums):
        if fine[nth] and start is None:
            start = one.started_unix_ns
        if start is not None and (nth + 1 == len(sums) or not fine[nth + 1]):
            yield start, one.ended_unix_ns
            start = None


def _of_minutes(
    reader: Reader,
    path: tuple[str, str],
    grids: Sequence[Grid],
    *,
    since_ns: int,
    until_ns: int,
    ignoring: Collection[str],
) -> list[Piece]:
    minutes = [
        of_span(span)
        for span in reader.train_counts(
            handoff=path[0], endpoint=path[1], since_ns=since_ns, until_ns=until_ns
        )
        if speaks(span, ignoring=ignoring)
    ]
    open_ = [one for one in minutes if one.lost and any(grid.leaves_open(one) for grid in grids)]
    if not open_:
        return _joined(minutes)
    low, high = round((open_[0].from_s - _SEAM_S) * NS_PER_S), round((open_[-1].to_s + _SEAM_S) * NS_PER_S)
    stalls = reader.stalls(handoff=path[0], endpoint=path[1], since_ns=low - 86_400 * NS_PER_S, until_ns=high)
    samples = list(reader.samples(*path, since_ns=low, until_ns=high))
    among = {id(one) for one in open_}
    return [
        piece
        for one in _joined(minutes)
        for piece in (divided(one, stalls, samples) if id(one) in among else [one])
    ]


def _joined(minutes: Sequence[Piece]) -> list[Piece]:
    """The same with minutes in a row that lost nothing as one piece, which are most."""
    found: list[Piece] = []
    for one in minutes:
        last = found[-1] if found else None
        if last and not last.lost and not one.lost and 0 <= one.from_s - last.to_s < _SEAM_S:
            found[-1] = Piece(from_s=last.from_s, to_s=one.to_s, sent=last.sent + one.sent)
        else:
            found.append(one)
    return found


_SEAM_S = 0.01  # between a minute and the next


def of_span(span: TrainSpan | TrainCounts) -> Piece:
    """A minute as one piece."""
    from_s = span.started_unix_ns / NS_PER_S
    return Piece(
        from_s=from_s,
        to_s=from_s + span.seconds,
        sent=span.sent,
        lost_up=span.lost_up,
        lost_down=span.lost_down,
        lost_unknown=span.lost_unattributed,
    )


def divided(whole: Piece, stalls: Iterable[Stall], samples: Iterable[Samples]) -> list[Piece]:
    """A minute in finer pieces: packets that are on record by the second, stalls whole, and what is left.

    What is left lies in several places, which share its losses: they stand in each, and may lie in any.
    """
    stalls = [
        one
        for one in stalls
        if one.started_unix_ns < whole.to_s * NS_PER_S
        and one.started_unix_ns / NS_PER_S + one.seconds > whole.from_s
    ]
    known = _by_second(whole, samples, stalls)
    taken = outages.merged((piece.from_s, piece.to_s) for piece in known)
    known += _of_stalls(whole, stalls, taken)
    taken = outages.merged((piece.from_s, piece.to_s) for piece in known)
    rest = outages.without((whole.from_s, whole.to_s), taken)
    rest_s = outages.total_s(rest)
    if rest_s <= 0:
        return known
    lost = _rest_lost(whole, known)
    rate = max(whole.sent - sum(piece.sent for piece in known), 0.0) / rest_s
    return known + [
        Piece(
            from_s=low,
            to_s=high,
            sent=rate * (high - low),
            elsewhere=rate * (rest_s - (high - low)),
            **lost,
        )
        for low, high in rest
    ]


def _rest_lost(whole: Piece, known: Iterable[Piece]) -> dict[str, float]:
    """What a minute lost beside what is known; a stall may know the way that the minute did not."""
    names, known = ("lost_up", "lost_down", "lost_unknown"), list(known)
    rest = max(0.0, whole.lost - sum(piece.lost for piece in known))
    by_way = {
        name: max(0.0, getattr(whole, name) - sum(getattr(piece, name) for piece in known)) for name in names
    }
    left = sum(by_way.values())
    return {name: each * rest / left if left else 0.0 for name, each in by_way.items()}


def _by_second(whole: Piece, samples: Iterable[Samples], stalls: Sequence[Stall]) -> list[Piece]:
    """Seconds of the clock of which every packet is on record, each with what became of them.

    Packets kept before anybody knew which way they were lost were lost the way of the stall they lie in.
    """
    per_second = whole.sent / max(whole.to_s - whole.from_s, 1e-9)
    counts: dict[int, dict[str | None, int]] = {}
    for record in samples:
        if record.ended_unix_ns / NS_PER_S < whole.from_s or record.started_unix_ns / NS_PER_S > whole.to_s:
            continue
        for packet in unpacked(record):
            second = packet.sent_unix_ns // NS_PER_S
            if whole.from_s <= packet.sent_unix_ns / NS_PER_S < whole.to_s:
                fates, fate = counts.setdefault(second, {}), packet.lost
                if fate == "unattributed":
                    fate = _way_of(packet.sent_unix_ns, stalls)
                fates[fate] = fates.get(fate, 0) + 1
    found = []
    for second, fates in sorted(counts.items()):
        low, high = max(float(second), whole.from_s), min(second + 1.0, whole.to_s)
        sent = sum(fates.values())
        if sent >= per_second * (high - low) - 1.5:  # both ends may cut one off
            found.append(
                Piece(
                    from_s=low,
                    to_s=high,
                    sent=sent,
                    lost_up=fates.get("up", 0),
                    lost_down=fates.get("down", 0),
                    lost_unknown=fates.get("unattributed", 0),
                )
            )
    return found


def _way_of(sent_unix_ns: int, stalls: Iterable[Stall]) -> str:
    for stall in stalls:
        since_ns = sent_unix_ns - stall.started_unix_ns
        if 0 <= since_ns < stall.duration_us * NS_PER_US and stall.direction is not Direction.BOTH:
            return str(stall.direction)
    return "unattributed"


def _of_stalls(whole: Piece, stalls: Iterable[Stall], taken: outages.Spans) -> list[Piece]:
    """What of a minute lies in stalls that lost or held every packet, outside of what is known already."""
    per_second = whole.sent / max(whole.to_s - whole.from_s, 1e-9)
    found: list[Piece] = []
    for stall in stalls:
        low = stall.started_unix_ns / NS_PER_S
        if stall.how not in ("lost", "held") or low >= whole.to_s or low + stall.seconds <= whole.from_s:
            continue
        span = max(low, whole.from_s), min(low + stall.seconds, whole.to_s)
        for part in outages.without(span, outages.merged([*taken, *((p.from_s, p.to_s) for p in found)])):
            sent = per_second * (part[1] - part[0])
            lost = sent if stall.how == "lost" else 0.0
            found.append(_lost_way(part, sent, lost, stall.direction))
    return found


def _lost_way(part: tuple[float, float], sent: float, lost: float, way: Direction) -> Piece:
    piece = Piece(from_s=part[0], to_s=part[1], sent=sent)
    match way:
        case Direction.UP:
            return replace(piece, lost_up=lost)
        case Direction.DOWN:
            return replace(piece, lost_down=lost)
    return replace(piece, lost_unknown=lost)


def _apart(pieces: Iterable[Piece]) -> list[Piece]:
    """The pieces in the order of time, the later of two that overlap begun after the earlier.

    A sum of hours that follows minutes gives way to the last of them, and one before minutes reaches up to
    the first, which began within that hour's last minute.
    """
    found: list[Piece] = []
    for piece in sorted(pieces, key=lambda each: (each.from_s, each.to_s)):
        last = found[-1] if found else None
        if last is not None and piece.from_s < last.to_s:
            if piece.to_s <= last.to_s:
                continue
            piece = replace(piece, from_s=last.to_s)
        if last is not None and last.to_s - last.from_s >= 3600 and 0 < piece.from_s - last.to_s < 60:
            found[-1] = replace(last, to_s=piece.from_s)
        found.append(piece)
    return found


def _spacing_s(trains: Iterable[Sequence[Piece]]) -> float | None:
    """The time between two packets of the slowest train."""
    rates = [
        sum(piece.sent for piece in pieces) / sum(piece.to_s - piece.from_s for piece in pieces)
        for pieces in trains
    ]
    return 1 / min(rates) if rates and min(rates) > 0 else None


# What other rules look at


def _carrier(
    reader: Reader, handoff: Handoff, *, since_ns: int, until_ns: int
) -> list[tuple[float, bool]] | None:
    """Changes of the port's carrier; None where the record does not show that anybody watched it.

    It does by an event, or by a minute of a train or a run beside which the kernel's count was read.
    """
    events = reader.documents(
        Event, handoff=handoff.name, until_ns=until_ns, having=("what", [str(kind) for kind in _CARRIER])
    )
    if not events and not _counted_carrier(reader, handoff.name, since_ns=since_ns, until_ns=until_ns):
        return None
    return [(one.started_unix_ns / NS_PER_S, _CARRIER[one.what]) for one in events]


def _counted_carrier(reader: Reader, handoff: str, *, since_ns: int, until_ns: int) -> bool:
    asked = {"handoff": handoff, "since_ns": since_ns, "until_ns": until_ns}
    newest = reader.train_spans(**asked, histograms=False, limit=1)  # type: ignore[arg-type]
    run = reader.rate_runs(**asked, bins=False, limit=1)  # type: ignore[arg-type]
    around = [*(one.circumstances for one in newest), *(one.circumstances for one in run)]
    return any(one is not None and one.carrier_changes is not None for one in around)


def _rates(
    reader: Reader, site: Site, handoff: Handoff, *, from_s: int, until_s: int
) -> list[tuple[float, float]] | None:
    """(when, delivered / committed) of runs that count; of two directions the lower."""
    runs = evidence.of_line(
        site,
        handoff.name,
        reader.rate_runs(
            handoff=handoff.name, since_ns=from_s * NS_PER_S, until_ns=until_s * NS_PER_S, bins=False
        ),
    )
    found = [
        each
        for direction in (Direction.UP, Direction.DOWN)
        for each in contract.delivered(runs, handoff.card, direction)
    ]
    return sorted(found) or None


def _day(unix_s: int, where: tzinfo) -> date:
    return local(unix_s * NS_PER_S, where).date()


def _at_s(day: date, minute: int, where: tzinfo) -> float:
    moment = datetime.combine(day, time()) + timedelta(minutes=minute)
    return unix_ns_of(moment, where) / NS_PER_S
