"""Which packets are kept one by one: held against a simulated line that knows each packet's fate."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe import train_samples
from probe.train_outcome import STALL_NS, Silence, Tally
from probe.train_samples import FULL_A_DAY, Near, Sampled, Sampler
from store.samples import LONGEST_NS, Sample
from tests.probe.test_train_outcome import MS, SPACING, Line, S, simple

WAITING = 10 * S
WAY = 10 * MS
AHEAD = 1_770_000_000 * S  # Unix time over the probe's own
SIDE = 10 * S


def unix_of(monotonic_ns: int) -> int:
    return monotonic_ns + AHEAD


class Watched:
    """A train over a line, sampled as the daemon does it, once a second."""

    def __init__(self, line: Line, *, until: int) -> None:
        self.line = line
        self.tally = Tally(spacing_ns=SPACING, waiting_ns=WAITING)
        self.sampler = Sampler(self.tally, waiting_ns=WAITING)
        self.told: list[Sampled] = []
        self.stalls: list[Silence] = []
        self.most_kept = 0
        self._beat = 0
        line.feed(self.tally, each=self._passed)
        self._passed(until)
        self.early = list(self.told)  # before the train ended
        for silence in self.tally.finish(None, after=self.tally.after, now_ns=until):
            self._stall(silence)
        self.told += self.sampler.take(until, unix_of=unix_of, last=self.tally.after)

    def _passed(self, now_ns: int) -> None:
        while self._beat + S <= now_ns:
            self._beat += S
            for silence in self.tally.settle(self._beat):
                self._stall(silence)
            self.told += self.sampler.take(self._beat, unix_of=unix_of)
            self.tally.forget(self.sampler.done)
            self.most_kept = max(self.most_kept, self.tally.after - self.sampler.done)

    def _stall(self, silence: Silence) -> None:
        if silence.duration_ns >= STALL_NS:
            self.stalls.append(silence)
            self.sampler.stall(silence)

    @property
    def everything(self) -> list[Sample]:
        return [packet for found in self.told for packet in found.packets]

    def near(self, near: Near = Near.STALL) -> list[Sample]:
        return [packet for found in self.told if found.near is near for packet in found.packets]

    def sent(self, near: Near = Near.STALL) -> list[float]:
        """When these left, in seconds."""
        return [(packet.sent_unix_ns - AHEAD) / S for packet in self.near(near)]


def line(seconds: float, fate: Callable[[int], tuple[bool, int]]) -> Line:
    """A train of 20 a second; `fate` says of a moment whether the packet is lost up, and held until when."""
    packets: list[tuple[int, int | None, int | None]] = []
    for nth in range(round(seconds * S / SPACING)):
        sent = nth * SPACING
        lost, until = fate(sent)
        there = None if lost else max(sent + WAY, until)
        packets.append((sent, there, None if there is None else there + WAY))
    return simple(packets)


def lost_within(*spans: tuple[float, float]) -> Callable[[int], tuple[bool, int]]:
    return lambda sent: (any(low * S <= sent < high * S for low, high in spans), 0)


def held_within(low: float, high: float) -> Callable[[int], tuple[bool, int]]:
    return lambda sent: (False, round(high * S) if low * S <= sent < high * S else 0)


def edges(seconds: Iterable[float]) -> list[tuple[float, float]]:
    """Stretches without a break, each from its first to its last packet."""
    found: list[list[float]] = []
    for at in seconds:
        if found and at - found[-1][1] < 0.06:
            found[-1][1] = at
        else:
            found.append([at, at])
    return [(low, high) for low, high in found]


class TestStall:
    def test_ten_seconds_on_either_side(self) -> None:
        """Ours: a stall from 30 s to 31.3 s lasts from the delivery before it to the one after."""
        seen = Watched(line(60, lost_within((30, 31.3))), until=80 * S)
        [(low, high)] = edges(seen.sent())
        assert low == pytest.approx(29.96 - 10, abs=0.06)
        assert high == pytest.approx(31.3 + 10, abs=0.06)
        assert [packet.lost for packet in seen.near()].count("up") == 26
        assert len(seen.early) >= 2  # told as soon as it is known, not at the end of the train

    def test_each_packet_has_its_own_fate(self) -> None:
        """What the line did to each, from its own list: held ones by how long, lost ones by where."""
        seen = Watched(line(60, held_within(30, 31)), until=80 * S)
        for packet in seen.near():
            sent = packet.sent_unix_ns - AHEAD
            held = 30 * S <= sent < 31 * S - WAY
            away = max(sent + WAY, 31 * S) + WAY - sent if 30 * S <= sent < 31 * S else 2 * WAY
            assert packet.rtt_ns == away - MS // 10  # the reflector's own time is taken out
            if abs(sent - 31 * S) > 3 * SPACING:  # the last ones were hardly late
                assert packet.held == held
            assert packet.lost is None

    def test_a_blip_is_none(self) -> None:
        seen = Watched(line(60, lost_within((30, 30.3))), until=80 * S)
        assert seen.near() == []
        assert seen.stalls == []

    def test_two_close_together_share_their_packets(self) -> None:
        seen = Watched(line(80, lost_within((30, 31), (38, 39))), until=100 * S)
        [(low, high)] = edges(seen.sent())
        assert (low, high) == (pytest.approx(20, abs=0.1), pytest.approx(49, abs=0.1))

    def test_of_a_long_outage_its_ends_and_the_count_between(self) -> None:
        seen = Watched(line(400, lost_within((100, 300))), until=420 * S)
        first, second = edges(seen.sent())
        assert first == (pytest.approx(90, abs=0.1), pytest.approx(110, abs=0.1))
        assert second == (pytest.approx(290, abs=0.1), pytest.approx(310, abs=0.1))
        numbers = [packet.sequence for packet in seen.near()]
        skipped = max(later - before for before, later in pairwise(numbers)) - 1
        assert len(seen.near(Near.OUTAGE)) == skipped == pytest.approx(180 * 20, abs=2)

    def test_one_that_is_not_over_when_the_train_ends(self) -> None:
        seen = Watched(line(60, lost_within((40, 70))), until=62 * S)
        [(low, high)] = edges(seen.sent())
        assert (low, high) == (pytest.approx(30, abs=0.1), pytest.approx(60, abs=0.1))


class TestBounds:
    def test_memory(self) -> None:
        """However long it is quiet or out, what waits is some 25 s of packets, 20 a second."""
        assert Watched(line(300, lost_within()), until=320 * S).most_kept <= 26 * 20
        assert Watched(line(1200, lost_within((100, 1100))), until=1220 * S).most_kept <= 46 * 20

    def test_after_some_stalls_of_a_day_less_of_each(self) -> None:
        """Sides of one second; the whole stall is there still, and the next UTC day begins anew."""
        stalls = [(100 + 60 * nth, 101 + 60 * nth) for nth in range(FULL_A_DAY + 2)]
        seen = Watched(line(1000, lost_within(*stalls)), until=1020 * S)
        found = edges(seen.sent())
        lengths = [high - low for low, high in found]
        assert lengths[:FULL_A_DAY] == [pytest.approx(21, abs=0.2)] * FULL_A_DAY
        assert lengths[FULL_A_DAY:] == [pytest.approx(3, abs=0.2)] * 2
        later = Watched(line(1000, lost_within(*stalls)), until=1020 * S).sampler
        list(later.take(86_400 * S + 1020 * S, unix_of=unix_of))
        assert later._side_ns == SIDE

    def test_after_many_packets_of_a_day_none(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(train_samples, "PACKETS_A_DAY", 500)
        seen = Watched(line(300, lost_within((50, 51), (150, 151), (250, 251))), until=320 * S)
        assert len(seen.near()) == 500

    def test_records_stay_short(self) -> None:
        """A minute at most, and within a quarter of an hour, which no day of any zone divides."""
        seen = Watched(line(1000, lost_within()), until=1020 * S)
        for found in seen.told:
            first, last = found.packets[0].sent_unix_ns, found.packets[-1].sent_unix_ns
            assert last - first < LONGEST_NS
            assert first // (900 * S) == last // (900 * S)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.floats(5, 100), st.floats(0.05, 6)), max_size=3),
    st.booleans(),
)
def test_every_packet_is_told_once_and_every_stall_has_its_neighbours(
    silences: list[tuple[float, float]], held: bool
) -> None:
    """All packets in their order, whatever the line does, and those near a stall that was told marked so."""
    spans = [(low, low + length) for low, length in silences]

    def fate(sent: int) -> tuple[bool, int]:
        over = [round(high * S) for low, high in spans if low * S <= sent < high * S]
        return (bool(over) and not held, max(over, default=0) if held else 0)

    seen = Watched(line(130, fate), until=150 * S)
    assert [packet.sequence for packet in seen.everything] == list(range(130 * 20))
    assert all(later.sent_unix_ns > before.sent_unix_ns for before, later in pairwise(seen.everything))
    near = set(seen.sent())
    for stall in seen.stalls:
        began, ended = stall.started_ns / S, (stall.started_ns + stall.duration_ns) / S
        wanted = [nth * 0.05 for nth in range(130 * 20)]
        wanted = [at for at in wanted if began - 9.5 <= at <= ended + 9.5]
        assert {round(at, 2) for at in wanted} <= {round(at, 2) for at in near}
