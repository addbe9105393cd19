"""Every page in a real browser: wide and narrow, light and dark, with script and without, by keyboard alone.

Outside checks: axe-core's rules (WCAG 2.0 to 2.2, A and AA, and its best practices), Chromium's own console
for the content security policy, the zone's table of offsets (zoneinfo) for the times.
"""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from dashboard import logins
from dashboard.desk import Desk
from dashboard.judged import NotYet
from dashboard.logins import Role
from probe.practice.history.script import TIMEZONE
from store.clock import NS_PER_S, Clock
from store.site import Site
from tests.dashboard.browser import book
from tests.dashboard.browser.addresses import GATE, pages
from tests.dashboard.browser.window import DESKTOP, PHONE, Window, serving

pytestmark = pytest.mark.browser

WIDTHS = (DESKTOP, PHONE)
SAME = re.compile(r"/old-wan|/circuit/A\?")  # a page that has been looked at, of another handoff or period
ONE_OF_A_KIND = [
    pytest.param(path, marks=pytest.mark.long if SAME.search(path) else ()) for path in pages()
]  # the rest waits for the long run
BROKEN = "/nowhere"  # its own answer is 404, which the browser's console tells
AXE = """
const done = arguments[arguments.length - 1];
axe.run(document, { resultTypes: ["violations"] }).then(
  (found) => done(found.violations.map((one) => [one.id, one.help, one.nodes.map((node) =>
    `${node.target.join(" ")}: ${node.failureSummary}`).slice(0, 4)])),
  (trouble) => done([["axe", String(trouble), []]]));
"""
WIDER = """
const width = document.documentElement.clientWidth;
const scrolls = (one) => { for (; one; one = one.parentElement)
  if (["auto", "scroll", "hidden"].includes(getComputedStyle(one).overflowX)) return true; return false; };
return document.documentElement.scrollWidth <= width ? [] : [...document.querySelectorAll("body *")]
  .filter((one) => one.getBoundingClientRect().right > width + 1 && !scrolls(one))
  .map((one) => one.outerHTML.slice(0, 120)).slice(0, 5).concat(["wider than the screen"]);
"""
TIMES = """
return [...document.querySelectorAll("time")].map((one) => [one.dateTime, one.textContent]);
"""
STOPS = """
const shown = (one) => one.checkVisibility({ contentVisibilityAuto: true, visibilityProperty: true });
window.stops = [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex]")]
  .filter((one) => one.tabIndex >= 0 && !one.disabled && one.type !== "hidden" && shown(one));
return window.stops.length;
"""
FOCUS = """
const one = document.activeElement, style = getComputedStyle(one), box = one.getBoundingClientRect();
return [window.stops.indexOf(one), style.outlineStyle, parseFloat(style.outlineWidth),
  box.width > 0 && box.height > 0 && box.bottom > 0 && box.top < innerHeight, one.outerHTML.slice(0, 100)];
"""
UNTOLD = """
return [...document.querySelectorAll("figure")].filter((one) => one.checkVisibility())
  .map((one) => one.outerHTML.slice(0, 120));
"""
COMPLETE = """
for (const one of document.querySelectorAll("details")) one.open = true;
return [...document.querySelectorAll("table")].filter((one) => !one.checkVisibility()).length;
"""


@pytest.mark.parametrize("path", ONE_OF_A_KIND)
def test_wide_with_script(window: Window, axe_source: str, path: str) -> None:
    """Light on a desktop: quiet, nothing that axe finds, times local with offset, all by keyboard."""
    window.open(path)
    none_of(_quiet(window, path))
    none_of(violations(window, axe_source))
    none_of(_wrong_times(window))
    none_of(missed_by_keyboard(window))


@pytest.mark.parametrize("path", ONE_OF_A_KIND)
def test_narrow_without_script(window: Window, path: str) -> None:
    """Dark on a phone, script off: every table is there, no empty chart, nothing wider than the screen."""
    window.open(path, width=PHONE, dark=True, script=False)
    none_of(window.run(WIDER))
    none_of(window.run(UNTOLD))
    assert window.run(COMPLETE) == 0
    none_of(window.run(WIDER))
    none_of(_quiet(window, path))


@pytest.mark.long
@pytest.mark.parametrize("script", [True, False])
@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("path", pages())
def test_all_ways(window: Window, axe_source: str, path: str, width: int, dark: bool, script: bool) -> None:
    """All of the above in every width and scheme, with script and without."""
    window.open(path, width=width, dark=dark, script=script)
    none_of(_quiet(window, path))
    none_of(window.run(WIDER))
    if script:
        none_of(violations(window, axe_source))
    else:
        none_of(window.run(UNTOLD))
        assert window.run(COMPLETE) == 0
    none_of(_wrong_times(window))
    none_of(missed_by_keyboard(window))


def test_the_gate(practice: Site, window: Window, axe_source: str, request: pytest.FixtureRequest) -> None:
    """Where a login is asked for, its page is as good as the others and leads to what was asked for."""
    file = logins.path_of(practice.database)
    request.addfinalizer(file.unlink)  # the site is every test's
    logins.save(file, (logins.made("anna", "correct horse 1", role=Role.READ),))
    with serving(practice, book.clock(), login=True) as address:
        gate = Window(address=address, driver=window.driver)
        for script in (True, False):
            gate.open("/shows", width=PHONE, dark=True, script=script)
            assert gate.run("return location.pathname") == GATE
            none_of(gate.run(WIDER))
        gate.open("/shows", dark=True)
        none_of(violations(gate, axe_source))
        none_of(missed_by_keyboard(gate))
        gate.driver.find_element(By.NAME, "name").send_keys("anna", Keys.TAB, "correct horse 1", Keys.ENTER)
        gate.wait(lambda: bool(gate.run("return location.pathname") == "/shows"))
        gate.open("/shows")  # until its charts are drawn: what is asked for too late is another test's error
        none_of(_quiet(gate, GATE))


@pytest.mark.long
def test_a_page_that_is_being_judged(
    practice: Site, window: Window, axe_source: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says so, comes back by itself, and is as good as the others; one that is old says how old it is."""
    now_ns = [book.NOW_NS]
    clock = Clock(monotonic_ns=lambda: 0, unix_ns=lambda: now_ns[0])
    with serving(practice, clock) as address:
        waiting = Window(address=address, driver=window.driver)
        waiting.open("/acceptance/A")

        async def never(self: Desk, request: Any, asked: Any) -> None:
            raise NotYet

        for width, dark in ((DESKTOP, False), (PHONE, True)):
            with monkeypatch.context() as patched:
                patched.setattr(Desk, "slow", never)
                waiting.look(width=width, dark=dark)
                waiting.driver.get(f"{address}/acceptance/A")
                assert waiting.run("return document.querySelector('h1').textContent") == "Being judged"
                none_of(waiting.run(WIDER))
                none_of(violations(waiting, axe_source))
            waiting.wait(lambda: "Acceptance of A" in waiting.driver.title)  # by itself
            now_ns[0] += 3000 * NS_PER_S
            waiting.open("/acceptance/A", width=width, dark=dark)
            aged = waiting.driver.find_elements(By.CLASS_NAME, "asof")
            assert [one.text.startswith("This is how it stood on Tuesday 30 June 2026") for one in aged] == [
                True
            ]
            none_of(waiting.run(WIDER))
            none_of(violations(waiting, axe_source))
        none_of(_quiet(waiting, "/acceptance/A"))


def none_of(wrong: list[Any]) -> None:
    """Fails with everything in the list."""
    assert not wrong, "\n".join(str(one) for one in wrong)


def _quiet(window: Window, path: str) -> list[str]:
    """What the console holds that it should not."""
    return [said for said in window.console() if not (path == BROKEN and "404" in said)]


def violations(window: Window, axe_source: str) -> list[str]:
    window.run(axe_source)
    found = window.driver.execute_async_script(AXE)
    return ["\n".join([*one[:2], *one[2]]) for one in found]


def _wrong_times(window: Window) -> list[Any]:
    """Times that are not the zone's local time with its offset at that moment."""
    zone, wrong = ZoneInfo(TIMEZONE), []
    for machine, text in window.run(TIMES):
        if re.fullmatch(r"\d{4}-\d\d-\d\d", machine):
            continue  # a day has no offset
        moment = datetime.fromisoformat(machine)
        hours = re.search(r"\b(\d\d:\d\d)\b", text)
        local = moment.astimezone(zone)
        if moment.utcoffset() != local.utcoffset() or (hours and hours[1] != f"{local:%H:%M}"):
            wrong.append((machine, text))
    return wrong


def missed_by_keyboard(window: Window) -> list[Any]:
    """What the tabulator, pressed from the top, does not reach in the document's order, or does not show."""
    window.run("scrollTo(0, 0); document.activeElement.blur();")
    wanted, wrong = window.run(STOPS), []
    for nth in range(wanted):
        window.tab()
        at, outline, width, in_sight, what = window.run(FOCUS)
        if at != nth or outline == "none" or width < 2 or not in_sight:
            wrong.append((nth, at, outline, width, in_sight, what))
            break
    return wrong


def test_no_page_is_left_out() -> None:
    """The pages that a reader is led to are all among those that are looked at."""
    from dashboard.pages.frame import PLACES

    looked_at = {urlsplit(path).path for path in pages()}
    for place in PLACES:
        assert place.url.replace("{handoff}", "A") in looked_at
