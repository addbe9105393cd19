"""A path MTU against the stated size: RFC 8899's search result in, a word out."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import mtu
from dashboard.judge.verdict import Word
from store.path_mtu import Beyond, FamilyMtu, PathMtu
from store.records import Circumstances

V4 = FamilyMtu(
    ip_version=4,
    interface_bytes=1500,
    up_bytes=1500,
    down_bytes=1500,
    down_at_least=True,
    beyond=Beyond.INTERFACE,
)
V6 = replace(V4, ip_version=6)


def record(*found: FamilyMtu, reasons: tuple[str, ...] = ()) -> PathMtu:
    return PathMtu(
        handoff="A",
        endpoint="north",
        started_unix_ns=0,
        reasons=reasons,
        seconds=4.0,
        found=found,
        spent_bytes=90_000,
        circumstances=Circumstances(),
    )


@pytest.mark.parametrize(
    ("found", "stated", "word"),
    [
        (record(V4, V6), 1500, Word.MET),
        (record(V4, V6), 1492, Word.MET),
        (record(V4, V6), None, Word.NOT_TESTED),
        (record(V4, V6, reasons=("elsewhere",)), 1500, Word.NOT_TESTED),
        # PPPoE takes 8 of 1500: RFC 2516 section 7
        (record(replace(V4, up_bytes=1492, down_bytes=1492, beyond=Beyond.ICMP), V6), 1500, Word.NOT_MET),
        (record(V4, replace(V6, down_bytes=1400, down_at_least=False)), 1500, Word.NOT_MET),
        (record(V4, replace(V6, down_bytes=None, down_at_least=False)), 1500, Word.UNDECIDED),
        (record(V4), 9000, Word.UNDECIDED),  # this host's own interface sends no more than 1500
        (record(V4, FamilyMtu(ip_version=6, why="nothing came back")), 1500, Word.UNDECIDED),
    ],
)
def test_words(found: PathMtu, stated: int | None, word: Word) -> None:
    assert mtu.verdict(found, stated).word is word


@given(st.integers(1280, 1500), st.integers(1280, 1500), st.integers(1280, 1500))
def test_a_way_that_carries_more_is_never_worse(one: int, other: int, stated: int) -> None:
    order = [Word.NOT_MET, Word.UNDECIDED, Word.MET]
    less, more = (
        mtu.verdict(record(replace(V4, up_bytes=size, down_bytes=size, beyond=Beyond.SILENT)), stated).word
        for size in sorted((one, other))
    )
    assert order.index(less) <= order.index(more)


def test_what_is_said() -> None:
    """A black hole and a link below IPv6's least (RFC 8200 section 5) are named."""
    hole = replace(V6, up_bytes=1270, down_bytes=1270, beyond=Beyond.SILENT)
    assert "black hole" in mtu.said(hole)
    assert "1280" in mtu.said(hole)
    told = replace(V4, up_bytes=1492, beyond=Beyond.ICMP, told_by="198.51.100.41", told_bytes=1492)
    assert "198.51.100.41 says 1492" in mtu.said(told)
    assert "could not be told" in mtu.said(replace(V4, down_bytes=None, down_at_least=False))
    assert "nothing came back" in mtu.said(FamilyMtu(ip_version=4, why="nothing came back"))
