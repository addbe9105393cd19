"""The practice site's file: it can be read, and its plans lie where practice can judge them."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.practice import place
from probe.wire.invitation import Invitation, write
from store import site as sites
from store.layers import Layer
from store.records import Direction
from store.site import Site, Transport, Where

NOW = datetime(2026, 11, 25, 17, 20)  # noqa: DTZ001 - a wall clock's reading, as the site has it
INVITATION = write(Invitation(host="127.0.0.1", port=4000, flow_port=4001, key=bytes(32), pin=bytes(32)))


@pytest.fixture
def site(tmp_path: Path) -> Site:
    """The practice site, read back from its two files."""
    secrets = tmp_path / "secrets.toml"
    secrets.touch(mode=0o600)
    secrets.write_text(place.secrets_text(INVITATION))
    text = place.site_text(now=NOW, timezone="Europe/Lisbon", database="line.db", secrets="secrets.toml")
    (tmp_path / "site.toml").write_text(text)
    assert INVITATION not in text
    return sites.load(tmp_path / "site.toml")


def test_it_is_marked_as_invented(site: Site) -> None:
    """Demo data never passes for a real place's."""
    assert site.invented
    assert (site.name, site.timezone) == ("Quillet Lane School of Ceramics", "Europe/Lisbon")


def test_its_card_claims_the_upload_alone(site: Site) -> None:
    """ "Up to" commits to nothing, so the download stays open; so does the layer."""
    (handoff,) = site.handoffs
    assert handoff.card.rate_bps(Direction.UP) == 15_000_000
    assert handoff.card.rate_bps(Direction.DOWN) is None
    assert handoff.card.layer is Layer.NOT_STATED
    assert {"rate_down", "layer", "availability"} <= set(handoff.card.not_stated)


def test_its_schedule_shows_something_within_a_minute(site: Site) -> None:
    """Five up slots and two down slots a minute, spans of ten seconds, all to the invited endpoint."""
    slots = {plan.direction: plan.every_s for plan in site.runs}
    assert slots == {Direction.UP: 12, Direction.DOWN: 30}
    (train,) = site.trains
    assert (train.per_second, train.span_s) == (20, 10)
    (endpoint,) = site.endpoints
    assert (endpoint.where, endpoint.invitation) == (Where.OUTSIDE, INVITATION)


def test_its_plans_are_the_schools(site: Site) -> None:
    """One class of 4.5 + 0.16 Mb/s; a kiln opening of two times 6.5 and once 14, which repeats on request."""
    evening, kiln = site.plans
    assert [(one.video_bps, one.audio_bps) for one in evening.destinations] == [(4_500_000, 160_000)]
    assert [one.video_bps for one in kiln.destinations] == [6_500_000, 6_500_000, 14_000_000]
    hall = kiln.destinations[-1]
    assert (hall.transport, hall.buffer_s, hall.repeat_ceiling) == (Transport.ARQ, 1.5, 0.25)


@given(st.datetimes(min_value=datetime(2026, 1, 1), max_value=datetime(2030, 1, 1)))  # noqa: DTZ001
def test_the_class_starts_within_the_hour(now: datetime) -> None:
    """45 to 60 minutes ahead, on a quarter: runs made now are of comparable hours and not yet forbidden."""
    ahead = place.class_start(now) - now
    assert timedelta(minutes=45) <= ahead < timedelta(minutes=60)
    assert place.class_start(now).minute % 15 == 0


@pytest.mark.parametrize(
    ("today", "expected"),
    [  # any calendar of 2026: the last Saturdays are 28 November and 26 December
        (date(2026, 11, 25), date(2026, 11, 28)),
        (date(2026, 11, 28), date(2026, 12, 26)),
        (date(2026, 12, 19), date(2026, 12, 26)),
    ],
)
def test_the_kiln_opening_is_never_today(today: date, expected: date) -> None:
    """The last Saturday of a month, and not the day of the practice, whose runs it would forbid."""
    assert place.kiln_opening(today) == expected
