"""The shape of loss: bursts and gaps by RFC 3611, losses in a row by RFC 3357; and ITU-T Y.1541's classes.

Pure. Imports nothing of the project.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

GMIN = 16  # good packets in a row that end a burst; RFC 3611 section 4.7.2 recommends it


@dataclass(frozen=True, slots=True, kw_only=True)
class BurstGap:
    """Bursts and gaps of packets sent evenly; a density is None of no packet.

    `bursts` are how many, the packets and losses of all of them; what is in no burst is gap.
    """

    bursts: int
    burst_packets: int
    burst_lost: int
    gap_packets: int
    gap_lost: int
    longest_burst_packets: int

    @property
    def burst_density(self) -> float | None:
        return self.burst_lost / self.burst_packets if self.burst_packets else None

    @property
    def gap_density(self) -> float | None:
        return self.gap_lost / self.gap_packets if self.gap_packets else None

    def mean_burst_s(self, spacing_s: float) -> float | None:
        """How long a burst lasts in the mean, by the time between two packets."""
        return self.burst_packets * spacing_s / self.bursts if self.bursts else None


def burst_gap(bad: Sequence[bool], *, gmin: int = GMIN) -> BurstGap:
    """Bursts of a run of packets, oldest first; `bad` ones were lost or came too late.

    A burst is the longest run that begins and ends with a bad packet and holds no `gmin` good ones in a row;
    a bad packet by itself stays in the gap. Before the first packet and after the last there are good ones.
    """
    places = [nth for nth, each in enumerate(bad) if each]
    groups: list[list[int]] = []
    for place in places:
        if groups and place - groups[-1][-1] - 1 < gmin:
            groups[-1].append(place)
        else:
            groups.append([place])
    bursts = [group for group in groups if len(group) > 1]
    packets = [group[-1] - group[0] + 1 for group in bursts]
    lost = sum(len(group) for group in bursts)
    return BurstGap(
        bursts=len(bursts),
        burst_packets=sum(packets),
        burst_lost=lost,
        gap_packets=len(bad) - sum(packets),
        gap_lost=len(places) - lost,
        longest_burst_packets=max(packets, default=0),
    )


def loss_periods(lost: Sequence[bool]) -> list[int]:
    """Lengths of the losses in a row (RFC 3357): a period begins at a loss whose predecessor arrived."""
    found: list[int] = []
    for nth, each in enumerate(lost):
        if each and nth and lost[nth - 1]:
            found[-1] += 1
        elif each:
            found.append(1)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkClass:
    """Upper bounds of ITU-T Y.1541: mean delay, 99.9 % quantile of delay over its least, loss ratio.

    None is unspecified.
    """

    number: int
    mean_ms: float | None
    variation_ms: float | None
    loss_ratio: float | None


# RFC 5976 section 2.1; 6 and 7 are provisional and from memory
Y1541 = (
    NetworkClass(number=0, mean_ms=100, variation_ms=50, loss_ratio=1e-3),
    NetworkClass(number=1, mean_ms=400, variation_ms=50, loss_ratio=1e-3),
    NetworkClass(number=2, mean_ms=100, variation_ms=None, loss_ratio=1e-3),
    NetworkClass(number=3, mean_ms=400, variation_ms=None, loss_ratio=1e-3),
    NetworkClass(number=4, mean_ms=1000, variation_ms=None, loss_ratio=1e-3),
    NetworkClass(number=5, mean_ms=None, variation_ms=None, loss_ratio=None),
    NetworkClass(number=6, mean_ms=100, variation_ms=50, loss_ratio=1e-5),
    NetworkClass(number=7, mean_ms=400, variation_ms=50, loss_ratio=1e-5),
)


def classes_met(*, mean_ms: float, variation_ms: float, loss_ratio: float) -> tuple[int, ...]:
    """The classes whose every bound is kept."""
    return tuple(
        one.number
        for one in Y1541
        if all(
            limit is None or found <= limit
            for limit, found in (
                (one.mean_ms, mean_ms),
                (one.variation_ms, variation_ms),
                (one.loss_ratio, loss_ratio),
            )
        )
    )
