"""Figures say what the record says: every run a point, every gap a gap, nothing by colour alone."""

from __future__ import annotations

import json
import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from dashboard.api import Period
from dashboard.assets import OWN
from dashboard.figures import rates
from dashboard.figures.drawing import evenly
from dashboard.figures.pooling import Stretch
from dashboard.pages import circuit, today
from store.reader import Reader
from store.site import Site
from tests.dashboard import invented

Figures = Callable[..., Any]


@pytest.fixture(scope="module")
def figure(site: Site) -> Iterator[Figures]:
    """Makes a circuit's figure of this name; what was found for one serves the next."""
    reader = Reader.open(site.database)

    @cache
    def find(handoff: str, period: Period) -> circuit.Findings:
        asked = site.handoff(handoff)
        return circuit.find(reader, site=site, handoff=asked, period=period, now_ns=invented.NOW_NS)

    def made(name: str, *, handoff: str = "old", period: Period = Period.DAY) -> Any:
        text = circuit.figure(find(handoff, period), name, "north")
        assert text is not None
        return json.loads(text)

    yield made
    reader.close()


@pytest.fixture(scope="module")
def show(site: Site) -> Any:
    """Today's figure of the evening class."""
    reader = Reader.open(site.database)
    found = today.find(reader, site=site, now_ns=invented.NOW_NS)
    reader.close()
    return json.loads(today.figure(found, "evening") or "")


def _trace(figure: Any, name: str) -> Any:
    (found,) = (trace for trace in figure["data"] if trace["name"] == name)
    return found


def _one(site: Site, sql: str) -> Any:
    with closing(sqlite3.connect(site.database)) as connection:
        return connection.execute(sql).fetchone()[0]


def test_every_run_is_a_point(site: Site, figure: Figures) -> None:
    """As many points as runs, counted by plain SQL; the left out ones under their own sign."""
    week = figure("rates-up", period=Period.WEEK)
    valid, left_out = _trace(week, "up, valid"), _trace(week, "up, left out")
    runs = _one(site, "SELECT count(*) FROM rate_run JOIN path ON path.id = path WHERE handoff = 'old'")
    assert len(valid["x"]) + len(left_out["x"]) == runs
    assert len(left_out["x"]) == 3  # the lead that sat in a slow port for three hours
    assert valid["marker"]["symbol"] != left_out["marker"]["symbol"]
    assert valid["mode"] == "markers"  # nothing is known between two runs


def test_of_very_many_runs_the_extremes_are_drawn() -> None:
    """Of a part's points by plain Python: its lowest and its highest are there, and few are left."""
    to_ns, chance = 30 * 86_400 * 10**9, random.Random(8)
    stretch = Stretch(from_ns=0, to_ns=to_ns, zone=UTC)
    every = [(nth * (to_ns // 6000), chance.randrange(10**9)) for nth in range(6000)]
    kept = rates.thinned(every, stretch)
    assert len(kept) <= 3 * (rates.PARTS + 1)
    assert kept == sorted(kept)
    for part in range(rates.PARTS):
        low_ns, high_ns = part * (to_ns // rates.PARTS), (part + 1) * (to_ns // rates.PARTS)
        mine = [bps for at_ns, bps in every if low_ns <= at_ns < high_ns]
        left = [bps for at_ns, bps in kept if low_ns <= at_ns < high_ns]
        assert (min(left), max(left)) == (min(mine), max(mine))
    assert rates.thinned(every[:100], stretch) == every[:100]


def test_a_light_run_is_no_slow_one(site: Site, figure: Figures) -> None:
    """As many rings as light runs, counted by plain SQL, and none of them among the valid runs."""
    for way in ("up", "down"):
        week = figure(f"rates-{way}", handoff="A", period=Period.WEEK)
        light, valid = _trace(week, f"{way}, light"), _trace(week, f"{way}, valid")
        assert len(light["x"]) == _one(
            site, f"SELECT count(*) FROM rate_run WHERE at_most_{way}_goodput_bps IS NOT NULL"
        )
        assert max(light["y"]) < 60 < 590 < min(valid["y"])  # of 600 Mb/s at layer 2
        assert light["marker"]["symbol"] != valid["marker"]["symbol"]


def test_the_stated_rate_is_drawn_as_stated(figure: Figures) -> None:
    assert _trace(figure("rates-up"), "stated")["y"] == [15, 15]
    assert _trace(figure("rates-down", handoff="A"), "stated")["y"] == [600, 600]


def _times(trace: Any) -> list[str]:
    """As plotly's schema has `x0` and `dx`: from the one in steps of the other, which are ms of a time."""
    if "x" in trace:
        return list(trace["x"])
    step, first = timedelta(milliseconds=trace["dx"]), datetime.fromisoformat(trace["x0"])
    return [(first + nth * step).isoformat(timespec="milliseconds") for nth in range(len(trace["y"]))]


def test_a_gap_is_drawn_as_a_gap(figure: Figures) -> None:
    """The hour that was not measured has no value, no line is drawn across it, and a band marks it."""
    day = figure("train")
    (band,) = day["layout"]["shapes"]
    assert band["x0"] == "2026-11-25T09:50:00.000"  # 18:50 less nine hours, by the site's clocks
    assert band["x1"] == "2026-11-25T10:50:00.000"
    hour = [f"2026-11-25T{clock}:00.000" for clock in ("09:50", "10:00", "10:10", "10:20", "10:30", "10:40")]
    for trace in day["data"]:
        assert trace["connectgaps"] is False
        assert [at for at, value in zip(_times(trace), trace["y"], strict=True) if value is None] == hour


def test_delay_and_loss_stand_on_one_time_axis(figure: Figures) -> None:
    """Two axes of values, one above the other, and one of time for all eight traces, under both."""
    day = figure("train")
    axes = [(trace["name"], trace.get("yaxis", "y"), trace.get("xaxis", "x")) for trace in day["data"]]
    assert [axis for _, axis, _ in axes] == ["y"] * 4 + ["y2"] * 4
    assert {axis for _, _, axis in axes} == {"x"}
    assert [name for name, axis, _ in axes if axis == "y2"] == [
        "lost up",
        "lost down",
        "held up",
        "held down",
    ]
    layout = day["layout"]
    assert layout["yaxis2"]["domain"][1] < layout["yaxis"]["domain"][0]
    assert layout["xaxis"]["anchor"] == "y2"
    assert len({tuple(_times(trace)) for trace in day["data"]}) == 1


def test_times_on_a_day_of_a_clock_change() -> None:
    """Where an hour is left out the times are written one by one, as the zone's table has them (zoneinfo)."""
    where = ZoneInfo("Europe/Stockholm")
    hours = [datetime(2026, 3, 29, hour, tzinfo=UTC) for hour in range(4)]
    moments = [int(one.timestamp()) * 10**9 for one in hours]
    local = [one.astimezone(where).replace(tzinfo=None).isoformat(timespec="milliseconds") for one in hours]
    assert evenly(moments, where) == {"x": local}
    assert evenly(moments[1:], where) == {"x0": local[1], "dx": 3_600_000}


@pytest.mark.parametrize("name", circuit.FIGURES)
def test_no_two_traces_differ_by_colour_alone(figure: Figures, name: str) -> None:
    """Every trace of a figure has a sign or a dash of its own, and a name."""
    traces = figure(name, handoff="A")["data"]
    looks = {
        (trace["mode"], trace.get("marker", {}).get("symbol"), trace.get("line", {}).get("dash"))
        for trace in traces
    }
    assert len(looks) == len({trace["name"] for trace in traces}) == len(traces)


def test_every_colour_has_a_name_in_the_style_sheet(figure: Figures, show: Any) -> None:
    """What a trace or band calls itself is a custom property in light, dark and print."""
    css = (OWN / "book.css").read_text()
    for made in (show, *(figure(name, period=Period.WEEK) for name in circuit.FIGURES)):
        names = {trace["meta"] for trace in made["data"]}
        names |= {shape["name"] for shape in made["layout"]["shapes"]}
        assert {name: css.count(f"--{name}:") for name in names} == dict.fromkeys(names, 3)


def test_figures_are_small_and_without_a_theme(figure: Figures) -> None:
    """The stylesheet is the theme; plotly's own would add 7 kB to each answer."""
    day = figure("train")
    assert "template" not in day["layout"]
    assert len(json.dumps(day)) < 30_000


def test_the_show_beside_the_runs(site: Site, show: Any) -> None:
    """Demand of one 1080p30 class over TCP: 4.66 Mb/s x 1.004 x 1500/1448 = 4.85 Mb/s at the IP layer.

    The factor is worked from RFC 6349 section 4.1.1 headers with 0.4 % of framing (common practice, no
    source); its peak is 1.1 times as much.
    """
    assert _trace(show, "demand")["y"][0] == pytest.approx(4.66 * 1.004 * 1500 / 1448, abs=1e-3)
    assert _trace(show, "peak")["y"][0] == pytest.approx(1.1 * 4.66 * 1.004 * 1500 / 1448, abs=1e-3)
    runs = _one(
        site,
        "SELECT count(*) FROM rate_run JOIN path ON path.id = path WHERE handoff = 'old' "
        f"AND started_unix_ns >= {invented.NOW_NS - 24 * invented.HOUR_NS}",
    )
    assert len(_trace(show, "slowest second of a run up")["x"]) == runs
