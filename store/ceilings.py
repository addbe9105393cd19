"""The most that this host, or an endpoint, was measured to carry: what a run must stay well below.

Measured over the loopback of the machine that it is about, whose two ends share its processors: the machine
sends and receives that much at the same time. Nothing is said of its own line, nor of its card beyond the
port's rate. Imports layers and records.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store.layers import tcp_framing
from store.records import Document, Says

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


def newest(found: list[Ceiling]) -> dict[tuple[CeilingOf, str, int], Ceiling]:
    """The newest of each machine and number of flows, by whose, endpoint and flows."""
    in_order = sorted(found, key=lambda one: one.started_unix_ns)
    return {(one.of, one.endpoint, one.flows): one for one in in_order}
