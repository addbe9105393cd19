"""A real browser's window, and the application that it looks at.

The browser starts with everything switched off that would talk to the network by itself. Script is switched
off, schemes are chosen and the keyboard is pressed through its debugging protocol, so that the pages' own
security policy stays as it is.
"""

from __future__ import annotations

import asyncio
import importlib.util
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait

from dashboard import app as dashboard
from dashboard.listening import Listening
from store.clock import Clock
from store.site import Site

DESKTOP, PHONE = 1280, 390  # CSS pixels wide
WAIT_S = 20.0
JUDGED_WITHIN_S = 120.0  # what is looked at first, on a busy machine

_QUIET = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--hide-scrollbars",
)
_JUDGED_YET = "return document.querySelector('h1')?.textContent === 'Being judged'"
_DRAWN = """
const ink = ".main-svg .trace, .main-svg .shapelayer path, .main-svg image";
return [...document.querySelectorAll("figure.chart")].every((one) => !one.hidden && one.querySelector(ink));
"""


@contextmanager
def serving(site: Site, clock: Clock, *, login: bool = False) -> Iterator[str]:
    """The dashboard of a site in a thread of its own, at the address that it gives, no slash behind."""
    addresses: list[str] = []
    up = threading.Event()
    loop = asyncio.new_event_loop()

    def ready(address: str) -> None:
        addresses.append(address.rstrip("/"))
        up.set()

    where = Listening(host="127.0.0.1", port=None, login=login)
    task = loop.create_task(dashboard.serve(site, where=where, clock=clock, ready=ready))
    thread = threading.Thread(target=lambda: loop.run_until_complete(asyncio.wait({task})), name="dashboard")
    thread.start()
    try:
        assert up.wait(WAIT_S)
        yield addresses[0]
    finally:
        loop.call_soon_threadsafe(task.cancel)
        thread.join()
        loop.close()


@contextmanager
def driving(profile: Path) -> Iterator[webdriver.Chrome]:
    """A browser with an empty profile of its own."""
    options = Options()
    options.binary_location = "/usr/bin/chromium"
    for argument in (*_QUIET, f"--user-data-dir={profile}"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    try:
        yield driver
    finally:
        driver.quit()


def axe() -> str | None:
    """The source of axe-core, which a test dependency brings as one file; None where it is not."""
    found = importlib.util.find_spec("axe_playwright_python")
    if found is None or found.submodule_search_locations is None:
        return None
    return (Path(found.submodule_search_locations[0]) / "axe.min.js").read_text()


@dataclass(frozen=True)
class Window:
    """A window on one application: opens its pages, and says what they look like from outside."""

    address: str
    driver: webdriver.Chrome

    def open(self, path: str, *, width: int = DESKTOP, dark: bool = False, script: bool = True) -> None:
        """Show a page, its charts drawn where script runs."""
        self.look(width=width, dark=dark)
        self.cdp("Emulation.setScriptExecutionDisabled", value=not script)
        self.driver.get(self.address + path)
        self.wait(lambda: not self.run(_JUDGED_YET), within_s=JUDGED_WITHIN_S)  # it comes back by itself
        if script:
            self.wait(lambda: bool(self.run(_DRAWN)))

    def look(self, *, width: int = DESKTOP, dark: bool = False, media: str = "", height: int = 900) -> None:
        """Change the window under the page that is open."""
        features = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.cdp("Emulation.setEmulatedMedia", media=media, features=features)
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
        self.cdp("Emulation.setDeviceMetricsOverride", **size)

    def cdp(self, command: str, /, **values: Any) -> Any:
        return self.driver.execute_cdp_cmd(command, values)

    def run(self, script: str, *arguments: Any) -> Any:
        """What a script in the page returns; it runs where the page's own are switched off, too."""
        return self.driver.execute_script(script, *arguments)

    def wait(self, until: Callable[[], bool], *, within_s: float = WAIT_S) -> None:
        WebDriverWait(self.driver, within_s, poll_frequency=0.05).until(lambda _: until())

    def console(self) -> list[str]:
        """What pages wrote to the console since the last look: errors of script, policy, loading."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def tab(self) -> None:
        """Press the tabulator."""
        key = {"key": "Tab", "code": "Tab", "windowsVirtualKeyCode": 9}
        self.cdp("Input.dispatchKeyEvent", type="rawKeyDown", **key)
        self.cdp("Input.dispatchKeyEvent", type="keyUp", **key)
