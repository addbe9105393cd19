"""STAMP packets against golden octets, the RFCs' worked values and scapy's reading of them.

The hexadecimal packets and HMACs were put together outside the project, field by field from the layouts of
RFC 8762 sections 4.2 and 4.3 and RFC 8972 section 3, with Python's own hmac module.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.contrib.stamp import (
    STAMPSessionReflectorTestUnauthenticated,
    STAMPSessionSenderTestUnauthenticated,
)

from probe.wire.stamp import (
    AUTHENTICATED_BYTES,
    UNAUTHENTICATED_BYTES,
    ReflectorPacket,
    SenderPacket,
    decode_reflector,
    decode_sender,
    encode_reflector,
    encode_sender,
    error_estimate,
    ntp_of,
    peek_ssid,
    read_error_estimate,
    unix_ns_of,
)
from store.errors import BadPacket

S = 10**9
KEY = bytes(range(32))
AT = 1_700_000_000_500_000_000
SENDER = SenderPacket(sequence=7, sent_ntp=0xE8FE6F80_80000000, error_estimate=0x8F84, ssid=0x1234)
REFLECTOR = ReflectorPacket(  # received 10 ms later, sent back another 0.25 ms later
    sequence=3,
    sent_ntp=0xE8FE6F80_829FBE76,
    error_estimate=0x8F84,
    ssid=0x1234,
    received_ntp=0xE8FE6F80_828F5C28,
    sender_sequence=7,
    sender_ntp=SENDER.sent_ntp,
    sender_error_estimate=0x8F84,
    sender_ttl=64,
)

number16, number32, number64 = (st.integers(0, 2**bits - 1) for bits in (16, 32, 64))
estimates = number16.filter(lambda field: field & 0xFF)
senders = st.builds(
    SenderPacket, sequence=number32, sent_ntp=number64, error_estimate=estimates, ssid=number16
)
reflectors = st.builds(
    ReflectorPacket,
    sequence=number32,
    sent_ntp=number64,
    error_estimate=estimates,
    ssid=number16,
    received_ntp=number64,
    sender_sequence=number32,
    sender_ntp=number64,
    sender_error_estimate=number16,
    sender_ttl=st.integers(0, 255),
)
keys = st.none() | st.binary(min_size=32, max_size=32)


class TestLayouts:
    def test_sender_unauthenticated(self) -> None:
        """RFC 8972 figure 1: 44 octets, the SSID behind the error estimate."""
        octets = bytes.fromhex("00000007e8fe6f80800000008f841234") + bytes(28)
        assert encode_sender(SENDER, key=None, size=44) == octets

    def test_reflector_unauthenticated(self) -> None:
        """RFC 8972 figure 3."""
        assert encode_reflector(REFLECTOR, key=None) == bytes.fromhex(
            "00000003e8fe6f80829fbe768f841234e8fe6f80828f5c2800000007e8fe6f80800000008f84000040000000"
        )

    def test_sender_authenticated(self) -> None:
        """RFC 8762 figure 3, no SSID: 112 octets, the HMAC over octets 0 to 95 at the end."""
        octets = bytearray(112)
        octets[0:4] = bytes.fromhex("00000007")
        octets[16:26] = bytes.fromhex("e8fe6f80800000008f84")
        octets[96:] = bytes.fromhex("e439515a4810e65a235b2b6706615758")
        assert encode_sender(SENDER._replace(ssid=0), key=KEY, size=112) == octets

    def test_reflector_authenticated(self) -> None:
        """RFC 8762 figure 6, no SSID."""
        octets = bytearray(112)
        octets[0:4] = bytes.fromhex("00000003")
        octets[16:26] = bytes.fromhex("e8fe6f80829fbe768f84")
        octets[32:40] = bytes.fromhex("e8fe6f80828f5c28")
        octets[48:52] = bytes.fromhex("00000007")
        octets[64:74] = bytes.fromhex("e8fe6f80800000008f84")
        octets[80] = 0x40
        octets[96:] = bytes.fromhex("4ba3f5979591e2010ef058095cb7338f")
        assert encode_reflector(REFLECTOR._replace(ssid=0), key=KEY) == octets

    def test_ssid_of_authenticated_packets(self) -> None:
        """RFC 8972 figures 2 and 4: octets 26 and 27."""
        assert encode_sender(SENDER, key=KEY, size=112)[26:28] == b"\x12\x34"
        assert encode_reflector(REFLECTOR, key=KEY)[26:28] == b"\x12\x34"
        assert peek_ssid(encode_sender(SENDER, key=KEY, size=112)) == 0x1234
        assert peek_ssid(encode_sender(SENDER, key=None, size=44), authenticated=False) == 0x1234

    def test_base_sizes(self) -> None:
        """RFC 8762 sections 4.2.1 and 4.2.2."""
        assert (UNAUTHENTICATED_BYTES, AUTHENTICATED_BYTES) == (44, 112)

    @pytest.mark.parametrize("size", [112, 128, 1472])
    def test_reflected_size_is_received_size(self, size: int) -> None:
        """RFC 8762 section 4.3: octets beyond the base packet are copied."""
        sent = encode_sender(SENDER, key=KEY, size=112) + b"\xa5" * (size - 112)
        reply = encode_reflector(REFLECTOR, key=KEY, tail=sent[AUTHENTICATED_BYTES:])
        assert len(reply) == len(sent)
        assert reply[112:] == sent[112:]

    def test_no_room_for_the_base_packet(self) -> None:
        with pytest.raises(ValueError, match="111"):
            encode_sender(SENDER, key=KEY, size=111)


class TestScapy:
    """scapy.contrib.stamp, an independent reader; it passes timestamps through floats, so they stay out."""

    def test_reads_our_sender(self) -> None:
        found = STAMPSessionSenderTestUnauthenticated(encode_sender(SENDER, key=None, size=44))
        assert (found.seq, found.ssid) == (7, 0x1234)
        assert (found.err_estimate.S, found.err_estimate.Z) == (1, 0)
        assert (found.err_estimate.scale, found.err_estimate.multiplier) == (15, 132)
        assert found.ts == pytest.approx(1_700_000_000.5 + 2_208_988_800, abs=1e-3)

    def test_reads_our_reflector(self) -> None:
        found = STAMPSessionReflectorTestUnauthenticated(encode_reflector(REFLECTOR, key=None))
        assert (found.seq, found.ssid, found.seq_sender, found.ttl_sender) == (3, 0x1234, 7, 64)
        assert (found.err_estimate.scale, found.err_estimate_sender.multiplier) == (15, 132)
        assert found.ts_rx == pytest.approx(1_700_000_000.51 + 2_208_988_800, abs=1e-3)

    @given(senders)
    def test_we_read_what_scapy_builds(self, packet: SenderPacket) -> None:
        theirs = STAMPSessionSenderTestUnauthenticated(encode_sender(packet, key=None, size=44))
        theirs.seq, theirs.ssid = packet.sequence ^ 1, packet.ssid ^ 1
        ours = decode_sender(bytes(theirs), key=None)
        assert (ours.sequence, ours.ssid) == (packet.sequence ^ 1, packet.ssid ^ 1)
        assert ours.error_estimate == packet.error_estimate


class TestAuthentication:
    def test_truncation(self) -> None:
        """RFC 4231 section 4.6: what RFC 8762 section 4.4 does to a digest."""
        digest = hmac.digest(b"\x0c" * 20, b"Test With Truncation", hashlib.sha256)
        assert digest[:16].hex() == "a3b6167473100ee06e0c796c2955552b"

    def test_hmac_is_over_octets_0_to_95(self) -> None:
        """RFC 8762 section 4.4: the first six blocks of 16 octets."""
        for octets in (encode_sender(SENDER, key=KEY, size=200), encode_reflector(REFLECTOR, key=KEY)):
            assert octets[96:112] == hmac.new(KEY, octets[:96], hashlib.sha256).digest()[:16]

    @pytest.mark.parametrize("octet", range(112))
    def test_any_changed_octet_is_noticed(self, octet: int) -> None:
        for data, decode in (
            (bytearray(encode_sender(SENDER, key=KEY, size=112)), decode_sender),
            (bytearray(encode_reflector(REFLECTOR, key=KEY)), decode_reflector),
        ):
            data[octet] ^= 1
            with pytest.raises(BadPacket, match="HMAC"):
                decode(bytes(data), key=KEY)

    def test_padding_is_not_covered(self) -> None:
        """RFC 8762 section 4.4: octets from 112 on are outside of the HMAC."""
        data = bytearray(encode_sender(SENDER, key=KEY, size=120))
        data[112] ^= 1
        assert decode_sender(bytes(data), key=KEY) == SENDER

    def test_a_wrong_hmac_is_told_before_anything_else(self) -> None:
        """RFC 8762 section 4.4: verified before any field is used, an illegal error estimate included."""
        data = bytearray(encode_sender(SENDER, key=KEY, size=112))
        data[25] = 0
        with pytest.raises(BadPacket, match="HMAC"):
            decode_sender(bytes(data), key=KEY)

    def test_another_key(self) -> None:
        with pytest.raises(BadPacket):
            decode_sender(encode_sender(SENDER, key=KEY, size=112), key=KEY[::-1])


class TestCodec:
    @given(senders, keys, st.integers(0, 1400))
    def test_sender_round_trip(self, packet: SenderPacket, key: bytes | None, padding: int) -> None:
        base = UNAUTHENTICATED_BYTES if key is None else AUTHENTICATED_BYTES
        data = encode_sender(packet, key=key, size=base + padding)
        assert len(data) == base + padding
        assert decode_sender(data, key=key) == packet

    @given(reflectors, keys, st.binary(max_size=60))
    def test_reflector_round_trip(self, packet: ReflectorPacket, key: bytes | None, tail: bytes) -> None:
        data = encode_reflector(packet, key=key, tail=tail)
        assert data.endswith(tail)
        assert decode_reflector(data, key=key) == packet

    @given(st.binary(max_size=150), keys)
    def test_any_octets(self, data: bytes, key: bytes | None) -> None:
        """They are read or refused; nothing else comes out."""
        for decode in (decode_sender, decode_reflector):
            with contextlib.suppress(BadPacket):
                decode(data, key=key)
        with contextlib.suppress(BadPacket):
            peek_ssid(data)

    @pytest.mark.parametrize("length", [0, 14, 43, 111])
    def test_shorter_than_the_base_packet(self, length: int) -> None:
        key = KEY if length > UNAUTHENTICATED_BYTES else None
        with pytest.raises(BadPacket, match=f"{length} octets"):
            decode_sender(bytes(length), key=key)

    def test_zero_fields_are_ignored(self) -> None:
        """RFC 8762 section 4.2.1: zero on sending, not looked at on receipt."""
        data = bytearray(encode_sender(SENDER, key=None, size=44))
        data[16:] = b"\xff" * 28
        assert decode_sender(bytes(data), key=None) == SENDER

    @pytest.mark.parametrize("key", [None, KEY])
    def test_multiplier_zero(self, key: bytes | None) -> None:
        """RFC 4656 section 4.1.2: considered corrupt and discarded."""
        sender = SENDER._replace(error_estimate=0x8F00)
        with pytest.raises(BadPacket, match="multiplier"):
            decode_sender(encode_sender(sender, key=key, size=112), key=key)
        reflector = REFLECTOR._replace(error_estimate=0x8F00)
        with pytest.raises(BadPacket, match="multiplier"):
            decode_reflector(encode_reflector(reflector, key=key), key=key)


class TestTimestamps:
    @pytest.mark.parametrize(
        ("unix_ns", "ntp"),
        [  # RFC 5905 figure 4, and its section 6 rule for fractions
            (0, 0x83AA7E80_00000000),
            (63_072_000 * S, 2_272_060_800 << 32),  # 1972-01-01
            (946_598_400 * S, 3_155_587_200 << 32),  # 1999-12-31
            (2_086_041_600 * S, 63_104 << 32),  # 2036-02-08, era 1
            (AT, 0xE8FE6F80_80000000),
            (1_700_000_000_123_456_789, 0xE8FE6F80_1F9ADD37),
            (2_085_978_495_999_999_999, 0xFFFFFFFF_FFFFFFFC),
        ],
    )
    def test_known(self, unix_ns: int, ntp: int) -> None:
        assert ntp_of(unix_ns) == ntp
        assert unix_ns_of(ntp, near_unix_ns=unix_ns) == unix_ns

    def test_never_zero(self) -> None:
        """RFC 5905 section 6: zero means unknown; the second 2036-02-07T06:28:16Z would be zero."""
        assert ntp_of(2_085_978_496 * S) == 1
        assert unix_ns_of(1, near_unix_ns=2_085_978_496 * S) == 2_085_978_496 * S

    def test_difference_across_the_era(self) -> None:
        """RFC 5905 section 6: differences are right across the rollover."""
        before, after = 2_085_978_495_900_000_000, 2_085_978_496_100_000_000
        for near in (before, after):
            found = [unix_ns_of(ntp_of(at), near_unix_ns=near) for at in (before, after)]
            assert found[1] - found[0] == 200_000_000

    @given(st.integers(0, 4 * 2**32 * S), st.integers(-68 * 365 * 86_400 * S, 68 * 365 * 86_400 * S))
    def test_every_nanosecond_survives(self, unix_ns: int, away_ns: int) -> None:
        """Rounded both ways, in any era, with a clock that is up to 68 years off."""
        assert unix_ns_of(ntp_of(unix_ns), near_unix_ns=unix_ns + away_ns) == unix_ns


class TestErrorEstimate:
    @pytest.mark.parametrize(
        ("field", "synchronised", "seconds"),
        [  # RFC 4656 section 4.1.2: multiplier x 2**-32 x 2**scale
            (0x0001, False, 2.0**-32),
            (0x8001, True, 2.0**-32),
            (0x8F84, True, 0.001007080078125),
            (0x9980, True, 1.0),
            (0x94A4, True, 0.0400390625),
        ],
    )
    def test_read(self, field: int, synchronised: bool, seconds: float) -> None:
        assert read_error_estimate(field) == (synchronised, seconds)

    @pytest.mark.parametrize("field", [0x0000, 0x8F00, 0xFF00])
    def test_read_multiplier_zero(self, field: int) -> None:
        with pytest.raises(BadPacket):
            read_error_estimate(field)

    @pytest.mark.parametrize(
        ("error_ns", "field"),
        [  # least scale whose multiplier fits, rounded up, by hand
            (1_000, 0x8587),
            (10_000, 0x88A8),
            (100_000, 0x8BD2),
            (1_000_000, 0x8F84),
            (10_000_000, 0x92A4),
            (100_000_000, 0x95CD),
            (S, 0x9980),
        ],
    )
    def test_write(self, error_ns: int, field: int) -> None:
        assert error_estimate(True, error_ns) == field
        assert error_estimate(False, error_ns) == field & 0x7FFF

    @given(st.integers(0, 10_000 * S), st.booleans())
    def test_never_below_the_error(self, error_ns: int, synchronised: bool) -> None:
        """And above it by at most one unit of the field and one part in 127, its coarsest step."""
        told, seconds = read_error_estimate(error_estimate(synchronised, error_ns))
        assert told is synchronised
        assert error_ns / S <= seconds <= error_ns / S * (1 + 1 / 127) + 2**-32

    def test_too_large_for_the_field(self) -> None:
        with pytest.raises(ValueError, match="does not fit"):
            error_estimate(True, 2**64 * S)
