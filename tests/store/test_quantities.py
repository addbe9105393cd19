"""Quantities with their units, against the SI and IEC 80000-13 prefixes (from memory)."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.quantities import (
    did_you_mean,
    duration_s,
    duration_us,
    port_rate,
    rate_bps,
    share,
    shown,
    size_bytes,
    size_text,
)


@pytest.mark.parametrize(
    ("reader", "text", "expected"),
    [
        (rate_bps, "600 Mb/s", 600_000_000),  # RFC 9097 section 5.6: 1 Mb/s is 1,000,000 bit/s
        (rate_bps, "1.4 Gb/s", 1_400_000_000),
        (rate_bps, "160kb/s", 160_000),
        (rate_bps, " 0.0005 kb/s ", 1),  # never rounded down to nothing
        (duration_us, "9 ms", 9_000),
        (duration_us, "50 us", 50),
        (duration_us, "1.5 s", 1_500_000),
        (duration_us, "60 min", 3_600_000_000),
        (duration_us, "4 h", 14_400_000_000),
        (duration_s, "250 ms", 0.25),
        (share, "0.05 %", 0.0005),
        (share, "99.93%", 0.9993),
        (share, "0 %", 0.0),
        (share, "100 %", 1.0),
        (size_bytes, "50 GB", 50_000_000_000),
        (size_bytes, "1.2 TB", 1_200_000_000_000),
        (size_bytes, "1 KiB", 1024),
        (size_bytes, "2 GiB", 2 * 1024**3),
        (size_bytes, "1 TiB", 1024**4),
    ],
)
def test_reads(reader: Callable[[object], float], text: str, expected: float) -> None:
    assert reader(text) == expected


@pytest.mark.parametrize(
    ("reader", "value", "sentence"),
    [
        (rate_bps, 600, '600 has no unit; expected text such as "600 Mb/s"'),
        (rate_bps, "600", '"600" has no unit; expected text such as "600 Mb/s"'),
        (rate_bps, "600 MB/s", 'expected kb/s, Mb/s, Gb/s; did you mean "Mb/s"?'),
        (rate_bps, "600 Mbit", '"Mbit" is no unit of a rate'),
        (rate_bps, "-600 Mb/s", "is not more than 0"),
        (rate_bps, "0 Mb/s", "is not more than 0"),
        (rate_bps, "1,4 Gb/s", 'is not a rate; expected a number and a unit, such as "1.5 Mb/s"'),
        (rate_bps, "fast", '"fast" is not a rate'),
        (rate_bps, True, "true is not a rate"),
        (rate_bps, ["600 Mb/s"], "a list is not a rate"),
        (rate_bps, "1e9 Mb/s", '"e9 Mb/s" is no unit of a rate'),
        (duration_us, "9 sec", "expected us, ms, s, min, h"),
        (duration_us, 9, '9 has no unit; expected text such as "9 ms"'),
        (share, 0.05, '0.05 has no unit; expected text such as "0.05 %"'),
        (share, "101 %", "is no share from 0 % to 100 %"),
        (share, "-1 %", "is no share from 0 % to 100 %"),
        (size_bytes, "50 Gb", 'did you mean "GB"?'),
        (size_bytes, "0 GB", "is not more than 0"),
    ],
)
def test_refuses_and_says_what_would_be_right(
    reader: Callable[[object], float], value: object, sentence: str
) -> None:
    with pytest.raises(ValueError, match=re.escape(sentence)):
        reader(value)


@given(st.integers(1, 10**6), st.sampled_from([("kb/s", 10**3), ("Mb/s", 10**6), ("Gb/s", 10**9)]))
def test_three_decimals_are_exact(thousandths: int, unit: tuple[str, int]) -> None:
    """No float stands between the text and the integer."""
    text = f"{thousandths // 1000}.{thousandths % 1000:03d} {unit[0]}"
    assert rate_bps(text) == thousandths * unit[1] // 1000


@given(st.text(max_size=20) | st.integers() | st.floats() | st.booleans() | st.none())
def test_anything_is_read_or_refused(value: object) -> None:
    """Nothing but a ValueError comes out, and nothing negative."""
    for reader in (rate_bps, duration_us, duration_s, share, size_bytes):
        with contextlib.suppress(ValueError):
            assert reader(value) >= 0


def test_a_sentence_never_repeats_an_invitation() -> None:
    assert shown("LineBook://north/?key=abc") == '"linebook://..."'
    assert shown({"north": "linebook://north/?key=abc"}) == "a table"


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        ("rate_upp", '; did you mean "rate_up"?'),
        ("RATE_UP", '; did you mean "rate_up"?'),
        ("colour", ""),
    ],
)
def test_near_matches(word: str, expected: str) -> None:
    assert did_you_mean(word, ("rate_up", "fee")) == expected


def test_a_size_in_words() -> None:
    """Powers of ten (SI prefixes), as allowances are stated."""
    counts = (300, 999, 62_500, 999_400_000, 999_600_000, 1_264_000_000, 49_600_000_000, 2 * 10**12)
    assert [size_text(count) for count in counts] == [
        "300 bytes",
        "999 bytes",
        "62.5 kB",
        "999 MB",
        "1 GB",
        "1.26 GB",
        "49.6 GB",
        "2 TB",
    ]


def test_a_rate_that_was_set() -> None:
    """Ethernet's rates (IEEE 802.3) as a port's label has them."""
    rates = (10_000_000, 100_000_000, 1_000_000_000, 2_500_000_000, 10_000_000_000)
    assert [port_rate(each) for each in rates] == ["10 Mb/s", "100 Mb/s", "1 Gb/s", "2.5 Gb/s", "10 Gb/s"]
