"""What was judged, on disk: found again, bounded, for its owner alone, and never believed when in doubt."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from dashboard import on_disk
from dashboard.on_disk import OnDisk, folder_of
from store.site import Site

Break = Callable[[Path, Path], object]


@pytest.fixture
def kept(site: Site, tmp_path: Path) -> OnDisk:
    made = OnDisk(tmp_path / "of" / "this" / "judged", site)
    made.put("october", (1, site), stamp="as it is")
    made.put("other", (2, site), stamp="as it is")
    return made


def _files(tmp_path: Path) -> list[Path]:
    return sorted((tmp_path / "of" / "this" / "judged").iterdir(), key=lambda one: one.stat().st_mtime_ns)


def test_is_found_again(kept: OnDisk, site: Site, tmp_path: Path) -> None:
    again = OnDisk(tmp_path / "of" / "this" / "judged", site)
    assert again.get("october", stamp="as it is") == (1, site)
    assert again.get("october", stamp="later") is None
    assert again.get("november", stamp="as it is") is None
    assert [one.stat().st_mode & 0o777 for one in _files(tmp_path)] == [0o600, 0o600]
    assert (tmp_path / "of" / "this" / "judged").stat().st_mode & 0o777 == 0o700
    again.put("october", (3, site), stamp="later")
    assert len(_files(tmp_path)) == 2
    assert kept.get("october", stamp="later") == (3, site)


@pytest.mark.parametrize(
    "change",
    [
        lambda own, other: own.write_bytes(b""),
        lambda own, other: own.write_bytes(own.read_bytes()[:-1]),
        lambda own, other: own.write_bytes(own.read_bytes()[:-9] + b"\0" + own.read_bytes()[-8:]),
        lambda own, other: own.write_bytes(own.read_bytes().replace(b"judged 1", b"judged 2")),
        lambda own, other: own.write_bytes(other.read_bytes()),
        lambda own, other: (own.unlink(), own.symlink_to(other)),
        lambda own, other: (own.unlink(), os.mkfifo(own, 0o600)),
        lambda own, other: (own.unlink(), own.mkdir()),
        lambda own, other: own.chmod(0o644),
    ],
    ids=("empty", "cut", "flipped", "older", "another's", "link", "pipe", "folder", "open to others"),
)
def test_what_cannot_be_believed_is_judged_anew(
    kept: OnDisk, tmp_path: Path, caplog: pytest.LogCaptureFixture, change: Break
) -> None:
    own, other = _files(tmp_path)
    change(own, other)
    assert kept.get("october", stamp="as it is") is None
    assert [one.message.partition(" ")[0] for one in caplog.records] == ["judged"]
    assert kept.get("other", stamp="as it is") is not None


def test_a_folder_that_cannot_be_written_is_said_once(
    site: Site, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "file").touch()
    kept = OnDisk(tmp_path / "file" / "judged", site)
    for _ in range(3):
        kept.put("october", 1, stamp="")
    assert [one.message.partition(" folder")[0] for one in caplog.records] == ["what was judged is not kept"]
    OnDisk(tmp_path, site).put("october", lambda: 1, stamp="")  # no value
    assert len(caplog.records) == 2


def test_what_was_not_used_for_longest_goes(
    kept: OnDisk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(on_disk, "_MOST_FILES", 2)
    for one in _files(tmp_path):
        os.utime(one, ns=(1, 1))
    assert kept.get("october", stamp="as it is") is not None
    kept.put("third", 3, stamp="")
    assert [kept.get(one, stamp="as it is") is None for one in ("october", "other")] == [False, True]
    (_files(tmp_path)[0].parent / "somebody's").touch()
    monkeypatch.setattr(on_disk, "_MOST_BYTES", 1)
    kept.put("fourth", 4, stamp="")
    assert [one.name for one in _files(tmp_path)] == ["somebody's"]


def test_another_site_or_zone_finds_nothing(
    kept: OnDisk, site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert kept.of(site).get("october", stamp="as it is") is not None
    assert kept.of(replace(site, name="Another")).get("october", stamp="as it is") is None
    monkeypatch.setattr(on_disk, "_zone_rules", lambda name: b"a new release")
    assert kept.of(site).get("october", stamp="as it is") is None


def test_where_it_is() -> None:
    """CACHE_DIRECTORY is systemd's (systemd.exec(5)), XDG_CACHE_HOME of the XDG Base Directory Specification,
    which has relative paths ignored."""
    own = {"CACHE_DIRECTORY": "/var/cache/linebook:/x", "XDG_CACHE_HOME": "/c"}
    assert folder_of(own) == Path("/var/cache/linebook/judged")
    assert folder_of({"XDG_CACHE_HOME": "/c"}) == Path("/c/linebook/judged")
    assert folder_of({"XDG_CACHE_HOME": "c"}) == Path.home() / ".cache/linebook/judged"
