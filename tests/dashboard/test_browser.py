"""Pages in a real browser: drawn, quiet, usable by keyboard, on a phone, in the dark, on paper.

The browser starts with everything switched off that would talk to the network by itself.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from dashboard import app as dashboard
from store.clock import NS_PER_S, Clock
from store.site import Site
from tests.dashboard import invented

pytestmark = pytest.mark.browser

QUIET = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--hide-scrollbars",
)
PAGES = ("/", "/circuit/old", "/circuit/A?period=hour")
WITHOUT_CHARTS = ("/shows", "/uploads?size=8+GB&start=23:00")
DRAWN = """
const figures = [...document.querySelectorAll("figure.chart")];
return figures.length > 0 && figures.every((figure) => !figure.hidden
  && figure.querySelectorAll(".main-svg .scatterlayer .trace").length > 0);
"""


class Hands:
    """The clock of the served site, to be set by a test."""

    now_ns = invented.NOW_NS


@pytest.fixture(scope="module")
def served(site: Site) -> Iterator[str]:
    """The dashboard in a thread of its own, at its address."""
    addresses: list[str] = []
    up = threading.Event()
    loop = asyncio.new_event_loop()

    def ready(address: str) -> None:
        addresses.append(address.rstrip("/"))
        up.set()

    clock = Clock(monotonic_ns=lambda: 0, unix_ns=lambda: Hands.now_ns)
    task = loop.create_task(dashboard.serve(site, host="127.0.0.1", port=None, clock=clock, ready=ready))
    thread = threading.Thread(target=lambda: loop.run_until_complete(asyncio.wait({task})), name="dashboard")
    thread.start()
    try:
        assert up.wait(10)
        yield addresses[0]
    finally:
        loop.call_soon_threadsafe(task.cancel)
        thread.join()
        loop.close()


def _driver(profile: Path, *, script: bool) -> webdriver.Chrome:
    options = Options()
    options.binary_location = "/usr/bin/chromium"
    for argument in (*QUIET, f"--user-data-dir={profile}"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    if not script:
        settings = {"profile.managed_default_content_settings.javascript": 2}
        options.add_experimental_option("prefs", settings)
    return webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    driver = _driver(tmp_path_factory.mktemp("browser"), script=True)
    yield driver
    driver.quit()


@pytest.fixture
def show(served: str, browser: webdriver.Chrome) -> Callable[..., webdriver.Chrome]:
    """Opens a page in a size and a scheme, its charts drawn."""

    def opened(path: str, *, width: int = 1280, scheme: str = "light", media: str = "") -> webdriver.Chrome:
        size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
        _scheme(browser, scheme, media=media)
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        browser.get(served + path)
        _wait(browser, lambda: bool(browser.execute_script(DRAWN)))
        return browser

    return opened


def _scheme(browser: webdriver.Chrome, scheme: str, *, media: str = "") -> None:
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": features})


def _console(browser: Any) -> list[Any]:
    """What the page wrote to its console since the last look."""
    return list(browser.get_log("browser"))


def _wait(browser: webdriver.Chrome, until: Callable[[], bool]) -> None:
    WebDriverWait(browser, 20, poll_frequency=0.05).until(lambda _: until())


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_drawn_and_quiet(show: Callable[..., webdriver.Chrome], path: str, width: int, scheme: str) -> None:
    """Every chart holds its traces, the console holds nothing, and nothing is wider than the screen."""
    browser = show(path, width=width, scheme=scheme)
    assert _console(browser) == []
    assert browser.execute_script("return document.documentElement.scrollWidth") == width


@pytest.mark.parametrize("path", WITHOUT_CHARTS)
def test_narrow_and_quiet_without_charts(served: str, browser: webdriver.Chrome, path: str) -> None:
    """On a phone nothing is wider than the screen, and the console holds nothing."""
    size = {"width": 390, "height": 900, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    browser.get(served + path)
    assert browser.find_element(By.TAG_NAME, "h1").is_displayed()
    assert browser.execute_script("return document.documentElement.scrollWidth") == 390
    assert _console(browser) == []


def test_as_many_marks_as_runs(show: Callable[..., webdriver.Chrome]) -> None:
    """The chart of the rates shows as many marks as its JSON holds points."""
    browser = show("/circuit/old")
    points = browser.execute_script(
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


def test_charts_follow_the_scheme(show: Callable[..., webdriver.Chrome]) -> None:
    """A change to dark draws anew, in the style sheet's colours."""
    browser = show("/", scheme="light")
    mark = "return getComputedStyle(document.querySelector('.scatterlayer .points path')).fill"
    up = "return getComputedStyle(document.documentElement).getPropertyValue('--up')"
    light, light_up = browser.execute_script(mark), browser.execute_script(up)
    _scheme(browser, "dark")
    _wait(browser, lambda: bool(browser.execute_script(mark) != light))
    assert browser.execute_script(mark) == _rgb(browser.execute_script(up))
    assert light == _rgb(light_up)


def _rgb(colour: str) -> str:
    """``#1c4f7c`` as a browser computes it."""
    parts = [int(colour.strip()[place : place + 2], 16) for place in (1, 3, 5)]
    return f"rgb({parts[0]}, {parts[1]}, {parts[2]})"


def test_on_paper_it_is_black_on_white(show: Callable[..., webdriver.Chrome]) -> None:
    """Printed from the dark scheme, words are black, paper white, and links to other pages are left out."""
    browser = show("/circuit/old", scheme="dark", media="print")
    style = "const of = getComputedStyle(document.documentElement); return [of.color, of.backgroundColor]"
    assert browser.execute_script(style) == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    assert not browser.find_element(By.CSS_SELECTOR, "header nav").is_displayed()


def test_the_keyboard_reaches_everything(show: Callable[..., webdriver.Chrome]) -> None:
    """Tab goes past the skip link to every link in order, and where it stands can be seen."""
    browser = show("/")
    focus = (
        "const one = document.activeElement; const style = getComputedStyle(one);"
        "return [one.getAttribute('href'), style.outlineStyle, style.outlineWidth]"
    )
    stops: list[Any] = []
    for _ in range(10):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        stops.append(browser.execute_script(focus))
    assert [href for href, _, _ in stops] == [
        *("#main", "/", "/shows", "/circuit/old", "/circuit/A", "/events", "/uploads"),
        *("#contents", "#planned", "/"),
    ]
    assert {(look, width) for _, look, width in stops} == {("solid", "3px")}


def test_today_keeps_itself_fresh(show: Callable[..., webdriver.Chrome]) -> None:
    """Two minutes later the open page says so by itself; focus and what is in view stay where they were."""
    browser = show("/", width=390)
    state = browser.find_element(By.ID, "state")
    before = state.text
    link = browser.find_element(By.LINK_TEXT, "Refresh")
    browser.execute_script("arguments[0].focus(); scrollTo(0, 700)", link)
    place = "return document.getElementById('planned-title').getBoundingClientRect().top"
    seen_at = browser.execute_script(place)
    Hands.now_ns = invented.NOW_NS + 120 * NS_PER_S
    try:
        browser.execute_script("document.dispatchEvent(new Event('visibilitychange'))")
        _wait(browser, lambda: browser.find_element(By.ID, "state").text != before)
    finally:
        Hands.now_ns = invented.NOW_NS
    assert "3 min ago" in browser.find_element(By.ID, "state").text
    assert browser.execute_script("return document.activeElement.textContent") == "Refresh"
    assert browser.execute_script(place) == pytest.approx(seen_at, abs=1)
    assert _console(browser) == []


def test_today_says_when_it_cannot_be_refreshed(show: Callable[..., webdriver.Chrome]) -> None:
    """A page whose dashboard has gone must not look current."""
    browser = show("/")
    browser.execute_cdp_cmd("Network.enable", {})
    offline = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    browser.execute_cdp_cmd("Network.emulateNetworkConditions", offline)
    try:
        browser.execute_script("document.dispatchEvent(new Event('visibilitychange'))")
        late = browser.find_element(By.ID, "late")
        _wait(browser, lambda: late.text.startswith("Not refreshed since"))
    finally:
        browser.execute_cdp_cmd("Network.emulateNetworkConditions", offline | {"offline": False})
        _console(browser)  # the failed request stands there, as it should


def test_complete_without_script(served: str, tmp_path: Path) -> None:
    """With script switched off every sentence and table is there, and no empty chart."""
    browser = _driver(tmp_path / "profile", script=False)
    try:
        for path, sentence in (
            ("/", "Evening class on handoff old"),
            ("/circuit/old", "Upload reached the stated 15"),
        ):
            browser.get(served + path)
            assert sentence in browser.find_element(By.TAG_NAME, "main").text
            for folded in browser.find_elements(By.CSS_SELECTOR, "details:not([open]) > summary"):
                folded.send_keys(Keys.ENTER)
            tables = browser.find_elements(By.TAG_NAME, "table")
            assert len(tables) >= 3
            assert all(table.is_displayed() for table in tables)
            assert not any(chart.is_displayed() for chart in browser.find_elements(By.TAG_NAME, "figure"))
        browser.get(f"{served}/events")
        summary = browser.find_element(By.TAG_NAME, "summary")
        table = browser.find_element(By.TAG_NAME, "table")
        assert not table.is_displayed()
        summary.send_keys(Keys.ENTER)
        assert table.is_displayed()
    finally:
        browser.quit()
