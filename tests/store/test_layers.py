"""Layer arithmetic against published frame rates and a table of every usual encapsulation.

Sources: RFC 6349 section 4.1.1, RFC 5180 appendix A.1, RFC 2544 appendix B, and the fraction of the line
rate that each case leaves, computed from header sizes in RFC 768, 791, 2516, 4638, 7323, 8200, 9293.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.layers import Framing, Layer, LayerRates, tcp_framing, udp_framing

GIGABIT = 1_000_000_000

# IP MTU, tags, PPPoE; frame bytes, wire bytes
CASES = {
    "plain 1500": (1500, 0, False, 1518, 1538),
    "1500 + 1 VLAN": (1500, 1, False, 1522, 1542),
    "1500 + 2 VLAN": (1500, 2, False, 1526, 1546),
    "PPPoE 1492": (1492, 0, True, 1518, 1538),
    "PPPoE 1492 + VLAN": (1492, 1, True, 1522, 1542),
    "PPPoE 1500 (1508)": (1500, 0, True, 1526, 1546),
    "PPPoE 1500 + VLAN": (1500, 1, True, 1530, 1550),
    "jumbo 9000": (9000, 0, False, 9018, 9038),
    "jumbo 9000 + VLAN": (9000, 1, False, 9022, 9042),
}
# The fraction of the line rate at L2 and IP, of UDP over IPv4 and IPv6, of TCP over IPv4 without and with
# time stamps, of TCP over IPv6 likewise
FRACTIONS = {
    "plain 1500": (0.986996, 0.975293, 0.957087, 0.944083, 0.949285, 0.941482, 0.936281, 0.928479),
    "1500 + 1 VLAN": (0.987030, 0.972763, 0.954604, 0.941634, 0.946822, 0.939040, 0.933852, 0.926070),
    "1500 + 2 VLAN": (0.987063, 0.970246, 0.952135, 0.939198, 0.944373, 0.936611, 0.931436, 0.923674),
    "PPPoE 1492": (0.986996, 0.970091, 0.951886, 0.938882, 0.944083, 0.936281, 0.931079, 0.923277),
    "PPPoE 1492 + VLAN": (0.987030, 0.967575, 0.949416, 0.936446, 0.941634, 0.933852, 0.928664, 0.920882),
    "PPPoE 1500 (1508)": (0.987063, 0.970246, 0.952135, 0.939198, 0.944373, 0.936611, 0.931436, 0.923674),
    "PPPoE 1500 + VLAN": (0.987097, 0.967742, 0.949677, 0.936774, 0.941935, 0.934194, 0.929032, 0.921290),
    "jumbo 9000": (0.997787, 0.995796, 0.992697, 0.990485, 0.991370, 0.990042, 0.989157, 0.987829),
    "jumbo 9000 + VLAN": (0.997788, 0.995355, 0.992258, 0.990046, 0.990931, 0.989604, 0.988719, 0.987392),
}
# When layer 2 is counted instead: IP, UDP and TCP over IPv4, with time stamps, TCP over IPv6 likewise
OF_LAYER_2 = {
    "plain 1500": (0.988142, 0.969697, 0.961792, 0.953887, 0.948617, 0.940711),
    "1500 + 1 VLAN": (0.985545, 0.967148, 0.959264, 0.951380),
}


def framings(case: str) -> tuple[Framing, ...]:
    """UDP over IPv4 and IPv6, TCP over IPv4 without and with time stamps, TCP over IPv6 likewise."""
    mtu, tags, pppoe, _, _ = CASES[case]
    return tuple(
        Framing(
            payload_bytes=mtu - transport - {4: 20, 6: 40}[version],
            transport_bytes=transport,
            ip_version=version,
            tags=tags,
            pppoe=pppoe,
        )
        for transport, version in ((8, 4), (8, 6), (20, 4), (32, 4), (20, 6), (32, 6))
    )


@pytest.mark.parametrize("case", CASES)
def test_frames_are_as_long_as_the_headers_say(case: str) -> None:
    found = {(each.ethernet_frame_bytes, each.wire_frame_bytes) for each in framings(case)}
    assert found == {CASES[case][3:]}


@pytest.mark.parametrize("case", CASES)
def test_every_cell_of_the_line_rate_table(case: str) -> None:
    """Payload that fills the wire's rate at each stack, to six digits."""
    stacks = framings(case)
    wire = stacks[0].wire_frame_bytes
    found = [stacks[0].ethernet_frame_bytes / wire, stacks[0].ip_packet_bytes / wire]
    found += [each.payload_bytes / wire for each in stacks]
    assert tuple(round(each, 6) for each in found) == FRACTIONS[case]


@pytest.mark.parametrize("case", OF_LAYER_2)
def test_every_cell_of_the_layer_2_table(case: str) -> None:
    udp4, _, *tcp = framings(case)
    frame = udp4.ethernet_frame_bytes
    found = [udp4.ip_packet_bytes / frame, udp4.payload_bytes / frame]
    found += [each.payload_bytes / frame for each in tcp]
    assert tuple(round(each, 6) for each in found)[: len(OF_LAYER_2[case])] == OF_LAYER_2[case]


# Frame and wire bytes of full packets; payload as percent of L1, L2 and L3 (arithmetic from the headers)
FULL_PACKETS = [
    (tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True), 1518, 1538, 94.15, 95.39, 96.53),
    (tcp_framing(payload_bytes=1460, ip_version=4, timestamps=False), 1518, 1538, 94.93, 96.18, 97.33),
    (tcp_framing(payload_bytes=1428, ip_version=6, timestamps=True), 1518, 1538, 92.85, 94.07, 95.20),
    (tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True, tags=1), 1522, 1542, 93.90, 95.14, 96.53),
    (tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True, tags=2), 1526, 1546, 93.66, 94.89, 96.53),
    # PPPoE: 1440 of the 1492 of its packets are 96.51 %, and 96.00 % of 1500
    (
        Framing(payload_bytes=1440, transport_bytes=32, ip_version=4, tags=0, pppoe=True),
        *(1518, 1538, 93.63, 94.86, 96.51),
    ),
    (udp_framing(payload_bytes=1472, ip_version=4), 1518, 1538, 95.71, 96.97, 98.13),
    (tcp_framing(payload_bytes=8948, ip_version=4, timestamps=True), 9018, 9038, 99.00, 99.22, 99.42),
]


@pytest.mark.parametrize(("framing", "frame", "wire", "of_l1", "of_l2", "of_l3"), FULL_PACKETS)
def test_shares_of_full_packets(
    framing: Framing, frame: int, wire: int, of_l1: float, of_l2: float, of_l3: float
) -> None:
    assert (framing.ethernet_frame_bytes, framing.wire_frame_bytes) == (frame, wire)
    goodput = framing.payload_bytes
    sizes = (framing.wire_frame_bytes, framing.ethernet_frame_bytes, framing.ip_packet_bytes)
    assert tuple(round(100 * goodput / size, 2) for size in sizes) == (of_l1, of_l2, of_l3)


# RFC 6349 section 4.1.1: frames a second at MTU 1500 (1538 bytes on the wire)
@pytest.mark.parametrize(("line_bps", "frames"), [(10**8, 8127), (10**9, 81274), (10**10, 812743)])
def test_frames_a_second_of_rfc_6349(line_bps: int, frames: int) -> None:
    framing = tcp_framing(payload_bytes=1460, ip_version=4, timestamps=False)
    assert line_bps // (framing.wire_frame_bytes * 8) == frames


def test_highest_tcp_rate_of_rfc_6349() -> None:
    """100 Mb/s Ethernet, IPv4, no options: 94.9 Mb/s in the RFC, 94.92336 with its 8127 whole frames."""
    framing = tcp_framing(payload_bytes=1460, ip_version=4, timestamps=False)
    assert 8127 * framing.payload_bytes * 8 == 94_923_360
    assert framing.rates(94_923_360).wire_bps == 8127 * 1538 * 8


# RFC 5180 appendix A.1 at 1 Gb/s, RFC 2544 appendix B at 10 Mb/s: frames a second by frame size
@pytest.mark.parametrize(
    ("line_bps", "frame", "frames"),
    [
        (GIGABIT, 64, 1_488_095),
        (GIGABIT, 128, 844_594),
        (GIGABIT, 256, 452_898),
        (GIGABIT, 512, 234_962),
        (GIGABIT, 1024, 119_731),
        (GIGABIT, 1280, 96_153),
        (GIGABIT, 1518, 81_274),
        (GIGABIT, 1522, 81_063),  # with a tag
        (10**7, 64, 14_880),
        (10**7, 128, 8445),
        (10**7, 256, 4528),
        (10**7, 512, 2349),
        (10**7, 768, 1586),
        (10**7, 1024, 1197),
        (10**7, 1280, 961),
        (10**7, 1518, 812),
    ],
)
def test_frames_a_second_by_size(line_bps: int, frame: int, frames: int) -> None:
    tags = 1 if frame == 1522 else 0
    framing = udp_framing(payload_bytes=frame - 46 - 4 * tags, ip_version=4, tags=tags)
    assert framing.ethernet_frame_bytes == frame
    assert line_bps // (framing.wire_frame_bytes * 8) == frames


def test_rates_turn_a_payload_rate_into_each_layer() -> None:
    """1 Gb/s on the wire, in Mb/s: the first row of the table above times 1000."""
    found = tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True).rates(941_482_445)
    assert [round(rate / 1e6, 3) for rate in (found.ip_bps, found.ethernet_bps, found.wire_bps)] == [
        975.293,
        986.996,
        1000.0,
    ]


def test_two_gigabits_at_layer_2_are_1908_of_payload() -> None:
    """2 Gb/s counted at layer 2 shows as 1908 Mb/s of TCP payload (arithmetic: 2000 x 1448 / 1518)."""
    framing = tcp_framing(payload_bytes=1448, ip_version=4, timestamps=True)
    assert framing.rates(1_907_773_386).ethernet_bps == pytest.approx(2_000_000_000, abs=1)


@given(st.integers(0, 10**11), st.integers(1, 8960), st.sampled_from([4, 6]), st.integers(0, 2))
def test_layers_keep_their_order_and_rounding(goodput: int, payload: int, version: int, tags: int) -> None:
    """A lower layer never counts less; each rate is the nearest integer to the exact one."""
    framing = udp_framing(payload_bytes=payload, ip_version=version, tags=tags)
    found = framing.rates(goodput)
    assert found.goodput_bps <= found.ip_bps <= found.ethernet_bps <= found.wire_bps
    assert abs(found.wire_bps * payload - goodput * framing.wire_frame_bytes) * 2 <= payload


def test_the_rate_at_a_layer_that_nobody_stated_is_refused() -> None:
    rates = LayerRates(goodput_bps=1, ip_bps=2, ethernet_bps=3, wire_bps=4)
    named = (Layer.PAYLOAD, Layer.IP, Layer.ETHERNET, Layer.WIRE)
    assert [rates.at(layer) for layer in named] == [1, 2, 3, 4]
    with pytest.raises(ValueError, match="no layer is stated"):
        rates.at(Layer.NOT_STATED)
