"""Pages in a real browser: drawn, quiet, usable by keyboard, on a phone, in the dark, on paper.

They show the invented record of a few days whose sentences are known.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from store.clock import NS_PER_S, Clock
from store.site import Site
from tests.dashboard import invented
from tests.dashboard.browser.window import PHONE, Window, serving

pytestmark = pytest.mark.browser


class Hands:
    """The clock of the served site, to be set by a test."""

    now_ns = invented.NOW_NS


@pytest.fixture(scope="module")
def known(site: Site, window: Window) -> Iterator[Window]:
    """The window on the invented site, whose clock is in `Hands`."""
    clock = Clock(monotonic_ns=lambda: 0, unix_ns=lambda: Hands.now_ns)
    with serving(site, clock) as address:
        yield Window(address=address, driver=window.driver)


def test_as_many_marks_as_runs(known: Window) -> None:
    """The chart of the rates shows as many marks as its JSON holds points."""
    known.open("/circuit/old")
    points = known.run(
        """
        const figure = document.querySelector("figure.chart");
        const marks = figure.querySelectorAll(".scatterlayer .trace .points path").length;
        const request = new XMLHttpRequest();
        request.open("GET", figure.dataset.figure, false);
        request.send();
        const points = JSON.parse(request.responseText).data.filter((trace) => trace.mode === "markers");
        return [marks, points.reduce((sum, trace) => sum + trace.x.length, 0)];
        """
    )
    assert points[0] == points[1] > 0


def test_charts_follow_the_scheme(known: Window) -> None:
    """A change to dark draws anew, in the style sheet's colours."""
    known.open("/")
    mark = "return getComputedStyle(document.querySelector('.scatterlayer .points path')).fill"
    up = "return getComputedStyle(document.documentElement).getPropertyValue('--up')"
    light, light_up = known.run(mark), known.run(up)
    known.look(dark=True)
    known.wait(lambda: bool(known.run(mark) != light))
    assert known.run(mark) == _rgb(known.run(up))
    assert light == _rgb(light_up)


def _rgb(colour: str) -> str:
    """``#1c4f7c`` as a browser computes it."""
    parts = [int(colour.strip()[place : place + 2], 16) for place in (1, 3, 5)]
    return f"rgb({parts[0]}, {parts[1]}, {parts[2]})"


def test_on_paper_it_is_black_on_white(known: Window) -> None:
    """Printed from the dark scheme, words are black, paper white, and links to other pages are left out."""
    known.open("/circuit/old", dark=True)
    known.look(dark=True, media="print")
    style = "const of = getComputedStyle(document.documentElement); return [of.color, of.backgroundColor]"
    assert known.run(style) == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    assert not known.driver.find_element(By.CSS_SELECTOR, "header nav").is_displayed()


def test_today_keeps_itself_fresh(known: Window) -> None:
    """Two minutes later the open page says so by itself; focus and what is in view stay where they were."""
    known.open("/", width=PHONE)
    state = known.driver.find_element(By.ID, "state")
    before = state.text
    link = known.driver.find_element(By.LINK_TEXT, "Refresh")
    known.run("arguments[0].focus(); scrollTo(0, 700)", link)
    place = "return document.getElementById('planned-title').getBoundingClientRect().top"
    seen_at = known.run(place)
    Hands.now_ns = invented.NOW_NS + 120 * NS_PER_S
    try:
        known.run("document.dispatchEvent(new Event('visibilitychange'))")
        known.wait(lambda: known.driver.find_element(By.ID, "state").text != before)
    finally:
        Hands.now_ns = invented.NOW_NS
    assert "3 min ago" in known.driver.find_element(By.ID, "state").text
    assert known.run("return document.activeElement.textContent") == "Refresh"
    assert known.run(place) == pytest.approx(seen_at, abs=1)
    assert known.console() == []


def test_today_says_when_it_cannot_be_refreshed(known: Window) -> None:
    """A page whose dashboard has gone must not look current."""
    known.open("/")
    known.cdp("Network.enable")
    offline = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    known.cdp("Network.emulateNetworkConditions", **offline)
    try:
        known.run("document.dispatchEvent(new Event('visibilitychange'))")
        late = known.driver.find_element(By.ID, "late")
        known.wait(lambda: late.text.startswith("Not refreshed since"))
    finally:
        known.cdp("Network.emulateNetworkConditions", **(offline | {"offline": False}))
        known.console()  # the failed request stands there, as it should


def test_complete_without_script(known: Window) -> None:
    """With script switched off every sentence is there, and what is folded opens by keyboard."""
    for path, sentence in (
        ("/", "Evening class on handoff old"),
        ("/circuit/old", "Upload reached the stated 15"),
    ):
        known.open(path, script=False)
        assert sentence in known.driver.find_element(By.TAG_NAME, "main").text
        assert len(known.driver.find_elements(By.TAG_NAME, "table")) >= 3
    known.open("/events", script=False)
    summary = known.driver.find_element(By.TAG_NAME, "summary")
    events = known.driver.find_element(By.CSS_SELECTOR, "details ol")
    assert not events.is_displayed()
    summary.send_keys(Keys.ENTER)
    assert events.is_displayed()
