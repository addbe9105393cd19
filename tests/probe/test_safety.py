"""Safety: a line is filled only once somebody answered for it, and never in the hours that are named.

The cases are common practice, no source: whoever may depend on a line decides about it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from probe import safety
from store.clock import NS_PER_S, zone
from store.site import Handoff, Safety, Times
from tests.probe.sites import EVERY_DAY, handoff

NIGHT = Times(weekdays=EVERY_DAY, dates=frozenset(), from_minute=22 * 60, to_minute=6 * 60)
LISBON = zone("Europe/Lisbon")
NOBODY = Safety()
FREE = Safety(emergency_calls=False, alarms=False, medical_devices=False)


def at_ns(text: str) -> int:
    """A moment in UTC as Unix nanoseconds."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * NS_PER_S


def line(answers: Safety) -> Handoff:
    return replace(handoff(), safety=answers)


@pytest.mark.parametrize(
    ("answers", "noon", "midnight", "says"),
    [
        (
            NOBODY,
            False,
            False,
            'write emergency_calls = "no" or "yes" and alarms = "no" or "yes" and medical',
        ),
        (replace(FREE, alarms=None), False, False, 'write alarms = "no" or "yes" under [safety]'),
        (replace(FREE, alarms=None, emergency_calls=True), False, False, 'write alarms = "no" or "yes"'),
        (
            replace(NOBODY, never=(NIGHT,)),
            False,
            False,
            "nobody has answered whether emergency calls, alarms",
        ),
        (FREE, True, True, ""),
        (replace(FREE, never=(NIGHT,)), True, False, ""),
        (replace(FREE, emergency_calls=True), False, False, "emergency calls depend on handoff A"),
        (replace(FREE, medical_devices=True, alarms=True), False, False, "write [[safety.never]] with days"),
        (replace(FREE, emergency_calls=True, never=(NIGHT,)), True, False, ""),
        (replace(FREE, alarms=True, medical_devices=True, never=(NIGHT,)), True, False, ""),
    ],
)
def test_when_a_line_may_be_filled(answers: Safety, noon: bool, midnight: bool, says: str) -> None:
    """Unanswered never; all no, always but for the hours; any yes, only with hours and outside them."""
    asked = line(answers)
    runs = [
        safety.forbids(asked, from_ns=at_ns(text), to_ns=at_ns(text) + 14 * NS_PER_S, where=LISBON)
        for text in ("2026-06-03 12:00", "2026-06-03 23:00")
    ]
    assert [noon, midnight] == [why is None for why in runs]
    assert says in (runs[0] or "")
    assert (says == "") == (safety.standing_answer(asked) is None)


@pytest.mark.parametrize(
    ("begins", "ends", "allowed"),
    [  # 22:00 by Lisbon's summer time is 21:00 UTC; the hours end at 06:00, 05:00 UTC
        ("2026-06-03 20:59:46", "2026-06-03 21:00:00", True),
        ("2026-06-03 20:59:46", "2026-06-03 21:00:01", False),
        ("2026-06-04 04:59:59", "2026-06-04 05:00:10", False),
        ("2026-06-04 05:00:00", "2026-06-04 05:00:14", True),
        ("2026-10-25 05:59:59", "2026-10-25 06:00:13", False),  # the night in which summer time ends
        ("2026-10-25 06:00:00", "2026-10-25 06:00:14", True),
    ],
)
def test_no_run_reaches_into_the_hours(begins: str, ends: str, allowed: bool) -> None:
    """To the second, by the local clock (Directive 2000/84/EC: 25 October 2026)."""
    asked = line(replace(FREE, alarms=True, never=(NIGHT,)))
    why = safety.forbids(asked, from_ns=at_ns(begins), to_ns=at_ns(ends), where=LISBON)
    assert allowed == (why is None)


def test_what_the_site_check_says_first() -> None:
    """Who may be concerned, who is to be asked, and which key to write; never that it is safe."""
    closed, opened = safety.said(line(NOBODY)), safety.said(line(replace(FREE, alarms=True, never=(NIGHT,))))
    assert closed.startswith("No run will fill this line: nobody has answered")
    assert "ask their operators first, and keep to local rules" in closed
    assert opened == (
        "Runs may fill this line (alarms or lift phones depend on it), but never every day 22:00-06:00."
    )
