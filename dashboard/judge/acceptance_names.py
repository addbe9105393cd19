"""Row A20 of an acceptance sheet: what lookups show, beside what somebody looks at and types in. Pure."""

from __future__ import annotations

from dashboard.judge.acceptance_material import Material, valid
from dashboard.judge.acceptance_verdict import RowVerdict, percent, untested
from dashboard.judge.name_signs import SLOW_US
from store.lookups import Heard


def names(found: Material) -> RowVerdict:
    """A20: never judged from the record alone, since no endpoint stands in the networks of the show."""
    asked = [one for record in valid(found.lookups) for one in record.asked if one.told is not Heard.UNSENT]
    if not asked:
        return untested("A20", "Nobody has answered it yet, and no lookup of a name is on record.")
    silent = sum(one.told is Heard.SILENT for one in asked)
    slow = silent + sum((one.took_us or 0) >= SLOW_US for one in asked)
    return untested(
        "A20",
        f"Nobody has answered it yet. Of {len(asked)} name lookups on record {slow} took "
        f"{SLOW_US / 1e6:g} s or more ({percent(slow / len(asked))}), {silent} of them without an answer.",
    )
