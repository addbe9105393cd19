"""The contract card: what a provider has promised for one handoff, field by field.

None is "not stated" and is never guessed; `pages` says where the contract has a field. Which fields there
are follows what a person has answered in writing before signing. Imports layers, records' directions and
calendar spans; how a card is written in a site file is card_reader's.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from store.calendar_span import CalendarSpan, calendar_span
from store.layers import Layer
from store.records import Direction
from store.terms import NO_CREDITS, NO_TERMS, AvailabilityTerms, CreditTerms, LossInterval, Once


class Commitment(StrEnum):
    """Whether a rate is one that is always there, or the best that may be."""

    COMMITTED = "committed"
    UP_TO = "up to"


class Limiter(StrEnum):
    """What holds traffic to the rate: one that drops what is more, or one that delays it."""

    POLICER = "policer"
    SHAPER = "shaper"


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """The contract as data for one handoff. None means "not stated" and is never guessed.

    `reach_ratio` is the share of the rate that a run must show to have reached it (1 unless the contract
    allows less), `met_ratio` the share of runs that must reach it (0.95 unless the contract says
    otherwise). An empty tuple says that there are none: no tag, nothing shared. `pages` maps a field's
    key to where the contract says it.
    """

    provider: str | None = None
    reference: str | None = None
    from_unix_ns: int | None = None  # this version is in force from then on; None: since the beginning

    rate_up_bps: int | None = None
    rate_down_bps: int | None = None
    layer: Layer = Layer.NOT_STATED
    commitment: Commitment | None = None
    both_at_once: bool | None = None  # both directions hold their rates while both are full
    excess_bps: int | None = None  # what may pass above the rate, 0 for nothing
    burst_up_bytes: int | None = None  # committed burst size (CBS)
    burst_down_bytes: int | None = None
    limiter_up: Limiter | None = None
    limiter_down: Limiter | None = None
    met_ratio: float = 0.95
    reach_ratio: float = 1.0

    medium: str | None = None
    connector: str | None = None
    port_rate_bps: int | None = None
    auto_negotiation: bool | None = None
    at_once_with: tuple[str, ...] | None = None  # handoffs that hold their rates at the same time
    total_bps: int | None = None  # of this and those together, each direction
    shared_device: tuple[str, ...] | None = None  # with which other handoffs
    shared_uplink: tuple[str, ...] | None = None
    shared_power: tuple[str, ...] | None = None
    shared_fibre: tuple[str, ...] | None = None

    mtu_bytes: int | None = None  # the largest IP packet that it must carry
    frame_bytes: int | None = None  # the largest frame, addresses to FCS
    vlan_tags: tuple[int, ...] | None = None  # outer one first
    addresses: tuple[str, ...] | None = None  # networks
    routing: str | None = None
    reverse_dns: str | None = None

    rtt_p95_us: int | None = None
    pdv_p99_us: int | None = None
    loss_ratio: float | None = None
    measured_to: str | None = None  # the far end that delay and loss are promised to
    availability_ratio: float | None = None
    availability_rule: str | None = None
    maintenance_cap_s: int | None = None  # what the provider's works may take a month
    repair_s: int | None = None
    loss_interval: LossInterval | None = None
    outages: AvailabilityTerms = NO_TERMS
    credits: CreditTerms = NO_CREDITS

    fee_per_month: str | None = None
    service_start: date | None = None
    term: CalendarSpan | None = None
    term_end: date | None = None
    renewal: CalendarSpan | None = None  # an empty one: it ends by itself
    index_from_month: int | None = None  # of service, 1 is the first
    index_most_ratio: float | None = None  # a year; 0 for a fixed price
    notice: str | None = None
    handover: date | None = None
    deemed_working_days: int | None = None  # after handover, then it counts as accepted
    acceptable_use: str | None = None  # what limits test traffic
    cable_owner: str | None = None  # of the cable from the building's entry to the handoff
    escalation: str | None = None
    upgrade_price: str | None = None
    move_price: str | None = None
    once: tuple[Once, ...] = ()  # paid beside the monthly fee

    pages: tuple[tuple[str, str], ...] = ()
    not_stated: tuple[str, ...] = ()  # the keys a contract should answer and this card does not

    def rate_bps(self, direction: Direction) -> int | None:
        """The stated rate of one direction (UP or DOWN)."""
        return self.rate_up_bps if direction is Direction.UP else self.rate_down_bps

    def burst_bytes(self, direction: Direction) -> int | None:
        """The committed burst size of one direction (UP or DOWN)."""
        return self.burst_up_bytes if direction is Direction.UP else self.burst_down_bytes

    def limiter(self, direction: Direction) -> Limiter | None:
        """What holds one direction (UP or DOWN) to its rate."""
        return self.limiter_up if direction is Direction.UP else self.limiter_down

    @property
    def notice_span(self) -> CalendarSpan | None:
        """The notice as a span; None too where it is more than that, or none can be read."""
        try:
            return None if self.notice is None else calendar_span(self.notice)
        except ValueError:
            return None

    def shared(self) -> tuple[tuple[str, tuple[str, ...] | None], ...]:
        """What could be shared with other handoffs, and with which: ``("power", ("B",))``."""
        return (
            ("device", self.shared_device),
            ("uplink", self.shared_uplink),
            ("power", self.shared_power),
            ("fibre", self.shared_fibre),
        )

    def same_contract(self, other: Card) -> bool:
        """Whether both cards are of one contract: the same provider and reference, both stated."""
        known = self.provider is not None and self.reference is not None
        return known and (self.provider, self.reference) == (other.provider, other.reference)

    def ends(self) -> date | None:
        """The last day of the term, as stated or as its start and length give it."""
        if self.term_end is None and self.service_start and self.term:
            return self.term.after(self.service_start) - timedelta(days=1)
        return self.term_end
