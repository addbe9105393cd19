"""A day of the practice site's new circuit, handoff by handoff, as records. Pure: script, seed and day in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta, tzinfo

from probe.practice.history import acceptance
from probe.practice.history.making import (
    PER_SECOND,
    Chance,
    drawn,
    goodput_of,
    hops,
    instant,
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
from probe.practice.history.old import outage_events
from probe.practice.history.script import NewCircuit
from store.clock import NS_PER_S, local, unix_ns_of
from store.events import Event, EventKind
from store.light import Light
from store.records import (
    Circumstances,
    Direction,
    Failed,
    Opener,
    OpenKind,
    Owner,
    RateRun,
    Record,
    WindowClosed,
    WindowOpened,
)
from store.tickets import TicketNote

HOUSE, REFLECTOR = "edge", "ref"
SPAN_S = {REFLECTOR: 300, "north": 1800, "south": 1800, HOUSE: 1800}  # the loss clause counts five minutes
_RTT_US = {"north": 6_200, "south": 7_600, REFLECTOR: 3_100, HOUSE: 300}
_JITTER_US = {"north": 260, "south": 280, REFLECTOR: 180, HOUSE: 40}
_LOSS_RATIO = 2e-6
_RESOLVER = "203.0.113.53"
_WAY = (("192.0.2.190", 300), ("203.0.113.1", 1_900), ("203.0.113.5", 2_600))
_ACCEPTING_DAYS = 10
_WARM_C, _HOT_C = 52.0, 74.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Handoff:
    name: str
    interface: str
    port_bps: int
    ethernet_bps: float
    up_every_s: int
    down_every_s: int


A = _Handoff(
    name="A",
    interface="enp5s0",
    port_bps=1_000_000_000,
    ethernet_bps=600e6,
    up_every_s=7200,
    down_every_s=14_400,
)
B = _Handoff(
    name="B",
    interface="enp6s0",
    port_bps=10_000_000_000,
    ethernet_bps=1.4e9,
    up_every_s=1800,
    down_every_s=14_400,
)


def day(
    circuit: NewCircuit, seed: int, which: date, where: tzinfo, *, handoff: str | None = None
) -> list[Record]:
    """Everything of one local day, in no order; of one handoff if that is named."""
    if which < circuit.first:
        return []
    found = [
        record
        for one in (A, B)
        if handoff in (None, one.name)
        for record in _Day(circuit, one, seed, which, where).records()
    ]
    tested = acceptance.day(circuit, which, where)
    return [*found, *(one for one in tested if handoff in (None, one.handoff))]


class _Day:
    """One day of one handoff."""

    def __init__(self, circuit: NewCircuit, handoff: _Handoff, seed: int, which: date, where: tzinfo) -> None:
        self.circuit, self.handoff, self.seed = circuit, handoff, seed
        self.which, self.where = which, where
        self.start_ns = instant(which, 0, where)
        self.end_ns = instant(which + timedelta(days=1), 0, where)
        self.silences = list(self._silences())

    def records(self) -> Iterator[Record]:
        chance = self._chance("runs")
        for record in self._runs(chance):
            silent = any(start <= record.started_unix_ns < end for start, end in self.silences)
            yield self._failed(record) if silent else record
        for name in SPAN_S:
            yield from self._spans(name)
        yield from self._hops()
        yield from self._lookups()
        yield from self._outages()
        yield from self._works()
        yield from self._tickets()
        if self.handoff is B:
            yield from self._lights()

    def _chance(self, what: str) -> Chance:
        return drawn(self.seed, self.handoff.name, self.which, what)

    # The weather

    def _silences(self) -> Iterator[tuple[int, int]]:
        if self.handoff is not A:
            return
        for outage in self.circuit.outages_a:
            if outage.start.date() == self.which:
                start_ns = unix_ns_of(outage.start, self.where)
                yield start_ns, start_ns + nanoseconds(outage.seconds)
        for works in self.circuit.works_a:
            if works.start.date() == self.which:
                yield unix_ns_of(works.start, self.where), unix_ns_of(works.end, self.where)

    def squeezed(self, unix_ns: int) -> bool:
        squeeze = self.circuit.squeeze
        return (
            squeeze is not None
            and self.handoff is B
            and squeeze.first <= self.which <= squeeze.last
            and squeeze.hours.holds(local(unix_ns, self.where))
        )

    def _detoured(self, endpoint: str, version: int) -> int:
        detour = self.circuit.detour
        on = detour is not None and detour[0] <= self.which <= detour[1]
        return self.circuit.detour_us if on and endpoint == "south" and version == 6 else 0

    def _ceiling_bps(self) -> float:
        """At layer 2, of full frames."""
        circuit, rate = self.circuit, self.handoff.ethernet_bps
        until = circuit.wrong_layer_until
        if self.handoff is A and until is not None and self.which < until:
            return rate * 1518 / 1538  # counted with preamble and gap
        return rate

    def _light_dbm(self) -> float:
        return light_dbm(self.circuit, self.which)

    def _damaged(self, chance: Chance) -> int:
        """Frames of a run that arrived damaged at the probe's port."""
        dirt = self.circuit.dirt
        if self.handoff is not B or dirt is None or not dirt.first <= self.which < dirt.cleaned:
            return 0
        late = (self.which - dirt.first).days - dirt.errors_after_days
        return 0 if late < 0 else 1 + poisson(chance, 2.0 + 2.0 * late)

    # Runs

    def _runs(self, chance: Chance) -> Iterator[RateRun]:
        handoff = self.handoff
        offset_s = 0 if handoff is A else 400  # so that the two do not fill the device at once
        for direction, every_s, shift_s in (
            (Direction.UP, handoff.up_every_s, offset_s),
            (Direction.DOWN, handoff.down_every_s, offset_s + 900),
        ):
            for nth, slot_ns in enumerate(range(self.start_ns, self.end_ns, nanoseconds(every_s))):
                at_ns = slot_ns + nanoseconds(shift_s % every_s + chance.uniform(5, 300))
                if at_ns < self.end_ns:
                    endpoint = "north" if nth % 2 == 0 else "south"
                    yield self._run(endpoint, direction, at_ns, 6 if nth // 2 % 2 else 4, chance)
        if handoff is B:
            if self.circuit.studio_two:
                yield self._studio(chance)
            yield from self._one_flow(chance)

    def _run(
        self, endpoint: str, direction: Direction, at_ns: int, version: int, chance: Chance, flows: int = 4
    ) -> RateRun:
        rate = self._ceiling_bps() * chance.uniform(0.992, 0.9995)
        repeats, added_us = 0.00005, 400
        if direction is Direction.UP and self.squeezed(at_ns) and self.circuit.squeeze is not None:
            rate = self.circuit.squeeze.ethernet_bps * chance.gauss(1, 0.02)
            repeats, added_us = 0.0006, self.circuit.squeeze.added_us + 1500
        damaged = self._damaged(chance)
        made = side(goodput_of(rate, version), seconds=5, chance=chance, ip_version=version, repeats=repeats)
        idle_us = _RTT_US[endpoint] + self._detoured(endpoint, version) + chance.randrange(-60, 60)
        return run(
            handoff=self.handoff.name,
            endpoint=endpoint,
            started_ns=at_ns,
            seconds=5,
            up=made if direction is Direction.UP else None,
            down=made if direction is Direction.DOWN else None,
            idle_us=idle_us,
            loaded_us=idle_us + added_us,
            circumstances=self._around(damaged),
            flows=flows,
            reasons=("port_errors",) if damaged else (),
        )

    def _around(self, damaged: int = 0) -> Circumstances:
        optic = self.handoff is B
        return wired(
            self.handoff.interface,
            self.handoff.port_bps,
            frame_errors=damaged,
            optic_received_nw=_nanowatts(self._light_dbm()) if optic else None,
            optic_temperature_mc=round(_WARM_C * 1000) if optic else None,
        )

    def _studio(self, chance: Chance) -> RateRun:
        """A run from studio 2, whose own lead carries 1 Gb/s."""
        at_ns = instant(self.which, 10 * 3600 + chance.uniform(0, 600), self.where)
        made = self._run("north", Direction.UP, at_ns, 4, chance)
        top = side(941e6 * chance.gauss(1, 0.0006), seconds=5, chance=chance)
        return replace(
            made,
            up=top,
            reasons=("port_limit", "short"),
            circumstances=wired("studio-2", 1_000_000_000),
        )

    def _one_flow(self, chance: Chance) -> Iterator[RateRun]:
        """One flow against eight, each way: by the hour while the bucket is small, later by day and week."""
        until, nth = self.circuit.small_burst_until, (self.which - self.circuit.first).days
        small = until is not None and self.which < until and nth > 0
        if not small and not 0 < nth <= _ACCEPTING_DAYS and self.which.weekday() != 2:
            return
        for hour in range(9, 17) if small else (10,):
            for place, direction in enumerate((Direction.UP, Direction.DOWN)):
                at_ns = instant(self.which, hour * 3600 + 2400 + 240 * place, self.where)
                many = self._run("north", direction, at_ns, 4, chance, flows=8)
                one = self._run("north", direction, at_ns + 60 * NS_PER_S, 4, chance, flows=1)
                if small and direction is Direction.UP:
                    slow = side(
                        chance.uniform(720e6, 1050e6) * 1448 / 1518, seconds=5, chance=chance, repeats=0.0008
                    )
                    one = replace(one, up=slow)
                yield many
                yield one

    def _failed(self, record: RateRun) -> Failed:
        return Failed(
            what="run rate",
            why=f"{record.endpoint}.example.net did not answer within 5 s",
            whose=Owner.UNKNOWN,
            started_unix_ns=record.started_unix_ns,
            handoff=record.handoff,
            endpoint=record.endpoint,
        )

    # Trains

    def _spans(self, name: str) -> Iterator[Record]:
        chance = self._chance(f"spans {name}")
        for start_ns in range(self.start_ns, self.end_ns, nanoseconds(SPAN_S[name])):
            end_ns = min(start_ns + nanoseconds(SPAN_S[name]), self.end_ns)
            seconds = (end_ns - start_ns) / NS_PER_S
            packets = round(seconds * PER_SECOND)
            lost = 0
            if name != HOUSE:
                lost = sum(
                    round(max(0, min(end_ns, end) - max(start_ns, start)) / NS_PER_S * PER_SECOND)
                    for start, end in self.silences
                )
            hot = name != HOUSE and self.squeezed(start_ns)
            added_us = self.circuit.squeeze.added_us if hot and self.circuit.squeeze else 0
            lost = min(packets, lost + poisson(chance, packets * (3e-4 if hot else _LOSS_RATIO)))
            yield span(
                handoff=self.handoff.name,
                endpoint=name,
                started_ns=start_ns,
                seconds=seconds,
                base_us=_RTT_US[name] + added_us,
                jitter_us=_JITTER_US[name],
                lost_up=lost,
                variant=chance.randrange(4),
            )

    def _hops(self) -> Iterator[Record]:
        for start_ns in range(self.start_ns, self.end_ns, nanoseconds(3600)):
            chance = drawn(self.seed, self.handoff.name, "hops", start_ns)
            hot = self.squeezed(start_ns + nanoseconds(1800))
            added_us = self.circuit.squeeze.added_us if hot and self.circuit.squeeze else 0
            own, first, second = _WAY
            wobble = chance.randrange(-60, 60)
            yield hops(
                handoff=self.handoff.name,
                endpoint="north",
                started_ns=start_ns,
                minutes=60,
                ways=(
                    (own[0], own[1] + wobble // 5),
                    (first[0], first[1] + wobble),
                    (second[0], second[1] + added_us + wobble),
                ),
            )

    def _lookups(self) -> Iterator[Record]:
        for start_ns in range(self.start_ns, self.end_ns, nanoseconds(3600)):
            yield lookups(
                handoff=self.handoff.name,
                resolver=_RESOLVER,
                started_ns=start_ns,
                chance=drawn(self.seed, self.handoff.name, "lookups", start_ns),
                silent=lambda at_ns: any(start <= at_ns < end for start, end in self.silences),
            )

    def _outages(self) -> Iterator[Record]:
        for start_ns, end_ns in self.silences:
            seconds = (end_ns - start_ns) / NS_PER_S
            for name in ("north", "south", REFLECTOR):
                yield stall(
                    handoff=self.handoff.name,
                    endpoint=name,
                    started_ns=start_ns,
                    seconds=seconds,
                    how="lost",
                    direction=Direction.BOTH,
                )
                yield from outage_events(self.handoff.name, name, start_ns, seconds)
            yield witnesses(
                handoff=self.handoff.name, endpoint="north", started_ns=start_ns, seconds=seconds, ways=_WAY
            )

    def _tickets(self) -> Iterator[Record]:
        """What was reported to the provider, as typed in, and the provider's own word on its end."""
        for outage in self.circuit.outages_a if self.handoff is A else ():
            if outage.ticket is None or outage.start.date() != self.which:
                continue
            start_ns = unix_ns_of(outage.start, self.where)
            opened_ns = start_ns + nanoseconds(outage.ticket_after_s)
            closed_ns = start_ns + nanoseconds(outage.seconds)
            for at_ns, closed in ((opened_ns, None), (closed_ns, closed_ns)):
                yield TicketNote(
                    handoff=self.handoff.name,
                    started_unix_ns=at_ns,
                    reference=outage.ticket,
                    opened_unix_ns=opened_ns,
                    closed_unix_ns=closed,
                    says="handoff A carries nothing" if closed is None else "closed by the provider",
                )

    def _works(self) -> Iterator[Record]:
        for works in self.circuit.works_a if self.handoff is A else ():
            told_ns = unix_ns_of(works.start, self.where)
            if works.start.date() == self.which:
                yield WindowOpened(
                    started_unix_ns=told_ns,
                    name=works.reference,
                    window=OpenKind.MAINTENANCE,
                    opener=Opener.SITE,
                    why=f"works announced by the provider under {works.reference}",
                    ends_unix_ns=unix_ns_of(works.planned_end, self.where),
                    reference=works.reference,
                    handoff=self.handoff.name,
                )
                yield WindowClosed(
                    started_unix_ns=unix_ns_of(works.planned_end, self.where),
                    opened_unix_ns=told_ns,
                    name=works.reference,
                    window=OpenKind.MAINTENANCE,
                    opener=Opener.SITE,
                    why="its announced end",
                    handoff=self.handoff.name,
                )

    # The optic

    def _lights(self) -> Iterator[Record]:
        chance, level = self._chance("light"), self._light_dbm()
        hot = self.which.month in self.circuit.hot_months
        for hour in range(24):
            at_ns = instant(self.which, hour * 3600 + 90, self.where)
            celsius = _HOT_C if hot and 13 <= hour < 17 else _WARM_C
            yield Light(
                handoff=self.handoff.name,
                started_unix_ns=at_ns,
                interface=self.handoff.interface,
                received_nw=_nanowatts(level + chance.gauss(0, 0.05)),
                sent_nw=_nanowatts(-2.1 + chance.gauss(0, 0.03)),
                temperature_mc=round((celsius + chance.gauss(0, 0.4)) * 1000),
            )
        if self.circuit.dirt is not None and self._faded_today():
            base, now = self.circuit.light_dbm, level
            yield Event(
                handoff=self.handoff.name,
                started_unix_ns=instant(self.which, 90, self.where),
                what=EventKind.OPTIC,
                says=f"light received by the optic of {self.handoff.interface} fell from {base:.1f} dBm, as "
                f"first read, to {now:.1f} dBm",
                owner=Owner.UNKNOWN,
                before=f"{base:.1f} dBm",
                after=f"{now:.1f} dBm",
            )

    def _faded_today(self) -> bool:
        """Whether this is the first day on which 2 dB are gone."""
        before = light_dbm(self.circuit, self.which - timedelta(days=1))
        return self.circuit.light_dbm - self._light_dbm() >= 2 > self.circuit.light_dbm - before


def light_dbm(circuit: NewCircuit, which: date) -> float:
    """The light that arrives at handoff B on a day."""
    dirt, base = circuit.dirt, circuit.light_dbm
    if dirt is None or not dirt.first <= which < dirt.cleaned:
        return base
    share = min(1.0, (which - dirt.first).days / dirt.days)
    return dirt.from_dbm + share * (dirt.to_dbm - dirt.from_dbm)


def _nanowatts(dbm: float) -> int:
    return round(10 ** (dbm / 10) * 1e6)
