"""What a probe says of itself, as sentences: every state has one, and each hour is the site's."""

from __future__ import annotations

from typing import Any

from dashboard import doing

QUIET: dict[str, Any] = {
    "kind": "status",
    "version": "0.1.0",
    "site": "Quillet Lane",
    "timezone": "UTC+01:00",
    "now": "2026-11-25T17:50:00.000Z",
    "started": "2026-11-02T05:00:00.000Z",
    "running": [],
    "next": [],
    "trains": [],
    "windows": [],
    "allowances": [],
    "waiting": 0,
    "trouble": None,
    "refused": None,
}


def said(**more: Any) -> list[str]:
    return doing.said({**QUIET, **more}).splitlines()


def train(state: str, since: str, *, endpoint: str = "north", why: str | None = None) -> dict[str, Any]:
    return {"handoff": "A", "endpoint": endpoint, "state": state, "since": since, "why": why}


def test_a_probe_with_nothing_to_do() -> None:
    """Nothing is left unsaid; what is further than a week has its date."""
    assert said() == [
        "Quillet Lane: the probe is running since Mon 02 Nov 2026 06:00 (Linebook 0.1.0).",
        "No window is open.",
        "0 of 0 trains are under way.",
        "No run is due.",
    ]


def test_trains_that_go_and_one_that_does_not() -> None:
    """Since when, and why not."""
    trains = [
        train("going", "2026-11-25T07:00:00.000Z"),
        train("begun", "2026-11-25T17:49:30.000Z", endpoint="south"),
        train("failed", "2026-11-24T20:10:00.000Z", endpoint="lan", why="nothing listens there"),
    ]
    assert said(trains=trains)[2:4] == [
        "2 of 3 trains are under way: A to north since Wed 08:00, A to south since Wed 18:49.",
        "The train A to lan stands still since Tue 21:10: nothing listens there.",
    ]


def test_what_must_be_known_comes_first() -> None:
    """A refused site file, a disk that cannot be written, then what is under way and due."""
    run = {"handoff": "A", "endpoint": "north", "direction": "both", "seconds": 10}
    lines = said(
        refused="line 7: handoff[1].card.rate_up: no unit",
        trouble="disk is full",
        waiting=12,
        running=[{**run, "started": "2026-11-25T17:49:55.000Z"}],
        soaks=[
            {
                "handoff": "A",
                "endpoint": "north",
                "started": "2026-11-25T05:00:00.000Z",
                "ends": "2026-11-26T05:00:00.000Z",
            }
        ],
        next=[
            {**run, "what": "rehearsal", "planned": "2026-11-25T18:40:00.000Z", "held": None},
            {**run, "planned": "2026-11-25T19:40:00.000Z", "held": None},
            {
                **run,
                "what": "rate run",
                "handoff": "B",
                "planned": "2026-11-26T18:00:00.000Z",
                "held": "all tests are stopped: a",
            },
        ],
    )
    assert lines[2:6] == [
        "A changed site file was refused, and the old one holds: line 7: handoff[1].card.rate_up: no unit.",
        "Measuring goes on in memory, where 12 records wait: disk is full.",
        "A run both ways on handoff A to north is under way since Wed 18:49:55; it takes 10 s.",
        "A soak of the train A to north goes since Wed 06:00, until Thu 06:00.",
    ]
    assert lines[7:] == [
        "The next on handoff A is a rehearsal at Wed 19:40, both ways to north.",
        "The next on handoff B is a rate run at Thu 19:00, both ways to north, and will be skipped as things "
        "stand: all tests are stopped: a.",
    ]


def test_windows_say_who_opened_them_and_why() -> None:
    opened = {"opened": "2026-11-25T17:00:00.000Z", "reference": None, "handoff": None}
    windows = [
        {"window": "stop", "name": "stop", "opener": "person", "why": "a", "ends": QUIET["now"], **opened},
        {"window": "show", "name": "show", "opener": "upload", "why": "b", "ends": None, **opened},
        {
            **opened,
            "window": "maintenance",
            "name": "works",
            "opener": "site",
            "why": "c",
            "ends": QUIET["now"],
            "handoff": "A",
            "reference": "notice 12",
        },
    ]
    assert said(windows=windows)[1:4] == [
        "All tests are stopped since Wed 18:00 until Wed 18:50: a.",
        "Show window: Opened by itself on all handoffs, since Wed 18:00, until it is closed: b.",
        "Maintenance window: works on handoff A, since Wed 18:00 until Wed 18:50: c, notice 12.",
    ]


def test_what_the_allowance_has_left() -> None:
    """Spent, its limit, the forecast and what is thinned; a probe from before this tells none."""
    limited = {
        "handoff": "A",
        "limit_bytes": 200 * 10**9,
        "spent_bytes": 170 * 10**9,
        "forecast_bytes": 198_500_000_000,
        "one_in": 4,
    }
    none = {
        "handoff": "B",
        **dict.fromkeys(("limit_bytes", "spent_bytes", "forecast_bytes", "one_in")),
    }
    assert said(allowances=[limited, none])[-2:] == [
        "Tests on handoff A have spent 170 GB of this month's test allowance of 200 GB (85 %); "
        "forecast to the month's end 198 GB; one of 4 slots has its run.",
        "Handoff B has no test allowance.",
    ]
    older = {key: value for key, value in QUIET.items() if key != "allowances"}
    assert doing.said(older).splitlines()[-1] == "No run is due."


def test_light_runs_are_called_so() -> None:
    """One under way and one that is due; a probe of before says nothing of a share, and has none."""
    run = {"handoff": "A", "endpoint": "north", "direction": "up", "seconds": 5, "share_ratio": 0.1}
    now = {**run, "started": "2026-11-25T17:49:55.000Z"}
    lines = said(running=[now], next=[{**run, "planned": "2026-11-25T18:40:00.000Z", "held": None}])
    assert "A light run up on handoff A to north is under way since Wed 18:49:55; it takes 5 s." in lines
    assert "The next on handoff A is a light run at Wed 19:40, up to north." in lines
    full = said(running=[{**now, "share_ratio": 1.0}])
    assert "A run up on handoff A to north is under way since Wed 18:49:55; it takes 5 s." in full
