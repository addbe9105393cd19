"""The signatures of a line's faults as data: what shows, what it is, what would confirm it, who acts.

Every row is common practice, no source, unless it names one: what engineers look for first, not a law.
Numbers 1 to 32 are those of the trade's table; 33 to 35 are our own. `owners` are those who usually act;
who must act this time is said by a finding, from the record alone. No row speaks of anybody's intent. Data
and the look-up; imports store.records.
"""

from __future__ import annotations

from dataclasses import dataclass

from store.records import Owner

_H, _P, _E, _U = Owner.HOUSE, Owner.PROVIDER, Owner.ENDPOINT, Owner.UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """One row; a detector looks for each."""

    number: int
    name: str
    symptom: str
    cause: str
    confirm: str
    owners: tuple[Owner, ...]
    ask: str


def signature(number: int) -> Signature:
    """The row of that number; KeyError for one that the table does not have."""
    return _BY_NUMBER[number]


def _row(
    number: int,
    name: str,
    symptom: str,
    cause: str,
    confirm: str,
    owners: tuple[Owner, ...],
    ask: str,
) -> Signature:
    return Signature(
        number=number,
        name=name,
        symptom=symptom,
        cause=cause,
        confirm=confirm,
        owners=owners,
        ask=ask,
    )


SIGNATURES: tuple[Signature, ...] = (
    _row(
        1,
        "flat top of a 100 Mb/s port",
        "rates stay level within 1 % of what a 100 Mb/s port shows at most",
        "a port at 100 Mb/s, or a lead that has only two good pairs",
        "the port's negotiated rate, and another lead",
        (_H,),
        "a new lead; keep the log of the port's rate",
    ),
    _row(
        2,
        "flat top of a faster port",
        "rates stay level within 1 % of what a port of 1, 2.5, 5 or 10 Gb/s shows at most",
        "a port of that class somewhere on the way",
        "a split: which segment has the same top",
        (_H, _P),
        "a faster port where the top is; none if the contract promises no more",
    ),
    _row(
        3,
        "busy-hour trough",
        "rates sink in the busy hours of most days, on every endpoint",
        "the last segment is shared and full at these hours",
        "the rate by hour of day, and the provider's first hop slower at the same hours",
        (_P,),
        "the load of the segment at these hours, and the date by which it will be widened",
    ),
    _row(
        4,
        "trough to one endpoint",
        "rates sink at the same hours to one endpoint, and not to another",
        "a full link between networks on the way to that endpoint",
        "the other endpoint in the same hours, and the hops on both ways",
        (_P, _E),
        "another route to that network, with the hop listing of both ways",
    ),
    _row(
        5,
        "limit at another layer than agreed",
        "what passes shrinks with the frames in another measure than the contract's",
        "the limit counts another layer than the contract states",
        "a size sweep in each direction (acceptance row A10)",
        (_P,),
        "the limit set anew at the layer that the contract states",
    ),
    _row(
        6,
        "burst size too small",
        "one flow is slow and many are fast, packets are lost, and delay stays",
        "a policer that lets too little pass at once",
        "a burst run (A11), and one flow against eight (A16)",
        (_P,),
        "a larger committed burst, or a shaper; until then shape on the own side",
    ),
    _row(
        7,
        "window of one flow",
        "one flow is slow and many are fast, and nothing is lost",
        "window / round trip is less than the line carries (RFC 6349 section 3.3, from memory)",
        "the window in use, times 8, over the round trip",
        (_H, _E),
        "larger windows at the ends; no fault of the line",
    ),
    _row(
        8,
        "queue too large",
        "delay grows by more than 100 ms while the line is full, and little is lost",
        "the modem's or router's queue holds more than it should",
        "a loaded-delay run",
        (_H, _P),
        "shape at 90 to 95 % of the rate with active queue management (RFC 7567, RFC 8290)",
    ),
    _row(
        9,
        "random loss without delay",
        "packets are lost one by one under light load, and delay stays",
        "noise on copper or coax, or a dirty connector",
        "error counters, the provider's first hop, and a join with weather or switching times",
        (_P, _H),
        "signal levels and the error log of these times, and the connectors cleaned",
    ),
    _row(
        10,
        "loss in step with keyframes",
        "packets are lost at the period of the keyframes",
        "keyframes arrive at once and meet a policer",
        "the moments of loss against the keyframe interval",
        (_H, _P),
        "pace the sender or stagger keyframes; a larger committed burst",
    ),
    _row(
        11,
        "stalls with packets held",
        "silences of half a second and more, after which the packets come in a bunch",
        "a scheduler of the access, radio, re-ranging, or pause frames",
        "pause counters, the house endpoint in the same second, the modem's log",
        (_P, _H),
        "the access's own log for the listed times",
    ),
    _row(
        12,
        "stalls with packets lost",
        "silences of half a second and more whose packets never come",
        "a signal that is gone for a moment, a route that changes, a protection switch",
        "the provider's first hop in the same second, and the optic's log",
        (_P,),
        "the event log and protection events of the listed times",
    ),
    _row(
        13,
        "outage at the same hour",
        "minutes without anything at the same time of day, days apart",
        "a modem or device that restarts or registers anew",
        "how long that device says that it has been up",
        (_P,),
        "the device's restarts at these times, its software and its lease",
    ),
    _row(
        14,
        "path step",
        "the least round trip moves to another value and stays, and nothing is lost",
        "another path",
        "the hops before and after",
        (_P,),
        "was it intended, and does the promised delay still hold?",
    ),
    _row(
        15,
        "clock skew",
        "one-way delay runs away for hours in one direction while the round trip stays",
        "the clock of the probe or of an endpoint drifts",
        "the clock's own record",
        (_H,),
        "mend the clock; leave one-way figures of that time out",
    ),
    _row(
        16,
        "duplex mismatch",
        "damaged frames at the probe's port that grow with load, or a port at half duplex",
        "one side of a link is forced and the other negotiates (IEEE 802.3 clause 28, from a summary)",
        "the settings of both ends",
        (_H, _P),
        "both sides set to negotiate",
    ),
    _row(
        17,
        "failing optic or dirty fibre",
        "the light that arrives sinks over days",
        "a dirty connector, a bent fibre, or an optic that ages",
        "the light by day against the install day's, and damaged frames",
        (_P, _H),
        "clean, measure at both ends, replace; never look into a fibre",
    ),
    _row(
        18,
        "packets too long for the way",
        "small packets pass, and long ones are gone",
        "a smaller MTU on the way, and messages about it that are dropped (RFC 2923)",
        "a path MTU run in both IP versions",
        (_H, _P),
        "the MTU mended, or the largest segment held down at the router",
    ),
    _row(
        19,
        "IPv6 behind IPv4",
        "IPv6 is slower, or its round trip longer, than IPv4 to the same endpoint",
        "a tunnel or another path",
        "both versions to the same endpoint, and to another one",
        (_P,),
        "native IPv6, and its route",
    ),
    _row(
        20,
        "both ways at once collapse",
        "up and down are each fast alone, and slow together",
        "half duplex, a shared medium, or a router at its limit",
        "both ways at once at the handoff, without the router (A7)",
        (_H, _P),
        "by what the run at the handoff shows",
    ),
    _row(
        21,
        "handoffs together collapse",
        "each handoff is fast alone, and slow while the other one is filled",
        "the device's uplink, or one limit for both",
        "both handoffs at once (A15)",
        (_P,),
        "a faster uplink of the device, or the limit of each handoff by itself",
    ),
    _row(
        22,
        "limit of the probe",
        "runs come to what this host carries at most",
        "its processor, power saving, or a bus",
        "the host's ceiling",
        (_H,),
        "mend the host; its runs are void",
    ),
    _row(
        23,
        "own traffic at fixed hours",
        "runs at the same time of day meet other traffic of the house",
        "a backup of the house",
        "the interface's own counters at these hours",
        (_H,),
        "move the backup; leave these runs out",
    ),
    _row(
        24,
        "fast first seconds",
        "the first seconds of a run are faster than all that follow",
        "a burst allowance of the contract, or an optic or card that gets hot",
        "a long run against a short one",
        (_P, _H),
        "the clause of the contract; cooling",
    ),
    _row(
        25,
        "outage without link",
        "everything is lost, and the port has no carrier",
        "a cut, power, or an optic",
        "the neighbours' power, and the lights of the device in words",
        (_P, _H),
        "a ticket with the time",
    ),
    _row(
        26,
        "outage with link",
        "everything is lost, and the port keeps its carrier",
        "the provider's edge, authentication, or routing",
        "the provider's first hop in the same minutes",
        (_P,),
        "a ticket with the time",
    ),
    _row(
        27,
        "loss with something switched on in the house",
        "loss or stalls lie within times of the house's own list, and hardly outside",
        "interference, or the mains sag, in the house",
        "the same hours of a week with it off",
        (_H,),
        "shielding, a battery-backed supply, an electrician",
    ),
    _row(
        28,
        "slow while a show runs",
        "rates fall while a show runs and the line is idle otherwise",
        "an encoder that shares the probe's host, or a class of service",
        "a probe on another host",
        (_H, _P),
        "move the probe; where another host shows the same, ask for the classes of service on the line",
    ),
    _row(
        29,
        "slow name lookup",
        "names take long, and packets pass as usual meanwhile",
        "the resolver, or a server that it asks in turn",
        "the same names asked of another resolver",
        (_P, _H),
        "another resolver",
    ),
    _row(
        30,
        "slow decline",
        "the low rates of each week sink over months",
        "growth on the segment, an optic, or new traffic of the house",
        "the slope with its range, at the same own traffic",
        (_P, _U),
        "the plan for the segment's capacity",
    ),
    _row(
        31,
        "two values by run",
        "runs fall into two groups, one after the other in no order of time",
        "two paths by the flow's numbers, one of them bad",
        "runs sorted by flow and port",
        (_P,),
        "a check of each member link",
    ),
    _row(
        32,
        "reordering",
        "more than 1 % of packets come after later ones, and nothing is lost",
        "unequal links in parallel",
        "sequence numbers of a paced run",
        (_P,),
        "balancing by flow",
    ),
    _row(
        33,
        "endpoint busy",
        "rates to one endpoint are held level at some hours of some days, and not to another",
        "that endpoint, or its own line, is busy",
        "the endpoint's own load, or a run from another site",
        (_E,),
        "ask whoever runs that endpoint; these runs say nothing of the line",
    ),
    _row(
        34,
        "warm optic",
        "the optic is hotter than 70 degrees, without damaged frames",
        "a warm room, or air that does not move",
        "the temperature by hour of day",
        (_H,),
        "ventilate, and watch it",
    ),
    _row(
        35,
        "slow failover",
        "the main uplink fails, and traffic takes more than 10 s to go by the other one, which works",
        "the router looks seldom whether an uplink works",
        "the router's own timers for that look",
        (_H,),
        "shorter timers; the show's encoders will still dial anew",
    ),
)

_BY_NUMBER = {row.number: row for row in SIGNATURES}
