"""Every paper in a real browser, as the page leads to it: wide and narrow, light and dark, and a pack's own.

A paper needs nothing beside itself. Outside checks: axe-core's rules; Chromium's console for the policy that
a paper is sent with.
"""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from dashboard.papers import making, redaction
from store.reader import Reader
from store.receipts import Receipt
from store.site import Site
from tests.dashboard.browser import book
from tests.dashboard.browser.test_pages import COMPLETE, STOPS, WIDER, missed_by_keyboard, none_of, violations
from tests.dashboard.browser.window import DESKTOP, PHONE, Window

pytestmark = pytest.mark.browser

KINDS = ("statement", "acceptance", "renewal", "day-sheet", "show-report", "receipt")


@pytest.fixture(scope="module")
def urls(window: Window) -> dict[str, str]:
    """The first address of each kind of paper that the page Papers has."""
    window.open("/papers", script=False)
    found = [one.get_attribute("href") or "" for one in window.driver.find_elements(By.TAG_NAME, "a")]
    papers = [one.removeprefix(window.address) for one in found if "/paper/" in one and "form=html" in one]
    return {one.split("/")[2]: one for one in reversed(papers)}


@pytest.mark.parametrize("kind", ["day-sheet", "receipt"])
def test_a_paper_on_a_phone(window: Window, axe_source: str, urls: dict[str, str], kind: str) -> None:
    """Nothing that axe finds, a silent console, nothing wider than the screen; in the dark still white."""
    _look(window, axe_source, urls[kind], width=PHONE, dark=True)
    style = "const of = getComputedStyle(document.documentElement); return [of.color, of.backgroundColor]"
    assert window.run(style) == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]


@pytest.mark.parametrize(
    "kind",
    [pytest.param(one, marks=() if one == "day-sheet" else pytest.mark.long) for one in KINDS],
)
def test_a_paper_without_script_and_by_keyboard(window: Window, urls: dict[str, str], kind: str) -> None:
    """Reached from Papers by the keyboard alone; all of it is there, and every link of it can be reached."""
    window.open("/papers", script=False)
    link = f"return document.activeElement.getAttribute('href') === {json.dumps(urls[kind])}"
    for _ in range(window.run(STOPS)):
        window.tab()
        if window.run(link):
            break
    assert window.run(link), "not reached"
    window.driver.switch_to.active_element.send_keys(Keys.ENTER)
    window.wait(lambda: bool(window.run("return location.pathname + location.search") == urls[kind]))
    assert window.run(COMPLETE) == 0
    assert window.run(EMPTY) == []
    assert len(window.driver.find_element(By.TAG_NAME, "main").text) > 500
    none_of(missed_by_keyboard(window))
    none_of(window.console())


EMPTY = """
return [...document.querySelectorAll("figure, svg, img, canvas")].filter((one) => one.checkVisibility())
  .filter((one) => one.getBoundingClientRect().height < 2 || (one.tagName === "IMG" && !one.naturalWidth))
  .map((one) => one.outerHTML.slice(0, 120));
"""  # a drawing that waits for script


@pytest.mark.long
@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [DESKTOP, PHONE])
@pytest.mark.parametrize("kind", KINDS)
def test_a_paper_in_all_ways(
    window: Window, axe_source: str, urls: dict[str, str], kind: str, width: int, dark: bool
) -> None:
    _look(window, axe_source, urls[kind], width=width, dark=dark)


@pytest.mark.long
def test_the_paper_of_a_pack(window: Window, axe_source: str, practice: Site, tmp_path: Path) -> None:
    """As the engineer opens it, from a folder with nothing but a browser."""
    asked = making.asked_of(practice, practice.handoff("old-wan"), None, None, None, now_ns=book.NOW_NS)
    withheld = redaction.redaction_of(practice, on=True)
    made = making.make(practice, asked, withheld, tmp_path / "pack", now_ns=book.NOW_NS, say=print)
    here = Window(address=made.folder.as_uri(), driver=window.driver)
    for width in (DESKTOP, PHONE):
        _look(here, axe_source, "/index.html", width=width, dark=False)


BEYOND_THE_SHEET = """
const sheet = document.querySelector("main").getBoundingClientRect().right + 1;
const over = (one) => Math.round(one.getBoundingClientRect().right - sheet);
return [...document.querySelectorAll("table, svg, pre")].filter((one) => over(one) > 0)
  .map((one) => [over(one), one.outerHTML.slice(0, 200)]);
"""  # a sheet of A4 is 180 mm wide within its margins


def _look(window: Window, axe_source: str, path: str, *, width: int, dark: bool) -> None:
    window.open(path, width=width, dark=dark)
    none_of(window.run(WIDER))
    window.look(width=DESKTOP, media="print")
    none_of(window.run(BEYOND_THE_SHEET))
    window.look(width=width, dark=dark)
    none_of(violations(window, axe_source))
    none_of(window.console())


def test_the_receipt_says_what_is_on_record(window: Window, practice: Site, urls: dict[str, str]) -> None:
    with closing(Reader.open(practice.database)) as reader:
        (found,) = reader.documents(Receipt)
    window.open(urls["receipt"])
    paper = window.driver.find_element(By.TAG_NAME, "main").text
    assert found.sha256 is not None
    assert found.sha256 in paper
    assert f"{found.size_bytes / 1e9:.3f} GB" in paper
