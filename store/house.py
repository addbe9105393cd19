"""The house's own way from a handoff to a room: hops with their port rates and cables. Stands on nothing."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Cable(StrEnum):
    """What a hop runs over, by the word of the site file."""

    CAT_3 = "Cat 3"
    CAT_5 = "Cat 5"
    CAT_5E = "Cat 5e"
    CAT_6 = "Cat 6"
    CAT_6A = "Cat 6A"
    FIBRE = "fibre"
    WIRELESS = "wireless"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseHop:
    """One hop: from a device to the next, at the rate to which both ports settled (of wireless, the link rate
    that is shown).

    `most_bps` is the highest rate that both ports could do, None where only the present one is known;
    `carries_bps` what a device on it carries at most, such as a router, as payload. `interface` is this
    host's own port on the hop, whose error counters the record has; None elsewhere.
    """

    from_: str
    to: str
    port_rate_bps: int
    cable: Cable
    length_m: float | None = None
    most_bps: int | None = None
    carries_bps: int | None = None
    interface: str | None = None

    @property
    def title(self) -> str:
        return f"{self.from_} to {self.to}"


@dataclass(frozen=True, slots=True, kw_only=True)
class HousePath:
    """A way from these handoffs into the house, from the demarcation inwards."""

    name: str
    handoffs: tuple[str, ...]
    hops: tuple[HouseHop, ...]
