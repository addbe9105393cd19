"""Stalls to plant on a line: for a known time its way up holds everything back, or drops everything.

`hold` turns the shaper of the probe's device down to next to nothing and back, so that what comes
meanwhile stands in its queue and leaves afterwards; `drop` has nftables discard whatever arrives at the
endpoint's device. How long a stall was is read from the clock around the two commands, which take some
20 ms each.
"""

from __future__ import annotations

import time

from tests.links.namespaces import Line

_QUEUE_BYTES = 40_000_000  # so that a stall drops nothing


class Stalls:
    """The stalls of one line, whose way up carries `rate_bps` between them."""

    def __init__(self, line: Line, *, rate_bps: int) -> None:
        self._line = line
        self._rate_bps = rate_bps
        self._turn(rate_bps, "add")
        rules = f"""
            table netdev stall {{
                chain arrivals {{ type filter hook ingress device "{line.endpoint_device}" priority 0; }}
            }}"""
        line.run("endpoint", "nft", "-f", "-", input=rules)

    def hold(self, seconds: float) -> float:
        """Hold everything for about so long; how long it was."""
        self._turn(8_000, "change")
        began = time.monotonic()
        time.sleep(seconds)
        self._turn(self._rate_bps, "change")
        return time.monotonic() - began

    def drop(self, seconds: float) -> float:
        """Drop everything for about so long; how long it was."""
        self._line.run("endpoint", "nft", "add", "rule", "netdev", "stall", "arrivals", "drop")
        began = time.monotonic()
        time.sleep(seconds)
        self._line.run("endpoint", "nft", "flush", "chain", "netdev", "stall", "arrivals")
        return time.monotonic() - began

    def _turn(self, rate_bps: int, how: str) -> None:
        self._line.run(
            "probe", "tc", "qdisc", how, "dev", self._line.probe_device, "root", "tbf",
            "rate", f"{rate_bps}bit", "burst", "20000", "limit", str(_QUEUE_BYTES),
        )  # fmt: skip
