"""RFC 3161 requests octet by octet, and OpenSSL's responses taken or refused as section 2.4.2 says."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from store import chain, timestamp, verify
from store.timestamp import Request
from tests.store import samples, sealed, stamped

ASKED = timestamp.Request(
    der=stamped.ABC_REQUEST,
    digest=bytes.fromhex(
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    ),  # RFC 6234, "abc"
    nonce=stamped.ABC_NONCE,
)


class TestRequest:
    def test_for_abc_octet_by_octet(self) -> None:
        """DER by RFC 3161 section 2.4.1, written out and parsed back by another ASN.1 reader."""
        assert timestamp.request(b"abc", nonce=False).der.hex() == (
            "30390201013031300d060960864801650304020105000420"
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad0101ff"
        )

    def test_each_has_a_nonce_of_its_own(self) -> None:
        one, other = timestamp.request(b"abc"), timestamp.request(b"abc")
        assert one.nonce is not None
        assert one.nonce != other.nonce
        assert one.digest == ASKED.digest


class TestResponse:
    def test_that_fits(self) -> None:
        assert timestamp.accept(stamped.ABC, ASKED) == stamped.ABC_UNIX_NS
        assert timestamp.read_token(stamped.ABC, digest=ASKED.digest) == stamped.ABC_UNIX_NS

    @pytest.mark.parametrize(
        ("asked", "why"),
        [
            (replace(ASKED, nonce=stamped.ABC_NONCE + 1), "another nonce"),
            (replace(ASKED, nonce=None), "another nonce"),
            (replace(ASKED, digest=bytes(32)), "other octets"),
        ],
    )
    def test_to_another_request(self, asked: Request, why: str) -> None:
        with pytest.raises(ValueError, match=why):
            timestamp.accept(stamped.ABC, asked)

    def test_without_the_nonce_that_was_sent(self) -> None:
        with pytest.raises(ValueError, match="another nonce"):
            timestamp.accept(stamped.HEAD, ASKED)

    def test_refused(self) -> None:
        with pytest.raises(ValueError, match="status 2: Message digest algorithm is not supported"):
            timestamp.accept(stamped.REFUSED, ASKED)

    @pytest.mark.parametrize("status", range(2, 6))
    def test_a_status_that_brings_no_token_but_has_one(self, status: int) -> None:
        """PKIStatusInfo is the first thing in it: SEQUENCE of one INTEGER (30 03 02 01)."""
        granted, other = bytes.fromhex("3003020100"), bytes.fromhex("30030201") + bytes([status])
        with pytest.raises(ValueError, match=f"status {status}"):
            timestamp.accept(stamped.ABC.replace(granted, other, 1), ASKED)

    def test_granted_with_changes(self) -> None:
        response = stamped.ABC.replace(bytes.fromhex("3003020100"), bytes.fromhex("3003020101"), 1)
        assert timestamp.accept(response, ASKED) == stamped.ABC_UNIX_NS

    @pytest.mark.parametrize("response", [b"", b"no DER", stamped.ABC[:-9], stamped.ABC_REQUEST])
    def test_that_is_none(self, response: bytes) -> None:
        with pytest.raises(ValueError, match=r"."):
            timestamp.accept(response, ASKED)


class TestKept:
    def test_a_stamped_head_says_when(self, tmp_path: Path) -> None:
        path = two_days(tmp_path, stamped.HEAD)
        result = verify.database(path)
        assert result.findings == []
        assert [(one.head, one.day, one.unix_ns) for one in result.stamped] == [
            (1, "2026-05-28", stamped.HEAD_UNIX_NS)
        ]

    def test_a_stamp_of_something_else_is_found(self, tmp_path: Path) -> None:
        found = verify.database(two_days(tmp_path, stamped.ABC)).findings[0]
        assert (found.what, "time stamp that does not fit" in found.why) == ("head", True)

    def test_a_stamp_whose_head_is_gone_is_found(self, tmp_path: Path) -> None:
        path = two_days(tmp_path, stamped.HEAD)
        with sealed.tampering(path) as connection:
            connection.execute("UPDATE time_stamp SET head = 9")
        assert "head 9 is gone" in verify.database(path).findings[0].why


def two_days(folder: Path, token: bytes) -> Path:
    """A database of two stalls on two days, the first day's head with this time stamp."""
    path = sealed.make(folder / "line.db", [[samples.stall(1)], [samples.stall(2)]])
    with closing(sqlite3.connect(path)) as connection:
        assert [number for number, _ in chain.heads(connection)] == [1, 2]
        connection.execute("INSERT INTO time_stamp (head, token) VALUES (1, ?)", (token,))
        connection.commit()
    return path
