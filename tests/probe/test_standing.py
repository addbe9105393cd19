"""Rules of standing, held against published port figures and against what may never get worse."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe import standing
from probe.standing import RunFacts, SideFacts, limited_by, reasons
from store.layers import tcp_framing
from store.records import REASONS, Carrier, Circumstances, Limit, Standing, standing_of
from store.site import Evidence

V4 = tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True)
V6 = tcp_framing(payload_bytes=1428, ip_version=6, timestamps=True)
PLAIN = tcp_framing(payload_bytes=1460, ip_version=4, timestamps=False)

SIDE = SideFacts(  # an up run that a 20 Mb/s line holds
    goodput_bps=19_128_000,
    lowest_second_bps=19_100_000,
    framing=V4,
    carrier=Carrier.WIRED,
    port_rate_bps=1_000_000_000,
    both_ways=False,
    sender=Limit.PROBE,
    receiver=Limit.ENDPOINT,
    sender_cpu_ratio=0.05,
    receiver_cpu_ratio=0.05,
    busy_ratio=1.0,
    window_limited_ratio=0.0,
    buffer_limited_ratio=0.0,
    rtt_idle_us=8_000,
    rtt_loaded_us=28_000,
)

RUN = RunFacts(
    seconds=60,
    around=Circumstances(carrier=Carrier.WIRED),
    limits=[Limit.PATH],
    goodput_bps=[100_000_000],
    other_bps=[0],
    aborted=False,
    whole_seconds=58,
)


def flat(goodput_bps: float, **changes: object) -> SideFacts:
    """A side with this rate in every second."""
    rate_bps = round(goodput_bps)
    return replace(SIDE, goodput_bps=rate_bps, lowest_second_bps=rate_bps, **changes)


# What a port can show, in Mb/s: RFC 6349 section 4.1.1 (1538 bytes on the wire for 1500) with the
# timestamps of RFC 7323: rate x 1448/1538 for IPv4, x 1428/1538 for IPv6, x 1460/1538 without.
TOPS = [
    (100, 94.1482, V4),
    (1_000, 941.482445, V4),
    (2_500, 2_353.706112, V4),
    (5_000, 4_707.412224, V4),
    (10_000, 9_414.824447, V4),
    (1_000, 928.479, V6),
    (100, 94.928479, PLAIN),
    (1_000, 949.284785, PLAIN),
]


@pytest.mark.parametrize(("port", "top", "framing"), TOPS)
def test_tops_of_ports(port: int, top: float, framing: object) -> None:
    """A port's top is the published figure to six digits, and a rate there is the port's."""
    assert standing.port_top_bps(port * 10**6, framing) == pytest.approx(top * 1e6, rel=1e-6)  # type: ignore[arg-type]
    known = flat(top * 1e6, port_rate_bps=port * 10**6, framing=framing)
    assert limited_by(known) is Limit.PORT
    assert limited_by(replace(known, port_rate_bps=None)) is Limit.PORT
    # RFC 5180: +-100 ppm of clock tolerance, so a little above the top is no mistake
    assert limited_by(flat(top * 1e6 * 1.0001, port_rate_bps=port * 10**6, framing=framing)) is Limit.PORT


@pytest.mark.parametrize(
    ("goodput", "port"),
    [
        (94.1482, 1_000),  # the port is known to be faster: something else on the way is at 100 Mb/s
        (95.6407, None),  # a shaper at 100 Mb/s of IP packet and 14 bytes: 1448/1514, 1.6 % above the top
        (899.0225, 1_000),
        (500.0, None),
    ],
)
def test_other_rates_are_not_the_ports(goodput: float, port: int | None) -> None:
    rate = None if port is None else port * 10**6
    assert limited_by(flat(goodput * 1e6, port_rate_bps=rate)) is Limit.PATH


def test_an_unknown_port_is_not_suspected_of_a_rate_that_moves() -> None:
    """A mean of 941 by chance, with a second at 700, is no flat top."""
    moving = replace(SIDE, goodput_bps=941_482_000, lowest_second_bps=700_000_000, port_rate_bps=None)
    assert limited_by(moving) is Limit.PATH
    assert (
        limited_by(replace(moving, port_rate_bps=1_000_000_000)) is Limit.PORT
    )  # a known one can do no more


def test_both_ways_leave_room_for_acknowledgements() -> None:
    """0.914719 of the line rate each way is a full port: one ACK for two segments (RFC 9293 3.8.6.3)."""
    full = flat(914_719_000, port_rate_bps=1_000_000_000, both_ways=True)
    assert limited_by(full) is Limit.PORT
    assert limited_by(replace(full, both_ways=False)) is Limit.PATH


def test_loopback_has_no_port() -> None:
    assert limited_by(flat(941_482_445, port_rate_bps=None, carrier=Carrier.LOOPBACK)) is Limit.PATH


@pytest.mark.parametrize(
    ("changes", "limit"),
    [
        ({}, Limit.PATH),
        ({"receiver_cpu_ratio": 0.95}, Limit.ENDPOINT),
        ({"sender_cpu_ratio": 0.95}, Limit.PROBE),
        # a receiver out of CPU closes the window: its end, not the window
        ({"receiver_cpu_ratio": 0.95, "window_limited_ratio": 0.8}, Limit.ENDPOINT),
        # a sender that waits for a window and sees no queue is held by the window
        ({"window_limited_ratio": 0.8, "rtt_loaded_us": 8_100}, Limit.WINDOW),
        ({"buffer_limited_ratio": 0.3, "rtt_loaded_us": 8_100}, Limit.WINDOW),
        ({"window_limited_ratio": 0.8, "rtt_loaded_us": 8_100, "sender_cpu_ratio": 0.95}, Limit.WINDOW),
        # where a queue stands, the narrowest place is full, whatever the window
        ({"window_limited_ratio": 0.8, "rtt_loaded_us": 28_000}, Limit.PATH),
        ({"window_limited_ratio": 0.19, "rtt_loaded_us": 8_100}, Limit.PATH),
        # a sender with nothing under way for a fiftieth of the run was late itself
        ({"busy_ratio": 0.97}, Limit.PROBE),
        ({"busy_ratio": 0.97, "sender": Limit.ENDPOINT, "receiver": Limit.PROBE}, Limit.ENDPOINT),
        ({"rtt_idle_us": None, "rtt_loaded_us": None}, Limit.PATH),
    ],
)
def test_what_held_the_rate(changes: dict[str, object], limit: Limit) -> None:
    """RFC 6349 section 3.3.1: a window below the BDP holds the rate, not the line. The rest is ours."""
    assert limited_by(replace(SIDE, **changes)) is limit  # type: ignore[arg-type]


ratios = st.floats(0, 1)


@given(ratios, ratios, ratios, ratios, ratios, st.integers(0, 10**6))
def test_a_strained_end_never_convicts_the_line(
    cpu: float, more: float, window: float, buffer: float, busy: float, loaded_us: int
) -> None:
    """Whatever else holds: more CPU used at the receiver never turns another limit into the path."""
    facts = replace(
        SIDE,
        receiver_cpu_ratio=min(cpu, more),
        window_limited_ratio=window,
        buffer_limited_ratio=buffer,
        busy_ratio=busy,
        rtt_loaded_us=loaded_us,
    )
    before, after = limited_by(facts), limited_by(replace(facts, receiver_cpu_ratio=max(cpu, more)))
    assert after is before or after is Limit.ENDPOINT
    idler = limited_by(replace(facts, busy_ratio=busy / 2))
    assert idler is before or idler is Limit.PROBE


@pytest.mark.parametrize(("port", "top", "framing"), TOPS)
def test_a_pace_is_no_port(port: int, top: float, framing: object) -> None:
    """A run that got what it asked for tells of no port, though a port's top is just that rate."""
    for known_bps in (None, port * 10**6):
        asked = flat(top * 1e6, framing=framing, port_rate_bps=known_bps, at_most_bps=round(top * 1e6))
        assert limited_by(asked) is Limit.PACE
        assert limited_by(replace(asked, at_most_bps=round(top * 1.03e6))) is Limit.PORT


@pytest.mark.parametrize(
    ("changes", "limit"),
    [
        ({}, Limit.PACE),
        ({"goodput_bps": 97_900_000}, Limit.PATH),
        ({"goodput_bps": 97_900_000, "busy_ratio": 0.9}, Limit.PROBE),
        ({"busy_ratio": 0.5, "sender_cpu_ratio": 1.0, "window_limited_ratio": 0.9}, Limit.PACE),
    ],
)
def test_what_held_a_light_run(changes: dict[str, object], limit: Limit) -> None:
    """Its own pace, as long as it came within 2 % of it; below that, what holds any run."""
    asked = replace(SIDE, goodput_bps=98_000_000, at_most_bps=100_000_000)
    assert limited_by(replace(asked, **changes)) is limit  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, ()),
        ({"seconds": 30}, ("short",)),  # RFC 6349 section 5: greater than 30 s
        ({"seconds": 31}, ()),
        ({"around": Circumstances(carrier=Carrier.WIRELESS)}, ("wireless",)),
        ({"around": Circumstances(carrier=Carrier.TUNNEL)}, ("tunnel",)),
        ({"around": Circumstances(left_elsewhere="the kernel sends by eth0, not by eth1")}, ("elsewhere",)),
        ({"around": Circumstances(duplex="half")}, ("half_duplex",)),
        ({"around": Circumstances(duplex="full", frame_errors=0, interface_errors=7)}, ()),
        # a damaged frame may be the cable's; zero growth is the proof. Common practice, no source
        ({"around": Circumstances(frame_errors=1)}, ("port_errors",)),
        (
            {"limits": [Limit.PATH, Limit.PORT], "goodput_bps": [10**8, 10**8], "other_bps": [0, 0]},
            ("port_limit",),
        ),
        ({"limits": [Limit.WINDOW]}, ("window_limit",)),
        ({"limits": [Limit.ENDPOINT]}, ("endpoint_limit",)),
        ({"limits": [Limit.PROBE]}, ("probe_limit",)),
        ({"limits": [Limit.UNDECIDED]}, ()),
        # 5 % of the rate, the objection that other traffic filled the line; common practice, no source
        ({"other_bps": [5_000_000]}, ()),
        ({"other_bps": [5_000_001]}, ("other_traffic",)),
        ({"other_bps": [None]}, ()),
        ({"other_bps": [90_000_000], "around": Circumstances(carrier=Carrier.LOOPBACK)}, ()),
        # nobody took anything from a run that got all it asked for
        ({"limits": [Limit.PACE], "other_bps": [90_000_000], "light": True}, ("light",)),
        ({"other_bps": [90_000_000], "light": True}, ("other_traffic", "light")),
        ({"aborted": True}, ("aborted",)),
        ({"whole_seconds": 0, "seconds": 1}, ("too_short", "short")),
        ({"slept": True}, ("slept",)),
        ({"clock_set": True}, ("clock_set",)),
    ],
)
def test_reasons(changes: dict[str, object], expected: tuple[str, ...]) -> None:
    found = reasons(replace(RUN, **changes))  # type: ignore[arg-type]
    assert found == expected
    assert set(found) <= set(REASONS)


@pytest.mark.parametrize(
    ("rules", "changes", "before"),
    [
        (Evidence(wireless=True), {"around": Circumstances(carrier=Carrier.WIRELESS)}, "wireless"),
        (Evidence(tunnel=True), {"around": Circumstances(carrier=Carrier.TUNNEL)}, "tunnel"),
        (Evidence(half_duplex=True), {"around": Circumstances(duplex="half")}, "half_duplex"),
        (Evidence(port_errors=3), {"around": Circumstances(frame_errors=3)}, "port_errors"),
        (Evidence(port_errors=None), {"around": Circumstances(frame_errors=10**6)}, "port_errors"),
        (Evidence(other_traffic_ratio=0.5), {"other_bps": [40_000_000]}, "other_traffic"),
    ],
)
def test_a_rule_that_was_changed(rules: Evidence, changes: dict[str, object], before: str) -> None:
    """What the usual rules leave out counts where the site's own let it pass."""
    facts = replace(RUN, **changes)  # type: ignore[arg-type]
    assert reasons(facts) == (before,)
    assert reasons(replace(facts, rules=rules)) == ()


@pytest.mark.parametrize(
    ("rules", "changes", "usual"),
    [
        (Evidence(cpu_ratio=0.5), {"receiver_cpu_ratio": 0.6}, Limit.PATH),
        (Evidence(window_ratio=0.1), {"window_limited_ratio": 0.15, "rtt_loaded_us": 8_100}, Limit.PATH),
        (Evidence(port_band_ratio=0.05), {"port_rate_bps": 20_800_000}, Limit.PATH),
    ],
)
def test_a_stricter_rule_blames_the_line_less(
    rules: Evidence, changes: dict[str, object], usual: Limit
) -> None:
    side = replace(SIDE, **changes)  # type: ignore[arg-type]
    assert limited_by(side) is usual
    assert limited_by(side, rules) is not usual


def test_no_rule_makes_a_wrong_way_evidence() -> None:
    """What did not leave by its handoff says nothing of that line, whatever the site file allows."""
    facts = replace(RUN, around=Circumstances(left_elsewhere="by eth0"))
    lax = Evidence(wireless=True, tunnel=True, half_duplex=True, port_errors=None, other_traffic_ratio=1)
    assert standing_of(reasons(replace(facts, rules=lax))) is Standing.EXCLUDED
