"""An upload planned from a real store, its receipt kept and learned from; mistakes in one sentence."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

import linebook
from commands import upload
from dashboard import text_uploads, uploads
from dashboard.uploads import Asked
from store.clock import NS_PER_S, Clock, zone
from store.errors import UserMistake
from store.reader import Reader
from store.receipts import Receipt
from store.site import Site
from store.writer import Writer
from tests.dashboard.judge import made
from tests.dashboard.judge.made import at, destination, run

WHERE = zone("Europe/Lisbon")
NOW = at("2026-03-24 18:00")  # a Tuesday
HOUR_NS = 3600 * NS_PER_S
SITE = """
name = "Uploads"
invented = true
timezone = "UTC"
database = "line.db"
[[handoff]]
name = "old"
[[endpoint]]
name = "north"
invitation = "linebook://192.0.2.1:9/?v=1&key={key}&pin={key}"
"""


def site(folder: Path) -> Site:
    """Four weeks of hourly runs: 16.9 Mb/s, on two of the weekday nights 14.1; a show from 19:00 to 21:00."""
    found = replace(made.site(made.plan(destination(4_500_000))), database=folder / "line.db")
    writer = Writer.open(found.database, clock=Clock(), timezone=found.timezone)
    bad = {at("2026-03-09 12:00"), at("2026-03-17 12:00")}
    for day in range(1, 29):
        noon = at("2026-03-24 12:00") - day * 24 * HOUR_NS
        for hour in range(24):
            rate = 14_100_000 if noon in bad else 16_900_000
            writer.append(run(rate, started_unix_ns=noon + hour * HOUR_NS + 60 * NS_PER_S))
    writer.close()
    return found


def test_course_masters_on_the_old_line(tmp_path: Path) -> None:
    """64 GB from 23:00: 07:25 on a usual night, and with the evening's show on the way if it begins at
    18:00.
    """
    made_site = site(tmp_path)
    asked = Asked(size_bytes=64 * 10**9, start_ns=at("2026-03-24 23:00"), deadline_ns=at("2026-03-25 12:00"))
    with closing(Reader.open(made_site.database)) as reader:
        night = uploads.find(reader, made_site, asked, now_ns=NOW)
        early = uploads.find(reader, made_site, replace(asked, start_ns=NOW), now_ns=NOW)
    assert night.best is not None
    assert night.best.usual_ns == pytest.approx(at("2026-03-25 07:25"), abs=60 * NS_PER_S)
    assert night.best.latest_start_ns is not None
    assert night.kept_free_s == 0
    assert early.best is not None
    took_s = 64e9 * 8 / 16.9e6
    assert early.best.usual_ns == pytest.approx(NOW + (took_s + 2 * 3600) * NS_PER_S, abs=60 * NS_PER_S)
    assert early.kept_free_s == pytest.approx(2 * 3600)
    text = text_uploads.plan(night, WHERE)
    assert text.startswith(
        "64.0 GB (59.6 GiB) by handoff old, from Tue 24 Mar 23:00: over by Wed 25 Mar 07:25"
    )
    assert text_uploads.plan_json(night)["done_50"] == "2026-03-25T07:24:55.857Z"  # 512e9 bits / 16.9e6


def test_receipts_are_kept_and_learned_from(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command writes it where no probe runs; the line's median of that day stands beside it."""
    file = tmp_path / "site.toml"
    file.touch(mode=0o600)
    file.write_text(SITE.format(key="A" * 43))
    writer = Writer.open(tmp_path / "line.db", clock=Clock(), timezone="UTC")
    ended_ns = at("2026-03-10 09:00", zone("UTC"))
    for hour in range(5):
        writer.append(run(900_000_000, started_unix_ns=ended_ns - hour * HOUR_NS))
    writer.close()
    words = ["receipt", str(file), "--to", "store", "--size", "64 GB", "--seconds", "2048"]
    more = ["--ended", "2026-03-10 09:00", "--sha256", "AB" * 32, "--json"]
    assert linebook.main([*words, *more]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["goodput_bps"], told["line_goodput_bps"]) == (250_000_000, 900_000_000)
    assert told["sha256"] == "ab" * 32
    with closing(Reader.open(tmp_path / "line.db")) as reader:
        (kept,) = reader.documents(Receipt)
        (known,) = uploads.ceilings(reader)
    assert kept.ended_unix_ns == ended_ns
    assert (known.bps, known.held) == (250_000_000, 1)
    assert linebook.main([*words, "--sha256", "zz"]) == 2
    assert "--sha256: expected 64 hexadecimal digits" in capsys.readouterr().err
    with pytest.raises(SystemExit, match="2"):
        linebook.main(["plan", str(file), "--size", "64"])
    assert 'no unit; expected text such as "64 GB"' in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("23:00", "2026-03-24 23:00"),
        ("07:30", "2026-03-25 07:30"),
        ("18:00", "2026-03-24 18:00"),
        ("2026-04-01 09:00", "2026-04-01 09:00"),
    ],
)
def test_times(text: str, found: str) -> None:
    """A clock time is the next one; a day with its time is by the site's clocks."""
    assert upload.moment("--start", text, WHERE, NOW) == at(found)


def test_past_times() -> None:
    """An upload that was over at 19:00, told at 18:00, was over yesterday."""
    assert upload.moment("--ended", "19:00", WHERE, NOW, past=True) == at("2026-03-23 19:00")


@pytest.mark.parametrize("text", ["soon", "25:00", "2026-13-01", "0001-01-01 00:00", ""])
def test_no_time(text: str) -> None:
    with pytest.raises(UserMistake, match=r"^--start: '.*' is no time"):
        upload.moment("--start", text, WHERE, NOW)


@pytest.mark.parametrize(
    ("bent", "sentence"),
    [
        ({"start_ns": NOW - HOUR_NS}, "--start: lies in the past"),
        ({"start_ns": NOW + 40 * 24 * HOUR_NS}, "--start: lies more than a month ahead"),
        ({"deadline_ns": NOW}, "--deadline: is not after the start"),
        ({"deadline_ns": NOW + 15 * 24 * HOUR_NS}, "--deadline: lies more than two weeks after"),
    ],
)
def test_plans_that_make_no_sense(bent: dict[str, int], sentence: str) -> None:
    asked = Asked(size_bytes=1, start_ns=NOW)
    with pytest.raises(UserMistake, match=f"^{sentence}"):
        upload.check(replace(asked, **bent), NOW)  # type: ignore[arg-type]
