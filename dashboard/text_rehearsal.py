"""A rehearsal as plain text for a terminal: what was dropped and late, then second by second.

Stands beside text. Pure: values in, text out.
"""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.text import mbps, standing_line
from store.clock import rfc3339
from store.quantities import grouped
from store.rehearsals import Rehearsal, Rehearsed, RehearsedSecond

SECONDS_MOST = 40  # of a destination; the JSON has all of them


def rehearsal(run: Rehearsal) -> str:
    """All destinations with their worst figures first, and each second in which something was amiss."""
    lines = [
        f"{rfc3339(run.started_unix_ns)}  rehearsal of plan {run.plan}, {run.seconds:g} s, "
        f"{mbps(run.demand_bps)} needed at the IP layer, IPv{run.ip_version}",
        f"At worst {run.dropped_s:.2f} s did not fit a send buffer, and {run.unseen_s:.2f} s of picture "
        "could not be shown.",
    ]
    for one in run.destinations:
        lines += _destination(one)
    return "\n".join([*lines, standing_line(str(run.standing), run.reasons)])


def _destination(one: Rehearsed) -> Iterator[str]:
    media = mbps(one.video_bps + one.audio_bps)
    yield (
        f"{one.name} ({one.transport}, {media}, {one.frames_per_second:g} frames a second): "
        f"{one.frames} frames; {one.dropped} dropped, {one.waited} left out until a keyframe, "
        f"{one.lost} lost on the way, {one.late} later than its {one.buffer_ms / 1000:g} s; "
        f"{one.unseen} not to be shown."
    )
    yield (
        f"  The send buffer held {one.buffer_high_ms / 1000:.2f} s ({one.buffer_high_bytes} bytes) at most."
        f"{_repeats(one)}{_paused(one)}{_delays(one)}"
    )
    yield from (f"  {_second(second)}" for second in one.seconds[:SECONDS_MOST])
    if len(one.seconds) > SECONDS_MOST:
        yield f"  ... and {len(one.seconds) - SECONDS_MOST} seconds more; --json has them."


def _second(second: RehearsedSecond) -> str:
    counts = {
        "dropped": second.dropped,
        "left out": second.waited,
        "lost": second.lost,
        "late": second.late,
        "not to be shown": second.unseen,
    }
    said = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    return f"{second.at_s:5d} s: {said}; worst delay {second.worst_ms} ms, buffer {second.buffer_ms} ms"


def _repeats(one: Rehearsed) -> str:
    if not one.repeats and not one.repeats_refused:
        return ""
    return f" {grouped(one.repeats)} packets were repeated, {one.repeats_refused} wanted again in vain."


def _paused(one: Rehearsed) -> str:
    return f" For {one.paused_ms / 1000:g} s the receiver was not heard." if one.paused_ms else ""


def _delays(one: Rehearsed) -> str:
    if one.delay_us is None:
        return ""
    found = one.delay_us
    return (
        f" Delay over the least: p50 {found.p50 / 1000:.1f} ms, p99 {found.p99 / 1000:.1f} ms, "
        f"max {found.max / 1000:.1f} ms."
    )
