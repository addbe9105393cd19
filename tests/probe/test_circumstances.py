"""What is told of a measurement's surroundings, and how it is known that it left elsewhere."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.circumstances import Look, Surroundings, Traffic, elsewhere, found, rounded
from probe.linux.interface import Counters, Interface, WayOut
from probe.linux.optic import Optic
from probe.linux.pause import Pause
from probe.linux.processors import Ticks
from probe.rate_outcome import Moved
from probe.reach import Binding, Reach
from probe.wire.invitation import Invitation
from store.records import Carrier, Circumstances
from store.site import Evidence

WHERE = Reach(
    handoff="A",
    endpoint="north",
    invitation=Invitation(host="192.0.2.1", port=47862, flow_port=47863, key=bytes(32), pin=bytes(32)),
    binding=Binding(interface="eth1"),
    assigned=("198.51.100.40/29", "2001:db8:417::/48"),
)
WAY = WayOut(interface="eth1", source="198.51.100.42")


@pytest.mark.parametrize(
    ("way", "egress", "said"),
    [
        (WAY, "198.51.100.42", None),
        (WAY, "198.51.100.47", None),  # the last address of the /29: RFC 4632 section 3.1
        (WAY, "198.51.100.48", "198.51.100.48, which is not of 198.51.100.40/29"),
        (WAY, "2001:db8:417:ffff::1", None),
        (WAY, "2001:db8:418::1", "2001:db8:418::1, which is not of 2001:db8:417::/48"),
        (WAY, None, None),  # an endpoint of an older version does not say
        (None, "198.51.100.42", None),
        (replace(WAY, interface="eth0"), "198.51.100.42", "by eth0, not by eth1"),
    ],
)
def test_elsewhere(way: WayOut | None, egress: str | None, said: str | None) -> None:
    told = elsewhere(WHERE, way, egress)
    assert told is None if said is None else said in (told or "")


def test_what_the_site_file_does_not_say_is_not_held_against_a_run() -> None:
    """Without assigned addresses of its version, any address may be the handoff's, as behind a NAT."""
    only_v4 = replace(WHERE, assigned=WHERE.assigned[:1])
    assert elsewhere(only_v4, WAY, "2001:db8:999::1") is None
    assert elsewhere(replace(WHERE, assigned=()), WAY, "192.0.2.77") is None
    assert elsewhere(replace(WHERE, binding=Binding()), replace(WAY, interface="eth0"), None) is None


def test_growth_between_two_looks() -> None:
    """Every count is told as what it grew by, traffic less the run's own, a rate over the time between."""
    before = Look(
        counters=Counters(
            sent_bytes=1_000, received_bytes=2_000, errors=5, frame_errors=2, carrier_changes=4
        ),
        pause=Pause(received=10, sent=20),
        ticks=Ticks(busy=100, all=1_000),
    )
    after = Look(
        counters=Counters(
            sent_bytes=1_001_000, received_bytes=502_000, errors=9, frame_errors=3, carrier_changes=6
        ),
        pause=Pause(received=13, sent=20),
        ticks=Ticks(busy=150, all=1_200),
    )
    port = Interface(name="eth1", carrier=Carrier.WIRED, port_rate_bps=10**9, duplex="full", mtu_bytes=1_500)
    told = found(
        "198.51.100.42",
        where=replace(WHERE, evidence=Evidence(tunnel=True)),
        around=Surroundings(
            way=WAY,
            port=port,
            path_mtu_bytes=1_492,
            optic=Optic(received_nw=200_000, sent_nw=500_000, temperature_mc=41_500),
        ),
        traffic=Traffic(
            before=before,
            after=after,
            own=Moved(up_bytes=900_000, down_bytes=500_000),
            elapsed_ns=2_000_000_000,
        ),
        probe_cpu_ratio=0.3,
    )
    assert (told.interface_errors, told.frame_errors, told.carrier_changes) == (4, 1, 2)
    assert (told.pause_received, told.pause_sent, told.host_cpu_ratio) == (3, 0, 0.25)
    assert (told.other_up_bps, told.other_down_bps) == (400_000, 0)  # 100 000 bytes in 2 s
    assert (told.path_mtu_up_bytes, told.mtu_bytes, told.port_rate_bps) == (1_492, 1_500, 10**9)
    assert (told.optic_received_nw, told.optic_temperature_mc) == (200_000, 41_500)
    assert (told.egress_address, told.left_elsewhere, told.rules) == ("198.51.100.42", None, "tunnel=True")


def test_counters_that_began_anew_tell_nothing() -> None:
    """An interface that was made anew between two looks: no growth below nothing, and no rate of 0."""
    before = Look(
        counters=Counters(sent_bytes=9_000, received_bytes=9_000, errors=5, frame_errors=2),
        pause=Pause(received=10, sent=20),
    )
    after = Look(
        counters=Counters(sent_bytes=70, received_bytes=9_500, errors=0, frame_errors=0),
        pause=Pause(received=0, sent=0),
    )
    told = found(
        None,
        where=WHERE,
        around=Surroundings(way=WAY),
        traffic=Traffic(before=before, after=after, own=Moved(up_bytes=0, down_bytes=0), elapsed_ns=1),
    )
    assert (told.interface_errors, told.frame_errors, told.carrier_changes) == (None, None, None)
    assert (told.pause_received, told.pause_sent) == (None, None)
    assert (told.other_up_bps, told.other_down_bps) == (None, None)


@given(
    st.none() | st.integers(0, 10**11),
    st.none() | st.floats(0, 1),
    st.none() | st.integers(0, 10**7),
)
def test_rounding(other_bps: int | None, load: float | None, error_us: int | None) -> None:
    """A rate is at most a half off, the clock's bound never falls, and rounding twice is once."""
    told = rounded(Circumstances(other_up_bps=other_bps, host_cpu_ratio=load, clock_error_us=error_us))
    assert rounded(told) == told
    if other_bps and other_bps >= 100_000:
        assert told.other_up_bps == pytest.approx(other_bps, rel=0.5)
        assert str(told.other_up_bps).rstrip("0") in ("1", "2", "5")
    if error_us:
        assert told.clock_error_us is not None
        assert error_us <= told.clock_error_us < 4 * error_us
    if load is not None:
        assert told.host_cpu_ratio == pytest.approx(load, abs=0.1001)
