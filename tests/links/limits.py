"""A line behind a policer or a shaper whose rate and bucket the kernel keeps, and a burst run on it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.links.house import PORT, House, house
from tests.links.namespaces import TBF_HEADER_BYTES

PACED_PORT = PORT + 1
IP_BYTES = 1500


def match(*, up: bool) -> str:
    """Payload of paced packets on arrival: none of their control, which is 80 octets."""
    return f"udp {'dport' if up else 'sport'} {PACED_PORT} udp length > 88"


def limited(far: House, limiter: str, *, up: bool, rate_bps: int, burst_bytes: int) -> int:
    """Limit one direction; the bucket at the IP layer, in packets of 1500, as the kernel has it."""
    far.line.unmerge()
    if limiter == "policer":
        packets = burst_bytes // IP_BYTES
        per_second = round(rate_bps / 8 / IP_BYTES)
        far.line.police(match(up=up), f"{per_second}/second burst {packets} packets", up=up)
        return packets * IP_BYTES
    far.line.bucket(rate_bps, burst_bytes=burst_bytes, queue_ms=60, up=up)
    return round(burst_bytes * IP_BYTES / (IP_BYTES + TBF_HEADER_BYTES))


def burst_run(
    folder: Path, limiter: str, *, up: bool, rate_bps: int, burst_bytes: int, ip_version: int = 4
) -> tuple[dict[str, Any], int]:
    """A burst run on a fresh line so limited, and the bucket that it should have found."""
    with house(folder, ip_version=ip_version) as far:
        truth_bytes = limited(far, limiter, up=up, rate_bps=rate_bps, burst_bytes=burst_bytes)
        return far.run("burst", "--direction", "up" if up else "down"), truth_bytes
