"""Runs that show the shape of a limit, as plain text for a terminal: bursts.

Stands beside text. Pure: values in, text out.
"""

from __future__ import annotations

from dashboard.text import mbps, standing_line
from store.bursts import BurstRun, Limiter
from store.clock import rfc3339

_HEADS = {
    Limiter.POLICER: "A policer limits the line: it drops what is more than it lets pass at once.",
    Limiter.SHAPER: "A shaper limits the line: it delays what is more than it lets pass at once.",
    Limiter.NONE: "No limit was met.",
    Limiter.UNDECIDED: "Undecided: policer or shaper.",
}


def burst_run(run: BurstRun) -> str:
    """A burst run: policer or shaper, the committed burst size with its bound, each burst."""
    lines = [
        f"{rfc3339(run.started_unix_ns)}  burst run {run.direction}, each after {run.idle_s:g} s of silence, "
        f"in packets of {run.payload_bytes} bytes, IPv{run.ip_version}",
        f"{_HEADS[run.limiter]} Why: {run.because}.",
        _committed(run),
        *(
            f"  {one.sent} packets sent, {one.received} arrived, {one.lost} lost, {one.held} held: "
            f"{one.fate}, {one.undisturbed_bytes} bytes undisturbed"
            for one in run.bursts
        ),
        standing_line(str(run.standing), run.reasons),
    ]
    return "\n".join(lines)


def _committed(run: BurstRun) -> str:
    if run.committed_bytes is None or run.bound_bytes is None:
        return f"Committed burst size: not known; {run.undisturbed_bytes} bytes passed undisturbed."
    rate = "" if run.rate_bps is None else f" The excess passed at {mbps(run.rate_bps)} at the IP layer."
    return (
        f"Committed burst size: {run.committed_bytes} bytes at the IP layer "
        f"({run.committed_ethernet_bytes} at layer 2), give or take {run.bound_bytes}.{rate}"
    )
