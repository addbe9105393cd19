"""A day of the practice site's old line as records. Pure: script, seed and day in, records out."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta, tzinfo

from probe.practice.history.making import (
    PER_SECOND,
    Chance,
    drawn,
    hops,
    instant,
    loaded_delay,
    lookups,
    nanoseconds,
    poisson,
    run,
    side,
    span,
    stall,
    wired,
    witnesses,
)
from probe.practice.history.script import BadNights, Between, OldLine
from store.clock import NS_PER_S, local, unix_ns_of
from store.clock_change import ClockChange, ClockHow
from store.events import Event, EventKind
from store.quantities import port_rate
from store.records import Direction, Failed, Gap, Owner, RateRun, Record

HANDOFF = "old-wan"
SPAN_S = 300
SLOT_S = 900
_DOWN_SLOTS = 4  # a run down every so many slots
_RUN_S = 10
_DOWN_RUN_S = 5
_ENDS = {"north": 0, "south": 2_000}  # what the way to each takes more, us
HOUSE = "lan"
_INTERFACE, _PORT_BPS = "enp3s0", 2_500_000_000
_SLOW_BPS = 100_000_000
_SLOW_TOP = 94.1e6
_LEAST_BPS = 4.2e6  # the full queue then takes 2.7 s, and a train waits 3 s for a reply
_ALIKE = 0.4  # of one quarter of an hour's rate with the next one's
_OF_DAYS = 0.5  # of the deviation, which a whole day has together
_WAY = (("192.0.2.129", 500), ("192.0.2.1", 9_000), ("192.0.2.9", 15_000))
_HOPS_MINUTES = 30
_RESOLVER = "192.0.2.53"


@dataclass(frozen=True, slots=True)
class _Silence:
    start_ns: int
    seconds: float
    how: str

    @property
    def end_ns(self) -> int:
        return self.start_ns + nanoseconds(self.seconds)


def day(line: OldLine, seed: int, which: date, where: tzinfo) -> list[Record]:
    """Everything of one local day, in no order."""
    return list(_Day(line, seed, which, where).records()) if line.first <= which <= line.last else []


class _Day:
    """One day's weather, drawn once, and what measuring saw of it."""

    def __init__(self, line: OldLine, seed: int, which: date, where: tzinfo) -> None:
        self.line, self.seed, self.which, self.where = line, seed, which, where
        self.start_ns = instant(which, 0, where)
        self.end_ns = instant(which + timedelta(days=1), 0, where)
        self.gaps = self._between(line.down)
        self.step_ns = None if line.step is None else unix_ns_of(line.step.start, where)
        slip = line.slip
        self.slip_ns = None if slip is None else (unix_ns_of(slip.start, where), unix_ns_of(slip.end, where))
        self.sag_times = self._sag_times()
        self.bad_night = list(self._bad_night())
        self.silences = sorted(self._silences(), key=lambda one: one.start_ns)
        self.starts = [one.start_ns for one in self.silences]
        self.bursts = list(self._bursts())
        self.rates = self._weather()
        self.runs = list(self._runs())

    def records(self) -> Iterator[Record]:
        yield from self.runs
        for name in (*_ENDS, HOUSE):
            yield from self._spans(name)
        yield from self._told()
        yield from self._hops()
        for start_ns, end_ns in self.gaps:
            yield Gap(started_unix_ns=start_ns, ended_unix_ns=end_ns, why="the probe was not running")
        yield from self._port()
        yield from self._slip()
        yield from self._step()
        yield from self._loaded_delay()
        yield from self._lookups()

    # The weather

    def _chance(self, what: str) -> Chance:
        return drawn(self.seed, HANDOFF, self.which, what)

    def _weather(self) -> list[float]:
        """How far each quarter of an hour is from its usual rate, in standard deviations.

        Outside of the sag a part of it is the whole day's, so that days differ; all of them together have
        the deviation of one.
        """
        chance, found = self._chance("weather"), []
        level, days = chance.gauss(0, 1), _OF_DAYS * self._chance("level").gauss(0, 1)
        for nth in range((self.end_ns - self.start_ns) // nanoseconds(SLOT_S) + 1):
            sags = self.sags(self.start_ns + nth * nanoseconds(SLOT_S))
            found.append(level if sags else days + (1 - _OF_DAYS**2) ** 0.5 * level)
            level = _ALIKE * level + (1 - _ALIKE**2) ** 0.5 * chance.gauss(0, 1)
        return found

    def _sag_times(self) -> list[tuple[int, int]]:
        """The day's sag, in instants."""
        sag = self.line.sag
        if sag is None or not sag.first <= self.which <= sag.last:
            return []
        return [
            (
                instant(self.which, hours.from_minute * 60, self.where),
                instant(self.which, hours.to_minute * 60, self.where),
            )
            for hours in sag.hours
            if self.which.weekday() in hours.weekdays
        ]

    def _bad_night(self) -> Iterator[tuple[int, int, float]]:
        """What of bad nights lies on this day, from when to when, with its median rate."""
        nights = self.line.nights
        for begun in (self.which, self.which - timedelta(days=1)):
            if nights is None or not _is_bad(nights, begun, self.seed):
                continue
            chance = drawn(self.seed, HANDOFF, begun, "bad night")
            bps, end_s = nights.p50_bps * chance.gauss(1, 0.03), 4 * 3600 + chance.uniform(-1200, 1200)
            if begun == self.which:
                yield instant(self.which, 23 * 3600, self.where), self.end_ns, bps
            else:
                yield self.start_ns, instant(self.which, end_s, self.where), bps

    def sags(self, unix_ns: int) -> bool:
        return any(start <= unix_ns < end for start, end in self.sag_times)

    def _up_bps(self, unix_ns: int) -> float:
        line, sag = self.line, self.line.sag
        p50, p5 = line.up_p50_bps, line.up_p5_bps
        if sag is not None and self.sags(unix_ns):
            p50, p5 = sag.p50_bps, sag.p5_bps
        for start, end, bps in self.bad_night:
            if start <= unix_ns < end:
                p50, p5 = bps, 0.95 * bps
        off = self.rates[min((unix_ns - self.start_ns) // nanoseconds(SLOT_S), len(self.rates) - 1)]
        return min(max(p50 + off * (p50 - p5) / 1.645, _LEAST_BPS), 17.8e6)  # 1.645 sd hold 95 %

    def _base_us(self, unix_ns: int, endpoint: str) -> int:
        base = self.line.rtt_us + _ENDS[endpoint]
        if self.line.sag is not None and self.sags(unix_ns):
            base += self.line.sag.added_us
        return base + self._later_us(unix_ns)

    def _later_us(self, unix_ns: int) -> int:
        """What the other path takes more, from its day on."""
        step = self.line.step
        return step.added_us if step and self.step_ns is not None and unix_ns >= self.step_ns else 0

    def _silences(self) -> Iterator[_Silence]:
        yield from self._stalls()
        for outage in self.line.outages:
            if outage.start.date() == self.which:
                yield _Silence(unix_ns_of(outage.start, self.where), outage.seconds, "lost")
        again = self.line.restarts
        if (
            again is not None
            and self.which >= again.first
            and not (self.which - again.first).days % again.every_days
        ):
            minute = again.minute + self._chance("restart").uniform(
                -again.within_minutes, again.within_minutes
            )
            yield _Silence(instant(self.which, minute * 60, self.where), again.seconds, "lost")

    def _stalls(self) -> Iterator[_Silence]:
        """Drawn at the pace of the busy hours, kept outside of them by the ratio of the paces."""
        line, chance = self.line.stalls, self._chance("stalls")
        if line is None:
            return
        most = max(line.an_hour, line.else_an_hour)
        at_ns = float(self.start_ns)
        while True:
            at_ns += chance.expovariate(most / 3600) * NS_PER_S
            least, longest, usual = line.seconds
            seconds = chance.triangular(least, longest, usual)
            how = "held" if chance.random() < line.held_ratio else "lost"
            keep = chance.random()
            if at_ns + nanoseconds(seconds) >= self.end_ns - 10 * NS_PER_S:
                return
            busy = line.hours.holds(local(round(at_ns), self.where))
            if keep < (line.an_hour if busy else line.else_an_hour) / most:
                yield _Silence(round(at_ns), seconds, how)

    def _bursts(self) -> Iterator[tuple[int, int]]:
        kiln, chance = self.line.kiln, self._chance("kiln")
        if kiln is None or self.which.weekday() not in kiln.hours.weekdays or _monday(self.which) in kiln.off:
            return
        at_s, end_s = kiln.hours.from_minute * 60.0, kiln.hours.to_minute * 60.0
        at_s += chance.uniform(0, 60)
        while at_s < end_s:
            length_s = chance.uniform(*kiln.burst_s)
            yield (
                instant(self.which, at_s, self.where),
                instant(self.which, min(at_s + length_s, end_s), self.where),
            )
            at_s += kiln.every_s * chance.uniform(0.8, 1.2)

    def _between(self, times: Sequence[Between]) -> list[tuple[int, int]]:
        """Those times as far as they lie on this day."""
        found = []
        for one in times:
            start_ns = max(unix_ns_of(one.start, self.where), self.start_ns)
            end_ns = min(unix_ns_of(one.end, self.where), self.end_ns)
            if start_ns < end_ns:
                found.append((start_ns, end_ns))
        return found

    def _off(self, unix_ns: int) -> bool:
        return any(start <= unix_ns < end for start, end in self.gaps)

    def _silent(self, unix_ns: int) -> bool:
        return any(one.start_ns <= unix_ns < one.end_ns and one.seconds > 10 for one in self.silences)

    # Runs

    def _runs(self) -> Iterator[RateRun | Failed]:
        chance = self._chance("runs")
        slow = self._between((self.line.slow_port,) if self.line.slow_port else ())
        for nth, slot_ns in enumerate(range(self.start_ns, self.end_ns, nanoseconds(SLOT_S))):
            at_ns = slot_ns + nanoseconds(chance.uniform(10, SLOT_S - 120))
            asked = [("north", Direction.UP), ("south", Direction.UP)]
            if nth % _DOWN_SLOTS == 0:
                asked.append(("north", Direction.DOWN))
            for place, (endpoint, direction) in enumerate(asked):
                started_ns = at_ns + place * 30 * NS_PER_S
                if self._off(started_ns):
                    continue
                if self._silent(started_ns):
                    yield Failed(
                        what="run rate",
                        why=f"{endpoint}.example.net did not answer within 5 s",
                        whose=Owner.UNKNOWN,
                        started_unix_ns=started_ns,
                        handoff=HANDOFF,
                        endpoint=endpoint,
                    )
                    continue
                on_slow = any(start <= started_ns < end for start, end in slow)
                yield self._run(endpoint, direction, started_ns, chance, slow=on_slow)

    def _run(
        self, endpoint: str, direction: Direction, started_ns: int, chance: Chance, *, slow: bool
    ) -> RateRun:
        line, moment = self.line, local(started_ns, self.where)
        port_bps = _SLOW_BPS if slow else _PORT_BPS
        reasons: tuple[str, ...] = ()
        other_bps = 0
        idle_us = self._base_us(started_ns, endpoint)
        wobble = chance.gauss(1, 0.006)
        down_bps, held = chance.uniform(*line.down_bps), chance.random()
        backup = line.backup
        if backup is not None and backup.hours.holds(moment):
            other_bps = round(backup.up_bps[0] + held * (backup.up_bps[1] - backup.up_bps[0]))
            reasons = ("other_traffic",) if direction is Direction.UP else ()
        up = down = None
        if direction is Direction.UP:
            bps = max(self._up_bps(started_ns) * wobble - other_bps, 1.5e6)
            busy = line.busy
            if busy is not None and endpoint == busy.endpoint and busy.first <= self.which <= busy.last:
                bps = min(bps, busy.most_bps * (1 - 0.01 * held)) if busy.hours.holds(moment) else bps
            up = side(bps, seconds=_RUN_S, chance=chance)
            loaded_us = idle_us + self._queue_us(bps + other_bps)
        else:
            if slow and down_bps > _SLOW_TOP:
                down_bps, reasons = _SLOW_TOP * (1 + 0.001 * (held - 0.5)), ("port_limit",)
            down = side(down_bps, seconds=_DOWN_RUN_S, chance=chance)
            loaded_us = idle_us + 40_000
        slip = self._slipping(started_ns)
        return run(
            handoff=HANDOFF,
            endpoint=endpoint,
            started_ns=started_ns,
            seconds=_RUN_S if up else _DOWN_RUN_S,
            up=up,
            down=down,
            idle_us=idle_us,
            loaded_us=round(loaded_us),
            circumstances=wired(_INTERFACE, port_bps, other_up_bps=other_bps, clock_synchronised=not slip),
            reasons=reasons,
        )

    def _queue_us(self, bps: float) -> float:
        """What the modem's full queue takes at this rate."""
        return self.line.queue_bytes * 8 / max(bps, 1e6) * 1e6

    # Trains

    def _spans(self, name: str) -> Iterator[Record]:
        chance = self._chance(f"spans {name}")
        house = name == HOUSE
        runs = [one for one in self.runs if isinstance(one, RateRun) and one.up is not None]
        runs.sort(key=lambda one: one.started_unix_ns)
        starts = [one.started_unix_ns for one in runs]
        at_ns = self.start_ns
        while at_ns < self.end_ns:
            end_ns = min(at_ns + nanoseconds(SPAN_S), self.end_ns)
            for start_ns, until_ns in _without(at_ns, end_ns, self.gaps):
                if house:
                    yield span(
                        handoff=HANDOFF,
                        endpoint=name,
                        started_ns=start_ns,
                        seconds=(until_ns - start_ns) / NS_PER_S,
                        base_us=400,
                        jitter_us=60,
                        variant=chance.randrange(4),
                    )
                else:
                    yield self._span(name, start_ns, until_ns, chance, runs, starts)
            at_ns = end_ns

    def _near(self, start_ns: int, end_ns: int) -> list[_Silence]:
        """The silences that touch a time, oldest first; none lasts over the begin of the next."""
        after = bisect_left(self.starts, end_ns)
        first = after
        while first > 0 and self.silences[first - 1].end_ns > start_ns:
            first -= 1
        return self.silences[first:after]

    def _span(
        self,
        name: str,
        start_ns: int,
        end_ns: int,
        chance: Chance,
        runs: Sequence[RateRun],
        starts: Sequence[int],
    ) -> Record:
        seconds = (end_ns - start_ns) / NS_PER_S
        packets = round(seconds * PER_SECOND)
        held = lost = 0
        for one in self._near(start_ns, end_ns):
            common_s = (min(end_ns, one.end_ns) - max(start_ns, one.start_ns)) / NS_PER_S
            if common_s > 0:
                lost += round(common_s * PER_SECOND) if one.how == "lost" else 0
                held += round(common_s * PER_SECOND) if one.how == "held" else 0
        noisy_s = (
            sum(max(0, min(end_ns, end) - max(start_ns, start)) for start, end in self.bursts) / NS_PER_S
        )
        open_ = max(0, packets - lost)
        ratio = self.line.loss_ratio
        lost_up = lost + poisson(chance, min(open_, open_ * ratio / 2))
        if noisy_s and self.line.kiln is not None:
            lost_up += poisson(chance, noisy_s * PER_SECOND * self.line.kiln.loss_ratio)
        lost_up = min(lost_up, packets)
        lost_down = min(poisson(chance, open_ * ratio / 2), packets - lost_up)
        full = runs[bisect_left(starts, start_ns) : bisect_left(starts, end_ns)]
        loaded_us = 0.0
        if full:
            loaded_us = self._queue_us(self._up_bps(full[0].started_unix_ns))
        middle_ns = (start_ns + end_ns) // 2
        made = span(
            handoff=HANDOFF,
            endpoint=name,
            started_ns=start_ns,
            seconds=seconds,
            base_us=self._base_us(middle_ns, name),
            jitter_us=1_200,
            lost_up=lost_up,
            lost_down=lost_down,
            held_up=min(held, packets - lost_up - lost_down),
            loaded=round(len(full) * _RUN_S * PER_SECOND),
            loaded_us=round(loaded_us),
            drift_us=self._drift_us(start_ns, end_ns),
            variant=chance.randrange(4),
        )
        mended = self.slip_ns is not None and start_ns <= self.slip_ns[1] < end_ns
        return replace(made, reasons=("clock_step",)) if mended else made

    def _told(self) -> Iterator[Record]:
        """Stalls and outages of both trains, with what the hops answered, and the events of them."""
        for one in self.silences:
            if self._off(one.start_ns):
                continue
            chance = drawn(self.seed, HANDOFF, one.start_ns)
            for name in _ENDS:
                started_ns = one.start_ns + round(chance.uniform(0, 40e6))
                yield stall(
                    handoff=HANDOFF, endpoint=name, started_ns=started_ns, seconds=one.seconds, how=one.how
                )
                if name == "north":
                    yield witnesses(
                        handoff=HANDOFF, endpoint=name, started_ns=started_ns, seconds=one.seconds, ways=_WAY
                    )
                if one.seconds > 10:
                    yield from outage_events(HANDOFF, name, started_ns, one.seconds)
            if one.seconds <= 10:
                every = "every packet lost" if one.how == "lost" else "every packet held"
                yield Event(
                    handoff=HANDOFF,
                    started_unix_ns=one.start_ns,
                    what=EventKind.STALL,
                    says=f"1 stall in a minute, of {one.seconds:.1f} s up, {every} (trains to north, south)",
                    owner=Owner.UNKNOWN,
                    seconds=round(one.seconds, 3),
                    count=1,
                )

    def _hops(self) -> Iterator[Record]:
        for start_ns in range(self.start_ns, self.end_ns, nanoseconds(_HOPS_MINUTES * 60)):
            middle_ns = start_ns + nanoseconds(_HOPS_MINUTES * 30)
            if self._off(middle_ns):
                continue
            added = self.line.sag.added_us if self.line.sag and self.sags(middle_ns) else 0
            later = self._later_us(middle_ns)
            own, first, second = _WAY
            chance = drawn(self.seed, HANDOFF, "hops", start_ns)
            wobble = chance.randrange(-150, 150)
            yield hops(
                handoff=HANDOFF,
                endpoint="north",
                started_ns=start_ns,
                minutes=_HOPS_MINUTES,
                ways=(
                    (own[0], own[1] + wobble // 5),
                    (first[0], first[1] + added + wobble),
                    (second[0], second[1] + added + later + wobble),
                ),
            )

    # What concerns the probe alone

    def _lookups(self) -> Iterator[Record]:
        names = self.line.slow_names
        slow = names is not None and names.first <= self.which <= names.last
        for start_ns in range(self.start_ns, self.end_ns, nanoseconds(3600)):
            if not self._off(start_ns) and not self._off(start_ns + nanoseconds(3599)):
                yield lookups(
                    handoff=HANDOFF,
                    resolver=_RESOLVER,
                    started_ns=start_ns,
                    chance=drawn(self.seed, HANDOFF, "lookups", start_ns),
                    silent=self._silent,
                    slow_ratio=names.ratio if names is not None and slow else 0.0,
                )

    def _port(self) -> Iterator[Record]:
        slow = self.line.slow_port
        if slow is None:
            return
        for moment, before, after in ((slow.start, _PORT_BPS, _SLOW_BPS), (slow.end, _SLOW_BPS, _PORT_BPS)):
            if moment.date() != self.which:
                continue
            at_ns = unix_ns_of(moment, self.where)
            yield self._event(
                at_ns - 8 * NS_PER_S, EventKind.CARRIER_LOST, f"no carrier on port {_INTERFACE}"
            )
            yield self._event(
                at_ns, EventKind.CARRIER_BACK, f"carrier back on port {_INTERFACE} after 8.0 s", seconds=8.0
            )
            words = f"{port_rate(after)} full duplex", f"{port_rate(before)} full duplex"
            yield replace(
                self._event(
                    at_ns, EventKind.PORT, f"port {_INTERFACE} runs at {words[0]}, before at {words[1]}"
                ),
                owner=Owner.HOUSE,
                before=words[1],
                after=words[0],
            )

    def _event(self, at_ns: int, what: EventKind, says: str, *, seconds: float | None = None) -> Event:
        return Event(
            handoff=HANDOFF, started_unix_ns=at_ns, what=what, says=says, owner=Owner.UNKNOWN, seconds=seconds
        )

    def _slip(self) -> Iterator[Record]:
        slip = self.line.slip
        if slip is None or slip.end.date() != self.which:
            return
        start_ns, end_ns = unix_ns_of(slip.start, self.where), unix_ns_of(slip.end, self.where)
        elapsed_us = (end_ns - start_ns) // 1000
        yield ClockChange(
            started_unix_ns=start_ns,
            ended_unix_ns=end_ns,
            how=ClockHow.DRIFT,
            elapsed_us=elapsed_us,
            uncertainty_us=20,
            by_us=slip.by_us,
            drift_ppm=round(slip.by_us / elapsed_us * 1e6, 2),
            synchronised=False,
        )
        yield replace(
            self._event(end_ns, EventKind.CLOCK, f"the clock was set back by {slip.by_us / 1000:.0f} ms"),
            handoff="",
            owner=Owner.HOUSE,
        )

    def _slipping(self, unix_ns: int) -> bool:
        return self.slip_ns is not None and self.slip_ns[0] <= unix_ns < self.slip_ns[1]

    def _drift_us(self, start_ns: int, end_ns: int) -> int:
        slip = self.line.slip
        if slip is None or self.slip_ns is None or not self._slipping(start_ns):
            return 0
        return slip.by_us * (end_ns - start_ns) // (self.slip_ns[1] - self.slip_ns[0])

    def _step(self) -> Iterator[Record]:
        step = self.line.step
        if step is None or step.start.date() != self.which:
            return
        for name, extra in _ENDS.items():
            before = (self.line.rtt_us + extra) / 1000
            after = before + step.added_us / 1000
            yield replace(
                self._event(
                    unix_ns_of(step.start, self.where),
                    EventKind.PATH_STEP,
                    f"the least round trip to {name} went from {before:.1f} ms to {after:.1f} ms "
                    "and stays there",
                ),
                endpoint=name,
                before=f"{before:.1f} ms",
                after=f"{after:.1f} ms",
            )

    def _loaded_delay(self) -> Iterator[Record]:
        """Each Monday at six: what a full upload adds."""
        at_ns = instant(self.which, 6 * 3600, self.where)
        if self.which.weekday() == 0 and not self._off(at_ns) and not self._silent(at_ns):
            bps = self._up_bps(at_ns)
            yield loaded_delay(
                handoff=HANDOFF,
                endpoint="north",
                started_ns=at_ns,
                goodput_bps=round(bps),
                idle_us=self._base_us(at_ns, "north"),
                added_us=round(self._queue_us(bps)),
                circumstances=wired(_INTERFACE, _PORT_BPS),
            )


def outage_events(handoff: str, endpoint: str, started_ns: int, seconds: float) -> Iterator[Event]:
    """How the probe tells an outage of one train: its begin after 10 s of silence, and its end."""
    ended_ns = started_ns + nanoseconds(seconds)
    for at_ns, what, says, lasted in (
        (started_ns, EventKind.OUTAGE_START, f"nothing came back from {endpoint} for more than 10 s", None),
        (
            ended_ns,
            EventKind.OUTAGE_END,
            f"{endpoint} answers again after {seconds:.1f} s",
            round(seconds, 3),
        ),
    ):
        yield Event(
            handoff=handoff,
            endpoint=endpoint,
            started_unix_ns=at_ns,
            what=what,
            says=says,
            owner=Owner.UNKNOWN,
            seconds=lasted,
        )


def _is_bad(nights: BadNights, begun: date, seed: int) -> bool:
    """Whether the night that begins on this day is the one of its span."""
    span, nth = divmod((begun - nights.first).days, nights.of_days)
    return span >= 0 and drawn(seed, HANDOFF, span, "which night").randrange(nights.of_days) == nth


def _monday(day_: date) -> date:
    return day_ - timedelta(days=day_.weekday())


def _without(start_ns: int, end_ns: int, gaps: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """What is left of a time; no piece is shorter than a second."""
    found = [(start_ns, end_ns)]
    for gap_start, gap_end in gaps:
        found = [
            piece
            for start, end in found
            for piece in (
                ((start, min(end, gap_start)), (max(start, gap_end), end))
                if start < gap_end and gap_start < end
                else ((start, end),)
            )
            if piece[1] - piece[0] >= NS_PER_S
        ]
    return found
