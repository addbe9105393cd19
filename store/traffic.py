"""What passed a handoff's interface in an hour, by this host's own counters.

All traffic of the interface, the tests' and everybody else's. It is the household's where this host is its
router, and this host's alone otherwise. Bytes are those of IP packets: the Ethernet header that the kernel
counts is taken off once for each packet that it counts, and a segmented send counts as one packet, so up to
4 % of TCP's own headers may be missing where the interface counts before it segments. Imports records.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from store.records import Document, Says


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """An interface's counters at a moment, as the kernel has them, with what tells whether they went on.

    `boot` names this start of the host, `index` the interface, anew whenever it is made.
    """

    unix_ns: int
    boot: str
    interface: str
    index: int
    header_bytes: int  # of each packet, which the counters hold beside the IP packet
    sent_bytes: int
    sent_packets: int
    received_bytes: int
    received_packets: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Traffic(Document):
    """Growth of the counters from `started_unix_ns` on, over an hour or less while the probe runs."""

    kind: ClassVar[str] = "traffic"
    meaning: ClassVar[str] = (
        "What passed a handoff in an hour, as this host's interface counted, and the tests' part of it."
    )
    ended_unix_ns: Annotated[int, Says(meaning="when the counters were read last")]
    interface: Annotated[str, Says(meaning="whose counters")]
    up_bytes: Annotated[int, Says(meaning="sent, tests too", unit="bytes", layer="IP")]
    down_bytes: Annotated[int, Says(meaning="received, tests too", unit="bytes", layer="IP")]
    own_up_bytes: Annotated[
        int, Says(meaning="tests sent, by their own ledger", unit="bytes", layer="trains IP, runs payload")
    ]
    own_down_bytes: Annotated[
        int,
        Says(meaning="tests received, by their own ledger", unit="bytes", layer="trains IP, runs payload"),
    ]
    at_end: Annotated[
        Reading, Says(meaning="the counters themselves at the end, and whose; counting goes on from there")
    ]
    missed: Annotated[str | None, Says(meaning="what was not counted, and why")] = None
