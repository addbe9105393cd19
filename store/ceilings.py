"""The most that this host, or an endpoint, was measured to carry: what a run must stay well below.

Measured over the loopback of the machine that it is about, whose two ends share its processors: the machine
sends and receives that much at the same time. Nothing is said of its own line, nor of its card beyond the
port's rate. Imports clock, layers and records.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store.clock import NS_PER_S
from store.layers import tcp_framing
from store.records import Document, Says

EVERY_NS = 30 * 86_400 * NS_PER_S  # between two measurements
VALID_NS = 2 * EVERY_NS

_FRAMING = tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True)  # of a port's full packets


class CeilingOf(StrEnum):
    """Whose ceiling it is."""

    HOST = "host"
    ENDPOINT = "endpoint"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceiling(Document):
    """One measurement. That of the host concerns every handoff and names no endpoint."""

    kind: ClassVar[str] = "ceiling"
    meaning: ClassVar[str] = "The most that this host or an endpoint was measured to carry over its loopback."
    of: Annotated[CeilingOf, Says(meaning="whose: host, endpoint")]
    flows: Annotated[int, Says(meaning="how many flows carried it", unit="flows")]
    seconds: Annotated[float, Says(meaning="how long it was measured, start-up included", unit="s")]
    goodput_bps: Annotated[
        int,
        Says(
            meaning="carried, counted where it arrived; the same sent and received",
            unit="bit/s",
            layer="payload",
        ),
    ]
    kernel: Annotated[str, Says(meaning="release of the kernel that carried it")]
    port_rate_bps: Annotated[
        int | None,
        Says(meaning="rate of the port by which an endpoint answers", unit="bit/s", layer="wire"),
    ] = None

    @property
    def carries_bps(self) -> int:
        """Payload that can pass: what was measured, or the top of the endpoint's port where that is less."""
        if self.port_rate_bps is None:
            return self.goodput_bps
        top_bps = self.port_rate_bps * _FRAMING.payload_bytes // _FRAMING.wire_frame_bytes
        return min(self.goodput_bps, top_bps)


Key = tuple[CeilingOf, str, int]  # whose, of which endpoint, with how many flows


def keys(endpoint: str, flows: int) -> tuple[Key, Key]:
    """Whose ceilings a run to `endpoint` is held against."""
    return (CeilingOf.HOST, "", flows), (CeilingOf.ENDPOINT, endpoint, flows)


def newest(found: Iterable[Ceiling]) -> dict[Key, Ceiling]:
    """The newest of each machine and number of flows."""
    in_order = sorted(found, key=lambda one: one.started_unix_ns)
    return {(one.of, one.endpoint, one.flows): one for one in in_order}


def valid(found: Ceiling | None, *, now_ns: int, kernel: str | None = None) -> Ceiling | None:
    """The ceiling as long as it still says something: not too old, and of this host's `kernel` if given."""
    if found is None or not 0 <= now_ns - found.started_unix_ns < VALID_NS:
        return None
    changed = kernel is not None and found.of is CeilingOf.HOST and found.kernel != kernel
    return None if changed else found
