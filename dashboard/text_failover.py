"""A failover exercise in words: for a terminal, and the sentences that the Circuit page shares.

Stands beside text. Pure: values in, text out.
"""

from __future__ import annotations

from collections.abc import Iterator

from dashboard.text import standing_line
from store.clock import rfc3339
from store.failovers import Failover, Failure, Watched
from store.quantities import grouped


def failover(run: Failover) -> str:
    """What happened first, then the stopwatch, then each train."""
    lines = [
        f"{rfc3339(run.started_unix_ns)}  failover of handoff {run.handoff} to {run.backup}, "
        f"{run.seconds:g} s, {run.per_second:g} packets/s, IPv{run.ip_version}",
        outcome(run),
        f"Failure: {run.failure}. {run.because}",
        *_stopwatch(run),
        _train(f"bound to {run.handoff}", run.main),
        _train(f"bound to {run.backup}", run.other),
        _train("by the routes", run.routed),
        f"Moments are known to {1000 / run.per_second:.0f} ms, the time between two packets.",
    ]
    return "\n".join([*lines, standing_line(str(run.standing), run.reasons)])


def outcome(run: Failover) -> str:
    """In a sentence, what became of the traffic."""
    if run.failure is Failure.NONE:
        return f"Nothing was exercised: {run.handoff} did not fail within {run.seconds:g} s."
    if run.without_ms is None and run.first_ms is None and run.last_ms is None:
        if run.egress_before is not None and run.egress_before == run.other.egress_address:
            return f"Traffic went by {run.backup} already, so it was not concerned."
        if run.switched:
            return f"Traffic moved to {run.backup} without a break that counts."
        return "Traffic had no break that counts."
    if run.first_ms is None:
        return "Traffic stopped and did not come back while it was watched."
    gap = (
        f"for {_s(run.without_ms)} nothing came back, {grouped(run.lost_switching or 0)} packets were missing"
    )
    if run.switched:
        return f"Traffic moved to {run.backup}: {gap}."
    if run.switched is None:
        return f"Traffic came back, by which uplink could not be told: {gap}."
    return f"Traffic did not move: it came back by the same uplink; {gap}."


def _stopwatch(run: Failover) -> Iterator[str]:
    if run.failed_ms is None:
        return
    moments = [
        (run.failed_ms, f"{run.handoff} began to fail"),
        (run.carrier_lost_ms, "its port lost the carrier"),
        (run.last_ms, "last reply to traffic by the routes"),
        (run.route_moved_ms, "this host's own route led elsewhere"),
        (run.first_ms, f"first reply to it again, then from {run.egress_after or 'an address not known'}"),
        (run.carrier_back_ms, "the port had a carrier again"),
        (run.main_back_ms, f"{run.handoff} was whole again"),
        (run.returned_ms, f"traffic came from {run.egress_before} again (to 0.5 s)"),
    ]
    for at_ms, says in sorted((at_ms, says) for at_ms, says in moments if at_ms is not None):
        yield f"  {(at_ms - run.failed_ms) / 1000:+9.2f} s  {says}"
    if run.moving_ms is not None:
        yield f"Detection, switch and first packet took {_s(run.moving_ms)} together."
    if run.lost_returning is not None:
        yield f"Within 2 s of the return {grouped(run.lost_returning)} packets were missing."


def _train(what: str, train: Watched) -> str:
    missing = {
        "up": train.lost_up,
        "down": train.lost_down,
        "in a direction not known": train.lost_unattributed,
    }
    lost = ", ".join(f"{count} lost {word}" for word, count in missing.items() if count) or "none lost"
    unsent = f", {train.unsent} that this host would not send" if train.unsent else ""
    rtt = "" if train.rtt_p50_us is None else f", round trip {train.rtt_p50_us / 1000:.2f} ms at p50"
    came_from = train.egress_address or "an address not known"
    return f"Train {what}, from {came_from}: {grouped(train.due)} packets, {lost}{unsent}{rtt}."


def _s(ms: int | None) -> str:
    return "an unknown time" if ms is None else f"{ms / 1000:.2f} s"
