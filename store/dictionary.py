"""The data dictionary: every column that an export has, with its type, unit, layer, meaning and source.

One table for each kind of record, one row for each record. `store.columns` fills the columns, `store.export`
writes them, docs/data-dictionary.md is printed from here. A unit is part of a column's name, so that it
survives any copying; a rate names its layer as well. The columns of documents come from what their fields
say. Imports records and documents.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from enum import StrEnum

from store import documents
from store.documents import Field
from store.histogram import Delays
from store.layers import LayerRates
from store.records import REASONS, Document


class Type(StrEnum):
    """What a column holds, whatever the format."""

    TEXT = "text"
    INTEGER = "integer"  # of 64 bits
    REAL = "real"
    TRUTH = "truth"  # true or false
    TIME = "time"  # RFC 3339 in UTC; in Parquet a time stamp in microseconds
    BINS = "list of bins"  # JSON lines and Parquet only
    BUCKETS = "list of buckets"  # JSON lines and Parquet only

    @property
    def nested(self) -> bool:
        """Whether a value is a list, for which CSV has no place."""
        return self in (Type.BINS, Type.BUCKETS)


LIST_FIELDS = {  # what an entry of the list holds, integers all of them
    Type.BINS: ("start_ms", "bytes"),
    Type.BUCKETS: ("from_us", "to_us", "count"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column. `unit`, `layer` and `source` are empty where there is none.

    `layer` says what the number counts: payload, IP, Ethernet, wire, UDP payload.
    """

    name: str
    type: Type
    meaning: str
    unit: str = ""
    layer: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A kind of record as a table."""

    kind: str
    meaning: str
    columns: tuple[Column, ...]

    @property
    def file(self) -> str:
        """What its files are called, before the ending."""
        return self.kind.replace(" ", "_")


def _text(name: str, meaning: str, *, source: str = "") -> Column:
    return Column(name=name, type=Type.TEXT, meaning=meaning, source=source)


def _whole(name: str, meaning: str, *, unit: str, layer: str = "", source: str = "") -> Column:
    return Column(name=name, type=Type.INTEGER, meaning=meaning, unit=unit, layer=layer, source=source)


def _real(name: str, meaning: str, *, unit: str, source: str = "") -> Column:
    return Column(name=name, type=Type.REAL, meaning=meaning, unit=unit, source=source)


def _truth(name: str, meaning: str, *, source: str = "") -> Column:
    return Column(name=name, type=Type.TRUTH, meaning=meaning, source=source)


def _moment(name: str, what: str) -> tuple[Column, ...]:
    """One instant, three ways."""
    return (
        Column(
            name=name,
            type=Type.TIME,
            meaning=f"{what}, in UTC, cut to milliseconds (in Parquet to microseconds)",
            unit="RFC 3339",
            source="RFC 3339",
        ),
        Column(
            name=f"{name}_local",
            type=Type.TEXT,
            meaning=f"{what}, in the site's local time with its offset",
            unit="RFC 3339",
            source="RFC 3339",
        ),
        _whole(f"{name}_unix_ns", f"{what}, since 1970-01-01T00:00:00Z without leap seconds", unit="ns"),
    )


def _delays(prefix: str, what: str, *, layer: str, source: str) -> tuple[Column, ...]:
    """The six figures of a set of delays."""
    percentile = "the smallest value that at least {} % of them reach or stay under; RFC 2330 section 11.3"
    parts = (
        ("min_us", "the smallest", source),
        ("p50_us", percentile.format(50), f"{source}; RFC 2330"),
        ("p95_us", percentile.format(95), f"{source}; RFC 2330"),
        ("p99_us", percentile.format(99), f"{source}; RFC 2330"),
        ("max_us", "the largest", source),
    )
    return (
        _whole(f"{prefix}_count", f"{what}: how many were counted", unit="packets", layer=layer),
        *(
            _whole(f"{prefix}_{end}", f"{what}: {meaning}", unit="us", layer=layer, source=of)
            for end, meaning, of in parts
        ),
    )


def _histogram(prefix: str, what: str, *, layer: str, source: str) -> tuple[Column, ...]:
    """The six figures of a histogram, its sum, and what is needed to merge it with others."""
    count, *figures = _delays(prefix, what, layer=layer, source=source)
    return (
        count,
        _whole(f"{prefix}_sum_us", f"{what}: all of them added up, exactly", unit="us", layer=layer),
        *figures,
        Column(
            name=f"{prefix}_buckets",
            type=Type.BUCKETS,
            meaning=(
                f"{what}: how many lay from from_us to to_us, both included; smallest first, empty buckets "
                "left out. The limits are the same in every record: to merge, add the counts. A percentile "
                "read from them is within 1/64 of the value"
            ),
            unit="us; packets",
            layer=layer,
        ),
    )


SITE = _text("site", "the place: its name in the site file, or the database's name where none was given")
DAY = _text("day", "the local day at the site on which the record started, YYYY-MM-DD; Parquet only")
SEQ = _whole(
    "seq",
    "the record's number in the sealed chain, which a correction names; unique within a site",
    unit="number",
)
PATH = (
    _text("handoff", "the provider's port concerned; empty where all were"),
    _text("endpoint", "the far end; empty where all were, or none was reached"),
)
_STANDING = (
    _text(
        "standing",
        "may the record speak about the line: valid; excluded, left out by a rule; void, the method failed",
    ),
    _text("reasons", f"why not, codes with a space between: {', '.join(REASONS)}"),
)
_STAMPS = _text(
    "timestamps", "where delays were stamped: kernel, or clock for calls of the clock in the probe"
)


def _started(what: str) -> tuple[Column, ...]:
    """What every table begins with."""
    return (SITE, SEQ, *PATH, *_moment("started", what))


def _rate_side(way: str, words: str) -> tuple[Column, ...]:
    """One direction of a rate run; empty where it was not measured."""
    counted = f"{words}: rate counted where it arrived, mean of the time from steady_from to steady_to"
    overheads = "RFC 6349 section 4.1.1; RFC 8468"
    columns = (
        _whole("goodput_bps", f"{counted}, of TCP payload", unit="bit/s", layer="payload", source="RFC 6349"),
        _whole("ip_bps", f"{counted}, of IP packets", unit="bit/s", layer="IP", source=overheads),
        _whole(
            "ethernet_bps",
            f"{counted}, of Ethernet frames from addresses to FCS (layer 2)",
            unit="bit/s",
            layer="Ethernet",
            source=overheads,
        ),
        _whole(
            "wire_bps",
            f"{counted}, with preamble and gap (layer 1)",
            unit="bit/s",
            layer="wire",
            source=overheads,
        ),
        _whole(
            "lowest_second_bps",
            f"{words}: rate in the slowest whole second of the steady time",
            unit="bit/s",
            layer="payload",
        ),
        _whole("steady_from_ms", f"{words}: where the steady time begins, from the run's start", unit="ms"),
        _whole("steady_to_ms", f"{words}: where the steady time ends, from the run's start", unit="ms"),
        _whole("received_bytes", f"{words}: what arrived in all", unit="bytes", layer="payload"),
        _whole("mss_bytes", f"{words}: what a full segment carried", unit="bytes", layer="payload"),
        _whole("ip_version", f"{words}: 4 or 6", unit="version"),
        _truth("tcp_timestamps", f"{words}: was the timestamps option in use", source="RFC 7323"),
        _whole("sent_bytes", f"{words}: what was sent, repeats included", unit="bytes", layer="payload"),
        _whole("retransmitted_bytes", f"{words}: what was sent again", unit="bytes", layer="payload"),
        _real(
            "retransmitted_ratio",
            f"{words}: repeats as a share of what was sent; TCP efficiency is 1 less this",
            unit="ratio",
            source="RFC 6349 section 4.2",
        ),
        _text(
            "limited_by",
            f"{words}: what held the rate down: path, probe, endpoint, port, window, pace (it asked for no "
            "more), undecided",
        ),
        _text("congestion", f"{words}: congestion control of the sender"),
        _whole(
            "tcp_rtt_us", f"{words}: median of the sender's smoothed round-trip time", unit="us", layer="TCP"
        ),
        _real("busy_ratio", f"{words}: share of the run with data under way", unit="ratio"),
        _real(
            "window_limited_ratio",
            f"{words}: share of the busy time that the receiver's window held",
            unit="ratio",
        ),
        _real(
            "buffer_limited_ratio",
            f"{words}: share of the busy time that the sender's buffer held",
            unit="ratio",
        ),
        Column(
            name="bins",
            type=Type.BINS,
            meaning=f"{words}: bytes that arrived in the 100 ms from start_ms on, by the receiver's clock",
            unit="ms; bytes",
            layer="payload",
        ),
    )
    return tuple(
        Column(
            name=f"{way}_{column.name}",
            type=column.type,
            meaning=column.meaning,
            unit=column.unit,
            layer=column.layer,
            source=column.source,
        )
        for column in columns
    )


_CIRCUMSTANCES = (
    _text("interface", "the probe's interface that the run left by"),
    _text("carrier", "how it reaches the line: wired, wireless, tunnel, loopback, unknown"),
    _text("source_address", "the probe's address"),
    _text("egress_address", "the address that the endpoint saw"),
    _whole("port_rate_bps", "link rate of the interface", unit="bit/s", layer="wire"),
    _text("duplex", "full or half, as the interface says"),
    _whole("mtu_bytes", "largest packet of the interface", unit="bytes", layer="IP"),
    _whole("other_up_bps", "what this host sent there besides the run", unit="bit/s", layer="IP"),
    _whole("other_down_bps", "what this host received there besides the run", unit="bit/s", layer="IP"),
    _real("probe_cpu_ratio", "the probe's busiest core", unit="ratio"),
    _real("endpoint_cpu_ratio", "the endpoint's busiest core", unit="ratio"),
    _whole("interface_errors", "growth of error and drop counters of the interface", unit="count"),
    _truth("clock_synchronised", "did the kernel call its clock synchronised"),
    _whole("clock_error_us", "how far off it said that the clock might be", unit="us", source="adjtimex(2)"),
    _text("kernel", "release of the probe's kernel"),
    _whole("planned_unix_ns", "the moment that the schedule had drawn for the run", unit="ns"),
    _text("campaign", "name of the campaign that the run belongs to"),
    _text("left_elsewhere", "how it is known that the run did not leave by its handoff; empty where it did"),
    _whole(
        "carrier_changes",
        "carriers of the interface lost and come back meanwhile",
        unit="count",
        source="sysfs-class-net",
    ),
    _whole("frame_errors", "of interface_errors those that are no drops", unit="count"),
    _whole(
        "pause_received", "pause frames that the port received", unit="count", source="IEEE 802.3 annex 31B"
    ),
    _whole("pause_sent", "pause frames that the port sent", unit="count", source="IEEE 802.3 annex 31B"),
    _real("host_cpu_ratio", "all processors of the probe's host together", unit="ratio", source="proc(5)"),
    _whole("path_mtu_up_bytes", "path MTU that the probe's kernel used", unit="bytes", layer="IP"),
    _whole("path_mtu_down_bytes", "path MTU that the endpoint's kernel used", unit="bytes", layer="IP"),
    _whole("optic_received_nw", "light that the optic received", unit="nW", source="SFF-8472"),
    _whole("optic_sent_nw", "light that the optic sent", unit="nW", source="SFF-8472"),
    _whole(
        "optic_temperature_mc",
        "temperature of the optic",
        unit="thousandths of a degree C",
        source="SFF-8472",
    ),
    _text("rules", "the site's rules of evidence where they are not the usual ones"),
    _text(
        "endpoint_unwell", "what spoke against the endpoint itself when it was asked; empty where nothing did"
    ),
)


def _at_most(way: str, words: str) -> Column:
    meaning = (
        f"{words}: what a light run asked for at most, which says nothing of the full rate; empty for others"
    )
    return _whole(f"at_most_{way}_goodput_bps", meaning, unit="bit/s", layer="payload")


RATE = Table(
    kind="rate",
    meaning="A TCP rate run, both directions in one row. Without a value: not measured, or not known.",
    columns=(
        *_started("when the run started"),
        _real("seconds", "how long it was to last", unit="s"),
        _text("direction", "what was asked, seen from the probe: up, down, both"),
        _whole("flows", "TCP connections at a time", unit="count"),
        _at_most("up", "probe to endpoint"),
        _at_most("down", "endpoint to probe"),
        *_rate_side("up", "probe to endpoint"),
        *_rate_side("down", "endpoint to probe"),
        *_delays(
            "rtt_idle", "round-trip time before the load", layer="UDP payload", source="RFC 2681; RFC 8762"
        ),
        *_delays(
            "rtt_loaded", "round-trip time under the load", layer="UDP payload", source="RFC 2681; RFC 8762"
        ),
        _STAMPS,
        _whole("spent_bytes", "what the run moved both ways", unit="bytes", layer="payload"),
        *_STANDING,
        *_CIRCUMSTANCES,
    ),
)

TRAIN = Table(
    kind="train",
    meaning=(
        "A span (a minute, as a rule) of a train of small numbered packets. Counts are of packets sent "
        "within the span. The share lost is (lost_up + lost_down + lost_unattributed) / sent."
    ),
    columns=(
        *_started("when the span started"),
        _real("seconds", "how long it is", unit="s"),
        _real("per_second", "packets sent a second", unit="packets/s"),
        _whole("packet_bytes", "size of a packet, equal both ways", unit="bytes", layer="UDP payload"),
        _real("waiting_s", "how long a reply was waited for", unit="s", source="RFC 7680"),
        _whole("sent", "packets sent", unit="packets"),
        _whole("received", "packets with a reply in time", unit="packets"),
        _whole("lost_up", "lost from probe to endpoint", unit="packets", source="RFC 7680; RFC 8762"),
        _whole("lost_down", "lost from endpoint to probe", unit="packets", source="RFC 7680; RFC 8762"),
        _whole("lost_unattributed", "lost, direction not known", unit="packets", source="RFC 7680"),
        _whole("held_up", "arrived at the endpoint, but late, at the end of a silence", unit="packets"),
        _whole("held_down", "arrived at the probe, but late, at the end of a silence", unit="packets"),
        _whole("duplicated_up", "came twice at the endpoint", unit="packets", source="RFC 5560"),
        _whole("duplicated_down", "came twice at the probe", unit="packets", source="RFC 5560"),
        _whole("reordered_up", "out of order at the endpoint", unit="packets", source="RFC 4737"),
        _whole("reordered_down", "out of order at the probe", unit="packets", source="RFC 4737"),
        _whole("blips", "silences of 0.2 to 0.5 s, either direction", unit="count"),
        *_histogram("rtt", "round-trip time", layer="UDP payload", source="RFC 2681; RFC 8762"),
        *_histogram(
            "pdv_up",
            "delay over the span's smallest, probe to endpoint",
            layer="UDP payload",
            source="RFC 5481 section 4.2",
        ),
        *_histogram(
            "pdv_down",
            "delay over the span's smallest, endpoint to probe",
            layer="UDP payload",
            source="RFC 5481 section 4.2",
        ),
        _real(
            "jitter_up_us",
            "smoothed difference of neighbouring delays at the span's end, probe to endpoint",
            unit="us",
            source="RFC 3550 section 6.4.1",
        ),
        _real(
            "jitter_down_us",
            "smoothed difference of neighbouring delays at the span's end, endpoint to probe",
            unit="us",
            source="RFC 3550 section 6.4.1",
        ),
        _whole("spent_bytes", "what its packets and replies carried", unit="bytes", layer="UDP payload"),
        _text(
            "circumstances",
            "what else was true, as JSON under the names of a rate run's columns; what is not known is left "
            "out, what changes all the time is rounded",
        ),
        _STAMPS,
        _text(
            "reflector_timestamps",
            "how the endpoint knew when its replies left: kernel, told with the next reply, or clock",
            source="RFC 8972",
        ),
        *_STANDING,
    ),
)

STALL = Table(
    kind="stall",
    meaning="A silence of 0.5 s or more in one direction of a train, from one delivery to the next.",
    columns=(
        *_started("when the silence started"),
        _whole("duration_us", "how long it lasted", unit="us"),
        _text("class", "by length: stall under 3 s, long stall to 10 s, outage above (common practice)"),
        _text("direction", "up, down, or both where it could not be told"),
        _text("how", "lost: all packets due in it were lost; held: all came late; mixed"),
        _whole("lost", "packets due in it that were lost", unit="packets"),
        _whole("held", "packets due in it that came late", unit="packets"),
    ),
)

FAILED = Table(
    kind="failed",
    meaning="A measurement that could not be made.",
    columns=(
        *_started("when it was tried"),
        _text("what", "the attempt, such as run rate"),
        _text("why", "what went wrong, one sentence"),
        _text("whose", "who must act: house, provider, endpoint, unknown"),
        _whole(
            "spent_bytes",
            "what it may have moved all the same, both directions, estimated by its time",
            unit="bytes",
            layer="payload",
        ),
    ),
)

SKIPPED = Table(
    kind="skipped",
    meaning="A planned run that was not started.",
    columns=(
        *_started("when it was planned"),
        _text("what", "the attempt, such as run rate"),
        _text("why", "the rule that forbade it, one sentence"),
    ),
)

GAP = Table(
    kind="gap",
    meaning="A time without measuring: neither good nor bad. It stands under the day that it started on.",
    columns=(
        *_started("when measuring ended"),
        *_moment("ended", "when measuring began again"),
        _text("why", "one sentence"),
    ),
)

CAMPAIGN = Table(
    kind="campaign",
    meaning="A question, and the runs that answer it, fixed before the first of them.",
    columns=(
        *_started("when it was fixed"),
        _text("name", "its name in the site file"),
        _text("question", "the question in words"),
        _text("direction", "up, down, or both at once"),
        _real("seconds", "length of each run", unit="s"),
        _whole("flows", "connections in each direction", unit="connections"),
        _whole("every_s", "length of a slot, which has one run each", unit="s"),
        _text("hours", "days and hours that have slots; empty: the whole day"),
        _text("first_day", "its first local day"),
        _text("last_day", "its last local day; empty where the number of runs ends it"),
        _whole("count", "how many runs; empty where a day ends it", unit="runs"),
        _text("timezone", "in which days and hours are meant"),
        _text("seed", "from which the moments were drawn"),
        _text("planned", "for each run its start and the latest one within its slot, Unix time in ns"),
    ),
)

CORRECTION = Table(
    kind="correction",
    meaning="How an older record is to be read; that record itself stays as it was.",
    columns=(
        *_started("when the correction was written"),
        _whole("corrects_seq", "number of the record that it speaks of", unit="number"),
        _text("what", "how that record is to be read"),
        _text("why", "how that is known"),
    ),
)

_HEAD_SOURCE = "SHA-256: FIPS 180-4"
THINNED = Table(
    kind="thinned",
    meaning="A stretch of the record of which details or whole records were let go by a rule.",
    columns=(
        *_started("when it was thinned"),
        _whole("first_seq", "first record of the stretch", unit="number"),
        _whole("last_seq", "last record of the stretch", unit="number"),
        _text("before", "head of the chain before the stretch, hexadecimal", source=_HEAD_SOURCE),
        _text("after", "head of the chain after the stretch as it was, hexadecimal", source=_HEAD_SOURCE),
        _text(
            "remainder", "head of a chain from before through what is left, hexadecimal", source=_HEAD_SOURCE
        ),
        _text("why", "the rule, one sentence"),
    ),
)

_WINDOW = (
    _text("name", "what the window is called"),
    _text(
        "window", "show, quiet: no run may fill the line; maintenance: the provider's; stop: no test at all"
    ),
    _text("opener", "who opened it: person, upload that was seen, or site for the hours of the site file"),
    _text("why", "one sentence"),
)

WINDOW_OPENED = Table(
    kind="window opened",
    meaning="A window opened; it is open until the row of its closing with the same start and name.",
    columns=(
        *_started("when it opened"),
        *_WINDOW,
        *_moment("ends", "when it should close; empty until somebody or something says so"),
        _text("reference", "the provider's notice of a maintenance window"),
    ),
)

WINDOW_CLOSED = Table(
    kind="window closed",
    meaning="A window closed.",
    columns=(*_started("when it closed"), *_WINDOW, *_moment("opened", "when it had opened")),
)

_LAYERS = {"goodput_bps": "payload", "ip_bps": "IP", "ethernet_bps": "Ethernet", "wire_bps": "wire"}


def _document(kind: type[Document]) -> Table:
    """A kind that is kept whole, by what its fields say of themselves (store.documents)."""
    columns = [column for each in documents.fields_of(kind) for column in _field(each)]
    start = _started("when it began, or was")
    return Table(kind=kind.kind, meaning=kind.meaning, columns=(*start, *columns, *_STANDING))


def _field(field: Field) -> tuple[Column, ...]:
    says, name = field.says, field.name
    if field.type is Delays:
        return _delays(name.removesuffix("_us"), says.meaning, layer=says.layer, source=says.source)
    if field.type is LayerRates:
        return tuple(
            _whole(
                each.name, f"{says.meaning}, counted at this layer", unit="bit/s", layer=_LAYERS[each.name]
            )
            for each in fields(LayerRates)
        )
    if name.endswith("_unix_ns"):
        return _moment(name.removesuffix("_unix_ns"), says.meaning)
    type_ = column_type(field)
    meaning = says.meaning if type_ else f"{says.meaning}; as JSON"
    return (
        Column(
            name=name,
            type=type_ or Type.TEXT,
            meaning=meaning,
            unit=says.unit,
            layer=says.layer,
            source=says.source,
        ),
    )


def column_type(field: Field) -> Type | None:
    """How a single value of a document's field stands in its column; None for one that stands as JSON."""
    for python, type_ in ((str, Type.TEXT), (bool, Type.TRUTH), (int, Type.INTEGER), (float, Type.REAL)):
        if isinstance(field.type, type) and issubclass(field.type, python):
            return type_
    return None


_ALL = (
    *(RATE, TRAIN, STALL, FAILED, SKIPPED, GAP, CAMPAIGN, CORRECTION, THINNED),
    *(WINDOW_OPENED, WINDOW_CLOSED),
    *(_document(kind) for kind in documents.KINDS.values()),
)
TABLES = {table.kind: table for table in _ALL}


def _sums(length: str, words: str) -> Table:
    """Spans of trains added up; what is defined for a span is defined alike for the sum."""
    by_name = {column.name: column for column in TRAIN.columns}
    shared = [column for column in TRAIN.columns if column.unit == "packets" or column.name == "blips"]
    histograms = [
        column for column in TRAIN.columns if column.name.startswith(("rtt_", "pdv_up_", "pdv_down_"))
    ]
    jitter = [by_name[f"jitter_{way}_us"] for way in ("up", "down")]
    worst = [
        replace(each, name=f"worst_{each.name}", meaning=f"the largest of: {each.meaning}") for each in jitter
    ]
    return Table(
        kind=f"train {length}",
        meaning=(
            f"What the spans of a train that began in {words} say together; histograms are merged, so a "
            "percentile is that of all packets. These sums stay when the spans are let go."
        ),
        columns=(
            SITE,
            *PATH,
            *_moment("started", "where it begins"),
            *_moment("ended", "where it ends"),
            _whole("spans", "spans that the sums hold", unit="count"),
            _whole(
                "left_out", "spans that may not speak about the line, and are not in the sums", unit="count"
            ),
            _text("excluded", "reasons, with the number of spans that each kept from being valid"),
            _real("seconds", "how long the spans in the sums are together", unit="s"),
            *(column for column in shared if column not in histograms),
            *histograms,
            *worst,
            _whole("stalls", "silences of 0.5 s or more that began in it", unit="count"),
            _whole("stalled_us", "how long those lasted together", unit="us"),
            _whole("longest_stall_us", "how long the longest of them lasted", unit="us"),
            _whole("stalls_lost", "those in which every packet was lost", unit="count"),
            _whole("stalls_held", "those in which every packet came late", unit="count"),
        ),
    )


HOURS = _sums("hour", "an hour of the site's clock")
DAYS = _sums("day", "a local day of the site, of 23, 24 or 25 hours")
EXPORTED = (*TABLES.values(), HOURS, DAYS)

ABOUT = ("kind", "column", "type", "unit", "layer", "meaning", "source")


def described(tables: tuple[Table, ...]) -> tuple[tuple[str, ...], ...]:
    """One row of `ABOUT` for every column of these tables."""
    return tuple(
        (table.kind, each.name, str(each.type), each.unit, each.layer, each.meaning, each.source)
        for table in tables
        for each in table.columns
    )


def as_markdown() -> str:
    """The page docs/data-dictionary.md."""
    lines = [
        "# Data dictionary",
        "",
        "Every column of `linebook export`, by kind of record. An export brings its part of this along, as",
        "`dictionary.csv` and `dictionary.json`. Printed from `store/dictionary.py`; change it there, then:",
        "`python -m store.dictionary > docs/data-dictionary.md`",
        "",
        "Times are RFC 3339. A list stands in JSON lines and Parquet only; its entries hold "
        + "; ".join(f"{', '.join(names)} ({type_})" for type_, names in LIST_FIELDS.items())
        + ".",
        f"Parquet also has the directory column `{DAY.name}`: {DAY.meaning}.",
    ]
    for table in EXPORTED:
        lines += ["", f"## {table.kind}", "", table.meaning, ""]
        lines += [f"| {' | '.join(ABOUT[1:])} |", f"|{' --- |' * len(ABOUT[1:])}"]
        lines += [f"| `{name}` | {' | '.join(rest)} |" for _, name, *rest in described((table,))]
    return "\n".join([*lines, ""])


if __name__ == "__main__":
    import sys

    sys.stdout.write(as_markdown())
