"""Day files that fit their database, can be checked without this program, and show every change."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from store import pack
from store.errors import UserMistake
from store.seal import fingerprint
from tests.store import samples, sealed
from tests.store.sealed import DAY_NS, KEY, NOON_NS

SECOND = "2026-05-29.jsonl"
RECORDS = 12 + len(samples.EVERY_KIND)  # four on each of three days, one of each kind on the fourth


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    days = [[samples.span(NOON_NS + day * DAY_NS + nth) for nth in range(4)] for day in range(3)]
    return sealed.make(tmp_path_factory.mktemp("packed") / "line.db", [*days, samples.EVERY_KIND])


@pytest.fixture
def packed(database: Path, tmp_path: Path) -> Path:
    pack.write(database, tmp_path / "pack")
    return tmp_path / "pack"


def lines(file: Path) -> list[str]:
    return file.read_text().splitlines(keepends=True)


class TestWhole:
    def test_fits(self, packed: Path) -> None:
        result = pack.verify(packed, trusted=frozenset({fingerprint(KEY.public)}))
        assert result.findings == []
        assert (result.checked_seq, result.signed_seq) == (RECORDS, RECORDS)
        assert sorted(file.name for file in packed.iterdir()) == [
            *(f"2026-05-{day}.jsonl" for day in (28, 29, 30, 31)),
            "manifest.json",
        ]

    def test_without_this_program(self, packed: Path) -> None:
        """As the module's description says: files, chain and signatures by hashlib and an Ed25519 library."""
        manifest = json.loads((packed / "manifest.json").read_text())
        head, seen = bytes(32), {}
        for day in manifest["days"]:
            content = (packed / day["file"]).read_bytes()
            assert hashlib.sha256(content).hexdigest() == day["sha256"]
            for line in content.splitlines():
                record = line[len('{"link":"00000000","record":') : -1]
                head = hashlib.sha256(head + record).digest()
                seen[json.loads(record)["seq"]] = head.hex()
        for each in manifest["heads"]:
            stated = json.loads(each["statement"])
            key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(stated["key"]))
            key.verify(bytes.fromhex(each["signature"]), each["statement"].encode())
            assert seen[stated["seq"]] == stated["head"]

    def test_from_a_day_on(self, database: Path, tmp_path: Path) -> None:
        written = pack.write(database, tmp_path / "late", first_day="2026-05-30")
        assert (written.days, written.records) == (2, RECORDS - 8)
        result = pack.verify(tmp_path / "late")
        assert (result.findings, result.checked_seq) == ([], RECORDS)

    def test_thinned(self, database: Path, tmp_path: Path) -> None:
        from tests.store.test_verify import thin

        path = Path(shutil.copy(database, tmp_path / "line.db"))
        thin(path, 1, "DELETE FROM train WHERE seq <> 6", "kept 1 day")
        pack.write(path, tmp_path / "pack")
        result = pack.verify(tmp_path / "pack")
        assert result.findings == []
        assert [(one.first_seq, one.last_seq) for one in result.thinned] == [(5, 8)]


class TestRefused:
    def test_a_directory_that_holds_something(self, database: Path, tmp_path: Path) -> None:
        (tmp_path / "letter.txt").write_text("keep me")
        with pytest.raises(UserMistake, match="not empty"):
            pack.write(database, tmp_path)
        assert [file.name for file in tmp_path.iterdir()] == ["letter.txt"]

    def test_nothing_signed(self, database: Path, tmp_path: Path) -> None:
        with pytest.raises(UserMistake, match="no signed head from 2027-01-01 on"):
            pack.write(database, tmp_path / "pack", first_day="2027-01-01")

    def test_no_pack(self, tmp_path: Path) -> None:
        with pytest.raises(UserMistake, match=r"no pack: manifest\.json"):
            pack.verify(tmp_path)


class TestTamperedWith:
    """Second day: records 5 to 8."""

    @pytest.mark.parametrize(
        ("order", "what", "seq"),
        [
            ([0, 2, 3], "missing", 6),
            ([0, 2, 1, 3], "missing", 6),
            ([0, 1, 1, 2, 3], "added", 6),
            ([0, 1, 2], "missing", 8),
            ([], "missing", 5),
        ],
    )
    def test_lines_gone_moved_or_twice(self, packed: Path, order: list[int], what: str, seq: int) -> None:
        was = lines(packed / SECOND)
        (packed / SECOND).write_text("".join(was[nth] for nth in order))
        first, *others = pack.verify(packed).findings
        assert (first.what, first.seq) == (what, seq)
        assert SECOND in others[-1].why

    @pytest.mark.parametrize(
        ("old", "new"),
        [
            ('"lost_up":1', '"lost_up":0'),
            ('"seconds":60.0', '"seconds":60'),
            ('"seq":5', '"seq": 5'),
            ('"seq":5', '"seq":"5"'),
            ('"seq":5', '"seq":NaN'),
            ("{", "["),
            ("}}\n", "\n"),
        ],
    )
    def test_a_changed_line(self, packed: Path, old: str, new: str) -> None:
        text = (packed / SECOND).read_text()
        assert old in text
        (packed / SECOND).write_text(text.replace(old, new, 1))
        first = pack.verify(packed).findings[0]
        assert (first.what, first.seq) == ("changed", 5)

    def test_a_file_gone(self, packed: Path) -> None:
        (packed / SECOND).unlink()
        first = pack.verify(packed).findings[0]
        assert (first.what, first.seq) == ("missing", 5)

    def test_a_head_gone(self, packed: Path) -> None:
        manifest = json.loads((packed / "manifest.json").read_text())
        del manifest["heads"][1]
        (packed / "manifest.json").write_text(json.dumps(manifest))
        assert pack.verify(packed).findings[0].what == "head"

    def test_a_start_that_was_never_signed(self, database: Path, tmp_path: Path) -> None:
        """Days before the first of the pack are let go by saying that the chain starts elsewhere."""
        pack.write(database, tmp_path / "pack", first_day="2026-05-30")
        file = tmp_path / "pack" / "manifest.json"
        manifest = json.loads(file.read_text())
        manifest["start"]["head"] = "00" * 32
        file.write_text(json.dumps(manifest))
        assert not pack.verify(tmp_path / "pack").verified

    @pytest.mark.parametrize(
        "content",
        ["", "[]", "{}", "no json", '{"days": [{"file": "../x", "sha256": ""}]}', "[" * 100_000],
        ids=["empty", "list", "nothing", "text", "elsewhere", "deep"],
    )
    def test_a_manifest_that_is_none(self, packed: Path, content: str) -> None:
        (packed / "manifest.json").write_text(content)
        assert [finding.what for finding in pack.verify(packed).findings] == ["unreadable"]
