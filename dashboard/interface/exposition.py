"""OpenMetrics text (draft-richih-opsawg-openmetrics-01): families of samples in, the exposition out.

Knows the format and nothing of what is measured. Imports nothing of the house.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

Number = int | float


class Type(StrEnum):
    """What a family's samples are. A state set has one sample a state, exactly one of them 1."""

    GAUGE = "gauge"
    COUNTER = "counter"
    HISTOGRAM = "histogram"
    STATESET = "stateset"
    INFO = "info"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """A value; `ending` is what follows the family's name (`_total`, `_bucket` ...)."""

    value: Number
    labels: Mapping[str, str]
    ending: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Samples of one name. `unit` is the name's ending, empty where it has none."""

    name: str
    type: Type
    unit: str
    help: str
    samples: tuple[Sample, ...]


def text(families: Iterable[Family]) -> str:
    """The exposition; a family without a sample is left out, for what is unknown has no sample."""
    lines: list[str] = []
    for family in families:
        if not family.samples:
            continue
        lines.append(f"# TYPE {family.name} {family.type}")
        if family.unit:
            lines.append(f"# UNIT {family.name} {family.unit}")
        lines.append(f"# HELP {family.name} {_escaped(family.help)}")
        lines += [
            f"{family.name}{one.ending}{_labels(one.labels)} {_number(one.value)}" for one in family.samples
        ]
    return "\n".join([*lines, "# EOF", ""])


def states(name: str, every: Iterable[str], now: str, labels: Mapping[str, str]) -> Iterable[Sample]:
    """The samples of a state set that is in the state `now`."""
    for state in every:
        yield Sample(value=int(state == now), labels={**labels, name: state})


def _labels(labels: Mapping[str, str]) -> str:
    inside = ",".join(f'{name}="{_escaped(value)}"' for name, value in labels.items())
    return f"{{{inside}}}" if inside else ""


def _escaped(value: str) -> str:
    return value.replace("\\", r"\\").replace("\n", r"\n").replace('"', r"\"")


def _number(value: Number) -> str:
    return str(value) if isinstance(value, int) else f"{value:.12g}"
