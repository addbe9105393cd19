"""`linebook budget`: what tests spent and what the provider's cap has left, in words and as JSON."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

import linebook
from commands import reading
from store.clock import NS_PER_S, Clock
from store.writer import Writer
from tests.store import samples

HOUR_NS = 3600 * NS_PER_S
INVITATION = f"linebook://192.0.2.1:9/?v=1&key={'A' * 43}&pin={'A' * 43}"
SITE = f"""
name = "Budget"
invented = true
timezone = "Europe/Lisbon"
database = "line.db"
[[handoff]]
name = "old"
allowance = "50 GB"
cap = "1 TB"
cap_resets = 1
[handoff.card]
rate_up = "20 Mb/s"
rate_down = "250 Mb/s"
[[endpoint]]
name = "north"
invitation = "{INVITATION}"
"""
NOW_NS = 1_781_568_000 * NS_PER_S  # 16 June 2026, 00:00 UTC, 01:00 in Lisbon


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Ten days of 1 GB up and 0.5 GB down an hour, and one run of 4.2 MB."""
    (tmp_path / "site.toml").write_text(SITE)
    (tmp_path / "site.toml").chmod(0o600)
    with closing(Writer.open(tmp_path / "line.db", clock=Clock(), timezone="Europe/Lisbon")) as writer:
        for nth in range(240):
            hour = samples.traffic(NOW_NS - (240 - nth) * HOUR_NS)
            writer.append(replace(hour, down_bytes=500_000_000, own_up_bytes=0, own_down_bytes=0))
        writer.append(samples.run(NOW_NS - HOUR_NS))
    monkeypatch.setattr(reading, "Clock", lambda: Clock(unix_ns=lambda: NOW_NS))
    return tmp_path / "site.toml"


def test_in_words(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By hand: 240 h x 1.5 GB are used, 359 h of June are to come, 121 h before were not counted."""
    assert linebook.main(["budget", str(file)]) == 0
    said = capsys.readouterr().out
    assert "Handoff old: 0 % of the test allowance of 50 GB are spent" in said
    assert "360 GB of the provider’s cap of 1 TB, both ways, are used since 01 Jun, 36 %" in said
    assert "as this host’s interface eth0 counted; tests are 0 bytes of that" in said
    assert "Forecast to 01 Jul: 898 GB, from the mean of the same weekday hours of the last 28 days" in said
    assert "5 d 1 h of the time since 01 Jun were not counted." in said


def test_for_programs(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["budget", str(file), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["kind"], found["schema"], found["standing"]) == ("budget", 1, "valid")
    (old,) = found["handoffs"]
    assert (old["handoff"], old["runs_one_in"]) == ("old", 1)
    assert (old["allowance"]["limit_bytes"], old["allowance"]["spent_bytes"]) == (50 * 10**9, 4_225_000)
    assert old["allowance"]["ends"] == "2026-06-30T23:00:00.000Z"
    cap = old["cap"]
    assert (cap["limit_bytes"], cap["used_bytes"], cap["counts"]) == (10**12, 360 * 10**9, "both")
    assert cap["forecast_bytes"] == (240 + 359) * 3 * 10**9 // 2
    assert (cap["began"], cap["uncounted_s"]) == ("2026-05-31T23:00:00.000Z", 121 * 3600)


def test_before_the_probe_ever_ran(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (file.parent / "line.db").unlink()
    assert linebook.main(["budget", str(file)]) == 2
    assert "line.db is not there; the probe makes it on its first start" in capsys.readouterr().err
