"""Ceilings: which are due, as the daemon lives them in jumping time, and what they say of a run.

That both ends must carry 1.2 times the rate is common practice, no source; the arithmetic is by hand.
"""

from __future__ import annotations

import asyncio
import math
import os
from collections.abc import Iterable
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe import standing
from probe.ceilings import judged
from probe.reach import Reach
from store.ceilings import Ceiling, CeilingOf
from store.clock import NS_PER_S, Clock
from store.events import Event, EventKind
from store.records import Failed, Owner, RateRun, Skipped, Standing
from store.site import Method, Site
from tests.probe.jumping import run_from, unhurried
from tests.probe.living import START_NS, FakeRate, Life, alive
from tests.probe.sites import handoff, run_plan, site
from tests.store import samples

DAY_S = 86_400.0
DAY_NS = 86_400 * NS_PER_S
MADE = samples.run(START_NS, handoff="A")
RATE_BPS = MADE.sides()[MADE.direction].rates.goodput_bps


def ceiling(
    of: CeilingOf, goodput_bps: int, *, flows: int = 4, endpoint: str = "", at_ns: int = START_NS
) -> Ceiling:
    return Ceiling(
        endpoint=endpoint,
        started_unix_ns=at_ns,
        of=of,
        flows=flows,
        seconds=3.0,
        goodput_bps=goodput_bps,
        kernel=os.uname().release,
    )


@dataclass(kw_only=True)
class Measuring:
    """A method that answers with `bps` or `why` after 3 s, and remembers what it was asked."""

    bps: int = 10**12
    why: str | None = None
    asked: list[tuple[float, CeilingOf, str, int]] = field(default_factory=list)
    at_once: int = 0
    most_at_once: int = 0

    async def __call__(self, of: CeilingOf, flows: int, where: Reach, clock: Clock) -> Ceiling | Failed:
        self.asked.append(((clock.unix_ns() - START_NS) / NS_PER_S, of, where.endpoint, flows))
        self.at_once += 1
        self.most_at_once = max(self.most_at_once, self.at_once)
        await asyncio.sleep(3)
        self.at_once -= 1
        if self.why is not None:
            return Failed(what="ceiling", why=self.why, whose=Owner.ENDPOINT)
        endpoint = where.endpoint if of is CeilingOf.ENDPOINT else ""
        return ceiling(of, self.bps, flows=flows, endpoint=endpoint, at_ns=clock.unix_ns())


def lived(
    asked: Site, *, for_s: float, measuring: Measuring | None, measured: Iterable[Ceiling] = ()
) -> Life:
    async def live(clock: Clock) -> Life:
        async with alive(
            clock, asked, rate=FakeRate(outcome=lambda number: MADE), ceiling=measuring, measured=measured
        ) as life:
            await asyncio.sleep(for_s)
        return life

    with unhurried() if for_s > DAY_S else nullcontext():
        return run_from(START_NS, live)


@pytest.mark.parametrize(
    ("host_bps", "endpoint_bps", "codes", "expected"),
    [
        (1_200_000, 1_200_000, (), Standing.VALID),
        (1_199_999, 1_200_000, ("host_ceiling",), Standing.VOID),
        (1_200_000, 1_199_999, ("endpoint_ceiling",), Standing.VOID),
        (1_000_000, 900_000, ("host_ceiling", "endpoint_ceiling"), Standing.VOID),
        (None, 1_200_000, ("ceiling_unknown",), Standing.VALID),
        (1_200_000, None, ("ceiling_unknown",), Standing.VALID),
        (900_000, None, ("host_ceiling", "ceiling_unknown"), Standing.VOID),
    ],
)
def test_a_run_of_1_mbps_wants_1_2_of_both(
    host_bps: int | None, endpoint_bps: int | None, codes: tuple[str, ...], expected: Standing
) -> None:
    """Exactly 1.2 times the rate is enough; what was never measured is said, and hides nothing."""
    found = standing.ceiling_reasons([1_000_000], host_bps=host_bps, endpoint_bps=endpoint_bps, factor=1.2)
    assert codes == found
    scale = RATE_BPS / 1_000_000
    made = [
        None if bps is None else ceiling(of, math.ceil(bps * scale))
        for of, bps in ((CeilingOf.HOST, host_bps), (CeilingOf.ENDPOINT, endpoint_bps))
    ]
    assert expected is judged(MADE, host=made[0], endpoint=made[1], factor=1.2).standing


@given(st.integers(1, 10**11), st.integers(1, 10**11), st.integers(0, 10**11), st.floats(1, 10))
def test_a_higher_ceiling_never_makes_a_run_worse(rate: int, low: int, more: int, factor: float) -> None:
    def at(ceiling_bps: int) -> tuple[str, ...]:
        return standing.ceiling_reasons([rate], host_bps=ceiling_bps, endpoint_bps=ceiling_bps, factor=factor)

    assert set(at(low + more)) <= set(at(low))


def test_of_both_ways_at_once_the_faster_one_counts() -> None:
    found = standing.ceiling_reasons([100, 1000], host_bps=1100, endpoint_bps=1300, factor=1.2)
    assert found == ("host_ceiling",)


def test_every_load_of_a_loaded_delay_run_counts() -> None:
    """The fastest direction of any of its loads must be carried 1.2 times over."""
    run = samples.loaded_delay()
    sides = [bps for load in run.loads for bps in (load.up_goodput_bps, load.down_goodput_bps) if bps]
    enough, less = (ceiling(CeilingOf.HOST, math.ceil(max(sides) * 1.2) - lacks) for lacks in (0, 1))
    far = ceiling(CeilingOf.ENDPOINT, 10**12)
    assert judged(run, host=enough, endpoint=far, factor=1.2).reasons == run.reasons
    found = judged(run, host=less, endpoint=far, factor=1.2)
    assert (found.reasons, found.standing) == ((*run.reasons, "host_ceiling"), Standing.VOID)


def test_judging_again_takes_the_place_of_what_was_said() -> None:
    run = replace(MADE, reasons=("short", "ceiling_unknown"))
    much = ceiling(CeilingOf.HOST, 10**12)
    assert judged(run, host=much, endpoint=much, factor=1.2).reasons == ("short",)


def test_the_endpoints_port_is_a_ceiling_too() -> None:
    """RFC 6349 section 4.1.1 and RFC 7323: 1448 of 1538 bytes on the wire, 94.1 % of the port."""
    found = replace(ceiling(CeilingOf.ENDPOINT, 10**11), port_rate_bps=1_000_000_000)
    assert found.carries_bps == pytest.approx(941_482_444, abs=1)


def test_measured_before_the_first_run_of_a_series() -> None:
    """Each machine once, with the flows that the runs have; all runs are judged by it."""
    plan, measuring = run_plan(every_s=3600), Measuring()
    life = lived(site(runs=(plan,)), for_s=5 * 3600, measuring=measuring)
    assert measuring.asked[-1][0] <= life.seconds(life.rate.runs[0][1])
    assert [(of, flows) for _, of, _, flows in measuring.asked] == [
        (CeilingOf.HOST, plan.flows),
        (CeilingOf.ENDPOINT, plan.flows),
    ]
    assert len(life.store.of(Ceiling)) == 2
    assert {run.reasons for run in life.store.of(RateRun)} == {MADE.reasons}


def test_and_monthly() -> None:
    """Those on record are 29 days old: a day later, not before, both are measured again."""
    plan, measuring, then_ns = run_plan(every_s=3600), Measuring(), START_NS - 29 * DAY_NS
    known = [
        ceiling(CeilingOf.HOST, 10**12, flows=plan.flows, at_ns=then_ns),
        ceiling(CeilingOf.ENDPOINT, 10**12, flows=plan.flows, endpoint=plan.endpoint, at_ns=then_ns),
    ]
    lived(site(runs=(plan,)), for_s=2 * DAY_S, measuring=measuring, measured=known)
    assert len(measuring.asked) == 2
    assert all(DAY_S <= at_s < DAY_S + 2 * 3600 for at_s, *_ in measuring.asked)


def test_nothing_on_record_is_measured_again_after_a_restart() -> None:
    plan, measuring = run_plan(every_s=3600), Measuring()
    known = [
        ceiling(CeilingOf.HOST, 10**12, flows=plan.flows),
        ceiling(CeilingOf.ENDPOINT, 10**12, flows=plan.flows, endpoint=plan.endpoint),
    ]
    life = lived(site(runs=(plan,)), for_s=5 * 3600, measuring=measuring, measured=known)
    assert measuring.asked == []
    assert {run.reasons for run in life.store.of(RateRun)} == {MADE.reasons}


@pytest.mark.parametrize("change", [{"kernel": "another"}, {"started_unix_ns": START_NS - 61 * DAY_NS}])
def test_another_kernel_or_two_months_make_it_none(change: dict[str, object]) -> None:
    """Without a method to measure anew, runs say that nobody knows."""
    plan = run_plan(every_s=3600)
    host = replace(ceiling(CeilingOf.HOST, 10**12, flows=plan.flows), **change)
    far = ceiling(CeilingOf.ENDPOINT, 10**12, flows=plan.flows, endpoint=plan.endpoint)
    life = lived(site(runs=(plan,)), for_s=3 * 3600, measuring=None, measured=[host, far])
    assert {"ceiling_unknown" in run.reasons for run in life.store.of(RateRun)} == {True}


def test_a_run_above_a_ceiling_is_void_and_an_event() -> None:
    measuring = Measuring(bps=RATE_BPS)
    life = lived(site(runs=(run_plan(every_s=3600),)), for_s=3 * 3600, measuring=measuring)
    assert {run.standing for run in life.store.of(RateRun)} == {Standing.VOID}
    told = [event for event in life.store.of(Event) if event.what is EventKind.CEILING]
    assert {(event.after, event.owner) for event in told} == {
        (f"host ceiling {MADE.direction}", Owner.HOUSE),
        (f"endpoint ceiling {MADE.direction}", Owner.ENDPOINT),
    }


def test_what_cannot_be_measured_is_said_once_and_tried_again() -> None:
    measuring = Measuring(why="the endpoint's Linebook is older than ceilings; update it there")
    life = lived(site(runs=(run_plan(every_s=1800),)), for_s=8 * 3600, measuring=measuring)
    runs = life.store.of(RateRun)
    assert {"ceiling_unknown" in run.reasons for run in runs} == {True}
    assert len(runs) > 10
    assert len([one for one in life.store.of(Failed) if one.what.startswith("ceiling of ")]) == 2
    times = [at_s for at_s, of, _, _ in measuring.asked if of is CeilingOf.HOST]
    assert len(times) > 2
    assert min(later - earlier for earlier, later in pairwise(times)) >= 3600


def test_two_handoffs_do_not_measure_at_once_nor_during_a_run() -> None:
    """Both begin in the same slots; whoever comes while the other's run is under way goes without."""
    plans = tuple(run_plan(handoff=name, every_s=60) for name in ("A", "B"))
    measuring = Measuring()
    asked = site(handoffs=(replace(handoff(), name="A"), replace(handoff(), name="B")), runs=plans)
    life = lived(asked, for_s=3600, measuring=measuring)
    assert measuring.most_at_once == 1
    for at_s, *_ in measuring.asked:
        for _, began_ns, ended_ns in life.rate.runs:
            assert not life.seconds(began_ns) < at_s < life.seconds(ended_ns)


def test_a_paced_run_needs_none() -> None:
    plan = replace(run_plan(every_s=3600), method=Method.PACED, offered_bps=20_000_000)
    measuring = Measuring()

    async def live(clock: Clock) -> Life:
        paced = FakeRate(outcome=lambda number: samples.paced(handoff="A"))
        async with alive(clock, site(runs=(plan,)), rate=paced, ceiling=measuring) as life:
            await asyncio.sleep(3 * 3600)
        return life

    life = run_from(START_NS, live)
    assert measuring.asked == []
    assert life.store.of(Skipped) == []
