"""How to draw any record, for property tests: hypothesis strategies, one for each kind.

What is drawn is possible rather than likely: names with any characters, counts that need not add up,
times from 1970 on. Integers stay within what a column holds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from enum import Enum
from typing import Annotated, Any, TypeVar, get_args, get_origin, get_type_hints

from hypothesis import strategies as st

from store import documents
from store.histogram import Delays, Histogram
from store.layers import LayerRates
from store.records import (
    REASONS,
    Bin,
    Campaign,
    Carrier,
    Circumstances,
    Correction,
    Direction,
    Document,
    Failed,
    Gap,
    Limit,
    Opener,
    OpenKind,
    Owner,
    Planned,
    RateRun,
    RateSide,
    Record,
    Skipped,
    Stall,
    Stamps,
    Thinned,
    TrainSpan,
    WindowClosed,
    WindowOpened,
)

T = TypeVar("T")

counts = st.integers(0, 2**40)
times_ns = st.integers(0, 2**62)
microseconds = st.integers(0, 2**40)
rates_bps = st.integers(0, 10**11)
ratios = st.floats(0, 1)
seconds = st.floats(0.1, 86_400, allow_nan=False)
sentences = st.text(max_size=60)
names = st.text(min_size=1, max_size=12)
reasons = st.lists(st.sampled_from(sorted(REASONS)), max_size=4, unique=True).map(tuple)


def made(kind: Callable[..., T], **fields: st.SearchStrategy[Any]) -> st.SearchStrategy[T]:
    """Any `kind` whose fields are drawn from these."""
    return st.builds(kind, **fields)


def maybe(strategy: st.SearchStrategy[T]) -> st.SearchStrategy[T | None]:
    return st.none() | strategy


histograms = st.lists(st.integers(0, 2**20) | microseconds, max_size=40).map(Histogram)

delays = made(
    Delays,
    count=counts,
    min=microseconds,
    p50=microseconds,
    p95=microseconds,
    p99=microseconds,
    max=microseconds,
)

bins = st.lists(counts, max_size=30).map(
    lambda received: tuple(Bin(start_ms=100 * nth, bytes=count) for nth, count in enumerate(received))
)

layer_rates = made(
    LayerRates, goodput_bps=rates_bps, ip_bps=rates_bps, ethernet_bps=rates_bps, wire_bps=rates_bps
)

circumstances = made(
    Circumstances,
    interface=maybe(names),
    carrier=st.sampled_from(Carrier),
    source_address=maybe(names),
    egress_address=maybe(names),
    port_rate_bps=maybe(rates_bps),
    duplex=maybe(names),
    mtu_bytes=maybe(counts),
    other_up_bps=maybe(rates_bps),
    other_down_bps=maybe(rates_bps),
    probe_cpu_ratio=maybe(ratios),
    endpoint_cpu_ratio=maybe(ratios),
    interface_errors=maybe(counts),
    clock_synchronised=maybe(st.booleans()),
    clock_error_us=maybe(microseconds),
    kernel=maybe(names),
    planned_unix_ns=maybe(times_ns),
    campaign=maybe(names),
)

rate_sides = made(
    RateSide,
    rates=layer_rates,
    lowest_second_bps=rates_bps,
    bins=bins,
    steady_from_ms=counts,
    steady_to_ms=counts,
    received_bytes=counts,
    mss_bytes=counts,
    ip_version=st.sampled_from([4, 6]),
    tcp_timestamps=st.booleans(),
    sent_bytes=counts,
    retransmitted_bytes=counts,
    retransmitted_ratio=ratios,
    limited_by=st.sampled_from(Limit),
    congestion=names,
    tcp_rtt_us=maybe(microseconds),
    busy_ratio=maybe(ratios),
    window_limited_ratio=maybe(ratios),
    buffer_limited_ratio=maybe(ratios),
)


@st.composite
def _rate_runs(draw: st.DrawFn) -> RateRun:
    direction = draw(st.sampled_from(Direction))
    return RateRun(
        handoff=draw(names),
        endpoint=draw(names),
        started_unix_ns=draw(times_ns),
        seconds=draw(seconds),
        direction=direction,
        flows=draw(st.integers(1, 16)),
        up=None if direction is Direction.DOWN else draw(rate_sides),
        down=None if direction is Direction.UP else draw(rate_sides),
        rtt_idle_us=draw(maybe(delays)),
        rtt_loaded_us=draw(maybe(delays)),
        timestamps=draw(st.sampled_from(Stamps)),
        spent_bytes=draw(counts),
        reasons=draw(reasons),
        circumstances=draw(circumstances),
        at_most_up_goodput_bps=draw(maybe(rates_bps)),
        at_most_down_goodput_bps=draw(maybe(rates_bps)),
    )


rate_runs = _rate_runs()

whole_nanoseconds = st.integers(0, 2**40).map(lambda ns: ns / 1000)

train_spans = made(
    TrainSpan,
    handoff=names,
    endpoint=names,
    started_unix_ns=times_ns,
    seconds=seconds,
    per_second=st.floats(0.1, 200),
    packet_bytes=st.integers(112, 65_507),
    waiting_s=seconds,
    sent=counts,
    received=counts,
    lost_up=counts,
    lost_down=counts,
    lost_unattributed=counts,
    held_up=counts,
    held_down=counts,
    duplicated_up=counts,
    duplicated_down=counts,
    reordered_up=counts,
    reordered_down=counts,
    blips=counts,
    rtt=histograms,
    pdv_up=histograms,
    pdv_down=histograms,
    jitter_up_us=maybe(whole_nanoseconds),
    jitter_down_us=maybe(whole_nanoseconds),
    timestamps=st.sampled_from(Stamps),
    reasons=reasons,
)

stalls = made(
    Stall,
    handoff=names,
    endpoint=names,
    started_unix_ns=times_ns,
    duration_us=st.integers(500_000, 2**40),
    direction=st.sampled_from(Direction),
    how=st.sampled_from(["lost", "held", "mixed"]),
    lost=counts,
    held=counts,
)

failures = made(
    Failed,
    what=sentences,
    why=sentences,
    whose=st.sampled_from(Owner),
    started_unix_ns=times_ns,
    handoff=st.just("") | names,
    endpoint=st.just("") | names,
    spent_bytes=counts,
)

skips = made(Skipped, what=sentences, why=sentences, planned_unix_ns=times_ns, handoff=names, endpoint=names)

gaps = made(
    Gap,
    started_unix_ns=times_ns,
    ended_unix_ns=times_ns,
    why=sentences,
    handoff=st.just("") | names,
    endpoint=st.just("") | names,
)

corrections = made(
    Correction,
    handoff=st.just("") | names,
    endpoint=st.just("") | names,
    corrects_seq=counts,
    written_unix_ns=times_ns,
    what=sentences,
    why=sentences,
)

digests = st.binary(min_size=32, max_size=32)

thinnings = made(
    Thinned,
    first_seq=counts,
    last_seq=counts,
    thinned_unix_ns=times_ns,
    before=digests,
    after=digests,
    remainder=digests,
    why=sentences,
)

windows_opened = made(
    WindowOpened,
    started_unix_ns=times_ns,
    name=names,
    window=st.sampled_from(OpenKind),
    opener=st.sampled_from(Opener),
    why=sentences,
    ends_unix_ns=maybe(times_ns),
    reference=maybe(sentences),
    handoff=st.just("") | names,
)

windows_closed = made(
    WindowClosed,
    started_unix_ns=times_ns,
    opened_unix_ns=times_ns,
    name=names,
    window=st.sampled_from(OpenKind),
    opener=st.sampled_from(Opener),
    why=sentences,
    handoff=st.just("") | names,
)

campaigns = made(
    Campaign,
    handoff=names,
    endpoint=names,
    name=names,
    question=sentences,
    started_unix_ns=times_ns,
    direction=st.sampled_from(Direction),
    seconds=seconds,
    flows=st.integers(1, 16),
    every_s=counts,
    hours=sentences,
    first_day=names,
    last_day=maybe(names),
    count=maybe(counts),
    timezone=names,
    seed=names,
    planned=st.lists(made(Planned, start_unix_ns=times_ns, latest_unix_ns=times_ns), max_size=3).map(tuple),
)

_OF_TYPE: dict[Any, st.SearchStrategy[Any]] = {
    int: counts,
    float: st.floats(0, 1e9),
    str: sentences,
    bool: st.booleans(),
    Delays: delays,
    Histogram: histograms,
}


def of_type(type_: Any) -> st.SearchStrategy[Any]:
    """Any value of a type that a document's field may have."""
    if type_ in _OF_TYPE:
        return _OF_TYPE[type_]
    inner = [each for each in get_args(type_) if each not in (type(None), Ellipsis)]
    if get_origin(type_) is Annotated:
        return of_type(inner[0])
    if get_origin(type_) is tuple:
        return st.lists(of_type(inner[0]), max_size=3).map(tuple)
    if type(None) in get_args(type_):
        return maybe(of_type(inner[0]))
    if issubclass(type_, Enum):
        return st.sampled_from(type_)
    hints = get_type_hints(type_, include_extras=True)
    return made(type_, **{each.name: of_type(hints[each.name]) for each in fields(type_)})


def document_of_kind(kind: type[Document]) -> st.SearchStrategy[Document]:
    """Any document of a kind, by what its annotations say."""
    hints = get_type_hints(kind, include_extras=True)
    names_of = [each.name for each in documents.fields_of(kind)]
    return made(
        kind,
        handoff=st.just("") | names,
        endpoint=st.just("") | names,
        started_unix_ns=times_ns,
        reasons=reasons,
        **{name: times_ns if name.endswith("_unix_ns") else of_type(hints[name]) for name in names_of},
    )


whole_documents = st.one_of([document_of_kind(kind) for kind in documents.KINDS.values()])

records: st.SearchStrategy[Record] = st.one_of(
    rate_runs,
    train_spans,
    stalls,
    failures,
    skips,
    gaps,
    corrections,
    thinnings,
    windows_opened,
    windows_closed,
    campaigns,
    whole_documents,
)
