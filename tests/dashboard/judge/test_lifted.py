"""Rules lifted from records: what a rule left out, and the same judge without it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.judge import evidence
from dashboard.judge.lifted import MEANINGS, Outcome, codes_of, effects, lifted
from store.records import REASONS, Limit, Standing
from tests.dashboard.judge.made import run
from tests.store import samples


def left_out(code: str) -> bool:
    return REASONS[code][0] is not Standing.VALID


@pytest.mark.parametrize("code", [code for code in REASONS if left_out(code)])
def test_every_rule_can_be_lifted(code: str) -> None:
    """A record that one rule alone leaves out counts without it; one that another leaves out too does not."""
    other = "aborted" if code != "aborted" else "slept"
    one, both = run(1, reasons=("short", code)), run(1, reasons=(code, other))
    assert codes_of([one, both]) == {code: 2, other: 1}
    assert lifted(one, (code,)) == run(1, reasons=("short",))
    assert evidence.why_left_out(lifted(both, (code,))) == (other,)
    assert MEANINGS[code] == REASONS[code][1]


def test_what_is_no_reason_is_lifted_too() -> None:
    """Light runs, what held a run, and parts of a record."""
    light = run(1, light=True)
    assert codes_of([light]) == {"light": 1}
    assert not lifted(light, ("light",)).light
    held = run(1, limited_by=Limit.WINDOW)
    assert codes_of([held]) == {"window_limit": 1}
    assert [side.limited_by for side in lifted(held, ("window_limit",)).sides().values()] == [Limit.PATH]
    assert lifted(held, ("port_limit",)) == held
    sweep = samples.sizes(0)
    part = replace(sweep.sizes[0].part, reasons=("endpoint_limit",), limited_by=Limit.ENDPOINT)
    bent = replace(sweep, sizes=(replace(sweep.sizes[0], part=part), *sweep.sizes[1:]))
    assert codes_of([bent])["endpoint_limit"] == 1
    assert lifted(bent, ("endpoint_limit",)).sizes[0].part.limited_by is Limit.PATH
    assert lifted(bent, ("endpoint_limit",)).sizes[0].part.reasons == ()


@given(st.sets(st.sampled_from(["wireless", "aborted", "house"])))
def test_every_rule_is_walked(codes: set[str]) -> None:
    """Judged once with all, once without each, once without any; one that changes the word is marked."""
    asked: list[frozenset[str]] = []

    def judged(without: Collection[str]) -> Outcome:
        asked.append(frozenset(without))
        return Outcome(word="met" if "house" in without else "not met", because="")

    found = effects("Availability", dict.fromkeys(sorted(codes), "1 minute"), judged)
    assert set(asked) == {frozenset(), frozenset(codes), *(frozenset({code}) for code in codes)}
    assert {rule.code for rule in found.rules} == codes
    assert {rule.code for rule in found.rules if rule.changes} == codes & {"house"}
    assert found.bare.word == ("met" if "house" in codes else "not met")
    assert ("house (met)" in found.because) is ("house" in codes)
