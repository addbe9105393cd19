"""A line's behaviour as data."""

from __future__ import annotations

import json

from probe.practice import line
from probe.practice.old_line import old_line


def test_a_behaviour_travels_as_json() -> None:
    """A process of its own gets the line that was made here."""
    behaviour = old_line()
    assert line.from_json(json.loads(json.dumps(line.as_json(behaviour)))) == behaviour
