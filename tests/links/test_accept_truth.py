"""Rows of an acceptance sheet run on a line whose limit counts another layer than its contract says.

tbf counts the IP packet and 14 bytes, and with ``overhead`` so many more (tc-stab(8)): 24 make it layer 1. Of
a contract of 4 Mb/s at layer 2 it lets 1518 of 1538 parts pass in full frames and 128 of 148 in small ones.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from tests.links.house import House, house

pytestmark = [pytest.mark.namespace, pytest.mark.few, pytest.mark.long]

LIMIT_BPS = 4_000_000
SITE = """
name = "Quillet Lane School of Ceramics"
invented = true
timezone = "UTC+01:00"
[safety]
emergency_calls = "no"
alarms = "no"
medical_devices = "no"
[[handoff]]
name = "A"
[handoff.card]
rate_up = "4 Mb/s"
layer = "layer 2"
reach = "97 %"
burst_up = "64 kB"
mtu = 1500
[[endpoint]]
name = "north"
invitation = "{invitation}"
"""


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """Three rows, each run through the command and read from its JSON."""
    folder = tmp_path_factory.mktemp("accept")
    with house(folder / "endpoint") as far:
        file = folder / "site.toml"
        file.write_text(SITE.format(invitation=far.invitation))
        far.line.unmerge()
        far.line.bucket(LIMIT_BPS, burst_bytes=5_000, queue_ms=60, up=True, overhead_bytes=24)
        for nth in range(1, 7):
            far.linebook("accept", str(file), "--row", f"S{nth}", "--answer", "yes")
        return {row: _row(far, file, row) for row in ("A6", "A10", "A11")}


def _row(far: House, file: Path, row: str) -> dict[str, Any]:
    told = far.linebook("accept", str(file), "--row", row, "--run", "--seconds", "4")
    found: dict[str, Any]
    (found,) = told["rows"]
    return found


def test_full_frames_reach_the_clause(rows: dict[str, dict[str, Any]]) -> None:
    """98.7 % of the rate; so short a run supports no more than that it is not missed."""
    found = re.search(r"([0-9.]+) % of 4\.00 Mb/s", rows["A6"]["because"])
    assert found, rows["A6"]
    assert float(found[1]) == pytest.approx(100 * 1518 / 1538, abs=0.5)
    assert rows["A6"]["word"] == "undecided"
    assert "It lasted 4 s, and the sheet asks for 15 min" in rows["A6"]["because"]


def test_small_frames_tell_the_layer(rows: dict[str, dict[str, Any]]) -> None:
    """The share falls with the size as 1538/1518 has it, and the row says which layer the limit counts."""
    because = rows["A10"]["because"]
    assert rows["A10"]["word"] == "not met", because
    shares = {int(size): float(share) for share, size in re.findall(r"([0-9.]+) % at ([0-9]+)", because)}
    assert set(shares) == {128, 256, 512, 1024, 1280, 1518}
    for size, share in shares.items():
        assert share == pytest.approx(100 * size / (size + 20), abs=1.0), because
    assert "the limit counts layer 1, not layer 2" in because


def test_the_bucket_is_smaller_than_stated(rows: dict[str, dict[str, Any]]) -> None:
    """5 kB and a queue of 30 kB where 64 kB are stated."""
    assert rows["A11"]["word"] == "not met", rows["A11"]
