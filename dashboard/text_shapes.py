"""Runs that show the shape of a limit, as plain text for a terminal: bursts, size sweeps, steps.

Stands beside text. Pure: values in, text out.
"""

from __future__ import annotations

from dashboard.text import mbps, standing_line
from store.bursts import BurstRun, Limiter
from store.clock import rfc3339
from store.paced import PacedPart
from store.quantities import grouped, percent
from store.records import Direction
from store.sizes import Counted, SizesRun
from store.steps import StepsRun

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
            f"  {grouped(one.sent)} packets sent, {grouped(one.received)} arrived, {grouped(one.lost)} "
            f"lost, {grouped(one.held)} held: "
            f"{one.fate}, {grouped(one.undisturbed_bytes)} bytes undisturbed"
            for one in run.bursts
        ),
        standing_line(str(run.standing), run.reasons),
    ]
    return "\n".join(lines)


def sizes_run(run: SizesRun) -> str:
    """A size sweep: the layer that the limit counts and why, each size."""
    match run.counted:
        case Counted.UNDECIDED:
            head = "Undecided: which layer the limit counts."
        case Counted.OTHER:
            head = "The limit counts none of the layers of an untagged Ethernet."
        case _:
            head = f"The limit counts {run.counted}."
    limit = "" if run.limit_bps is None else f" Counted so it is {mbps(run.limit_bps)}."
    lines = [
        f"{rfc3339(run.started_unix_ns)}  size sweep {run.direction}, {mbps(run.offered_bps)} offered at "
        f"the IP layer, {run.seconds:g} s each, IPv{run.ip_version}",
        f"{head} Why: {run.because}.{limit}",
        *(
            f"  {one.frame_bytes} byte frames: {_part(one.part)}{'' if one.used else ' (not counted)'}"
            for one in run.sizes
        ),
        standing_line(str(run.standing), run.reasons),
    ]
    return "\n".join(lines)


def steps_run(run: StepsRun) -> str:
    """A step run: which step first lost, each step."""
    lines = [
        f"{rfc3339(run.started_unix_ns)}  step run {run.direction}, 100 % is {mbps(run.stated_bps)} at the "
        f"IP layer, {run.seconds:g} s each, in packets of {run.payload_bytes} bytes, IPv{run.ip_version}"
    ]
    for direction, first in ((Direction.UP, run.first_lost_up), (Direction.DOWN, run.first_lost_down)):
        steps = [one for one in run.steps if one.part.direction is direction]
        if steps:
            lost = "No step lost packets on the way" if first is None else f"First loss at {first} %"
            lines.append(f"{direction.capitalize()}: {lost}.")
        lines += [f"  {one.percent} %: {_part(one.part)}" for one in steps]
    return "\n".join([*lines, standing_line(str(run.standing), run.reasons)])


def _part(part: PacedPart) -> str:
    pdv = "" if part.pdv_us is None else f", PDV p99 {part.pdv_us.p99 / 1000:.2f} ms"
    limited = f", limited by {part.limited_by}" if part.limited_by else ""
    return (
        f"{mbps(part.offered_bps)} offered, {mbps(part.rates.ip_bps)} arrived (layer 2 "
        f"{mbps(part.rates.ethernet_bps)}, wire {mbps(part.rates.wire_bps)}), "
        f"{percent(part.loss_ratio, 4)} lost, queue {part.queue_us / 1000:.1f} ms{pdv}{limited}"
    )


def _committed(run: BurstRun) -> str:
    if run.committed_bytes is None or run.bound_bytes is None:
        return f"Committed burst size: not known; {run.undisturbed_bytes} bytes passed undisturbed."
    rate = "" if run.rate_bps is None else f" The excess passed at {mbps(run.rate_bps)} at the IP layer."
    return (
        f"Committed burst size: {run.committed_bytes} bytes at the IP layer "
        f"({run.committed_ethernet_bytes} at layer 2), give or take {run.bound_bytes}.{rate}"
    )
