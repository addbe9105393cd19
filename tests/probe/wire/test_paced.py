"""Datagrams of paced runs: round trips, refusals, and HMAC-SHA-256 as the standard has it."""

from __future__ import annotations

import contextlib
import hashlib
import hmac

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.wire import paced
from probe.wire.paced import CONTROL_BYTES, Said, Word
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
