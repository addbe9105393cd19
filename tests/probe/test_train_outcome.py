"""What became of a train's packets: held against a simulated line that knows, and the RFCs' examples."""

from __future__ import annotations

import pickle
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.train_outcome import Jitter, Outcome, Silence, Tally, pdv_of, unwrapped
from probe.wire.control import TrainCounts
from store.records import Direction

MS = 1_000_000
S = 1_000 * MS
SPACING = 50 * MS
ENDPOINT_AHEAD = 1_700_000_000 * S  # its clock shows Unix time, the probe's counts from its start


@dataclass(frozen=True, kw_only=True)
class Copy:
    """One copy of a packet on its way there: when it arrives, and when each copy of its reply comes back."""

    there: int
    back: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class Line:
    """A line as an event simulation: what happens to each packet is given, what is seen follows.

    `packets` are (sent, copies that reach the reflector); times are the probe's.
    """

    packets: tuple[tuple[int, tuple[Copy, ...]], ...]
    ahead: Callable[[int], int] = field(default=lambda at: ENDPOINT_AHEAD)

    def replies(self) -> list[tuple[int, int, int, int]]:
        """(T4, sequence, reflector sequence, time at the reflector) in order of arrival."""
        reached = sorted((c.there, s, c.back) for s, (_, copies) in enumerate(self.packets) for c in copies)
        numbered = enumerate(reached)
        return sorted((back, s, r, there) for r, (there, s, backs) in numbered for back in backs)

    def counts(self) -> TrainCounts:
        """What a stateful reflector saw."""
        reached = [s for s, (_, copies) in enumerate(self.packets) for _ in copies]
        return TrainCounts(
            received=len(reached),
            distinct=len(set(reached)),
            reflected=len(reached),
            highest=max(reached, default=-1),
        )

    def feed(self, tally: Tally, each: Callable[[int], None] = lambda at: None) -> None:
        """Play the train into `tally` in the order of time; `each` hears the time after each event."""
        events: list[tuple[int, int, tuple[int, int, int] | None]] = [
            (sent, 0, None) for sent, _ in self.packets
        ]
        events += [(back, 1, (s, r, there)) for back, s, r, there in self.replies()]
        for at, _, reply in sorted(events, key=lambda event: event[:2]):
            if reply is None:
                tally.sent(at)
            else:
                s, r, there = reply
                stamp = there + self.ahead(there)
                tally.reply(s, reflector=r, received_ns=stamp, replied_ns=stamp + MS // 10, arrived_ns=at)
            each(at)

    def truth(self) -> dict[str, int]:
        """The totals, counted packet by packet."""
        copies = [copies for _, copies in self.packets]
        return {
            "lost_up": sum(not found for found in copies),
            "lost_down": sum(bool(found) and not any(copy.back for copy in found) for found in copies),
            "lost_unattributed": 0,
            "received": sum(any(copy.back for copy in found) for found in copies),
            "duplicated_up": sum(max(0, len(found) - 1) for found in copies),
        }


def finished(
    line: Line, *, counts: bool = True, waiting: int = 3 * S
) -> tuple[Outcome, list[Silence], Tally]:
    """The whole train accounted for in one go."""
    tally = Tally(spacing_ns=SPACING, waiting_ns=waiting)
    line.feed(tally)
    end = max([sent for sent, _ in line.packets] + [reply[0] for reply in line.replies()]) + waiting
    silences = tally.finish(line.counts() if counts else None, after=tally.after, now_ns=end)
    return tally.outcome(0, tally.after), silences, tally


def totals(outcome: Outcome, line: Line) -> dict[str, int]:
    return {name: getattr(outcome, name) for name in line.truth()}


def steady(count: int, *, spacing: int = SPACING, way: int = 10 * MS) -> list[tuple[int, int, int]]:
    """(sent, there, back) of a train on a line without faults."""
    return [(n * spacing, n * spacing + way, n * spacing + 2 * way) for n in range(count)]


def simple(packets: Iterable[tuple[int, int | None, int | None]]) -> Line:
    """A line without duplicates; None where a packet or its reply is lost."""
    return Line(
        packets=tuple(
            (sent, () if there is None else (Copy(there=there, back=() if back is None else (back,)),))
            for sent, there, back in packets
        )
    )


def with_quiet_end(line: Line) -> Line:
    """Ten more packets without a fault: only a reply that comes later tells where a packet was lost."""
    began = (len(line.packets) + 10) * SPACING
    more = simple((began + sent, began + there, began + back) for sent, there, back in steady(10))
    return Line(packets=line.packets + more.packets)


@st.composite
def lines(draw: st.DrawFn, *, loss_up: bool, loss_down: bool, copies: bool = True) -> Line:
    """Any mixture of loss, duplication and reordering by up to six packets."""
    source = random.Random(draw(st.integers(0, 2**32)))
    up = draw(st.sampled_from([0.01, 0.1, 0.5])) if loss_up else 0.0
    down = draw(st.sampled_from([0.01, 0.1, 0.5])) if loss_down else 0.0
    again = draw(st.sampled_from([0.0, 0.05, 0.3])) if copies else 0.0
    shuffle = draw(st.sampled_from([0, 0, 2, 6])) * SPACING
    packets = []
    for n in range(draw(st.integers(1, 300))):
        sent = n * SPACING
        found = []
        for _ in range(1 + (source.random() < again)):
            there = sent + 10 * MS + source.randrange(shuffle + MS)
            backs = tuple(
                there + 10 * MS + source.randrange(shuffle + MS)
                for _ in range(1 + (source.random() < again))
                if source.random() >= down
            )
            if source.random() >= up:
                found.append(Copy(there=there, back=backs))
        packets.append((sent, tuple(found)))
    return Line(packets=tuple(packets))


class TestDirectionOfLoss:
    @given(lines(loss_up=True, loss_down=True))
    def test_totals_are_exact_once_counts_are_known(self, line: Line) -> None:
        """Whatever the line did to packets and replies, by counting each packet of the simulation."""
        outcome, _, _ = finished(line)
        assert totals(outcome, line) == line.truth()

    @given(lines(loss_up=True, loss_down=False))
    def test_loss_up_only_never_shows_as_loss_down(self, line: Line) -> None:
        outcome, _, _ = finished(with_quiet_end(line), counts=False)
        assert outcome.lost_down == 0
        assert outcome.lost_up == line.truth()["lost_up"]

    @given(lines(loss_up=False, loss_down=True, copies=False))
    def test_loss_down_only_never_shows_as_loss_up(self, line: Line) -> None:
        outcome, _, _ = finished(with_quiet_end(line), counts=False)
        assert outcome.lost_up == 0
        assert outcome.lost_down == line.truth()["lost_down"]

    @given(lines(loss_up=True, loss_down=True, copies=False), st.integers(5, 40))
    def test_cut_into_spans_it_is_the_same(self, line: Line, beats: int) -> None:
        """Settling, accounting and forgetting on the way changes no total of a line without duplicates."""
        tally = Tally(spacing_ns=SPACING, waiting_ns=3 * S)
        spans: list[Outcome] = []
        told = 0

        def beat(at: int) -> None:
            nonlocal told
            tally.settle(at)
            final = tally.first_since(at - 4 * S)
            if final - told >= beats:
                spans.append(tally.outcome(told, final))
                tally.forget(final)
                told = final

        line.feed(tally, beat)
        tally.finish(line.counts(), after=tally.after, now_ns=len(line.packets) * SPACING + 4 * S)
        spans.append(tally.outcome(told, tally.after))
        whole, _, _ = finished(line)
        for name in ("sent", "received"):
            assert sum(getattr(span, name) for span in spans) == getattr(whole, name)
        lost = [sum(getattr(span, f"lost_{way}") for span in spans) for way in ("up", "down", "unattributed")]
        assert sum(lost) == whole.lost_up + whole.lost_down

    def test_stateful_example(self) -> None:
        """RFC 8762 section 4: of 0..9, 3 and 7 lost forward, the replies to 2 and 6 lost backward.

        The replies are (0,0) (1,1) (4,3) (5,4) (8,6) (9,7).
        """
        packets: list[tuple[int, int | None, int | None]] = [*steady(10)]
        for n in (3, 7):
            packets[n] = (packets[n][0], None, None)
        for n in (2, 6):
            packets[n] = (*packets[n][:2], None)
        line = simple(packets)
        assert [(s, r) for _, s, r, _ in line.replies()] == [(0, 0), (1, 1), (4, 3), (5, 4), (8, 6), (9, 7)]
        outcome, _, tally = finished(line, counts=False)
        assert (outcome.sent, outcome.lost_up, outcome.lost_down) == (10, 2, 2)
        assert [tally.lost(n) for n in (2, 3, 6, 7)] == ["down", "up", "down", "up"]

    def test_losses_after_the_last_reply(self) -> None:
        """Without counts nobody can tell; with them, what the reflector saw went missing on the way down."""
        packets: list[tuple[int, int | None, int | None]] = [*steady(10)]
        packets[7] = (*packets[7][:2], None)
        packets[8] = packets[9] = (packets[9][0], None, None)
        outcome, _, _ = finished(simple(packets), counts=False)
        assert (outcome.lost_up, outcome.lost_down, outcome.lost_unattributed) == (0, 0, 3)
        outcome, _, _ = finished(simple(packets))
        assert (outcome.lost_up, outcome.lost_down, outcome.lost_unattributed) == (2, 1, 0)

    def test_nothing_arrives_anywhere(self) -> None:
        outcome, silences, _ = finished(simple([(n * SPACING, None, None) for n in range(40)]))
        assert (outcome.sent, outcome.received, outcome.lost_up) == (40, 0, 40)
        assert silences == []  # a silence begins with a delivery

    def test_a_reply_after_the_waiting_time_is_a_loss_where_it_was_late(self) -> None:
        """RFC 2681 section 2.5, RFC 6673 section 4: no reply within Tmax is loss."""
        for way, packet in (
            ("up", (2 * S, 7 * S, 7 * S + 10 * MS)),
            ("down", (2 * S, 2 * S + 10 * MS, 7 * S)),
        ):
            packets = [*steady(40), packet]
            outcome, _, tally = finished(simple(packets))
            assert (outcome.received, tally.lost(40)) == (40, way)

    def test_new_session_counts_anew(self) -> None:
        """RFC 8762 section 4.2.1: sequence numbers start at 0 in each session."""
        tally = Tally(spacing_ns=SPACING, waiting_ns=3 * S)
        simple(steady(10)).feed(tally)
        for n in range(10, 14):  # never answered by the old session
            tally.sent(n * SPACING)
        tally.begin_session(restarted=False)
        assert tally.next_sequence == 0
        for n in range(14, 24):
            index = tally.sent(n * SPACING)
            at = n * SPACING + 10 * MS + ENDPOINT_AHEAD
            found = tally.reply(
                n - 14, reflector=n - 14, received_ns=at, replied_ns=at, arrived_ns=n * SPACING + 20 * MS
            )
            assert found == index
        tally.finish(None, after=tally.after, now_ns=10 * S)
        outcome = tally.outcome(0, tally.after)
        assert (outcome.sent, outcome.received, outcome.lost_unattributed) == (24, 20, 4)


class TestLies:
    """What an endpoint says that cannot be: no delay, and no sum over a day that no column holds."""

    @pytest.mark.parametrize("years", [-60, 60])
    def test_replies_that_left_long_before_or_after_they_arrived(self, years: int) -> None:
        """Of an hour of it nothing but its clock is said, and no round trip exceeds T4 - T1."""
        tally, off = Tally(spacing_ns=SPACING, waiting_ns=3 * S), years * 365 * 86_400 * S
        for n in range(100):
            at = n * SPACING + 10 * MS + ENDPOINT_AHEAD
            tally.sent(n * SPACING)
            tally.reply(n, reflector=n, received_ns=at, replied_ns=at + off, arrived_ns=n * SPACING + 20 * MS)
        found = tally.outcome(0, 100)
        assert (found.received, found.clock_step) == (100, True)
        assert {one.count for one in (found.rtt, found.pdv_up, found.pdv_down)} == {0}

    def test_a_leap_of_its_clock_that_its_replies_deny_is_no_stall(self) -> None:
        """From the middle on packets arrive 60 years later, and are replied to as before."""
        tally, leap = Tally(spacing_ns=SPACING, waiting_ns=3 * S), 60 * 365 * 86_400 * S
        for n in range(200):
            at = n * SPACING + 10 * MS + ENDPOINT_AHEAD
            tally.sent(n * SPACING)
            tally.reply(
                n,
                reflector=n,
                received_ns=at + leap * (n >= 100),
                replied_ns=at,
                arrived_ns=n * SPACING + 20 * MS,
            )
        assert tally.finish(None, after=200, now_ns=20 * S) == []

    def test_more_copies_than_a_line_makes(self) -> None:
        tally = Tally(spacing_ns=SPACING, waiting_ns=S)
        for n in range(10):
            tally.sent(n * SPACING)
        counts = TrainCounts(received=1 << 62, distinct=10, reflected=1 << 62, highest=9)
        tally.finish(counts, after=10, now_ns=9 * S)
        assert tally.outcome(0, 10).duplicated_up == 0


class TestDelay:
    def test_round_trip(self) -> None:
        """RFC 8762 section 4 with the times of RFC 5905 figure 28's algebra: 0, 10, 10.25, 20.5 ms."""
        tally = Tally(spacing_ns=SPACING, waiting_ns=S)
        tally.sent(0)
        tally.reply(
            0,
            reflector=0,
            received_ns=ENDPOINT_AHEAD + 10 * MS,
            replied_ns=ENDPOINT_AHEAD + 10_250_000,
            arrived_ns=20_500_000,
        )
        assert tally.rtt_ns(0) == 20_250_000

    @pytest.mark.parametrize(
        ("delays", "expected"),
        [  # RFC 5481 section 4.4 and section 6.1, figures 3 and 4; lost packets are not in it
            ([20, 10, 20, 25, 20], [10, 0, 10, 15, 10]),
            ([3, 5, 4, 3, 4], [0, 2, 1, 0, 1]),
            ([3, 4, 5, 4, 3], [0, 1, 2, 1, 0]),
            ([], []),
        ],
    )
    def test_pdv(self, delays: list[int], expected: list[int]) -> None:
        assert pdv_of(delays) == expected

    def test_pdv_of_a_span(self) -> None:
        """RFC 5481 section 4.4 in each direction; whole microseconds, so the histogram's ends are exact."""
        delays = [20, 10, 20, 25, 20]
        packets = [(n * S, n * S + d * MS, n * S + d * MS + 5 * MS) for n, d in enumerate(delays)]
        outcome, _, _ = finished(simple(packets))
        assert (outcome.pdv_up.min, outcome.pdv_up.max, outcome.pdv_up.mean) == (0, 15_000, 9_000)
        assert outcome.pdv_down.max == 0

    @pytest.mark.parametrize(
        ("sent", "received", "expected"),
        [  # RFC 3550 section 6.4.1's formula by hand
            ([0, 20, 40, 60, 80, 100], [5, 25, 50, 66, 85, 105], 0.5358123779296875),
            ([0, 20, 40, 60, 80], [20, 30, 60, 85, 100], 1.669769287109375),
        ],
    )
    def test_jitter(self, sent: list[int], received: list[int], expected: float) -> None:
        jitter = Jitter()
        for departure, arrival in zip(sent, received, strict=True):
            jitter.add(arrival - departure)
        assert jitter.value == expected

    @pytest.mark.parametrize(("pairs", "expected"), [(1, 0.625), (16, 6.439258695482072), (50, 9.603207166)])
    def test_jitter_of_a_constant_difference(self, pairs: int, expected: float) -> None:
        """RFC 3550 section 6.4.1: 10 (1 - (15/16)^n) after n pairs."""
        jitter = Jitter()
        for n in range(pairs + 1):
            jitter.add(10 * (n % 2))
        assert jitter.value == pytest.approx(expected, rel=1e-9)

    def test_no_jitter_of_one_packet(self) -> None:
        jitter = Jitter()
        jitter.add(5)
        assert jitter.value is None

    def test_jitter_follows_arrival_order(self) -> None:
        """RFC 4737 table 1 (section 7.1): sent every 20 ms, 68 ms under way, the fourth 150 ms.

        RFC 3550's formula gives 9.30908203125 ms over arrivals; in sending order it would be 7.191044278.
        """
        delays = [68, 68, 68, 150, 68, 68, 68, 68, 68, 68]
        packets = [(20 * n, 20 * n + delay, 300 + n) for n, delay in enumerate(delays)]
        outcome, _, _ = finished(simple((sent * MS, at * MS, back * MS) for sent, at, back in packets))
        assert outcome.jitter_up_us == pytest.approx(9309.08203125, abs=1e-9)
        assert outcome.reordered_up == 1

    def test_a_step_of_the_endpoints_clock(self) -> None:
        """Its one-way figures are left out; the round trips stay, and nothing looks held or silent."""
        packets = steady(100)
        line = Line(
            packets=simple(packets).packets,
            ahead=lambda at: ENDPOINT_AHEAD + (700 * MS if at > 2 * S else 0),
        )
        outcome, silences, _ = finished(line)
        assert outcome.clock_step
        assert silences == []
        assert (outcome.pdv_up.count, outcome.jitter_up_us, outcome.held_up) == (0, None, 0)
        assert outcome.rtt.max == 19_900

    def test_a_clock_that_drifts(self) -> None:
        """RFC 5481 section 6.3: 50 ppm over 60 s are 3 ms of PDV on a line whose delay never varies."""
        packets = steady(61, spacing=S)
        line = Line(packets=simple(packets).packets, ahead=lambda at: ENDPOINT_AHEAD + at * 50 // 1_000_000)
        outcome, _, _ = finished(line)
        assert outcome.pdv_up.max == 3_000
        assert outcome.rtt.max == outcome.rtt.min == 19_900


ORDERS = [  # RFC 4737 sections 7.1 to 7.4 and 5.3: arrival order, reordered
    ([1, 2, 3, 5, 6, 7, 8, 4, 9, 10], 1),
    ([1, 2, 3, 4, 7, 5, 6, 8, 9, 10], 2),
    ([1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11], 3),
    ([1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16], 3),
    ([1, 2, 3, 7, 8, 9, 4, 5, 6], 3),
]


class TestReorderingAndDuplication:
    @pytest.mark.parametrize(("order", "reordered"), ORDERS)
    def test_on_the_way_up(self, order: list[int], reordered: int) -> None:
        there = {s: n * MS for n, s in enumerate(order)}
        packets = [(s, there[s] + S, there[s] + 2 * S) for s in range(1, len(order) + 1)]
        outcome, _, _ = finished(simple(packets))
        assert (outcome.reordered_up, outcome.reordered_down) == (reordered, 0)

    @pytest.mark.parametrize(("order", "reordered"), ORDERS)
    def test_on_the_way_down(self, order: list[int], reordered: int) -> None:
        back = {s: n * MS for n, s in enumerate(order)}
        packets = [(s, s + S, back[s] + 2 * S) for s in range(1, len(order) + 1)]
        outcome, _, _ = finished(simple(packets))
        assert (outcome.reordered_up, outcome.reordered_down) == (0, reordered)

    @pytest.mark.parametrize(
        ("arrivals", "fraction"),
        [  # RFC 5560 section 5.3: four packets sent; duplicated packets over packets that arrived
            ("1234", 0.0),
            ("11223344", 1.0),
            ("111222333444", 2.0),
            ("11123334", 1.0),
            ("34321113", 1.0),  # order does not matter
        ],
    )
    @pytest.mark.parametrize("up", [True, False], ids=["up", "down"])
    def test_duplicates(self, arrivals: str, fraction: float, up: bool) -> None:
        found: dict[int, list[int]] = {n: [] for n in range(4)}
        for at, packet in enumerate(arrivals):
            found[int(packet) - 1].append(S + at * MS)
        packets = []
        for n in range(4):
            if up:
                copies = [Copy(there=at, back=(at + S,)) for at in found[n]]
            else:
                copies = [Copy(there=n * MS + MS, back=tuple(found[n]))]
            packets.append((n * MS, tuple(copies)))
        outcome, _, _ = finished(Line(packets=tuple(packets)))
        assert outcome.received == 4
        here, there = outcome.duplicated_up, outcome.duplicated_down
        assert (here if up else there) / outcome.received == fraction
        assert (there if up else here) == 0


@dataclass(frozen=True, kw_only=True)
class Fault:
    """From `start` on, for `length`, one direction holds what comes, or loses it."""

    start: int
    length: int
    way: Direction
    how: str

    def meets(self, at: int) -> bool:
        return self.start <= at < self.start + self.length


def faulty(faults: Iterable[Fault], *, count: int, noise: random.Random, way: int = 10 * MS) -> Line:
    """A line in order that suffers `faults`, with up to 1 ms of noise in each direction."""
    faults = tuple(faults)

    def carried(at: int | None, direction: Direction, order: list[int]) -> int | None:
        """When what enters at `at` leaves: the fault's end if it is held, None if it is lost."""
        if at is None:
            return None
        leaves = at + way + noise.randrange(MS)
        for fault in faults:
            if fault.way in (direction, Direction.BOTH) and fault.meets(at + way):
                if fault.how == "lost" or (fault.how == "mixed" and noise.random() < 0.5):
                    return None
                leaves = fault.start + fault.length + noise.randrange(MS)
        leaves = max(leaves, order[-1] + 1) if order else leaves
        order.append(leaves)
        return leaves

    packets: list[tuple[int, int | None, int | None]] = []
    ups: list[int] = []
    downs: list[int] = []
    for n in range(count):
        there = carried(n * SPACING, Direction.UP, ups)
        packets.append((n * SPACING, there, carried(there, Direction.DOWN, downs)))
    return simple(packets)


class TestSilences:
    @given(
        seed=st.integers(0, 2**32),
        way=st.sampled_from([Direction.UP, Direction.DOWN]),
        how=st.sampled_from(["held", "lost", "mixed"]),
        lengths=st.lists(st.integers(250, 2800), min_size=1, max_size=4),
    )
    def test_planted_faults_are_found(self, seed: int, way: Direction, how: str, lengths: list[int]) -> None:
        """Every fault is one silence of its direction; its length that between the deliveries around it."""
        noise = random.Random(seed)
        faults = [
            Fault(start=(5 + 7 * n) * S + noise.randrange(SPACING), length=length * MS, way=way, how=how)
            for n, length in enumerate(lengths)
        ]
        line = faulty(faults, count=(5 + 7 * len(faults)) * 20, noise=noise)
        outcome, silences, _ = finished(line)
        up = way is Direction.UP
        assert {silence.direction for silence in silences} == {way}
        assert len(silences) == len(faults)
        for fault, silence in zip(faults, silences, strict=True):
            came = [
                (c.there if up else c.back[0]) for _, copies in line.packets for c in copies if up or c.back
            ]
            last = max(at for at in came if at < fault.start + MS)
            following = min(at for at in came if at > last)
            assert silence.duration_ns == following - last
            assert abs(silence.started_ns - last) < 2 * MS  # ways there and back differ by noise only
            met = [
                n for n, (sent, _) in enumerate(line.packets) if fault.meets(sent + (10 if up else 20) * MS)
            ]
            assert (
                abs(silence.lost + silence.held - len(met)) <= 1
            )  # one may be due within the noise of its end
            assert silence.held == 0 or how != "lost"
            assert silence.lost == 0 or how != "held"
        held = outcome.held_up if up else outcome.held_down
        assert held == sum(silence.held for silence in silences)
        assert (outcome.held_down if up else outcome.held_up) == 0

    def test_an_outage_both_ways(self) -> None:
        """What was under way is little; the silence is that of the way up, where nothing got through."""
        fault = Fault(start=5 * S, length=4 * S, way=Direction.BOTH, how="lost")
        outcome, silences, _ = finished(faulty([fault], count=300, noise=random.Random(1)))
        assert [(silence.direction, silence.held) for silence in silences] == [(Direction.UP, 0)]
        assert silences[0].lost == outcome.lost_up >= 79
        assert outcome.lost_down <= 1

    def test_a_silence_that_nothing_ends(self) -> None:
        """It lasts until the last packet was due, and counts tell its direction."""
        fault = Fault(start=5 * S, length=100 * S, way=Direction.DOWN, how="lost")
        line = faulty([fault], count=200, noise=random.Random(1))
        _, silences, _ = finished(line)
        assert [silence.direction for silence in silences] == [Direction.DOWN]
        assert silences[0].duration_ns == pytest.approx(5 * S, abs=SPACING)
        _, silences, _ = finished(line, counts=False)
        assert [silence.direction for silence in silences] == [Direction.BOTH]

    def test_a_slow_train_invents_none(self) -> None:
        """At one packet a second, a single loss leaves two seconds without a delivery and proves nothing."""
        packets: list[tuple[int, int | None, int | None]] = [*steady(60, spacing=S)]
        packets[20] = (packets[20][0], None, None)
        packets[40] = (*packets[40][:2], None)
        tally = Tally(spacing_ns=S, waiting_ns=3 * S)
        line = simple(packets)
        line.feed(tally)
        assert tally.finish(line.counts(), after=tally.after, now_ns=70 * S) == []

    def test_a_swollen_queue_is_no_silence(self) -> None:
        """640 ms of queue that build up within 2 s delay every packet and silence none."""
        packets = [
            (sent, there + (queue := 640 * MS * min(max(sent - 3 * S, 0), 2 * S) // (2 * S)), back + queue)
            for sent, there, back in steady(200)
        ]
        outcome, silences, _ = finished(simple(packets))
        assert (silences, outcome.held_up) == ([], 0)
        assert outcome.pdv_up.max == 640_000

    @pytest.mark.parametrize("length", [150, 320])
    def test_short_ones(self, length: int) -> None:
        """Below 0.2 s it is nothing, up to 0.5 s a silence that the caller counts as a blip."""
        fault = Fault(start=5 * S + 20 * MS, length=length * MS, way=Direction.UP, how="held")
        outcome, silences, _ = finished(faulty([fault], count=200, noise=random.Random(4)))
        assert len(silences) == (length > 200)
        assert bool(outcome.held_up) == (length > 200)

    def test_told_once_its_packets_are_placed(self) -> None:
        """`settle` tells a silence within 2 s of its end, and only once."""
        fault = Fault(start=5 * S, length=S, way=Direction.UP, how="held")
        tally = Tally(spacing_ns=SPACING, waiting_ns=10 * S)
        told: list[tuple[int, Silence]] = []
        faulty([fault], count=400, noise=random.Random(2)).feed(
            tally, lambda at: told.extend((at, found) for found in tally.settle(at))
        )
        assert len(told) == 1
        assert told[0][0] - fault.start - fault.length < 2 * S

    @pytest.mark.parametrize("way", [Direction.UP, Direction.DOWN])
    def test_an_hour_of_outage(self, way: Direction) -> None:
        """Packets are forgotten on the way, and the silence still has its length, direction and count."""
        fault = Fault(start=60 * S, length=3600 * S, way=way, how="lost")
        line = faulty([fault], count=75_000, noise=random.Random(3))
        tally = Tally(spacing_ns=SPACING, waiting_ns=10 * S)
        told: list[Silence] = []
        kept = beats = 0

        def beat(at: int) -> None:
            nonlocal kept, beats
            if at // S == beats:
                return
            beats = at // S
            told.extend(tally.settle(at))
            final = tally.first_since(at - 30 * S)
            tally.forget(final)
            kept = max(kept, tally.after - final)

        line.feed(tally, beat)
        assert [silence.direction for silence in told] == [way]
        assert told[0].duration_ns == pytest.approx(3600 * S, abs=2 * SPACING)
        assert told[0].lost == pytest.approx(72_000, abs=2)
        assert kept <= 30 * 20 + 1

    def test_counts_in_the_middle_place_what_was_lost(self) -> None:
        """The endpoint, asked during a silence, says that packets arrive: their replies are lost."""
        tally = Tally(spacing_ns=SPACING, waiting_ns=3 * S)
        fault = Fault(start=2 * S, length=100 * S, way=Direction.DOWN, how="lost")
        line = faulty([fault], count=200, noise=random.Random(5))
        line.feed(tally)
        tally.place(line.counts(), now_ns=200 * SPACING + 4 * S)
        outcome = tally.outcome(0, 200)
        assert (outcome.lost_up, outcome.lost_unattributed) == (0, 0)
        assert outcome.lost_down == line.truth()["lost_down"]

    def test_held_for_so_long_that_counts_were_asked(self) -> None:
        """Packets that the endpoint had not seen when asked come after all: held, in order, not lost."""
        tally = Tally(spacing_ns=SPACING, waiting_ns=10 * S)
        line = faulty(
            [Fault(start=2 * S, length=6 * S, way=Direction.UP, how="held")],
            count=240,
            noise=random.Random(6),
        )
        seen = TrainCounts(received=40, distinct=40, reflected=40, highest=39)
        asked: list[int] = []

        def ask(at: int) -> None:
            if at > 7 * S and not asked:
                asked.append(at)
                tally.place(seen, now_ns=at)

        line.feed(tally, ask)
        silences = tally.finish(line.counts(), after=240, now_ns=20 * S)
        outcome = tally.outcome(0, 240)
        assert (outcome.lost_up, outcome.lost_down, outcome.reordered_up) == (0, 0, 0)
        assert [(silence.direction, silence.lost) for silence in silences] == [(Direction.UP, 0)]
        assert outcome.held_up == silences[0].held == pytest.approx(120, abs=1)

    def test_counts_asked_again_and_again(self) -> None:
        """An outage of minutes during which the endpoint can be asked: its length and count stay whole."""
        fault = Fault(start=10 * S, length=300 * S, way=Direction.UP, how="lost")
        line = faulty([fault], count=7000, noise=random.Random(8))
        seen = TrainCounts(received=200, distinct=200, reflected=200, highest=199)
        tally = Tally(spacing_ns=SPACING, waiting_ns=10 * S)
        told: list[Silence] = []
        beats = 0

        def beat(at: int) -> None:
            nonlocal beats
            if at // S == beats:
                return
            beats = at // S
            told.extend(tally.settle(at))
            tally.forget(tally.first_since(at - 30 * S))
            if 15 < beats < 305 and beats % 10 == 0:
                tally.place(seen, now_ns=at)

        line.feed(tally, beat)
        assert [silence.direction for silence in told] == [Direction.UP]
        assert told[0].lost == pytest.approx(6000, abs=2)
        assert told[0].duration_ns == pytest.approx(300 * S, abs=2 * SPACING)


@pytest.mark.parametrize(
    ("number", "near", "expected"),
    [  # RFC 1982 section 3.2: 32-bit serial numbers, the nearer of the possible ones
        (5, 3, 5),
        (5, 2**32 - 3, 2**32 + 5),
        (2**32 - 2, 2**32 + 7, 2**32 - 2),
        (0, 5 * 2**32 - 1, 5 * 2**32),
    ],
)
def test_numbers_that_wrapped(number: int, near: int, expected: int) -> None:
    assert unwrapped(number, near=near) == expected


def test_memory_stays_bounded() -> None:
    """An hour with losses and copies, accounted for every minute, leaves no more behind than a minute."""
    tally = Tally(spacing_ns=SPACING, waiting_ns=S)
    source = random.Random(9)
    sizes = []
    for n in range(72_000):
        tally.sent(n * SPACING)
        at = n * SPACING + 10 * MS + ENDPOINT_AHEAD
        for copy in range(source.choice((0, 1, 1, 1, 2))):
            tally.reply(
                n, reflector=n + copy, received_ns=at, replied_ns=at, arrived_ns=n * SPACING + 20 * MS + copy
            )
        if n % 1200 == 1199:
            tally.settle(n * SPACING)
            tally.outcome(n - 1199, n + 1)
            tally.forget(n + 1)
            sizes.append(len(pickle.dumps(tally)))
    assert max(sizes[10:]) < 1.5 * max(sizes[:10])


def test_a_reply_counts_from_when_the_next_one_says_that_it_left() -> None:
    """(T4 - T1) - (T3 - T2) with the T3 told; a time that cannot be of the same reply changes nothing."""
    tally = Tally(spacing_ns=SPACING, waiting_ns=3 * S)
    for index in range(3):
        at = index * SPACING
        assert tally.sent(at) == index
        tally.reply(
            index,
            reflector=index,
            received_ns=ENDPOINT_AHEAD + at + 5 * MS,
            replied_ns=ENDPOINT_AHEAD + at + 6 * MS,
            arrived_ns=at + 11 * MS,
        )
        if index:
            tally.follow_up(index - 1, ENDPOINT_AHEAD + at - SPACING + 7 * MS, near=index)
    assert [tally.rtt_ns(index) for index in range(3)] == [9 * MS, 9 * MS, 10 * MS]
    assert tally.outcome(0, 3).replied_by_clock == 1
    tally.follow_up(2, ENDPOINT_AHEAD + 2 * SPACING + 5 * MS, near=2)  # before the reply said of itself
    tally.follow_up(9, ENDPOINT_AHEAD, near=2)  # of a reply that never came
    assert tally.rtt_ns(2) == 10 * MS
    assert tally.outcome(0, 3).replied_by_clock == 1
