"""The order in which changes to a plan are tried, and what each leaves of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from dashboard.judge import changes
from dashboard.judge.changes import Change, Kind
from store.site import Destination, Transport
from tests.dashboard.judge.made import destination

SMALL = destination(2_500_000, name="small")
LARGE = destination(14_000_000, name="large", picture="2160p30 HEVC")


def wanting(**limits: float) -> changes.Better:
    """A judge of one limit: `at_most` destinations, `bps` of video in all, or `buffer_s` of every buffer."""

    def better(destinations: Sequence[Destination]) -> str | None:
        fits = (
            len(destinations) <= limits.get("at_most", 9)
            and sum(one.video_bps for one in destinations) <= limits.get("bps", 1e9)
            and min(one.buffer_s for one in destinations) >= limits.get("buffer_s", 0)
        )
        return "go" if fits else None

    return better


def smallest(destinations: Sequence[Destination], better: changes.Better) -> Change | None:
    return next(changes.options(destinations, better, outlasts=outlasts), None)


def outlasts(destination: Destination, among: Sequence[Destination]) -> float:
    """A quarter of the latency."""
    return destination.buffer_s / 4


@pytest.mark.parametrize(
    ("limits", "text"),
    [
        ({"at_most": 1}, "Dropping small makes it Go."),  # any would do, so the cheapest to miss
        ({"bps": 3e6}, "Dropping large (2160p30 HEVC) makes it Go."),
        ({"buffer_s": 2.35}, "Raising every buffer to 2.4 s makes it Go."),
        ({"bps": 2e6}, None),
        ({"buffer_s": 10.1}, None),  # ten seconds late is no longer live
        ({"bps": 2.5e6, "at_most": 2}, "Dropping large (2160p30 HEVC) makes it Go."),
    ],
)
def test_order_of_intrusion(limits: dict[str, float], text: str | None) -> None:
    """A destination less, then a larger buffer, then a lower rung."""
    found = smallest((SMALL, LARGE), wanting(**limits))
    assert (found and found.text) == text


@pytest.mark.parametrize(
    ("bps", "text"),
    [
        (4e6, "large (2160p30 HEVC) at 1080p30 (4.00 Mb/s of video) makes it Go."),
        (3e6, "large (2160p30 HEVC) at 720p30 (2.50 Mb/s of video) makes it Go."),
        (2e6, None),
    ],
)
def test_rungs_of_a_single_destination(bps: float, text: str | None) -> None:
    """One destination cannot be dropped: the higher rung comes first."""
    found = smallest((LARGE,), wanting(bps=bps))
    assert (found and found.text) == text


def test_all_at_one_rung() -> None:
    """When no single one is enough, all of them; rates below the rung stay."""

    def better(destinations: Sequence[Destination]) -> str | None:
        kept = len(destinations) == 3
        return "tight" if kept and max(one.video_bps for one in destinations) <= 2_500_000 else None

    low = destination(1_000_000, name="low", audio_bps=96_000)
    found = smallest((LARGE, LARGE, low), better)
    assert found is not None
    assert found.text == "Every destination at 720p30 (2.50 Mb/s of video) makes it Tight."
    assert [one.video_bps for one in found.destinations] == [2_500_000, 2_500_000, 1_000_000]
    assert [one.audio_bps for one in found.destinations] == [128_000, 128_000, 96_000]
    assert [one.picture for one in found.destinations] == ["720p30", "720p30", None]


def test_what_lies_beyond_the_plan_comes_last() -> None:
    """One rung less would do, then the uplinks in their order, then a relay that takes the largest alone."""
    found = [
        *changes.options(
            (SMALL, LARGE),
            wanting(bps=14e6),
            outlasts=outlasts,
            uplinks=[("A", wanting(bps=10e6)), ("B", wanting())],
        )
    ]
    assert [(one.kind, one.handoff) for one in found] == [
        (Kind.DROP, None),
        (Kind.RUNG, None),
        (Kind.UPLINK, "B"),
        (Kind.RELAY, None),
    ]
    assert found[-1].destinations == (LARGE,)


@pytest.mark.parametrize(
    ("made", "text"),
    [
        (
            (replace(LARGE, transport=Transport.ARQ, picture=None),),
            "Raising the latency of large to 2.0 s (ARQ then outlasts 0.50 s without any packet) makes it "
            "Go.",
        ),
        (
            (replace(LARGE, transport=Transport.ARQ), SMALL),
            "Raising every buffer and latency to 2.0 s (ARQ then outlasts 0.50 s without any packet) makes "
            "it Go.",
        ),
    ],
)
def test_arq_has_a_latency_and_says_what_it_outlasts(made: tuple[Destination, ...], text: str) -> None:
    """Where a send buffer stands beside it, both are named."""
    found = smallest(made, wanting(buffer_s=2.0))
    assert found is not None
    assert found.text == text
