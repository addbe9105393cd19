"""The twenty objections that a provider's engineer may raise, each with what the record says to it.

Ruled out means that every run which counts, or every record of the time, rules it out; in part that some do;
else it is not ruled out, and the sentence says what is missing. The list is common practice, no source. Pure.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from store.card import Card
from store.layers import Layer
from store.quantities import counted, grouped, percent
from store.records import Carrier, Circumstances, RateRun

NEAR_US = 20_000  # an endpoint farther than this is not near (common practice, no source)
LONG_DAYS = 14  # of runs (common practice, no source)
CLOCK_OFF_US = 50_000  # the most that the clock of a log may be off (common practice, no source)
_CPU_RATIO, _WINDOW_RATIO = 0.9, 0.2


class Ruled(StrEnum):
    OUT = "ruled out"
    IN_PART = "ruled out in part"
    NOT = "not ruled out"


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """Trains inside the house: packets sent and lost; of the line's stalls, how many had one there too."""

    sent: int
    lost: int
    line_stalls: int
    shared_stalls: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What the record holds of a time; `runs` are those that count in the verdicts, either direction.

    `planned` is every run of the line that was made, left out or not; `skipped` and `failed` never came
    about. `inside` are endpoints in the provider's own network. `works` are announced works in the time,
    `excused_s` what they excused. `ceilings` are all measured by then.
    """

    runs: Sequence[RateRun]
    planned: int
    skipped: int
    failed: int
    days: int
    card: Card
    networks: tuple[str, ...]
    endpoints: tuple[str, ...]
    inside: tuple[str, ...]
    house: House | None
    house_routers: int
    hops_watched: bool
    ceilings: int
    paced_runs: int
    works: int
    excused_s: float
    clock_changes: int
    carrier_lost: int
    tickets: int
    campaigns: int
    own_bytes: int
    cap_bytes: int | None
    heads: int
    stamped: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Objection:
    """One row. `says` is the objection, `because` the proof or what is missing."""

    number: int
    says: str
    word: Ruled
    because: str


def judge(proof: Proof) -> tuple[Objection, ...]:
    """All twenty, in their order."""
    return tuple(
        Objection(number=number, says=says, word=word, because=because)
        for number, (says, rule) in enumerate(_ROWS, 1)
        for word, because in (rule(proof),)
    )


Answer = tuple[Ruled, str]


def _all(
    proof: Proof, holds: Callable[[Circumstances], bool | None], yes: str, no: str, unknown: str
) -> Answer:
    """A property of every counted run; None where a run does not say."""
    if not proof.runs:
        return Ruled.NOT, "No rate run counts in this time, so there is none to look at."
    found = [holds(run.circumstances) for run in proof.runs]
    good, bad, dark = (found.count(each) for each in (True, False, None))
    total = len(found)
    if good == total:
        return Ruled.OUT, f"{yes} in all {total} runs that count."
    parts = [f"{yes} in {good} of {total} runs that count"] if good else []
    parts += [f"{no} in {bad}"] if bad else []
    parts += [f"{unknown} in {dark}"] if dark else []
    return (Ruled.IN_PART if good else Ruled.NOT), f"{'; '.join(parts)}."


def _wireless(proof: Proof) -> Answer:
    word, because = _all(
        proof,
        lambda one: (
            None if one.carrier is Carrier.UNKNOWN else one.carrier in (Carrier.WIRED, Carrier.LOOPBACK)
        ),
        "The probe was wired",
        "it was not",
        "how it was connected is not known",
    )
    house = proof.house
    if house is None or not house.sent:
        said = " No train ran inside the house, so its own segment is not shown."
        return (Ruled.IN_PART if word is Ruled.OUT else word), because + said
    share = house.lost / house.sent
    said = (
        f" Inside the house {grouped(house.lost)} of {grouped(house.sent)} packets were lost "
        f"({percent(share, 4)}); of "
        f"{grouped(house.line_stalls)} stalls of the line, {grouped(house.shared_stalls)} had a stall "
        "inside the house in the "
        "same seconds."
    )
    if house.lost or house.shared_stalls:
        word = Ruled.IN_PART if word is Ruled.OUT else word
        said += " Loss or stalls of that size may be the house’s."
    return word, because + said


def _own_traffic(proof: Proof) -> Answer:
    return _all(
        proof,
        lambda one: None if one.other_up_bps is None or one.other_down_bps is None else True,
        "What else this host moved on the interface was counted, and was within the rule (the ledger has the "
        "runs that were not)",
        "it was not",
        "it was not counted",
    )


def _far(proof: Proof) -> Answer:
    near = {
        name: min(found)
        for name in proof.endpoints
        if (found := [run.rtt_idle_us.p50 for run in proof.runs if run.endpoint == name and run.rtt_idle_us])
    }
    if not near:
        return Ruled.NOT, "No run that counts has an idle round-trip time."
    told = ", ".join(f"{name} {value / 1000:.1f} ms" for name, value in sorted(near.items()))
    close = all(value <= NEAR_US for value in near.values())
    said = f"Idle round trips of the runs that count, the least p50: {told}."
    if len(near) < 2:
        return (
            Ruled.IN_PART if close else Ruled.NOT,
            f"{said} One endpoint alone; two in different networks decide.",
        )
    if not close:
        return Ruled.IN_PART, f"{said} Over {NEAR_US // 1000} ms is not near."
    return (
        Ruled.IN_PART,
        f"{said} What each of them shows from another site at the same time is not on record.",
    )


def _one_sample(proof: Proof) -> Answer:
    runs = len(proof.runs)
    over = f"{counted(runs, 'run')} counted, on {counted(proof.days, 'day')}"
    said = f"{over}; every verdict has its bounds beside it."
    if not runs:
        return Ruled.NOT, "No run counts."
    return (
        (Ruled.OUT, said)
        if proof.days >= LONG_DAYS
        else (Ruled.IN_PART, f"{said} {LONG_DAYS} days are usual.")
    )


def _layer(proof: Proof) -> Answer:
    if proof.card.layer is Layer.NOT_STATED:
        return (
            Ruled.IN_PART,
            "The contract does not say at which layer its rate counts; where that decides, the verdict is "
            "Undecided. Every rate is on record at all layers, from the packets’ real sizes.",
        )
    return (
        Ruled.OUT,
        "The contract states its layer, and every rate is converted to it from the packets’ real sizes.",
    )


def _computer(proof: Proof) -> Answer:
    if not proof.runs:
        return Ruled.NOT, "No rate run counts in this time."
    held = sum("ceiling_unknown" not in run.reasons for run in proof.runs)
    busy = [run.circumstances.probe_cpu_ratio for run in proof.runs]
    known = [one for one in busy if one is not None]
    said = (
        f"{held} of {len(proof.runs)} runs that count were held against measured ceilings of this host and "
        f"the "
        f"endpoint ({proof.ceilings} measurements on record by then)."
    )
    if known:
        most = percent(max(known))
        said += f" The probe’s processor was used to {most} of a core at most, in {len(known)} runs."
    if not proof.ceilings:
        return Ruled.NOT, f"{said} No ceiling has been measured."
    return (Ruled.OUT if held == len(proof.runs) and len(known) == held else Ruled.IN_PART), said


def _cable(proof: Proof) -> Answer:
    return _all(
        proof,
        lambda one: None if one.frame_errors is None else one.frame_errors == 0,
        "No frame was damaged at the probe’s own port",
        "some were",
        "the port did not say",
    )


def _port(proof: Proof) -> Answer:
    needed = max(proof.card.rate_up_bps or 0, proof.card.rate_down_bps or 0)
    return _all(
        proof,
        lambda one: (
            None if one.port_rate_bps is None else one.port_rate_bps > needed and one.duplex == "full"
        ),
        "The port had negotiated full duplex and more than the stated rate",
        "it had not",
        "the port did not say",
    )


def _tunnel(proof: Proof) -> Answer:
    try:
        networks = [ipaddress.ip_network(one, strict=False) for one in proof.networks]
    except ValueError:
        networks = []

    def direct(one: Circumstances) -> bool | None:
        if one.left_elsewhere is not None or one.carrier is Carrier.TUNNEL:
            return False
        if one.egress_address is None or not networks:
            return None
        return any(ipaddress.ip_address(one.egress_address) in network for network in networks)

    word, because = _all(
        proof,
        direct,
        "The run left by the handoff and its address, as the endpoint saw it, is in the assigned range",
        "it is not",
        "the range or the address is not on record",
    )
    if (
        word is Ruled.NOT
        and proof.runs
        and all(one.circumstances.left_elsewhere is None for one in proof.runs)
    ):
        word, because = (
            Ruled.IN_PART,
            f"No run that counts left through a tunnel or by another way; {because}",
        )
    return word, because


def _window(proof: Proof) -> Answer:
    sides = [side for run in proof.runs for side in run.sides().values()]
    known = [side for side in sides if side.window_limited_ratio is not None]
    if not known:
        return Ruled.NOT, "No run that counts says how long a window held its sender."
    held = sum((side.window_limited_ratio or 0) > _WINDOW_RATIO for side in known)
    most = max(side.window_limited_ratio or 0 for side in known)
    said = (
        f"The receiver’s window held the sender for {percent(most)} of a run at most, in {len(known)} of "
        f"{len(sides)}."
    )
    paced = f" Runs over UDP, which have no window, on record beside: {proof.paced_runs}."
    if held or len(known) < len(sides):
        return Ruled.IN_PART, said + paced
    return (Ruled.OUT if proof.paced_runs else Ruled.IN_PART), said + paced


def _single_flow(proof: Proof) -> Answer:
    flows = sorted({run.flows for run in proof.runs})
    if not flows:
        return Ruled.NOT, "No run counts."
    said = f"Runs that count had {', '.join(map(str, flows))} flow{'s' if flows != [1] else ''}."
    if flows[0] == 1 and len(flows) > 1:
        return Ruled.OUT, said
    if flows == [1]:
        return Ruled.NOT, f"{said} None had several."
    return Ruled.IN_PART, f"{said} None had one, to compare with; the rate does not rest on a single flow."


def _internet(proof: Proof) -> Answer:
    if proof.inside:
        names = ", ".join(proof.inside)
        rated = sum(run.endpoint in proof.inside for run in proof.runs)
        return (
            Ruled.OUT if rated else Ruled.IN_PART,
            f"Trains ran to {names} in the provider’s own network; its figures stand beside the others. Of "
            f"the rate runs that count, {rated} went there.",
        )
    if proof.hops_watched:
        return (
            Ruled.IN_PART,
            "The first routers of the way were asked all the time; what they answered around each stall is "
            "in the "
            "data. No endpoint stands in the provider’s own network.",
        )
    return Ruled.NOT, "No endpoint stands in the provider’s own network, and its routers were not asked."


def _maintenance(proof: Proof) -> Answer:
    if proof.works:
        return (
            Ruled.OUT,
            f"{proof.works} announced works are on record in this time; what they excuse "
            f"({proof.excused_s / 60:.0f} min) is told apart in the outages.",
        )
    return (
        Ruled.NOT,
        "No announcement of works is on record for this time; if there was one, its reference and hours "
        "would be "
        "entered and the figures made with and without it.",
    )


def _clock(proof: Proof) -> Answer:
    word, because = _all(
        proof,
        lambda one: (
            None
            if one.clock_synchronised is None
            else one.clock_synchronised and (one.clock_error_us is None or one.clock_error_us <= CLOCK_OFF_US)
        ),
        "The kernel held the clock synchronised to 50 ms or better",
        "it did not",
        "it did not say",
    )
    return word, (
        f"{because} Changes of the clock on record: {proof.clock_changes}; lengths of time are by a "
        f"clock that "
        "nobody sets."
    )


def _router(proof: Proof) -> Answer:
    if proof.house_routers == 0:
        return Ruled.OUT, "The probe stood at the handoff itself, with no router of the house between."
    said = f"{proof.house_routers} router of the house stands between the probe and the handoff"
    if proof.house is not None and proof.house.sent:
        return (
            Ruled.NOT,
            f"{said}. Trains to a house endpoint are on record; a run without the router is not.",
        )
    return (
        Ruled.NOT,
        f"{said}; a run straight at the handoff, or an endpoint on each side of the router, would decide.",
    )


def _rebooted(proof: Proof) -> Answer:
    said = f"Carriers that the port lost in this time: {proof.carrier_lost}"
    return (
        Ruled.NOT,
        f"{said}; tickets on record: {proof.tickets}. How long the provider’s device has been "
        f"up only "
        "the provider can say.",
    )


def _bad_days(proof: Proof) -> Answer:
    said = (
        f"Every run of this time is in the data: {proof.planned} made, of which {len(proof.runs)} count, "
        f"{proof.failed} failed and {proof.skipped} skipped, each with its reason; what each rule left out "
        f"is in "
        "the ledger."
    )
    if proof.campaigns:
        return Ruled.OUT, f"{said} {proof.campaigns} campaigns were fixed and sealed before their first run."
    return Ruled.IN_PART, f"{said} The schedule was not fixed as a campaign beforehand."


def _versions(proof: Proof) -> Answer:
    sides = [side.ip_version for run in proof.runs for side in run.sides().values()]
    counts = ", ".join(f"IPv{one}: {sides.count(one)}" for one in sorted(set(sides)))
    if not sides:
        return Ruled.NOT, "No run counts."
    if len(set(sides)) == 2:
        return Ruled.OUT, f"Both were measured ({counts}); the data have them apart."
    return Ruled.NOT, f"Only one was measured ({counts})."


def _fair_use(proof: Proof) -> Answer:
    said = f"Measuring itself moved {proof.own_bytes / 1e9:.1f} GB in this time."
    if proof.cap_bytes is None:
        if proof.card.acceptable_use:
            return (
                Ruled.IN_PART,
                f"{said} The contract limits use; whether all use kept within it is not on record.",
            )
        return Ruled.IN_PART, f"{said} No cap is on record for this handoff."
    share = proof.own_bytes / proof.cap_bytes
    return (
        Ruled.IN_PART,
        f"{said} That is {percent(share)} of the month’s {proof.cap_bytes / 1e12:g} TB; the provider’s own "
        f"counter decides.",
    )


def _edited(proof: Proof) -> Answer:
    if not proof.heads:
        return Ruled.NOT, "No head of the record has been signed yet."
    said = (
        f"Records are only added, each chained to the one before by SHA-256; {proof.heads} heads are signed "
        f"(Ed25519), {proof.stamped} of them stamped by a third party. Nothing changed since."
    )
    if proof.stamped:
        return Ruled.OUT, said
    return (
        Ruled.IN_PART,
        f"{said} That each was sealed on its day rests on the key’s holder, unless a head was handed over "
        f"then.",
    )


_ROWS: tuple[tuple[str, Callable[[Proof], Answer]], ...] = (
    ("It is your in-house wireless.", _wireless),
    ("Your own traffic filled the line.", _own_traffic),
    ("Your far end is far away or slow.", _far),
    ("That is one sample.", _one_sample),
    ("Wrong layer: you measured payload.", _layer),
    ("Your computer cannot do it.", _computer),
    ("Bad cable.", _cable),
    ("Wrong port speed.", _port),
    ("You were in a tunnel or behind a proxy.", _tunnel),
    ("The TCP window was too small.", _window),
    ("A single flow is not the service.", _single_flow),
    ("It is the internet, not our access.", _internet),
    ("It happened in planned maintenance.", _maintenance),
    ("Your clock is wrong.", _clock),
    ("Your router cannot carry that.", _router),
    ("You tested while our device restarted.", _rebooted),
    ("You picked the bad days.", _bad_days),
    ("IPv6 and IPv4 differ.", _versions),
    ("You crossed a limit of use.", _fair_use),
    ("The numbers are edited.", _edited),
)
