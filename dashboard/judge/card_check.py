"""What a contract card leaves open, says vaguely, or promises beyond what its own port can carry.

Looked at when a site file is checked, before anything is measured: each finding is one sentence, with the
question to put to the provider in writing. Figures come from judge.layers. Imports that and site's values.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from enum import StrEnum

from dashboard.judge import layers
from store.card import Card, Commitment
from store.clock import local
from store.layers import Layer
from store.records import Direction
from store.site import Handoff


class Trouble(StrEnum):
    """Why a card is spoken of: it cannot be kept, or can be read in more than one way."""

    UNMEETABLE = "unmeetable"
    VAGUE = "vague"


@dataclass(frozen=True, slots=True, kw_only=True)
class Warned:
    """One warning: the card's keys it is about, what is wrong, and what to ask the provider."""

    trouble: Trouble
    keys: tuple[str, ...]
    because: str
    question: str

    def as_json(self) -> dict[str, object]:
        """As a program reads it."""
        return {
            "trouble": str(self.trouble),
            "keys": list(self.keys),
            "because": self.because,
            "question": self.question,
        }


def warnings(card: Card) -> tuple[Warned, ...]:
    """What is wrong with one card by itself, the unmeetable first. A card without any rate promises none."""
    found = [*_beyond_port(card), *_framing(card)]
    if card.rate_up_bps is not None or card.rate_down_bps is not None:
        found += _vague_rates(card)
    return (*found, *_vague_delay(card), *_vague_availability(card), *_vague_term(card))


def warnings_of(handoff: Handoff, *, now_unix_ns: int, where: tzinfo) -> tuple[Warned, ...]:
    """What is wrong with the version of its card that is in force, then with those to come."""
    found = [*warnings(handoff.card_at(now_unix_ns))]
    for card in handoff.cards:
        if card.from_unix_ns is not None and card.from_unix_ns > now_unix_ns:
            since = f"{local(card.from_unix_ns, where):%d %b %Y}"
            found += [
                replace(one, because=f"From {since} on: {one.because}")
                for one in warnings(card)
                if one not in found
            ]
    return tuple(found)


def warnings_together(handoffs: Sequence[Handoff], *, now_unix_ns: int) -> dict[str, tuple[Warned, ...]]:
    """What is wrong with cards side by side, by the name of the handoff that says it: those of one contract
    against each other, and a handoff that another one takes over from, if nobody says how fast."""
    cards = {handoff.name: handoff.card_at(now_unix_ns) for handoff in handoffs}
    found = {}
    for name, card in cards.items():
        mates = {other: each for other, each in cards.items() if other != name and card.same_contract(each)}
        denied = [warned for mate in mates.items() for warned in _contradicts((name, card), mate)]
        found[name] = (*denied, *_total((name, card), mates))
    for handoff in handoffs:
        found[handoff.name] += tuple(_failover(handoff, handoffs))
    return found


def _failover(handoff: Handoff, handoffs: Sequence[Handoff]) -> list[Warned]:
    backups = [each.name for each in handoffs if each.failover_only and each.name != handoff.name]
    if not backups or handoff.failover_only or handoff.failover_within_s is not None:
        return []
    because = (
        f"{', '.join(backups)} takes over when {handoff.name} fails, and nothing states how fast "
        "(failover_within), so row A17 of its acceptance stays undecided."
    )
    question = (
        f"Within how many seconds of a failure does traffic go by {' or '.join(backups)}, by which device is "
        "that decided, and how soon does it come back? Where a router of the house decides, write down as "
        "failover_within what your shows bear."
    )
    return [_vague(("failover_within",), because, question)]


def questions(card: Card) -> tuple[str, ...]:
    """What the card leaves open, each as a question to put to the provider; the layer comes first."""
    asked = [question for key, question in _QUESTIONS if key in _unanswered(card)]
    if card.layer is Layer.NOT_STATED:
        known = Direction.UP if card.rate_up_bps is not None else Direction.DOWN
        asked.insert(0, layers.layer_question(card, known))
    return tuple(asked)


def _unanswered(card: Card) -> tuple[str, ...]:
    """The keys of the questions that the card does not answer, by its values."""
    open_ = [key for key, field in _FIELDS.items() if getattr(card, field) is None]
    return tuple(key for key in open_ if not (key == "term_end" and card.ends()))


# One card


def _beyond_port(card: Card) -> list[Warned]:
    found = []
    for direction in (Direction.UP, Direction.DOWN):
        because = layers.beyond_port(card, direction)
        if because is not None:
            keys = (f"rate_{direction}", "layer", "port_rate")
            question = (
                f"Which {layers.DIRECTION_WORDS[direction]} rate is committed on a port of "
                f"{layers.rate_text(card.port_rate_bps or 0)}, and at which layer does it count? Please put "
                "the wording right before the order is signed."
            )
            found.append(_unmeetable(keys, because, question))
    return found


def _framing(card: Card) -> list[Warned]:
    """A tag costs four bytes of the frame; a packet that fills the frame leaves none for it."""
    if card.mtu_bytes is None or card.frame_bytes is None or not card.vlan_tags:
        return []
    needs = card.mtu_bytes + 18 + 4 * len(card.vlan_tags)
    if card.frame_bytes >= needs:
        return []
    because = (
        f"An IP packet of {card.mtu_bytes} bytes with {_tags(card.vlan_tags)} is a frame of {needs} bytes, "
        f"and the largest frame is stated as {card.frame_bytes}: they do not pass together."
    )
    question = f"Does the largest frame of {card.frame_bytes} bytes count with its tags and FCS, or without?"
    return [_unmeetable(("mtu", "frame", "tags"), because, question)]


def _vague_rates(card: Card) -> list[Warned]:
    found = []
    if card.layer is Layer.NOT_STATED:
        known = Direction.UP if card.rate_up_bps is not None else Direction.DOWN
        bps = card.rate_bps(known) or 0
        packet = layers.packet_bytes(None)
        readings = [layers.at_layers(bps, layer, packet).goodput_bps for layer in (Layer.WIRE, Layer.PAYLOAD)]
        found.append(
            _vague(
                ("layer",),
                f"The layer of the rates is not stated: {layers.rate_text(bps)} may mean anything from "
                f"{_mbps(readings[0])} to {_mbps(readings[1])} Mb/s of TCP payload, and runs between decide "
                "nothing.",
                layers.layer_question(card, known),
            )
        )
    if card.commitment is Commitment.UP_TO:
        found.append(
            _vague(
                ("commitment",),
                '"Up to" promises no rate: a line that never reaches it breaks nothing.',
                "Which rate is committed at every hour, and in what share of tests must it be reached?",
            )
        )
    if card.commitment is not Commitment.COMMITTED:
        return found
    if card.both_at_once is None:
        found.append(
            _vague(
                ("both_at_once",),
                "It is not stated whether both directions hold their rates while both are full.",
                _asked("both_at_once"),
            )
        )
    if card.excess_bps is None:
        found.append(
            _vague(
                ("excess",),
                "It is not stated what becomes of traffic above the rate, so a run above it proves nothing.",
                _asked("excess"),
            )
        )
    return found


def _vague_delay(card: Card) -> list[Warned]:
    said = [
        word
        for word, value in (
            ("delay", card.rtt_p95_us),
            ("delay variation", card.pdv_p99_us),
            ("loss", card.loss_ratio),
        )
        if value is not None
    ]
    if not said or card.measured_to is not None:
        return []
    return [
        _vague(
            ("measured_to",),
            f"A promise of {_and(said)} names no far end, so the provider may choose one next door.",
            _asked("measured_to"),
        )
    ]


def _vague_availability(card: Card) -> list[Warned]:
    if card.availability_ratio is None or card.availability_rule is not None:
        return []
    return [
        _vague(
            ("availability_rule",),
            f"An availability of {_percent(card.availability_ratio)} without a rule of what an outage is can "
            "be counted in six ways that differ.",
            _asked("availability_rule"),
        )
    ]


def _vague_term(card: Card) -> list[Warned]:
    found = []
    counted = replace(card, term_end=None).ends()
    if card.term_end and counted and counted != card.term_end:
        found.append(
            _vague(
                ("term", "term_end"),
                f"By its start and its length the term ends on {counted}; the card states {card.term_end}.",
                f"Does the term end on {counted} or on {card.term_end}?",
            )
        )
    if card.ends() is not None and card.renewal is None:
        found.append(
            _vague(("renewal",), "It is not stated whether the term renews by itself.", _asked("renewal"))
        )
    if card.notice is not None and card.notice_span is None:
        found.append(
            _vague(
                ("notice",),
                f'The notice "{card.notice}" is no span that can be counted back from a date.',
                "How many days or months before the end of the term must notice be with you?",
            )
        )
    if card.deemed_working_days is not None and card.handover is None:
        found.append(
            _vague(
                ("handover",),
                f"The circuit counts as accepted {card.deemed_working_days} working days after handover, and "
                "no handover date is stated, so the time for a refusal cannot be counted.",
                _asked("handover"),
            )
        )
    return found


# Cards together


def _contradicts(own: tuple[str, Card], mate: tuple[str, Card]) -> list[Warned]:
    """What one card says of the other and the other denies; told once, by the one that says it."""
    (name, card), (other, theirs) = own, mate
    denies = dict(theirs.shared())
    return [
        _vague(
            (f"shared_{what}",),
            f"{name} says that it shares its {what} with {other}; the card of {other} does not.",
            f"Do the handoffs {name} and {other} share their {what}?",
        )
        for what, with_ in card.shared()
        if other in (with_ or ()) and denies[what] is not None and name not in (denies[what] or ())
    ]


def _total(own: tuple[str, Card], mates: Mapping[str, Card]) -> list[Warned]:
    """A stated total against the sum of the rates that are to hold at once."""
    name, card = own
    together = {other: mate for other, mate in mates.items() if other in (card.at_once_with or ())}
    if card.total_bps is None or not together:
        return []
    names = _and([name, *together])
    total = layers.rate_text(card.total_bps)
    found = []
    for direction in (Direction.UP, Direction.DOWN):
        rates = [each.rate_bps(direction) for each in (card, *together.values())]
        sum_bps = sum(rate or 0 for rate in rates)
        if None not in rates and sum_bps > card.total_bps:
            because = (
                f"{names} at once are {layers.rate_text(sum_bps)} {direction}; the stated total is {total}."
            )
            asked = f"Do {names} hold their rates at the same time, or share the total of {total}?"
            found.append(_unmeetable(("total_rate", "at_once_with"), because, asked))
    return found


def _unmeetable(keys: tuple[str, ...], because: str, question: str) -> Warned:
    return Warned(trouble=Trouble.UNMEETABLE, keys=keys, because=because, question=question)


def _vague(keys: tuple[str, ...], because: str, question: str) -> Warned:
    return Warned(trouble=Trouble.VAGUE, keys=keys, because=because, question=question)


def _asked(key: str) -> str:
    return dict(_QUESTIONS)[key]


def _tags(tags: Sequence[int]) -> str:
    return f"one tag ({tags[0]})" if len(tags) == 1 else f"{len(tags)} tags"


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _mbps(bps: float) -> str:
    return f"{bps / 1e6:.1f}"


def _percent(share: float) -> str:
    return f"{round(share * 100, 4):g} %"


_QUESTIONS = (  # a card's key, what to ask when it says nothing
    ("rate_up", "Which upload rate is committed, and is it held while the download runs at its own?"),
    ("rate_down", "Which download rate is committed, and is it held while the upload runs at its own?"),
    ("commitment", "Are the rates committed at every hour, or the best that may be reached?"),
    ("both_at_once", "Are both rates held while both directions are full at the same time?"),
    (
        "excess",
        "What becomes of traffic above the rate: is it dropped, delayed or carried, and how much?",
    ),
    ("burst_up", "Which burst size (CBS, in bytes) does the upload's limit let pass at once?"),
    ("burst_down", "Which burst size (CBS, in bytes) does the download's limit let pass at once?"),
    ("limiter_up", "Does the upload's limit drop what is more (a policer) or delay it (a shaper)?"),
    ("limiter_down", "Does the download's limit drop what is more (a policer) or delay it (a shaper)?"),
    ("medium", "Which medium is the handoff: copper or fibre, and which kind?"),
    ("connector", "Which connector does the handoff have, and which end is the customer's?"),
    ("port_rate", "At which rate and duplex does the handoff's port run, and is it forced or negotiated?"),
    ("auto_negotiation", "Is auto-negotiation on at the handoff, or are rate and duplex forced?"),
    ("at_once_with", "With which other handoffs at once are the rates held?"),
    ("total_rate", "Which rate is held over all handoffs together, in each direction?"),
    ("shared_device", "With which other handoffs does this one share the provider's device?"),
    ("shared_uplink", "With which other handoffs does it share that device's uplink, and how fast is that?"),
    ("shared_power", "With which other handoffs does it share its power supply?"),
    ("shared_fibre", "With which other handoffs does it share its fibre or duct?"),
    ("mtu", "How long may an IP packet be that the circuit carries whole, in IPv4 and in IPv6?"),
    ("frame", "What is the largest frame at the handoff, counted from addresses to FCS, with its tags?"),
    ("tags", "Which VLAN tags must frames carry at the handoff, and what becomes of others?"),
    ("addresses", "Which IPv4 and IPv6 address blocks are assigned to the handoff?"),
    ("routing", "How are those addresses routed to the handoff, and what is the gateway?"),
    ("reverse_dns", "Who keeps the reverse DNS of those addresses?"),
    ("delay", "Which round-trip delay is promised, to where, over which interval and percentile?"),
    (
        "delay_variation",
        "Which delay variation is promised: delay over the minimum, or packet to packet?",
    ),
    ("loss", "Which packet loss is promised, to where, and over which interval?"),
    (
        "measured_to",
        "To which far end are delay and loss promised, and may it be measured to?",
    ),
    ("availability", "Which availability is promised, per handoff or in all, and over which period?"),
    ("availability_rule", "What counts as an outage, when does its clock start, and what is left out?"),
    (
        "maintenance_cap",
        "How long may the provider's planned works take a month, how long before are they announced, and "
        "does what goes beyond count as an outage?",
    ),
    ("repair", "Within which time is a fault repaired, counted from when, and is that promised or a target?"),
    ("fee", "What is the monthly fee of this handoff, which service credits are computed from?"),
    ("service_start", "On which date does the service start?"),
    ("term_end", "On which date does the term end, and does it renew by itself?"),
    ("renewal", "For how long does the contract renew when nobody gives notice?"),
    ("index_from_month", "From which month on may the price rise?"),
    ("index_most", "By how much may the price rise a year, and by which index?"),
    ("notice", "How long is the notice, and in which form must it be given?"),
    ("handover", "On which date was, or is, the circuit handed over for testing?"),
    ("deemed_acceptance", "How many working days after handover does the circuit count as accepted?"),
    ("acceptable_use", "What limits test traffic, and may the committed rate be tested at any hour?"),
    ("cable_owner", "Who owns the cable from the building's entry to the handoff, and who repairs it?"),
    ("escalation", "Who is called when a fault is not repaired in time, with names and numbers by step?"),
    ("upgrade_price", "What does a higher rate cost, and does it begin a new term?"),
    ("move_price", "What does moving the handoff cost?"),
)
_FIELDS = {  # a card's key: the field that is None while nothing is said
    **{key: key for key, _ in _QUESTIONS},
    **{
        "rate_up": "rate_up_bps",
        "rate_down": "rate_down_bps",
        "excess": "excess_bps",
        "burst_up": "burst_up_bytes",
        "burst_down": "burst_down_bytes",
        "port_rate": "port_rate_bps",
        "total_rate": "total_bps",
        "mtu": "mtu_bytes",
        "frame": "frame_bytes",
        "tags": "vlan_tags",
        "delay": "rtt_p95_us",
        "delay_variation": "pdv_p99_us",
        "loss": "loss_ratio",
        "availability": "availability_ratio",
        "maintenance_cap": "maintenance_cap_s",
        "repair": "repair_s",
        "fee": "fee_per_month",
        "index_most": "index_most_ratio",
        "deemed_acceptance": "deemed_working_days",
    },
}
