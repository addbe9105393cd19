"""The old line against the practice site's description of it; those figures are invented, not measured."""

from __future__ import annotations

import random

import pytest
from scipy import stats

from probe.practice.lane import Lane
from probe.practice.line import How, LineBehaviour, PlannedStall
from probe.practice.old_line import FAULTS_AS_OFTEN, old_line
from store.clock import NS_PER_MS, NS_PER_S

TRAIN_BYTES = 128


def up_lane(behaviour: LineBehaviour) -> Lane:
    """The way up at its start."""
    return Lane(behaviour.up, cycle_ns=behaviour.cycle_ns, source=random.Random(behaviour.seed))


def by_time(behaviour: LineBehaviour, *, sag: bool) -> list[float]:
    """Upward rates in Mb/s, one per 100 ms of the cycle, of healthy times or of the evening sag."""
    lane = up_lane(behaviour)
    delays_ns = {spell.delay_ns for spell in behaviour.up.spells}
    assert len(delays_ns) == 2
    wanted_ns = max(delays_ns) if sag else min(delays_ns)
    found = (lane.at(at_ns).spell for at_ns in range(0, behaviour.cycle_ns, NS_PER_S // 10))
    return [spell.rate_bps / 1e6 for spell in found if spell.delay_ns == wanted_ns]


@pytest.mark.parametrize("seed", [28, 1, 2])
def test_the_old_lines_rates(seed: int) -> None:
    """Up 16.9 at the median and 15.8 at p5, in the evening 9.2 and 5.1; down 260 to 272 throughout."""
    behaviour = old_line(seed=seed)
    healthy = stats.scoreatpercentile(by_time(behaviour, sag=False), [50, 5])
    evening = stats.scoreatpercentile(by_time(behaviour, sag=True), [50, 5])
    assert healthy == pytest.approx([16.9, 15.8], rel=0.01)
    assert evening == pytest.approx([9.2, 5.1], rel=0.08)
    down = [spell.rate_bps / 1e6 for spell in behaviour.down.spells]
    assert 260 <= min(down) < 262
    assert 270 < max(down) <= 272


def test_the_evening_sag_takes_its_share_of_the_day() -> None:
    """18:30-22:45 on five days and 17:00-22:45 on two are 32.75 of 168 hours."""
    behaviour = old_line()
    healthy, evening = len(by_time(behaviour, sag=False)), len(by_time(behaviour, sag=True))
    assert evening / (healthy + evening) == pytest.approx(32.75 / 168, abs=0.003)


def test_the_old_lines_round_trip_time() -> None:
    """21 ms when idle, 14 more in the sag."""
    spells = old_line().up.spells, old_line().down.spells
    up_ns, down_ns = (min(spell.delay_ns + spell.jitter_ns // 2 for spell in lane) for lane in spells)
    sag_ns = max(spell.delay_ns for spell in spells[0]) - min(spell.delay_ns for spell in spells[0])
    assert (up_ns + down_ns) / NS_PER_MS == pytest.approx(21, abs=0.05)
    assert sag_ns == 14 * NS_PER_MS


def many_stalls() -> list[PlannedStall]:
    """The stalls of twenty seeds, since one cycle has some sixty."""
    return [planned for seed in range(20) for planned in old_line(seed=seed).up.stalls]


def test_the_old_lines_stalls() -> None:
    """0.6 to 2.4 s with a mean of 1.3, 70 % of them held, none downward."""
    stalls = many_stalls()
    lengths_s = [planned.length_ns / NS_PER_S for planned in stalls]
    held = sum(planned.how is How.HELD for planned in stalls)
    assert min(lengths_s) >= 0.6
    assert max(lengths_s) <= 2.4
    assert stats.ttest_1samp(lengths_s, 1.3).pvalue > 0.001
    assert stats.binomtest(held, len(stalls), 0.7).pvalue > 0.001
    assert not old_line().down.stalls


def test_stalls_come_sixty_times_as_often_as_in_life() -> None:
    """In life 5 an hour for 3.5 h and 0.4 for the other 20.5 h: 25.7 a day of 86 400 s; counted as Poisson.

    The time that stalls themselves take is time in which none begins, hence the deduction.
    """
    stalls = many_stalls()
    stalled_ns = sum(planned.length_ns for planned in stalls)
    free_days = (20 * old_line().cycle_ns - stalled_ns) / NS_PER_S / 86_400
    expected = (5 * 3.5 + 0.4 * 20.5) * free_days * FAULTS_AS_OFTEN
    assert stats.poisson(expected).ppf(0.0005) <= len(stalls) <= stats.poisson(expected).ppf(0.9995)


def test_the_old_lines_losses() -> None:
    """0.01 % both ways, 1.8 % upward in bursts of 20 to 90 s."""
    behaviour = old_line()
    assert {spell.loss_ratio for spell in behaviour.down.spells} == {0.0001}
    assert {spell.loss_ratio for spell in behaviour.up.spells} == {0.0001, 0.018}
    lane, lengths_s, since_ns = up_lane(behaviour), [], None
    for at_ns in range(0, behaviour.cycle_ns, NS_PER_S // 100):
        noisy = lane.at(at_ns).spell.loss_ratio > 0.01
        if noisy and since_ns is None:
            since_ns = at_ns
        if not noisy and since_ns is not None:
            lengths_s.append((at_ns - since_ns) / NS_PER_S)
            since_ns = None
    assert lengths_s
    assert all(19.9 <= length_s <= 90.1 for length_s in lengths_s)


def test_the_default_seed_shows_a_stall_soon() -> None:
    """Whoever starts a practice sees a stall within the first half minute of it, and one of each kind."""
    soon = [planned for planned in old_line().up.stalls if planned.start_ns < 40 * NS_PER_S]
    assert 10 * NS_PER_S < soon[0].start_ns < 30 * NS_PER_S
    assert {planned.how for planned in soon} == {How.HELD, How.LOST}


def test_equal_seeds_give_equal_lines_and_equal_fates() -> None:
    """The behaviour and what it does to each datagram depend on the seed alone."""
    first, again = old_line(seed=5), old_line(seed=5)
    assert first == again
    assert first != old_line(seed=6)
    lanes = up_lane(first), up_lane(again)
    sent = range(0, 120 * NS_PER_S, 50 * NS_PER_MS)
    fates = [[lane.datagram(TRAIN_BYTES, at_ns) for at_ns in sent] for lane in lanes]
    assert fates[0] == fates[1]
