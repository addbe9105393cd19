"""Figures say what the record says: every run a point, every gap a gap, nothing by colour alone."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pytest

from dashboard.api import Period
from dashboard.assets import OWN
from dashboard.pages import circuit, today
from store.reader import Reader
from store.site import Site
from tests.dashboard import invented


@pytest.fixture
def reader(site: Site) -> Iterator[Reader]:
    opened = Reader.open(site.database)
    yield opened
    opened.close()


def _figure(
    reader: Reader, site: Site, name: str, *, handoff: str = "old", period: Period = Period.DAY
) -> Any:
    found = circuit.find(
        reader, site=site, handoff=site.handoff(handoff), period=period, now_ns=invented.NOW_NS
    )
    text = circuit.figure(found, name, "north")
    assert text is not None
    return json.loads(text)


def _trace(figure: Any, name: str) -> Any:
    (found,) = (trace for trace in figure["data"] if trace["name"] == name)
    return found


def _one(site: Site, sql: str) -> Any:
    with closing(sqlite3.connect(site.database)) as connection:
        return connection.execute(sql).fetchone()[0]


def test_every_run_is_a_point(site: Site, reader: Reader) -> None:
    """As many points as runs, counted by plain SQL; the left out ones under their own sign."""
    figure = _figure(reader, site, "rates", period=Period.WEEK)
    valid, left_out = _trace(figure, "up, valid"), _trace(figure, "up, left out")
    runs = _one(site, "SELECT count(*) FROM rate_run JOIN path ON path.id = path WHERE handoff = 'old'")
    assert len(valid["x"]) + len(left_out["x"]) == runs
    assert len(left_out["x"]) == 3  # the lead that sat in a slow port for three hours
    assert valid["marker"]["symbol"] != left_out["marker"]["symbol"]
    assert valid["mode"] == "markers"  # nothing is known between two runs


def test_the_stated_rate_is_drawn_as_stated(site: Site, reader: Reader) -> None:
    assert _trace(_figure(reader, site, "rates"), "stated up")["y"] == [15, 15]
    assert _trace(_figure(reader, site, "rates", handoff="A"), "stated down")["y"] == [600, 600]


@pytest.mark.parametrize("name", ["delay", "loss"])
def test_a_gap_is_drawn_as_a_gap(site: Site, reader: Reader, name: str) -> None:
    """The hour that was not measured has no value, the line is not drawn across it, and a band marks it."""
    figure = _figure(reader, site, name)
    gap_ns = invented.NOW_NS - invented.UNMEASURED_HOUR * invented.HOUR_NS
    (band,) = figure["layout"]["shapes"]
    assert band["x0"] == "2026-11-25T09:50:00.000"  # 18:50 less nine hours, by the site's clocks
    assert band["x1"] == "2026-11-25T10:50:00.000"
    for trace in figure["data"]:
        assert trace["connectgaps"] is False
        missing = [at for at, value in zip(trace["x"], trace["y"], strict=True) if value is None]
        assert missing == [
            f"2026-11-25T{clock}:00.000" for clock in ("09:50", "10:00", "10:10", "10:20", "10:30", "10:40")
        ]
    assert gap_ns % (600 * 10**9) == 0  # so that the hour is six whole pieces of ten minutes


def test_no_two_traces_differ_by_colour_alone(site: Site, reader: Reader) -> None:
    """Every trace of a figure has a sign or a dash of its own, and a name."""
    for name in ("rates", "delay", "loss"):
        traces = _figure(reader, site, name, handoff="A")["data"]
        looks = [
            (trace["mode"], trace.get("marker", {}).get("symbol"), trace.get("line", {}).get("dash"))
            for trace in traces
        ]
        assert len(set(looks)) == len(looks)
        assert len({trace["name"] for trace in traces}) == len(traces)


def test_every_colour_has_a_name_in_the_style_sheet(site: Site, reader: Reader) -> None:
    """What a trace or band calls itself is a custom property in light, dark and print."""
    css = (OWN / "book.css").read_text()
    found = today.find(reader, site=site, now_ns=invented.NOW_NS)
    figures = [json.loads(today.figure(found, "evening") or "")]
    figures += [_figure(reader, site, name, period=Period.WEEK) for name in ("rates", "delay", "loss")]
    for figure in figures:
        names = {trace["meta"] for trace in figure["data"]} | {
            shape["name"] for shape in figure["layout"]["shapes"]
        }
        assert {name: css.count(f"--{name}:") for name in names} == dict.fromkeys(names, 3)


def test_figures_are_small_and_without_a_theme(site: Site, reader: Reader) -> None:
    """The stylesheet is the theme; plotly's own would add 7 kB to each answer."""
    figure = _figure(reader, site, "delay")
    assert "template" not in figure["layout"]
    assert len(json.dumps(figure)) < 30_000


def test_the_show_beside_the_runs(site: Site, reader: Reader) -> None:
    """Demand of one 1080p30 class over TCP: 4.66 Mb/s x 1.004 x 1500/1448 = 4.85 Mb/s at the IP layer.

    The factor is worked from RFC 6349 section 4.1.1 headers with 0.4 % of framing (common practice, no
    source); its peak is 1.1 times as much.
    """
    found = today.find(reader, site=site, now_ns=invented.NOW_NS)
    figure = json.loads(today.figure(found, "evening") or "")
    assert _trace(figure, "demand")["y"][0] == pytest.approx(4.66 * 1.004 * 1500 / 1448, abs=1e-3)
    assert _trace(figure, "peak")["y"][0] == pytest.approx(1.1 * 4.66 * 1.004 * 1500 / 1448, abs=1e-3)
    runs = _one(
        site,
        "SELECT count(*) FROM rate_run JOIN path ON path.id = path WHERE handoff = 'old' "
        f"AND started_unix_ns >= {invented.NOW_NS - 24 * invented.HOUR_NS}",
    )
    assert len(_trace(figure, "slowest second of a run up")["x"]) == runs
