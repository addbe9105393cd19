"""What a run may be used for: what held it back, and which rules leave it out. Pure.

`limited_by` names what a single run can tell about its own limit; `reasons` turns that and the
circumstances into the codes of `store.records.REASONS`. A run that anything but the line may have
held back never convicts the line, so where two explanations fit, the one that spares the line is
taken. Where a rule has a figure that the site file may change, it is that of `store.site.Evidence`.
Imports store only.

Figures: port tops by RFC 6349 section 4.1.1 and RFC 7323 (standards' layer arithmetic in
`store.layers`); the shares of 0.98 are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from store.layers import Framing
from store.records import Carrier, Circumstances, Limit
from store.site import USUAL, Evidence

PORT_CLASSES_BPS = (
    100_000_000,
    1_000_000_000,
    2_500_000_000,
    5_000_000_000,
    10_000_000_000,
)
FLAT = 0.98  # an unknown port is only suspected where no second fell below this share of the mean
BOTH_WAYS = 1 / 1.0292588  # acknowledgements of a full return direction take 2.9 % (RFC 9293 3.8.6.3)
BUSY_SHARE = 0.98  # a sender dry for longer could hide 2 % of the rate, the tolerance of an acceptance
PACED_SHARE = 0.98  # of what a light run asked for at most: it was given that
DELAY_SHARE, DELAY_US = 0.25, 1_000  # delay added under load that shows a queue on the way
SHORT_S = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class SideFacts:
    """One direction of a run, as far as it bears on its limit; RTTs are medians of the train beside it.

    `sender` and `receiver` say which end is which (PROBE or ENDPOINT). CPU ratios are shares of
    one core; busy is a share of the run, window and buffer are shares of the busy time. `at_most_bps` is
    the payload that the run asked for at most, None for all that the line gives.
    """

    goodput_bps: int
    lowest_second_bps: int
    framing: Framing
    carrier: Carrier
    port_rate_bps: int | None
    both_ways: bool
    sender: Limit
    receiver: Limit
    sender_cpu_ratio: float
    receiver_cpu_ratio: float
    busy_ratio: float
    window_limited_ratio: float
    buffer_limited_ratio: float
    rtt_idle_us: int | None
    rtt_loaded_us: int | None
    at_most_bps: int | None = None


def limited_by(facts: SideFacts, rules: Evidence = USUAL) -> Limit:
    """What held the rate, in the order in which an explanation excludes the next.

    0. A rate that is all the run asked for is its own pace, also where a port happens to end there.
    1. A rate at the top of the port is the port's, whatever else strained.
    2. A receiver out of CPU closes the window itself, so it comes before the window; a sender that
       waited for a window was not out of CPU, so it comes after.
    3. The window, or the sender's buffer, held it for a fifth of the busy time, or what the rules say,
       while the train saw no queue. A window that holds a sender back leaves the narrowest place idle;
       where a queue stands there, the place is full, and the window was only smaller than that queue.
    4. A sender that had nothing under way for a fiftieth of the run was late itself, whether or not it
       looks busy: it waited for its processor. A full line always has data under way.
    5. The path is what remains: nothing at either end held a sender that always had data under way.
    """
    if facts.at_most_bps is not None and facts.goodput_bps >= PACED_SHARE * facts.at_most_bps:
        return Limit.PACE
    if _at_port_top(facts, rules.port_band_ratio):
        return Limit.PORT
    if facts.receiver_cpu_ratio >= rules.cpu_ratio:
        return facts.receiver
    held = facts.window_limited_ratio + facts.buffer_limited_ratio >= rules.window_ratio
    if held and not _queued(facts):
        return Limit.WINDOW
    if facts.busy_ratio < BUSY_SHARE or (facts.sender_cpu_ratio >= rules.cpu_ratio and not held):
        return facts.sender
    return Limit.PATH


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """A whole run. `limits`, `goodput_bps` and `other_bps` hold its directions in one order.

    `around` is what else was true, `rules` what of it speaks against a run.
    """

    seconds: float
    around: Circumstances
    limits: Sequence[Limit]
    goodput_bps: Sequence[int]
    other_bps: Sequence[int | None]
    aborted: bool
    whole_seconds: int  # within the steady window
    counts_disagree: bool = False  # the endpoint counted more than it was sent
    slept: bool = False  # the host did, in the middle of it
    clock_set: bool = False
    light: bool = False
    rules: Evidence = USUAL


def reasons(facts: RunFacts) -> tuple[str, ...]:
    """Codes of `store.records.REASONS` in a fixed order; none for a run that nothing speaks against."""
    by_limit = {
        Limit.PORT: "port_limit",
        Limit.PROBE: "probe_limit",
        Limit.ENDPOINT: "endpoint_limit",
        Limit.WINDOW: "window_limit",
    }
    found = {
        "slept": facts.slept,
        "aborted": facts.aborted,
        "counts_disagree": facts.counts_disagree,
        "too_short": facts.whole_seconds < 1,
        **{code: limit in facts.limits for limit, code in by_limit.items()},
        "other_traffic": _other_traffic(facts),
        "light": facts.light,
        "short": facts.seconds <= SHORT_S,
        "clock_set": facts.clock_set,
    }
    codes = tuple(code for code, holds in found.items() if holds)
    return codes + by_way(facts.around, facts.rules)


def by_way(around: Circumstances, rules: Evidence = USUAL) -> tuple[str, ...]:
    """The codes for how a measurement of any kind left this host, in a fixed order."""
    errors, most = around.frame_errors, rules.port_errors
    found = {
        "elsewhere": around.left_elsewhere is not None,
        "wireless": around.carrier is Carrier.WIRELESS and not rules.wireless,
        "tunnel": around.carrier is Carrier.TUNNEL and not rules.tunnel,
        "half_duplex": around.duplex == "half" and not rules.half_duplex,
        "port_errors": errors is not None and most is not None and errors > most,
        "endpoint_unwell": around.endpoint_unwell is not None,
    }
    return tuple(code for code, holds in found.items() if holds)


CEILING_UNKNOWN = "ceiling_unknown"
CEILING_CODES = ("host_ceiling", "endpoint_ceiling", CEILING_UNKNOWN)


def ceiling_reasons(
    goodput_bps: Sequence[int], *, host_bps: int | None, endpoint_bps: int | None, factor: float
) -> tuple[str, ...]:
    """Codes for a run whose directions carried so much, where the machines carry so much at most.

    Each must carry `factor` times the rate; one that was never measured is not taken to. A direction is
    judged alone, since a ceiling is of as much sent as received at the same time.
    """
    highest_bps = max(goodput_bps, default=0)
    found = {
        "host_ceiling": host_bps is not None and highest_bps * factor > host_bps,
        "endpoint_ceiling": endpoint_bps is not None and highest_bps * factor > endpoint_bps,
        CEILING_UNKNOWN: host_bps is None or endpoint_bps is None,
    }
    return tuple(code for code, holds in found.items() if holds)


def port_top_bps(port_rate_bps: int, framing: Framing) -> int:
    """The TCP payload that a port of `port_rate_bps` (layer 1) can show with this framing."""
    return port_rate_bps * framing.payload_bytes // framing.wire_frame_bytes


def _at_port_top(facts: SideFacts, band: float) -> bool:
    if facts.carrier is Carrier.LOOPBACK:
        return False  # no port there
    if facts.port_rate_bps is None:
        flat = facts.lowest_second_bps >= FLAT * facts.goodput_bps
        tops = [port_top_bps(rate_bps, facts.framing) for rate_bps in PORT_CLASSES_BPS]
        return flat and any(abs(facts.goodput_bps - top) <= band * top for top in tops)
    top = port_top_bps(facts.port_rate_bps, facts.framing)
    lowest = top * (BOTH_WAYS if facts.both_ways else 1)
    return (1 - band) * lowest <= facts.goodput_bps <= (1 + band) * top


def _queued(facts: SideFacts) -> bool:
    if facts.rtt_idle_us is None or facts.rtt_loaded_us is None:
        return False
    return facts.rtt_loaded_us - facts.rtt_idle_us >= max(DELAY_US, DELAY_SHARE * facts.rtt_idle_us)


def _other_traffic(facts: RunFacts) -> bool:
    """Loopback carries everybody's traffic and no line, so it is never judged there.

    Nor is a direction that got all that it asked for: nobody took anything from it.
    """
    if facts.around.carrier is Carrier.LOOPBACK:
        return False
    sides = zip(facts.limits, facts.other_bps, facts.goodput_bps, strict=True)
    return any(
        other is not None and other > facts.rules.other_traffic_ratio * own
        for limit, other, own in sides
        if limit is not Limit.PACE
    )
