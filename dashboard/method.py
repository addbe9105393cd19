"""How each figure is made, and by which standard: one table, for the page Method and for papers.

A row's `id` is its anchor (`/method#stalls`), which the pages link to. Limits that the code knows are taken
from it, so that the words cannot drift from what is done. A value without a standard says so: "common
practice, no source" or "own". Pure; imports judges for their limits.
"""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.judge import contract, floor, outages, sampling, stream, week_hours
from dashboard.judge.finding import CHANCE
from store.terms import NO_TERMS

PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How one figure is made: sentences, and where that is from."""

    id: str
    figure: str
    how: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """Figures that belong together."""

    id: str
    title: str
    ways: tuple[Way, ...]


def _percent(share: float) -> str:
    return f"{share * 100:g} %"


def _outages() -> str:
    return "; ".join(f"{one.rule}: {one.said()} ({one.source})" for one in outages.rules(NO_TERMS))


RATES = Topic(
    id="rates",
    title="Rates",
    ways=(
        Way(
            id="rate",
            figure="Rate of a run",
            how="TCP flows fill one direction, or both, for a fixed time. What arrives is counted by the "
            "receiver, "
            "as payload, in steps of 100 ms of its monotonic clock; the first 2 s are recorded and left "
            "out. What "
            "the sender handed to its kernel is never the result.",
            source="RFC 6349 for the method; steps and start-up are ours",
        ),
        Way(
            id="layers",
            figure="The same rate at other layers",
            how="Payload is counted. IP, layer 2 (addresses to frame check) and layer 1 (with preamble and "
            "gap) are "
            "computed from the real size of the packets, header by header, and say so.",
            source="RFC 6349 section 4.1.1, IEEE 802.3",
        ),
        Way(
            id="slowest-second",
            figure="Slowest second",
            how="The least payload in any whole second of the steady part of a run, as a rate.",
            source="own",
        ),
        Way(
            id="repeats",
            figure="Repeated share",
            how="Octets that TCP sent again, as a share of all that it sent, by the sender's kernel.",
            source="RFC 6349 section 4.2",
        ),
        Way(
            id="left-out",
            figure="What is left out",
            how="A run that this host, an endpoint, a port, a TCP window, a tunnel, wireless or other "
            "traffic could "
            "have held is excluded or void, by rules that the site file sets and the ledger lists. It is "
            "drawn and "
            "listed all the same, marked, and each verdict stands beside what it would be without each rule.",
            source=f"the rules' values: {PRACTICE}",
        ),
        Way(
            id="paced",
            figure="Paced run",
            how="UDP packets at a fixed rate; what arrived is counted as for a rate run, what did not is "
            "lost. What "
            "the sender could not send in time is told apart.",
            source="RFC 9097 section 4 for counting; the pace is ours",
        ),
        Way(
            id="capacity",
            figure="Capacity",
            how="A search over UDP: the rate rises until packets are lost or delayed, then stays around "
            "that. The "
            "result is the best second that keeps to a loss bound, at the IP layer.",
            source="RFC 9097; the loss bound is ours",
        ),
        Way(
            id="burst",
            figure="Committed burst",
            how="A burst is sent faster than the limit. How much arrives at the line's rate before the "
            "limit's rate "
            "begins tells the bucket; whether packets were held before the first loss tells shaper from "
            "policer.",
            source="RFC 2697 section 3 (token bucket); the way to tell is ours",
        ),
        Way(
            id="sizes",
            figure="Layer that a limit counts",
            how="Packets of several sizes are offered above the limit. The time that a packet takes is a "
            "straight "
            "line over its size; where it begins says how many octets are counted beside each packet.",
            source="own; least squares with Student's bound at 95 %",
        ),
        Way(
            id="mtu",
            figure="Path MTU",
            how="The largest packet that came through whole. A size counts as too large when three of it "
            "are lost "
            "while small ones beside them come back, or a router says so and one octet more fails.",
            source="RFC 8899 section 5.3",
        ),
        Way(
            id="ceilings",
            figure="Ceilings of host and endpoint",
            how="Each machine is measured against itself, nothing on the line. It must carry 1.2 times a "
            "rate, unless "
            "the site file says otherwise, or a run at that rate is void.",
            source=PRACTICE,
        ),
    ),
)

TRAINS = Topic(
    id="trains",
    title="Delay, loss and stalls",
    ways=(
        Way(
            id="train",
            figure="Train",
            how="Small numbered packets at a fixed pace, all the time, authenticated, which the endpoint "
            "sends back.",
            source="RFC 8762 (STAMP)",
        ),
        Way(
            id="delay",
            figure="Delay (RTT) and its percentiles",
            how="From sending to return, by kernel time stamps where there are any, less the endpoint's "
            "own time. "
            "Percentiles are nearest rank over all packets of the time, from histograms that merge, never "
            "from other "
            "percentiles. Lost packets have no delay; loss stands beside it.",
            source="RFC 2681, RFC 2330 section 11.3; histograms within 1.6 %",
        ),
        Way(
            id="pdv",
            figure="Delay variation (PDV), up and down",
            how="The one-way delay over the least of the same packets, so that the two clocks' difference "
            "cancels. It "
            "is never told as an absolute one-way delay.",
            source="RFC 5481 section 4.2",
        ),
        Way(
            id="jitter",
            figure="Jitter",
            how="A running mean of the change from packet to packet, in order of arrival.",
            source="RFC 3550 section 6.4.1",
        ),
        Way(
            id="loss",
            figure="Loss up and down",
            how="The endpoint numbers its replies: a number that did not come was lost on the way down, a "
            "packet "
            "without a number on the way up. Late is held, not lost, and both are kept. Loss down is of "
            "what had "
            "arrived up.",
            source="RFC 8762 section 4, RFC 6673 section 7, RFC 7680",
        ),
        Way(
            id="order",
            figure="Reordered and duplicated",
            how="A number below one that arrived before is out of order; a further copy is a duplicate.",
            source="RFC 4737 section 3, RFC 5560",
        ),
        Way(
            id="stalls",
            figure="Stall",
            how="0.5 s or more without a delivery in one direction, from one delivery to the next: a stall "
            "to 3 s, a "
            "long stall to 10 s, an outage beyond.",
            source=PRACTICE,
        ),
        Way(
            id="stall-places",
            figure="Where a stall was",
            how="By who answered in the same second: the house's endpoint, the first routers, other "
            "trains. Each "
            "witness is counted. A router that is slow or silent is never evidence by itself.",
            source="own",
        ),
        Way(
            id="loss-shape",
            figure="Bursts of loss",
            how="Packets that are on record one by one are sorted into bursts and gaps, where 16 packets "
            "received in "
            "a row end a burst.",
            source="RFC 3611 section 4.7.2; losses in a row by RFC 3357",
        ),
        Way(
            id="loaded-delay",
            figure="Delay under load",
            how="One train before, during and after loads up, down and both at once: what the load adds, "
            "as the "
            "difference of percentiles. Round trips per minute count new connections only.",
            source="draft-ietf-ippm-responsiveness-09, its foreign probes alone",
        ),
        Way(
            id="soak",
            figure="How small the loss is",
            how="The loss that the counts leave possible at 95 %, as if each packet were lost by itself; "
            "losses that "
            "come together support less.",
            source="exact binomial bound (Clopper and Pearson)",
        ),
    ),
)

VERDICTS = Topic(
    id="verdicts",
    title="Verdicts on a contract",
    ways=(
        Way(
            id="rate-verdict",
            figure="Met, Not met, Undecided, Not tested",
            how="A run reached the rate or did not, by the layer of the card and the method's error of "
            f"{_percent(contract.METHOD_ERROR_RATIO)}; one between is open. The share of runs that reached "
            "it is held "
            "against the contract's with an exact one-sided bound. Neighbouring runs are alike, so they "
            "count as fewer "
            "independent ones. Where the bound decides nothing, it is Undecided, and how many more runs "
            "would decide "
            "stands beside it.",
            source=f"exact binomial bounds at {_percent(sampling.CONFIDENCE)} (Clopper and Pearson)",
        ),
        Way(
            id="schedule",
            figure="When runs are made",
            how="Each at a random moment of its slot, drawn beforehand. A campaign fixes its question and "
            "every moment before it begins, and tells what became of each run. A run that somebody asked for "
            "is valid and in no sample: its moment was chosen. The ledger counts such runs, and tells the "
            "verdict with them.",
            source="RFC 2330 section 11.1, RFC 3432",
        ),
        Way(
            id="floor",
            figure="Assured floor",
            how=f"The rate that {_percent(1 - floor.FLOOR_SHARE)} of comparable runs exceed, with "
            f"{_percent(sampling.CONFIDENCE)} confidence, by their slowest seconds. It needs "
            f"{floor.LEAST_RUNS} runs; "
            "with fewer the slowest run stands in, and that is said.",
            source="order statistics, independent values",
        ),
        Way(
            id="week-hours",
            figure="Rates by hour of the week",
            how="The middle one of an hour's runs that count, and how many of them missed the stated rate, "
            "as the verdict on the contract has it; without a stated rate, the middle against that of all "
            f"hours. An hour is called the worst from {week_hours.ENOUGH_RUNS} runs on.",
            source=f"own; the borders of the four signs are {PRACTICE}",
        ),
        Way(
            id="promises",
            figure="Delay and loss against the card",
            how="The percentile of the month's pooled histogram, with lost packets left out and counted as "
            "infinite. "
            "Where the two disagree nothing is decided. For loss, a minute with losses counts as one event.",
            source="RFC 6703 section 5, RFC 7679 section 5; classes of ITU-T Y.1541 for information",
        ),
        Way(
            id="acceptance",
            figure="Rows of the acceptance sheet",
            how="Each row has its limit, its method and that method's error. A figure nearer to its limit "
            "than the "
            "error is undecided; a run shorter than the row asks can miss a limit and never keep it.",
            source="stands on each row",
        ),
        Way(
            id="side-by-side",
            figure="Side-by-side",
            how="Two handoffs over the same days by hour of the local day: medians of the runs that count, "
            "percentiles "
            "of pooled delays, loss of all packets, stalls over the time that was watched.",
            source="own",
        ),
        Way(
            id="trend",
            figure="Trend and changes of level",
            how="A slope as the median of all pairs of days, with a range widened by how alike "
            "neighbouring days are; "
            "and the days on which a figure moved to another level and stayed.",
            source="Theil and Sen; PELT (library ruptures)",
        ),
    ),
)

TERM = Topic(
    id="term",
    title="Availability and money",
    ways=(
        Way(
            id="availability",
            figure="Availability",
            how="Time less outages by the contract's rule; a gap in measuring is neither good nor bad, and "
            "the best and "
            "the worst case say what it allows. The other rules stand beside it: "
            f"{_outages()}.",
            source="the contract card, else as said at each rule",
        ),
        Way(
            id="credits",
            figure="Credits",
            how="The card's ladder, its clause on slow repair and its cap, step by step in exact decimals, "
            "rounded once "
            "to the hundredth. The provider's own counting is worked out beside ours, with the clause that "
            "decides.",
            source="the contract card",
        ),
        Way(
            id="renewal",
            figure="What the term came to",
            how="A month is paid when it begins, at the first price and with every rise that the card "
            "allows. A Mb/s "
            "costs the fee over the median of what was delivered.",
            source="the contract card",
        ),
        Way(
            id="bytes",
            figure="Bytes under an allowance or a cap",
            how="Tests' bytes are counted run by run and minute by minute; those under a provider's cap by "
            "the interface "
            "of this host. The provider's own counter decides.",
            source="own",
        ),
    ),
)

SHOWS = Topic(
    id="shows",
    title="Shows and uploads",
    ways=(
        Way(
            id="answer",
            figure="Go, Tight, Hold, Unknown",
            how="Demand and peak at the IP layer against the floor of comparable hours: Go up to "
            f"{_percent(stream.GO_SHARE)} of it and a peak up to {_percent(stream.PEAK_SHARE)}, Tight up to "
            f"{_percent(stream.TIGHT_SHARE)}; and the stalls of those hours, replayed through the plan's "
            "send buffers. "
            "Either can say Hold. Less than half an hour of train is no ground for Go.",
            source=f"own; the shares: {PRACTICE}",
        ),
        Way(
            id="comparable",
            figure="Comparable hours",
            how="From one hour before the start to the end, on days of the same class (Monday to Friday, "
            "Saturday and "
            "Sunday), of the last four weeks, by the site's clocks.",
            source=PRACTICE,
        ),
        Way(
            id="buffer",
            figure="Freezes and seconds lost",
            how="The send buffer as a queue of seconds: it grows while the line carries less than the "
            "demand, shrinks "
            "while it carries more, and what exceeds it is lost, with the wait for the next keyframe.",
            source="own",
        ),
        Way(
            id="chance",
            figure="Chance of a clean show, and its score",
            how="Each comparable day is a trial: would the show have stayed clean? The bounds are exact. "
            "Afterwards the "
            "square of what was said less what came is the Brier score; 0 is best.",
            source="exact binomial bounds; Brier 1950, from memory",
        ),
        Way(
            id="rehearsal",
            figure="Rehearsal",
            how="The plan's own bytes, without pictures, at its mean rate with its keyframes. A frame is "
            "late when it "
            "comes later than the buffer allows after the best one.",
            source="own",
        ),
        Way(
            id="upload",
            figure="When an upload is over",
            how="Walked hour by hour over past days as they were, less the hours kept free: half of the "
            "ways end by the "
            "first time, nine in ten by the second.",
            source="own",
        ),
    ),
)

OWNERS = Topic(
    id="owners",
    title="Whose it is",
    ways=(
        Way(
            id="segments",
            figure="Segment and owner",
            how="House, provider's first hops and two outside endpoints are measured in the same seconds. "
            "A trouble is "
            "placed where everything before it was clean and something beyond it shows it as well; "
            "otherwise it is "
            "undecided, with what would decide.",
            source="own",
        ),
        Way(
            id="cases",
            figure="Case",
            how="Events of one handoff that lie no further apart than the site file's gap. The owner is "
            "who must act as "
            "far as simultaneous trains tell; unknown means that they do not.",
            source="own",
        ),
        Way(
            id="findings",
            figure="Findings",
            how="What four weeks look like, signature by signature, each with its counts. One that rests "
            "on a test shows "
            f"in a line without the fault with a chance of {_percent(CHANCE)} at most. What the record lacks "
            "for the others stands below them. A name lookup is a query over UDP to the resolver itself "
            "(RFC 1035); an answer that its TTL shows to be out of the resolver's memory is none.",
            source=PRACTICE,
        ),
        Way(
            id="failover",
            figure="Failover",
            how="The main uplink is pulled. Breaks of trains on both ways give the moments, to the time "
            "between two "
            "packets.",
            source="own",
        ),
        Way(
            id="house",
            figure="The house's own way",
            how="The most payload that each port shows in full frames; the weakest hop, and the cheapest "
            "cure.",
            source="IEEE 802.3, RFC 7323",
        ),
    ),
)

RECORD = Topic(
    id="record",
    title="The record itself",
    ways=(
        Way(
            id="gaps",
            figure="Gap",
            how="A time without measuring, for whatever reason, is neither good nor bad; it is drawn as a "
            "band and leaves "
            "every figure.",
            source="own",
        ),
        Way(
            id="seal",
            figure="Seal",
            how="Every record is in a hash chain in the order of storing; each day's end is signed, and "
            "stamped by a "
            "time-stamping authority where the site file names one. A correction is a record of its own; "
            "nothing is "
            "changed.",
            source="SHA-256, Ed25519 (RFC 8032), RFC 3161",
        ),
        Way(
            id="longer-times",
            figure="Figures of longer times",
            how="Minutes are summed into ten minutes, hours, six hours and days: counts are added, "
            "histograms merged. A "
            "chart of a month is drawn from these.",
            source="own",
        ),
    ),
)

TOPICS = (RATES, TRAINS, VERDICTS, TERM, SHOWS, OWNERS, RECORD)
WAYS = {way.id: way for topic in TOPICS for way in topic.ways}
