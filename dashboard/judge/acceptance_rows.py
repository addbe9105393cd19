"""The acceptance sheet as data: what each row tests, for how long, and when it passes.

The rows are those of the trade's acceptance test at each handoff; where a rule has no standard behind it, its
source says "common practice". What a contract states comes before any of it. Pure data.
"""

from __future__ import annotations

from dataclasses import dataclass

PRACTICE = "common practice, no source"

# What counts as reached where the contract grants no share of its own: common practice, no source.
OVERALL_RATIO = 0.99
TEN_SECONDS_RATIO = 0.98
DROP_RATIO = 0.02  # of either direction, alone against both at once
SINGLE_FLOW_RATIO = 0.85
SINGLE_FLOW_RTT_US = 15_000
LOADED_ADDED_US = 30_000
FLAT_QUEUE_US = 5_000
STEP_LOSS_RATIO = 0.001
WEAK_MARGIN_DB, STRONG_MARGIN_DB = 3.0, 1.0
LIGHT_ERROR_DB = 3.0  # SFF-8472, from memory
EVENINGS = 5
PULLS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row. `seconds` is how long its record must last to pass; `command` how it is run, None by hand.

    In a command ``SITE`` and ``HANDOFF`` stand for themselves.
    """

    id: str
    what: str
    how_long: str
    passes: str
    source: str
    seconds: int = 0
    command: str | None = None
    cautions: tuple[str, ...] = ()
    by_hand: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A question that comes before everything; `safe` is the answer that lets the tests begin."""

    id: str
    asks: str
    safe: str = "yes"


QUESTIONS = (
    Question(
        id="S1",
        asks="Is it sure that no emergency call, alarm, lift phone, telecare or medical device needs this "
        "line while it is filled or pulled?",
    ),
    Question(
        id="S2", asks="Is the line out of service: no live show and no upload that must not be disturbed?"
    ),
    Question(
        id="S3",
        asks="Are the router and everything else out of the path, so that the probe alone is at the handoff?",
    ),
    Question(id="S4", asks="Has the provider been told when and at which rate you will test?"),
    Question(
        id="S5",
        asks="Does everybody there know that nobody looks into a fibre, an optic or an open connector: the "
        "light is invisible and can hurt the eye?",
    ),
    Question(
        id="S6",
        asks="Are mains, earth and wiring left to licensed people, and is it agreed who may cut the power of "
        "the provider's device?",
    ),
)

_FILLS = "It fills the line: everything else on it waits or breaks, emergency calls as well."
_AN_ENDPOINT_EACH = (
    "Each handoff needs an endpoint outside of its own, or one that serves as many runs at once: runs under "
    "[endpoint] in its limits.toml, which is 1 unless set."
)
_LIGHT = "Never look into a fibre, an optic or an open connector; cap what is open."
_MAINS = "Only licensed people touch mains and earth; switch at a plug or a labelled breaker, never inside."
_RUN = "linebook accept SITE --handoff HANDOFF --row {row} --run"


def _run(row: str) -> str:
    return _RUN.format(row=row)


ROWS = (
    Row(
        id="A1",
        what="Negotiated port rate and duplex",
        how_long="at once, then watched for 24 h",
        passes="equals the contract card, full duplex, no new negotiation",
        source=PRACTICE,
        seconds=86_400,
        command="linebook probe SITE",
    ),
    Row(
        id="A2",
        what="Light: received power and temperature of the optic",
        how_long="each minute for 24 h",
        passes=f"inside the optic's class with {WEAK_MARGIN_DB:g} dB to the weak end and "
        f"{STRONG_MARGIN_DB:g} dB to the strong one; readings are good to "
        f"{LIGHT_ERROR_DB:g} dB, so keep the first ones",
        source=f"margins {PRACTICE}; sensor's error SFF-8472, from memory",
        seconds=86_400,
        command="linebook probe SITE",
        cautions=(_LIGHT,),
    ),
    Row(
        id="A3",
        what="Largest IP packet",
        how_long="minutes",
        passes="the contract's size passes whole, both ways and in both IP versions; IPv6 never below 1280",
        source="RFC 8899, RFC 8200 section 5",
        command=_run("A3"),
    ),
    Row(
        id="A4",
        what="VLAN tags and priority marking",
        how_long="minutes",
        passes="the stated tag is accepted, others are dropped, marking is kept or rewritten as stated",
        source="IEEE 802.1Q, from memory",
        by_hand=True,
    ),
    Row(
        id="A5",
        what="Addresses, routes and reverse DNS, both IP versions",
        how_long="minutes",
        passes="every assigned address is reached from outside, and its name is as agreed",
        source=PRACTICE,
        by_hand=True,
    ),
    Row(
        id="A6",
        what="Rate up alone, then down alone, at 100 % of the committed rate",
        how_long="15 min each",
        passes="the contract's share of the rate at its layer; where it has none, 99 % over all and 98 % in "
        "every 10 s; loss within the contract",
        source=PRACTICE,
        seconds=900,
        command=_run("A6"),
        cautions=(_FILLS,),
    ),
    Row(
        id="A7",
        what="Rate in both directions at once",
        how_long="15 min",
        passes="as A6 in both; a drop of either by more than 2 % is a finding",
        source=PRACTICE,
        seconds=900,
        command=_run("A7"),
        cautions=(_FILLS,),
    ),
    Row(
        id="A8",
        what="Steps of 25, 50, 75 and 90 % of the rate, each direction",
        how_long="60 s each",
        passes="loss within the contract (0.1 % where it states none), queues within 5 ms, below 100 %",
        source=PRACTICE,
        seconds=60,
        command=_run("A8"),
        cautions=(_FILLS,),
    ),
    Row(
        id="A9",
        what="Over the rate: 110 and 125 %",
        how_long="60 s each",
        passes="the committed rate comes through unharmed; what is more is dropped or delayed as stated",
        source=PRACTICE,
        seconds=60,
        command=_run("A8"),
        cautions=(_FILLS,),
    ),
    Row(
        id="A10",
        what="Frames of 128, 256, 512, 1024, 1280 and 1518 bytes at 100 %",
        how_long="60 s each",
        passes="the same share of the rate at the contract's layer for every size; else the limit counts "
        "another layer",
        source="RFC 6349 section 4.1.1 for the overheads",
        seconds=60,
        command=_run("A10"),
        cautions=(_FILLS,),
    ),
    Row(
        id="A11",
        what="Bursts of growing size after 2 s of silence, each direction",
        how_long="5 min",
        passes="committed burst size, M x (1 - rate / line rate), at least the contract's; where it states "
        "none, at least rate x RTT",
        source=PRACTICE,
        command=_run("A11"),
        cautions=(_FILLS,),
    ),
    Row(
        id="A12",
        what="Delay idle, and under full load each direction",
        how_long="15 min each",
        passes="idle p95 within the contract; load adds at most 30 ms to p95",
        source=PRACTICE,
        seconds=900,
        command=_run("A12"),
        cautions=(_FILLS,),
    ),
    Row(
        id="A13",
        what="Packet delay variation: delay over the minimum",
        how_long="1 h at 20 a second",
        passes="p99 within the contract, each direction",
        source="RFC 5481",
        seconds=3600,
        command="linebook probe SITE",
    ),
    Row(
        id="A14",
        what="Loss soak, and 2 h at 80 % of the rate",
        how_long="24 h at 50 packets a second; 2 h",
        passes="loss within the contract, with 95 % confidence",
        source="exact binomial bounds",
        seconds=86_400,
        command="linebook probe SITE",
        cautions=("The 2 h at 80 % leave little for anybody else.",),
    ),
    Row(
        id="A15",
        what="All handoffs of the contract at once, both directions",
        how_long="15 min",
        passes="each still passes A7",
        source=PRACTICE,
        seconds=900,
        command=_run("A15"),
        cautions=(_FILLS, _AN_ENDPOINT_EACH),
    ),
    Row(
        id="A16",
        what="One flow against eight",
        how_long="60 s each",
        passes="one carries at least 85 % of eight, at an RTT of 15 ms or less",
        source=PRACTICE,
        seconds=60,
        command=_run("A16"),
        cautions=(_FILLS,),
    ),
    Row(
        id="A17",
        what="Failover and power: pull it, cut the mains of the provider's device, restore",
        how_long="3 repeats",
        passes="traffic goes on by the other uplink within the time stated; the device comes back as it was",
        source=PRACTICE,
        command="linebook failover SITE --main HANDOFF --backup OTHER",
        cautions=("Warn everybody before a cable is pulled.", _LIGHT, _MAINS),
    ),
    Row(
        id="A18",
        what="Busy hours of five weekdays",
        how_long="five evenings, a run every 15 min",
        passes="the figures of A6 hold, and nothing drops by more than 2 % against 02:00-06:00",
        source=PRACTICE,
        command="linebook probe SITE",
        cautions=(_FILLS,),
    ),
    Row(
        id="A19",
        what="Ceilings of this host and of the endpoints",
        how_long="before and after",
        passes="both at least 1.2 times the rate",
        source=PRACTICE,
        command="linebook probe SITE",
    ),
    Row(
        id="A20",
        what="Name lookup, and the way to the networks that will take the streams",
        how_long="24 h",
        passes="no loss and no detour beyond what the endpoints show",
        source=PRACTICE,
        by_hand=True,
    ),
)
BY_ID = {row.id: row for row in ROWS}
