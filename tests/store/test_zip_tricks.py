"""Zips that mean two things, lead elsewhere, or inflate for ever: none of them is believed."""

from __future__ import annotations

import io
import json
import stat
import zipfile
from pathlib import Path

import pytest

from store import bundle

MANIFEST = json.dumps({"kind": bundle.KIND, "key": "00" * 32, "files": []})


def made(*entries: tuple[str, bytes, int], whole: bytes = MANIFEST.encode()) -> bytes:
    """A zip with a manifest and these entries: name, content, mode."""
    to = io.BytesIO()
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("pack/manifest.json", whole)
        for name, content, mode in entries:
            info = zipfile.ZipInfo("pack/x" if "\\" in name else name)
            info.filename = name
            info.external_attr = mode << 16
            out.writestr(info, content, zipfile.ZIP_DEFLATED)
    return to.getvalue()


def verified(tmp_path: Path, octets: bytes) -> bundle.Checked:
    path = tmp_path / "pack.zip"
    path.write_bytes(octets)
    return bundle.verify(path)


FILE = stat.S_IFREG | 0o644


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize(
    ("entries", "says"),
    [
        ([("pack/manifest.json", b"{}", FILE)], "twice"),
        ([("pack/../../evil", b"", FILE)], "outside of its folder"),
        ([("/etc/cron.d/evil", b"", FILE)], "outside of its folder"),
        ([("beside", b"", FILE)], "outside of its folder"),
        ([("pack/..\\evil", b"", FILE)], "outside of its folder"),
        ([("pack/link", b"/etc/passwd", stat.S_IFLNK | 0o777)], "is a link"),
        ([("pack/seal/head-00001.json", bytes(65 << 20), FILE)], "more than 67108864"),
    ],
    ids=["two of a name", "parents", "absolute", "beside", "backslash", "link", "bomb"],
)
def test_an_odd_zip_is_not_believed(tmp_path: Path, entries: list[tuple[str, bytes, int]], says: str) -> None:
    found = verified(tmp_path, made(*entries))
    assert [finding.what for finding in found.findings] == ["unreadable"]
    assert says in found.findings[0].why
    assert not found.verified
    assert {path.name for path in tmp_path.iterdir()} == {"pack.zip"}


def test_an_entry_that_is_longer_than_it_says(tmp_path: Path) -> None:
    """The size in the directory (APPNOTE 4.4.9) is where reading ends, whatever the data would inflate to."""
    octets = made(("pack/seal/head-00001.json", bytes(1 << 20), FILE))
    true = (1 << 20).to_bytes(4, "little")
    assert octets.count(true) == 2
    found = verified(tmp_path, octets.replace(true, (10).to_bytes(4, "little")))
    assert not found.verified


@pytest.mark.parametrize("at", ["content", "directory", "half", "encrypted"])
def test_a_broken_zip_is_a_sentence(tmp_path: Path, at: str) -> None:
    octets = bytearray(made(("pack/a.csv", b"a,b\r\n" * 99, FILE)))
    if at == "content":
        octets[40:60] = bytes(20)
    elif at == "directory":
        place = octets.index(b"PK\x01\x02")
        octets[place + 10] = 99  # a method nobody has
    elif at == "half":
        octets = octets[:20] + octets[60:]
    else:
        place = octets.index(b"PK\x01\x02")
        octets[place + 8] |= 1
    found = verified(tmp_path, bytes(octets))
    assert found.findings[0].what == "unreadable"
