"""What a stranger wants of the book, walked in a browser: from Today by what stands there to the answer."""

from __future__ import annotations

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

from tests.dashboard.browser.window import PHONE, Window

pytestmark = pytest.mark.browser


def _links(window: Window, text: str) -> list[WebElement]:
    """Links of this text that can be seen, in order."""
    return [one for one in window.driver.find_elements(By.LINK_TEXT, text) if one.is_displayed()]


def _main(window: Window) -> str:
    return window.driver.find_element(By.TAG_NAME, "main").text


def test_find_tonights_answer(window: Window) -> None:
    """On a phone, ten minutes before the evening class: the first sentence is the answer, without a step."""
    window.open("/", width=PHONE)
    lead = window.driver.find_element(By.ID, "lead")
    assert lead.rect["y"] + lead.rect["height"] < 900, "below the first screen"
    assert "Evening class" in lead.text
    assert lead.text.split()[0] in {"Go", "Tight", "Hold", "Unknown"}
    lead.find_element(By.TAG_NAME, "a").click()
    assert window.run("return location.hash") == "#planned"


def test_find_the_worst_evening_of_march(window: Window) -> None:
    """In three steps from Today: all pages, Evenings of the old line, March: its first sentence."""
    window.open("/", script=False)
    _links(window, "All pages")[0].click()
    _links(window, "Evenings")[0].click()
    _links(window, "March 2026")[0].click()
    assert _main(window).splitlines()[1].startswith("The worst evening of March 2026 was ")
    _links(window, "Thu 19 Mar")[0].click()
    assert "old-wan" in window.run("return location.search")
    assert "Thursday 19 March 2026" in _main(window)
