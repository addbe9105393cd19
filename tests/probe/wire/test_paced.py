"""Datagrams of paced runs: round trips, refusals, and HMAC-SHA-256 as the standard has it."""

from __future__ import annotations

import contextlib
import hashlib
import hmac

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.wire import paced
from probe.wire.paced import CONTROL_BYTES, Said, Status, Word
from store.errors import BadPacket

KEY = bytes(range(32))
nonces = st.binary(min_size=16, max_size=16)


@given(st.sampled_from(Word), nonces, nonces)
def test_round_trip(word: Word, nonce: bytes, echo: bytes) -> None:
    data = paced.pack(KEY, word, nonce=nonce, echo=echo)
    assert len(data) == CONTROL_BYTES
    assert paced.unpack(KEY, data) == Said(word=word, nonce=nonce, echo=echo)


def test_it_ends_with_the_hmac_of_all_before() -> None:
    """RFC 2104 with SHA-256 over the first 48 octets, by Python's own module."""
    data = paced.pack(KEY, Word.HELLO, nonce=bytes(16))
    assert data[48:] == hmac.new(KEY, data[:48], hashlib.sha256).digest()


@given(st.binary(max_size=120))
def test_any_octets_are_refused(data: bytes) -> None:
    with pytest.raises(BadPacket):
        paced.unpack(KEY, data)


@given(st.integers(0, CONTROL_BYTES - 1), st.integers(1, 255))
def test_any_changed_octet_is_refused(place: int, change: int) -> None:
    data = bytearray(paced.pack(KEY, Word.PROOF, nonce=bytes(16)))
    data[place] ^= change
    with contextlib.suppress(BadPacket):
        paced.unpack(KEY, bytes(data))
        # three octets after the word, and four after the tag, mean nothing; the seal covers them all the same
        raise AssertionError(place)


def test_a_challenge_is_for_one_address_and_one_question() -> None:
    made = {
        paced.cookie(key, address=address, nonce=nonce)
        for key in (KEY, bytes(32))
        for address in ("('192.0.2.1', 1)", "('192.0.2.1', 2)", "('192.0.2.2', 1)")
        for nonce in (bytes(16), bytes(15) + b"\1")
    }
    assert len(made) == 12


def test_signs_of_life_are_numbered() -> None:
    said = paced.unpack(KEY, paced.alive(KEY, 7))
    assert (said.word, said.number) == (Word.ALIVE, 7)


counts = st.integers(0, (1 << 32) - 1)


@given(st.integers(0, 1 << 64), counts, counts, counts, counts)
def test_a_status_comes_back(number: int, errors: int, range_us: int, packets: int, covers_us: int) -> None:
    told = Status(sequence_errors=errors, delay_range_us=range_us, packets=packets, covers_us=covers_us)
    said = paced.unpack(KEY, paced.status(KEY, number, told))
    assert (said.word, said.number, said.status) == (Word.STATUS, number, told)


def test_counts_beyond_32_bits_are_their_largest() -> None:
    told = Status(sequence_errors=1 << 40, delay_range_us=1 << 32, packets=1, covers_us=2)
    found = paced.unpack(KEY, paced.status(KEY, 1, told)).status
    assert (found.sequence_errors, found.delay_range_us) == ((1 << 32) - 1, (1 << 32) - 1)


def _decoder() -> type:
    """What the docstring of `probe.wire.paced` says of a control datagram, as a dissector of scapy's."""
    from scapy.fields import IntField, LongField, StrFixedLenField, XIntField, XStrFixedLenField
    from scapy.packet import Packet

    class StatusDatagram(Packet):
        name = "STATUS"
        fields_desc = (
            StrFixedLenField("magic", b"", 4),
            IntField("word_and_zeros", 0),
            XIntField("tag", 0),
            IntField("zeros", 0),
            LongField("number_high", 0),
            LongField("number", 0),
            IntField("sequence_errors", 0),
            IntField("delay_range_us", 0),
            IntField("packets", 0),
            IntField("covers_us", 0),
            XStrFixedLenField("seal", b"", 32),
        )

    return StatusDatagram


def test_scapy_reads_a_status_as_it_is_written_down() -> None:
    told = Status(sequence_errors=11, delay_range_us=30_000, packets=125, covers_us=50_017)
    found = _decoder()(paced.status(KEY, 9, told))
    assert (found.magic, found.word_and_zeros >> 24, found.tag) == (
        b"LBpu",
        6,
        int.from_bytes(paced.tag_of(KEY)),
    )
    assert (found.number_high, found.number) == (0, 9)
    read = found.sequence_errors, found.delay_range_us, found.packets, found.covers_us
    assert read == (11, 30_000, 125, 50_017)
    assert bytes(found.payload) == b""
