"""`linebook samples`: the packets of one train, a line each, in the fields of a single train's."""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path

import pytest

import linebook
from store.clock import Clock
from store.writer import Writer
from tests.store import samples

HOUR_NS = 3600 * 10**9
NOON_NS = 1_780_056_000 * 10**9  # 29 May 2026, 12:00 UTC


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Three packets at noon on one handoff, an hour later on it and on another."""
    path = tmp_path / "line.db"
    with closing(Writer.open(path, clock=Clock(), timezone="Europe/Lisbon")) as writer:
        writer.append(samples.packets(NOON_NS))
        writer.append(samples.packets(NOON_NS + HOUR_NS))
        writer.append(samples.packets(NOON_NS + HOUR_NS, handoff="A"))
    return path


def printed(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, object]]:
    assert linebook.main(["samples", *words]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_prints_each_packet(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As samples.packets made them; Lisbon's clocks are an hour ahead of UTC in May."""
    found = printed(capsys, str(path), "--from", "2026-05-29T13:00", "--to", "2026-05-29T13:30")
    assert found == [
        {"sequence": 7, "sent": NOON_NS, "rtt_ns": 19_000_000, "lost": None, "held": False},
        {"sequence": 8, "sent": NOON_NS + 50_000_000, "rtt_ns": None, "lost": "up", "held": False},
        {"sequence": 9, "sent": NOON_NS + 100_000_000, "rtt_ns": 400_123_000, "lost": None, "held": True},
    ]


def test_from_within_a_record_to_within_it(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--from", "2026-05-29T12:00:00.05Z", "--to", "2026-05-29T12:00:00.10Z")
    assert [one["sequence"] for one in printed(capsys, str(path), *words)] == [8]


def test_a_train_is_named_where_there_are_several(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["samples", str(path), "--from", "2026-05-29"]) == 2
    assert "A to north, old to north" in capsys.readouterr().err
    found = printed(capsys, str(path), "--from", "2026-05-29", "--handoff", "A")
    assert [one["sent"] for one in found][:1] == [NOON_NS + HOUR_NS]
    assert len(printed(capsys, str(path), "--from", "2026-05-29", "--handoff", "old")) == 6


def test_none_is_no_mistake(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["samples", str(path), "--from", "2027-01-01"]) == 0
    out, err = capsys.readouterr()
    assert (out, "no stall was near" in err) == ("", True)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--from", "noon"], "--from: 'noon' is not a moment like 2026-11-25T19:00"),
        (
            ["--from", "2026-05-29T13:00", "--to", "2026-05-29T12:00"],
            "--to: 2026-05-29 12:00:00 is not after",
        ),
        ([], "--from"),
        (["--from", "2026-05-29", "--handoff", "odl"], "has no handoff 'odl'; did you mean 'old'?"),
        (["--from", "2026-05-29", "--endpoint", "north-2"], "has no endpoint 'north-2'"),
    ],
)
def test_mistakes(path: Path, capsys: pytest.CaptureFixture[str], words: list[str], sentence: str) -> None:
    try:
        code = linebook.main(["samples", str(path), *words])
    except SystemExit as ended:
        code = int(str(ended.code))
    assert code == 2
    assert sentence in capsys.readouterr().err
