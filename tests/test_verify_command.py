"""`linebook verify`, `correct` and `export --format pack`: exit codes, sentences and JSON."""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path

import pytest

import linebook
from store.reader import Reader
from store.seal import fingerprint
from tests.store import samples, sealed

PRINT = fingerprint(sealed.KEY.public)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Two days: four stalls, then two."""
    days = [[samples.stall(nth) for nth in range(4)], [samples.stall(8), samples.stall(9)]]
    return sealed.make(tmp_path / "line.db", days)


def test_a_sound_database(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert linebook.main(["verify", str(path)]) == 0
    said = capsys.readouterr().out
    assert said.startswith(f"{path}: verified.\n")
    assert "Signed up to record 6" in said
    assert PRINT in said
    assert linebook.main(["verify", str(path), "--key", PRINT, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["verified"], found["checked_seq"], found["fingerprints"]) == (True, 6, [PRINT])


def test_a_changed_record_is_a_result(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with sealed.tampering(path) as connection:
        connection.execute("UPDATE stall SET lost = 0 WHERE seq = 3")
    assert linebook.main(["verify", str(path)]) == 3
    said = capsys.readouterr().out
    assert "NOT VERIFIED" in said
    assert "First: Changed: record 3 (stall of 1970-01-01T00:00:00.000Z, handoff old)" in said
    assert linebook.main(["verify", str(path), "--json"]) == 3
    finding = json.loads(capsys.readouterr().out)["finding"]
    assert (finding["what"], finding["seq"], finding["record"]) == ("changed", 3, "stall")


def test_a_pack_goes_and_comes(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pack = tmp_path / "pack"
    assert linebook.main(["export", str(path), str(pack), "--format", "pack", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["records"] == 6
    assert linebook.main(["verify", str(pack), "--key", sealed.KEY.public.hex()]) == 0
    (pack / "2026-05-28.jsonl").unlink()
    assert linebook.main(["verify", str(pack)]) == 3


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["verify", "{path}", "--key", "abc"], "64 hex digits"),
        (["verify", "{path}.not"], "not there"),
        (["verify", "{folder}"], "is no pack"),
        (["export", "{path}", "{folder}", "--format", "pack"], "not empty"),
        (["export", "{path}", "{folder}/p", "--format", "pack", "--handoff", "old"], "--handoff"),
        (["correct", "{path}", "99", "--what", "a", "--why", "b"], "no record number 99"),
        (["correct", "{path}", "0", "--what", "a", "--why", "b"], "whole number"),
    ],
    ids=["key", "missing", "folder", "full", "part", "number", "zero"],
)
def test_mistakes(
    path: Path, arguments: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    filled = [word.format(path=path, folder=path.parent) for word in arguments]
    try:
        code = linebook.main(filled)
    except SystemExit as ended:
        code = int(ended.code or 0)
    assert code == 2
    assert sentence in capsys.readouterr().err


def test_a_correction_stands_beside_what_it_corrects(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--what", "it was our own switch", "--why", "the switch's log"]
    assert linebook.main(["correct", str(path), "3", *words, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["kind"], said["corrects_seq"], said["handoff"]) == ("correction", 3, "old")
    with closing(Reader.open(path)) as reader:
        (found,) = reader.corrections(of_seq=3)
        assert (found.what, found.endpoint) == ("it was our own switch", "north")
        assert len(reader.stalls()) == 6
    assert linebook.main(["verify", str(path)]) == 3  # the key that lay beside it is a new one here
    assert "another key" in capsys.readouterr().out
