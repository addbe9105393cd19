"""Single packets in a record: their form, what it loses, what it weighs, and what a year of it comes to."""

from __future__ import annotations

import base64
import contextlib
import random
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.train_samples import FULL_A_DAY, LATER_NS, PACKETS_A_DAY, SIDE_NS
from store import samples as kept
from store import schema
from store.errors import BadMessage
from store.rows import insertions, row_of
from store.samples import Sample, SampledFor, Samples, sample_json, samples_of, unpacked
from tests.store import samples

S = 10**9
FATES = [(None, False), (None, True), ("up", False), ("down", False), ("unattributed", False)]


def record(packets: list[Sample]) -> Samples:
    return samples_of(packets, handoff="A", endpoint="north", kept_for=SampledFor.STALL)


@st.composite
def rows_of_packets(draw: st.DrawFn) -> list[Sample]:
    """Packets in a row, their times in whole microseconds, some sent while the clock was set back."""
    drawn = draw(
        st.lists(st.tuples(st.sampled_from(FATES), st.integers(-(10**7), 10**8), st.integers(-99, 10**7)))
        .filter(len)
    )  # fmt: skip
    first, at_us = draw(st.integers(0, 2**40)), draw(st.integers(0, 2**50))
    made = []
    for nth, ((lost, held), apart_us, rtt_us) in enumerate(drawn):
        at_us += apart_us if nth else 0
        rtt_ns = None if lost else rtt_us * 1000
        made.append(
            Sample(sequence=first + nth, sent_unix_ns=at_us * 1000, rtt_ns=rtt_ns, lost=lost, held=held)
        )
    return made


@given(rows_of_packets())
def test_round_trip(packets: list[Sample]) -> None:
    assert list(unpacked(record(packets))) == packets


def test_times_are_rounded_each_by_itself() -> None:
    """A thousand packets 50 000 001.7 ns apart: none is off by more than half a microsecond."""
    packets = [
        Sample(sequence=n, sent_unix_ns=7 + n * 500_000_017 // 10, rtt_ns=n * 333, lost=None, held=False)
        for n in range(1000)
    ]
    for was, found in zip(packets, unpacked(record(packets)), strict=True):
        assert abs(found.sent_unix_ns - was.sent_unix_ns) <= 500
        assert was.rtt_ns is not None
        assert found.rtt_ns is not None
        assert abs(found.rtt_ns - was.rtt_ns) <= 500


def test_the_form_as_it_is_described() -> None:
    """Counted out by hand from the text in store.samples: two packets back, one lost up, one held."""
    fates = [(19_000, None, False), (19_002, None, False), (None, "up", False), (400_000, None, True)]
    sent_us = (0, 50_000, 100_001, 149_999)
    packets = [
        Sample(sequence=5 + n, sent_unix_ns=us * 1000, rtt_ns=rtt and rtt * 1000, lost=lost, held=held)
        for n, (us, (rtt, lost, held)) in enumerate(zip(sent_us, fates, strict=True))
    ]
    numbers = [
        *(5, 50_000),  # the first sequence number, and usually 50 ms between two
        *(3, 8 * 2 + 0, 8 * 1 + 2, 8 * 1 + 1),  # three runs: two back, one lost up, one held
        *(0, 2 * 1, 2 * 2 - 1),  # 50 000, 50 001 and 49 998 us apart
        *(2 * 19_000, 2 * 2, 2 * 380_998),
    ]
    octets = bytearray()
    for number in numbers:  # DWARF 4 figure 46's algorithm, in its own words
        while number >= 128:
            octets.append(number % 128 + 128)
            number //= 128
        octets.append(number)
    assert base64.b64decode(record(packets).packed) == octets


@given(st.binary(max_size=40))
def test_any_octets_are_read_or_refused(octets: bytes) -> None:
    damaged = replace(record([packet(0)]), packed=base64.b64encode(octets).decode())
    with contextlib.suppress(BadMessage):
        assert kept.pack(list(unpacked(damaged))) is not None


@pytest.mark.parametrize(
    "packed", ["", "no base64 at all", "AAAA", base64.b64encode(b"\x00\x00\x01\x0d").decode()]
)
def test_refuses(packed: str) -> None:
    """Nothing, no base64, no packet, and a fate that there is not."""
    with pytest.raises(BadMessage, match="list of packets"):
        list(unpacked(replace(record([packet(0)]), packed=packed)))


def test_the_fields_are_those_of_a_single_train() -> None:
    """As the design states them for `run train --samples`."""
    assert list(sample_json(packet(3))) == ["sequence", "sent", "rtt_ns", "lost", "held"]


def test_what_a_packet_weighs() -> None:
    """The figure that forecasts use, on a cable and on a fibre, 20 packets a second."""
    chance = random.Random(1)
    for delays in (samples.cable_delays, samples.fibre_delays):
        made = train(chance, delays(chance, 1200), base_us=19_000)
        assert len(record(made).packed) / 1200 < kept.PACKET_BYTES


def test_a_year_of_a_bad_line_stays_small(tmp_path: Path) -> None:
    """214 stalls of 1.3 s every day on both trains of one line at 20 a second: below 120 MB a year.

    Beside six trains' minutes, 858 MB a year by `test_schema.py -k gigabyte`, that is below 1 GB.
    """
    chance = random.Random(2)
    path = tmp_path / "samples.db"
    seconds = [1.3 + 2 * (SIDE_NS if nth < FULL_A_DAY else LATER_NS) / S for nth in range(214)]
    assert sum(each * 20 for each in seconds) < PACKETS_A_DAY
    with closing(sqlite3.connect(path)) as connection:
        schema.prepare(connection, path)
        before = _file_bytes(connection)
        for nth, each in enumerate(seconds):
            count = round(each * 20)
            made = train(chance, samples.cable_delays(chance, count), base_us=19_000, from_s=nth * 400)
            row = row_of(record(made))
            for sql, values in insertions(row, seq=4_000_000 + nth, link=chance.randbytes(4)):
                connection.execute(sql, values)
        connection.commit()
        day_bytes = _file_bytes(connection) - before
    assert day_bytes * 2 * 365 < 120e6, f"{day_bytes} bytes a day and train"


def packet(sequence: int) -> Sample:
    return Sample(sequence=sequence, sent_unix_ns=sequence * S, rtt_ns=5, lost=None, held=False)


def train(
    chance: random.Random, delays_us: tuple[list[int], list[int]], *, base_us: int, from_s: int = 0
) -> list[Sample]:
    """20 packets a second, each some 0.2 to 1.3 ms after its slot, as asyncio's timers are (ours)."""
    return [
        Sample(
            sequence=n,
            sent_unix_ns=(from_s * 20 + n) * 50_000_000 + round(chance.gammavariate(2, 300_000)),
            rtt_ns=(base_us + up + down) * 1000,
            lost=None,
            held=False,
        )
        for n, (up, down) in enumerate(zip(*delays_us, strict=True))
    ]


def _file_bytes(connection: sqlite3.Connection) -> int:
    pages, size = (connection.execute(f"PRAGMA {what}").fetchone()[0] for what in ("page_count", "page_size"))
    return int(pages * size)
