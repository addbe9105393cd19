"""Follow-up telemetry behind STAMP packets, by RFC 8972 sections 4.7 and 4.8 with struct and hmac alone.

The layout of the value is from memory of section 4.7.
"""

from __future__ import annotations

import hmac
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.wire import stamp_tlv
from probe.wire.stamp_tlv import FOLLOWED_BYTES, FollowUp

KEY = bytes(range(32))
NUMBERS = st.integers(0, 2**32 - 1)
TIMES = st.integers(1, 2**64 - 1)


def mac(sequence: int, tlvs: bytes) -> bytes:
    """Section 4.8: over the four octets of the sequence number and every TLV before."""
    return hmac.new(KEY, struct.pack(">I", sequence) + tlvs, "sha256").digest()[:16]


def test_the_hmac_of_known_octets() -> None:
    """Sequence number 7 and the TLV 80 04 0004 00000000, worked out apart from this project."""
    assert mac(7, bytes.fromhex("8004000400000000")).hex() == "61b053da0ab6e62f1ae58f466db95363"
    assert stamp_tlv._mac(7, bytes.fromhex("8004000400000000"), KEY) == mac(
        7, bytes.fromhex("8004000400000000")
    )


def test_what_a_sender_asks_with() -> None:
    """Type 7 of 16 zeros, type 8 of 16 octets, both with the U flag; type 1 fills the rest."""
    follow_up = bytes.fromhex("80070010") + bytes(16)
    asked = follow_up + bytes.fromhex("80080010") + mac(7, follow_up)
    assert stamp_tlv.asking(7, key=KEY, size=40) == asked
    assert stamp_tlv.asking(7, key=KEY, size=60) == asked + bytes.fromhex("80010010") + bytes(16)
    assert stamp_tlv.asking(7, key=KEY, size=43) == asked + bytes(3)


@given(st.integers(0, FOLLOWED_BYTES - 1))
def test_too_little_room_is_padding(size: int) -> None:
    found = stamp_tlv.asking(7, key=KEY, size=size)
    assert found == bytes(size)
    assert not stamp_tlv.asks(found)


def test_what_a_reflector_tells() -> None:
    """U flags cleared; number, time and method 2, sealed under the reply's own number; padding as it came."""
    asked = stamp_tlv.asking(7, key=KEY, size=64)
    told = FollowUp(sequence=2, sent_ntp=0xE8FE6F80829FBE76)
    answer = stamp_tlv.answering(asked, asked_in=7, sequence=3, key=KEY, told=told)
    follow_up = bytes.fromhex("00070010 00000002 e8fe6f80829fbe76 02000000")
    assert answer == follow_up + bytes.fromhex("00080010") + mac(3, follow_up) + asked[40:]
    assert len(answer) == len(asked)


@given(st.integers(FOLLOWED_BYTES, 200), NUMBERS, NUMBERS, NUMBERS, TIMES)
def test_there_and_back(size: int, asked_in: int, sequence: int, number: int, sent_ntp: int) -> None:
    asked = stamp_tlv.asking(asked_in, key=KEY, size=size)
    assert stamp_tlv.asks(asked)
    told = FollowUp(sequence=number, sent_ntp=sent_ntp)
    answer = stamp_tlv.answering(asked, asked_in=asked_in, sequence=sequence, key=KEY, told=told)
    assert stamp_tlv.followed(answer, sequence=sequence, key=KEY) == told
    assert stamp_tlv.followed(answer, sequence=sequence ^ 1, key=KEY) is None


def test_nothing_to_tell_yet() -> None:
    asked = stamp_tlv.asking(0, key=KEY, size=40)
    answer = stamp_tlv.answering(asked, asked_in=0, sequence=0, key=KEY, told=None)
    assert answer[4:20] == bytes(16)
    assert stamp_tlv.followed(answer, sequence=0, key=KEY) is None


@pytest.mark.parametrize("at", range(40))
def test_a_changed_octet_is_not_believed(at: int) -> None:
    """On the way there the reflector answers with the I flag, or copies; on the way back nothing is told."""
    asked = bytearray(stamp_tlv.asking(7, key=KEY, size=40))
    asked[at] ^= 1
    told = FollowUp(sequence=2, sent_ntp=1)
    if stamp_tlv.asks(bytes(asked)):
        answer = stamp_tlv.answering(bytes(asked), asked_in=7, sequence=3, key=KEY, told=told)
        assert answer[0] == answer[20] == 0xA0
        assert answer[1:20] + answer[21:] == bytes(asked[1:20] + asked[21:])
        assert stamp_tlv.followed(answer, sequence=3, key=KEY) is None
    good = stamp_tlv.asking(7, key=KEY, size=40)
    back = bytearray(stamp_tlv.answering(good, asked_in=7, sequence=3, key=KEY, told=told))
    back[at] ^= 1
    assert stamp_tlv.followed(bytes(back), sequence=3, key=KEY) is None


def test_a_reflector_that_knows_none_of_it() -> None:
    """It copies the octets, so the U flag still stands."""
    asked = stamp_tlv.asking(7, key=KEY, size=40)
    assert stamp_tlv.followed(asked, sequence=7, key=KEY) is None
