"""What /metrics tells: the state of the site just now, in base units, for a program that collects figures.

Counters and histograms run since the last local midnight, which is their `_created`: what began before is
in the record, not here. What is not known has no sample. Runs and answers are Today's own findings.
Imports the exposition and Today's page.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any

from dashboard.api import Json
from dashboard.interface.exposition import Family, Number, Sample, Type, states
from dashboard.judge.stream import Answer
from dashboard.judge.verdict import Word
from dashboard.pages import today
from store import cap
from store.cells import Length
from store.clock import NS_PER_S, local
from store.histogram import Histogram
from store.reader import Reader
from store.records import Direction, OpenKind, Owner, Standing
from store.rollup import Rolled

EDGES_S = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)  # of the histogram's buckets
TRAIN_STATES = ("begun", "going", "failed", "stopped")  # as the probe's status has them
_SIDES = (Direction.UP, Direction.DOWN)

Labels = dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """One train since midnight."""

    handoff: str
    endpoint: str
    sums: tuple[Rolled, ...]

    @property
    def labels(self) -> Labels:
        return {"handoff": self.handoff, "endpoint": self.endpoint}

    def total(self, name: str) -> Number:
        """One of the counts, added up."""
        found: Number = sum(getattr(one, name) for one in self.sums)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """Today's findings, and what else the metrics need; `midnight_ns` is the site's."""

    today: today.Findings
    midnight_ns: int
    month_ns: int
    trains: tuple[Since, ...]
    spent_bytes: tuple[tuple[str, int], ...]  # by tests this calendar month, by handoff


def find(reader: Reader, found: today.Findings) -> Findings:
    """Read the rest; runs in the reader's thread."""
    where, now_ns = found.zone, found.now_ns
    midnight = datetime.combine(local(now_ns, where).date(), time(), where)
    midnight_ns = round(midnight.timestamp()) * NS_PER_S
    month_ns, _ = cap.period(1, now_ns, where=where)
    trains = [
        Since(
            handoff=handoff,
            endpoint=endpoint,
            sums=tuple(
                reader.train_sums(
                    handoff=handoff,
                    endpoint=endpoint,
                    since_ns=midnight_ns,
                    until_ns=now_ns,
                    longest=Length.HOUR,
                    pdv=False,
                )
            ),
        )
        for handoff, endpoint in sorted(reader.paths())
    ]
    names = [one.name for one in found.site.handoffs]
    return Findings(
        today=found,
        midnight_ns=midnight_ns,
        month_ns=month_ns,
        trains=tuple(one for one in trains if one.sums),
        spent_bytes=tuple((name, reader.spent_bytes(name, month_ns)) for name in names),
    )


def families(found: Findings, status: Json | None, *, version: str) -> Iterator[Family]:
    """Every family; `status` is what the running probe says of itself, None where it does not answer."""
    yield from _site(found.today, version)
    yield from _trains(found)
    yield from _runs(found)
    yield from _verdicts(found.today)
    yield from _plans(found.today)
    yield from _cases(found.today)
    yield from _used(found)
    if status is not None:
        yield from _probe(status)


def _family(name: str, type_: Type, unit: str, help_: str, samples: Iterable[Sample]) -> Family:
    return Family(name=f"linebook_{name}", type=type_, unit=unit, help=help_, samples=tuple(samples))


def _gauge(name: str, unit: str, help_: str, values: Iterable[tuple[Labels, Number | None]]) -> Family:
    samples = (Sample(value=value, labels=labels) for labels, value in values if value is not None)
    return _family(name, Type.GAUGE, unit, help_, samples)


def _counter(
    name: str, unit: str, help_: str, values: Iterable[tuple[Labels, Number]], *, since_ns: int
) -> Family:
    samples = []
    for labels, value in values:
        samples.append(Sample(value=value, labels=labels, ending="_total"))
        samples.append(Sample(value=since_ns // NS_PER_S, labels=labels, ending="_created"))
    return _family(name, Type.COUNTER, unit, help_, samples)


def _stateset(name: str, every: Iterable[str], help_: str, now: Iterable[tuple[Labels, str]]) -> Family:
    words = tuple(every)
    samples = [one for labels, state in now for one in states(f"linebook_{name}", words, state, labels)]
    return _family(name, Type.STATESET, "", help_, samples)


def _seconds(unix_ns: int | None) -> float | None:
    return None if unix_ns is None else unix_ns / NS_PER_S


def _octets(rate_bps: float | None) -> float | None:
    """Bits per second as bytes per second."""
    return None if rate_bps is None else rate_bps / 8


def _site(found: today.Findings, version: str) -> Iterator[Family]:
    invented = {"version": version, "invented": str(found.site.invented).lower()}
    yield _family(
        *("build", Type.INFO, "", "Version of Linebook, and whether the record is invented."),
        [Sample(value=1, labels=invented, ending="_info")],
    )
    yield _gauge(
        *("probe_running", "", "1 if the probe gave a sign of life within 30 s, else 0."),
        [({}, int(found.running))],
    )
    yield _gauge(
        *("probe_alive_timestamp_seconds", "seconds", "The probe's last sign of life."),
        [({}, _seconds(found.alive_ns))],
    )
    yield _gauge(
        *("record_newest_timestamp_seconds", "seconds", "When the newest record began."),
        [({}, _seconds(found.newest_ns))],
    )


def _trains(found: Findings) -> Iterator[Family]:
    note = "since local midnight, in spans that count"

    def counted(name: str, unit: str, help_: str, *fields: tuple[str, str]) -> Family:
        """A counter with a sample a field; its label `direction` is left out where the word is empty."""
        values = (
            ({**one.labels, **({"direction": word} if word else {})}, one.total(field))
            for one in found.trains
            for word, field in fields
        )
        return _counter(name, unit, f"{help_} {note}.", values, since_ns=found.midnight_ns)

    up, down = "up", "down"
    yield counted("train_watched_seconds", "seconds", "Time of the train", ("", "seconds"))
    yield counted("train_sent_packets", "packets", "Packets sent", ("", "sent"))
    yield counted("train_received_packets", "packets", "Replies that came back", ("", "received"))
    yield counted(
        *("train_lost_packets", "packets", "Packets lost, by direction"),
        *((up, "lost_up"), (down, "lost_down"), ("unknown", "lost_unattributed")),
    )
    yield counted("train_held_packets", "packets", "Late packets", (up, "held_up"), (down, "held_down"))
    yield counted(
        *("train_reordered_packets", "packets", "Packets out of order"),
        *((up, "reordered_up"), (down, "reordered_down")),
    )
    yield counted(
        *("train_duplicated_packets", "packets", "Packets that came twice"),
        *((up, "duplicated_up"), (down, "duplicated_down")),
    )
    yield counted("train_stalls", "", "Stalls of 0.5 s and more", ("", "stalls"))
    yield _counter(
        *("train_stalled_seconds", "seconds", f"Time in stalls {note}."),
        ((one.labels, one.total("stalled_us") / 1e6) for one in found.trains),
        since_ns=found.midnight_ns,
    )
    yield _family(
        *("train_rtt_seconds", Type.HISTOGRAM, "seconds"),
        f"Round-trip time {note}. A delay within 1.6 % of a bucket's edge may stand one bucket higher.",
        (sample for one in found.trains for sample in _histogram(one, found.midnight_ns)),
    )


def _histogram(one: Since, since_ns: int) -> Iterator[Sample]:
    pooled = Histogram()
    for each in one.sums:
        pooled.merge(each.rtt)
    limits = [*pooled.limits()]
    for edge_s in EDGES_S:
        below = sum(count for _, high_us, count in limits if high_us <= edge_s * 1e6)
        yield Sample(value=below, labels={**one.labels, "le": str(edge_s)}, ending="_bucket")
    yield Sample(value=pooled.count, labels={**one.labels, "le": "+Inf"}, ending="_bucket")
    yield Sample(value=pooled.count, labels=one.labels, ending="_count")
    yield Sample(value=pooled.sum / 1e6, labels=one.labels, ending="_sum")
    yield Sample(value=since_ns // NS_PER_S, labels=one.labels, ending="_created")


def _runs(found: Findings) -> Iterator[Family]:
    runs = found.today.runs
    of_day = Counter(
        (run.handoff, run.endpoint, str(run.standing))
        for run in runs
        if run.started_unix_ns >= found.midnight_ns
    )
    ways = sorted({(run.handoff, run.endpoint) for run in runs})
    yield _counter(
        *("rate_runs", "", "Rate runs since local midnight, by what they may be used for."),
        (
            (
                {"handoff": handoff, "endpoint": endpoint, "standing": standing},
                of_day[handoff, endpoint, standing],
            )
            for handoff, endpoint in ways
            for standing in map(str, Standing)
        ),
        since_ns=found.midnight_ns,
    )
    newest: dict[tuple[str, str, str], tuple[Any, int]] = {}
    for run in sorted(runs, key=lambda run: run.started_unix_ns):
        for direction, side in run.sides().items():
            if run.standing is Standing.VALID and run.at_most_goodput_bps(direction) is None:
                newest[run.handoff, run.endpoint, str(direction)] = side, run.started_unix_ns
    labelled = [
        ({"handoff": handoff, "endpoint": endpoint, "direction": direction}, *last)
        for (handoff, endpoint, direction), last in sorted(newest.items())
    ]
    told = "of the newest valid full rate run of the last 24 hours"
    yield _gauge(
        *("rate_run_bytes_per_second", "bytes_per_second", f"Rate {told}, by layer."),
        (
            ({**labels, "layer": layer}, _octets(getattr(side.rates, f"{field}_bps")))
            for labels, side, _ in labelled
            for layer, field in (
                ("payload", "goodput"),
                ("ip", "ip"),
                ("ethernet", "ethernet"),
                ("wire", "wire"),
            )
        ),
    )
    yield _gauge(
        *("rate_run_slowest_bytes_per_second", "bytes_per_second", f"Payload of the slowest second {told}."),
        ((labels, _octets(side.lowest_second_bps)) for labels, side, _ in labelled),
    )
    yield _gauge(
        *("rate_run_timestamp_seconds", "seconds", f"Start {told}."),
        ((labels, _seconds(at_ns)) for labels, _, at_ns in labelled),
    )


def _verdicts(found: today.Findings) -> Iterator[Family]:
    rows = [
        ({"handoff": handoff.name, "direction": str(verdict.direction)}, verdict)
        for handoff, verdict in found.verdicts
    ]
    month = "of the last 30 days"
    yield _stateset(
        *("rate_verdict", Word, "Whether the contracted rate was kept."),
        ((labels, str(verdict.word)) for labels, verdict in rows),
    )
    yield _gauge(
        *("rate_verdict_runs", "", f"Runs {month} that count, by what each says."),
        (
            ({**labels, "says": says}, count)
            for labels, verdict in rows
            for says, count in (("met", verdict.met), ("not met", verdict.not_met), ("open", verdict.open_))
        ),
    )
    yield _gauge(
        *("rate_verdict_met_ratio", "ratio", f"Share of the runs {month} that reached the rate."),
        ((labels, verdict.share) for labels, verdict in rows),
    )
    yield _gauge(
        *("rate_verdict_bound_ratio", "ratio", "Exact one-sided 95 % bounds of that share."),
        (
            ({**labels, "bound": bound}, value if verdict.n else None)
            for labels, verdict in rows
            for bound, value in (("low", verdict.bound_low), ("high", verdict.bound_high))
        ),
    )
    yield _gauge(
        *("card_rate_bytes_per_second", "bytes_per_second", "The contracted rate, at the layer of the card."),
        (
            (
                {"handoff": handoff.name, "direction": str(way), "layer": str(card.layer)},
                _octets(card.rate_bps(way)),
            )
            for handoff in found.site.handoffs
            for card in (handoff.card_at(found.now_ns),)
            for way in _SIDES
        ),
    )


def _plans(found: today.Findings) -> Iterator[Family]:
    rows = [({"plan": one.plan.name, "handoff": one.plan.handoff}, one) for one in found.planned]
    yield _stateset(
        *("plan_answer", Answer, "The answer for a stream plan's next show."),
        ((labels, str(one.check.answer)) for labels, one in rows),
    )
    yield _gauge(
        *("plan_show_timestamp_seconds", "seconds", "When the next show begins, or the present one began."),
        ((labels, _seconds(one.show.start_unix_ns if one.show else None)) for labels, one in rows),
    )
    yield _gauge(
        *("plan_needs_bytes_per_second", "bytes_per_second", "What a plan needs at the IP layer."),
        (
            ({**labels, "of": of}, _octets(value))
            for labels, one in rows
            for of, value in (("mean", one.check.demand_bps), ("peak", one.check.peak_bps))
        ),
    )
    yield _gauge(
        *("plan_floor_bytes_per_second", "bytes_per_second"),
        "Assured floor of comparable hours at the IP layer; the slowest run where too few were made.",
        ((labels, _octets(one.check.floor_bps)) for labels, one in rows),
    )


def _cases(found: today.Findings) -> Iterator[Family]:
    names = [one.name for one in found.site.handoffs]
    open_ = Counter((case.handoff, str(case.owner)) for case in found.cases if case.ended_unix_ns is None)
    yield _gauge(
        *("open_cases", "", "Cases that are open, by who must act."),
        (
            ({"handoff": name, "owner": owner}, open_[name, owner])
            for name in names
            for owner in map(str, Owner)
        ),
    )
    lasting = Counter(case.handoff for case in found.cases if case.under_way)
    yield _gauge(
        *("cases_under_way", "", "Cases with something that goes on at this moment, such as an outage."),
        (({"handoff": name}, lasting[name]) for name in names),
    )


def _used(found: Findings) -> Iterator[Family]:
    yield _counter(
        *("test_spent_bytes", "bytes", "Bytes that tests have used since the month began."),
        (({"handoff": name}, spent) for name, spent in found.spent_bytes),
        since_ns=found.month_ns,
    )
    yield _gauge(
        *("test_allowance_bytes", "bytes", "Bytes that tests may use in a calendar month."),
        (({"handoff": one.name}, one.allowance_bytes) for one in found.today.site.handoffs),
    )
    caps = [({"handoff": one.handoff.name}, one.cap) for one in found.today.used if one.cap is not None]
    for name, value, help_ in (
        ("limit", "limit_bytes", "The provider's cap."),
        ("used", "used_bytes", "Bytes under the cap so far, as this host counted them."),
        ("forecast", "forecast_bytes", "Bytes at the period's end if it goes on so."),
    ):
        rows = ((labels, cap.as_json(one)[value]) for labels, one in caps)
        yield _gauge(f"cap_{name}_bytes", "bytes", help_, rows)


def _probe(status: Json) -> Iterator[Family]:
    trains: Sequence[Json] = status["trains"]
    yield _stateset(
        *("train_state", TRAIN_STATES, "How a train stands."),
        (({"handoff": one["handoff"], "endpoint": one["endpoint"]}, one["state"]) for one in trains),
    )
    opened = {one["window"] for one in status["windows"]}
    yield _gauge(
        *("window_open", "", "1 while a window of this kind is open on any handoff, else 0."),
        (({"kind": kind}, int(kind in opened)) for kind in map(str, OpenKind)),
    )
    yield _gauge("runs_under_way", "", "Runs under way.", [({}, len(status["running"]))])
    yield _gauge("waiting_records", "", "Records that are not on disk yet.", [({}, status["waiting"])])
    error_us = status.get("clock", {}).get("error_us")
    yield _gauge(
        *("clock_error_seconds", "seconds", "How far off the clock may be, as the kernel says."),
        [({}, None if error_us is None else error_us / 1e6)],
    )
