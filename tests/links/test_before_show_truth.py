"""Checks before a show on a shaped line: within their time, and with the answer that the shaper dictates.

The plan needs 13.85 Mb/s at the IP layer and 15.24 at its peak (two pushes of 6.66 x 1.040).
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from store.clock import Clock
from store.writer import Writer
from tests.links.house import House, house

pytestmark = [pytest.mark.namespace, pytest.mark.few, pytest.mark.long]

WITHIN_S = {"10min": 20, "1h": 60, "24h": 300}
SITE = """
name = "Namespaces (invented)"
invented = true
timezone = "UTC"
database = "line.db"
[safety]
emergency_calls = "no"
alarms = "no"
medical_devices = "no"
[[handoff]]
name = "A"
interface = "{interface}"
[[endpoint]]
name = "north"
invitation = "{invitation}"
[[train]]
handoff = "A"
endpoint = "north"
per_second = 20
[[plan]]
name = "P1"
handoff = "A"
hours = "{hours}"
"""
PUSH = """
[[plan.destination]]
name = "{name}"
video = "6.5 Mb/s"
audio = "160 kb/s"
transport = "tcp"
"""


def site_file(far: House, folder: Path) -> Path:
    """A show every day, three hours from now."""
    start = datetime.now(UTC) + timedelta(hours=3)
    hours = f"{start:%H:%M}-{start + timedelta(hours=1):%H:%M}"
    file = folder / "site.toml"
    file.touch(mode=0o600)
    text = SITE.format(interface=far.line.probe_device, invitation=far.invitation, hours=hours)
    file.write_text(text + "".join(PUSH.format(name=name) for name in ("one", "two")))
    Writer.open(folder / "line.db", clock=Clock(), timezone="UTC").close()  # a record of nothing
    return file


def checked(far: House, file: Path, stage: str) -> dict[str, Any]:
    """A stage's check, within its time."""
    began = time.monotonic()
    found = far.linebook("check", str(file), "--plan", "P1", "--before", stage)
    assert time.monotonic() - began < WITHIN_S[stage]
    assert found["took_ms"] < WITHIN_S[stage] * 1000
    return found


def row(found: dict[str, Any], what: str) -> dict[str, str]:
    """The row of one thing that was looked at."""
    (one,) = (each for each in found["rows"] if each["what"] == what)
    return one


@pytest.fixture(scope="module")
def far(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("show")
    with house(folder / "endpoint") as made:
        yield made, site_file(made, folder)


@pytest.mark.parametrize(
    ("stage", "rate_mbps", "found"),
    [
        ("10min", 40, "fine"),  # asks for 16.6
        ("10min", 16, "amiss"),  # the peak, and not all that it asked for
        ("10min", 12, "bad"),
        ("1h", 40, "fine"),  # asks for 20.8
        ("24h", 17, "amiss"),  # 13.85 is 82 % of it
    ],
)
def test_the_answer_of_a_shaper(far: tuple[House, Path], stage: str, rate_mbps: int, found: str) -> None:
    """In time, with the run's row as the shaper has it, and kept as a forecast."""
    made, file = far
    made.line.shape(rate_mbps * 1_000_000)
    told = checked(made, file, stage)
    one = row(told, "run up on A")
    assert one["found"] == found, one["said"]
    assert told["answer"] == ("hold" if found == "bad" else "unknown")  # nothing is known of those hours yet
    assert row(told, "port rate")["found"] in ("fine", "not done")
