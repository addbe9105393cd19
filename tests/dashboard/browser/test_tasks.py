"""What a stranger wants of the book, each walked in a browser from Today by what stands there.

Answers are looked for on the record of some days; what is started, stopped, opened and written is asked of a
whole practice, as `linebook practice` starts it: its probe, its endpoint, its pages, on the real clock.

Outside checks: tomllib reads what a form wrote; sha256sum and openssl check the pack as the pack itself says.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import Select

from dashboard import text_shows
from dashboard.papers import phrases
from store import site as sites
from store.asked_for import AskedFor
from store.clock import Clock
from store.reader import Reader
from store.records import Failed, OpenKind, WindowClosed, WindowOpened
from store.shows import Forecast
from store.site import Site
from tests.dashboard.browser.window import PHONE, WAIT_S, Window

pytestmark = pytest.mark.browser

LINEBOOK = (sys.executable, "-m", "linebook")
HOUSE = Path(__file__).parents[3]
COMMENT = re.compile(r'"(?:\\.|[^"\\\n])*"|(#.*)')


@pytest.fixture(autouse=True)
def _looks_twice(window: Window) -> Iterator[None]:
    """What is looked for may come with the next page, which is under way after a click."""
    window.driver.implicitly_wait(WAIT_S)
    yield
    window.driver.implicitly_wait(0)


@dataclass(frozen=True, kw_only=True)
class Practice:
    """A practice under way: a window on its pages, and its folder."""

    window: Window
    folder: Path

    @property
    def site(self) -> Site:
        return sites.load(self.folder / "site.toml")


@pytest.fixture(scope="module")
def practising(window: Window, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Practice]:
    """The command that the README begins with, until its first run is on record."""
    folder = tmp_path_factory.mktemp("practice") / "kept"
    started = subprocess.Popen(
        [*LINEBOOK, "practice", "--keep", str(folder)],
        cwd=HOUSE,
        env=os.environ | {"TZ": "Europe/Stockholm"},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert started.stdout is not None
    address = ""
    try:
        for line in started.stdout:
            address = line.removeprefix("Dashboard: ").strip() if line.startswith("Dashboard: ") else address
            if line.startswith("First run stored"):
                break
        yield Practice(window=Window(address=address.rstrip("/"), driver=window.driver), folder=folder)
    finally:
        started.send_signal(signal.SIGINT)
        started.communicate(timeout=20)
    assert started.returncode == 0


def _links(window: Window, text: str) -> list[WebElement]:
    """Links of this text that can be seen, in order."""
    return [one for one in window.driver.find_elements(By.LINK_TEXT, text) if one.is_displayed()]


def _main(window: Window) -> str:
    return _text(window, "main")


def _text(window: Window, selector: str) -> str:
    """What is to be read there, however often the page puts fresh parts into its place."""
    text = str(window.run("return document.querySelector(arguments[0])?.innerText ?? ''", selector))
    return text.replace("\u00a0", " ")  # before a unit


def _press(window: Window, words: str) -> None:
    """Press the first button of these words that can be seen."""
    _click(window, By.XPATH, f"//button[normalize-space()='{words}']")


def _follow(window: Window, text: str) -> None:
    """Follow the first link of this text that can be seen."""
    _click(window, By.LINK_TEXT, text)


def _click(window: Window, by: str, what: str) -> None:
    def clicked() -> bool:
        with suppress(StaleElementReferenceException):  # a fresh part took its place just then
            for one in window.driver.find_elements(by, what):
                if one.is_displayed():
                    one.click()
                    return True
        return False

    window.wait(clicked)


def _field(window: Window, label: str, *, under: str) -> WebElement:
    """The field of this label in the part with this heading."""
    part = window.driver.find_element(By.XPATH, f"//section[.//*[self::h2 or self::h3][.='{under}']]")
    field = part.find_element(By.XPATH, f".//label[normalize-space()='{label}']").get_attribute("for")
    assert field is not None
    return part.find_element(By.ID, field)


def test_find_tonights_answer(window: Window) -> None:
    """On a phone, ten minutes before the evening class: the first sentence is the answer, without a step."""
    window.open("/", width=PHONE)
    lead = window.driver.find_element(By.ID, "lead")
    assert lead.rect["y"] + lead.rect["height"] < 900, "below the first screen"
    assert "Evening class" in lead.text
    assert lead.text.split()[0] in {"Go", "Tight", "Hold", "Unknown"}
    lead.find_element(By.TAG_NAME, "a").click()
    assert window.run("return location.hash") == "#planned"


@pytest.mark.long
def test_start_a_rehearsal_and_stop_it(practising: Practice) -> None:
    """Shows, the class's button, the box to tick: Today follows it by itself, and one press ends it."""
    window = practising.window
    window.open("/")
    _follow(window, "Shows")
    _press(window, "Rehearse it now")
    window.wait(lambda: "This fills the line." in _main(window))
    window.wait(lambda: "Rehearsal of Evening class on handoff old-wan" in _main(window))
    _press(window, "Start it")
    assert window.run("return location.pathname") == "/runs/start", "started without the box"
    window.driver.find_element(By.NAME, "confirmed").click()
    _press(window, "Start it")
    window.wait(lambda: bool(window.run("return location.hash") == "#now"))
    window.run("window.mine = true")  # gone if the page were loaded again
    under_way = "[data-run=old-wan]"
    window.wait(lambda: "A rehearsal" in _text(window, under_way))
    assert window.run("return window.mine") is True
    assert "asked for on the Shows page" in _text(window, under_way)
    done = f"return document.querySelector('{under_way} progress')?.value ?? -1"
    first = window.run(done)
    window.wait(lambda: bool(window.run(done) >= first + 2))
    assert re.search(r"begun \d+ s ago\.", _text(window, f"{under_way} [data-said]"))
    assert window.run("return window.mine") is True, "followed by reloading"
    _press(window, "End what runs on old-wan")
    window.wait(lambda: "A rehearsal" not in _text(window, "#now"))
    assert window.console() == []
    window.wait(lambda: {"asked for on the Shows page", "ended on the Today page"} <= _whys(practising))


@pytest.mark.long
def test_stop_a_check_before_a_show(practising: Practice) -> None:
    """Shows, its button and the box, on a phone: Today follows it by itself, and one press ends it."""
    window = practising.window
    window.open("/shows", width=PHONE)
    _ask_for_a_check(window, "an hour before")
    under_way = "[data-run='check of P1']"
    window.run("window.mine = true")  # gone if the page were loaded again
    window.wait(lambda: "The check an hour before Evening class" in _text(window, under_way))
    window.wait(lambda: "Mb/s payload" in _text(window, f"{under_way} [data-said]"))
    done = f'return document.querySelector("{under_way} progress")?.value ?? -1'
    first = window.run(done)
    window.wait(lambda: bool(window.run(done) >= first + 2))
    assert window.run("return window.mine") is True, "followed by reloading"
    _press(window, "End the check")
    window.wait(lambda: not _text(window, under_way))
    assert window.console() == []
    window.wait(lambda: any("ended on the Today page" in one.why for one in _failed_checks(practising)))


@pytest.mark.long
def test_a_check_before_a_show_answers_on_its_page(practising: Practice) -> None:
    """Without script: what is on record stands on Shows and Today, as what the command prints does.

    The practice line changes by the second, so that two answers may differ; what is asked and told may not.
    """
    window, site = practising.window, practising.site
    window.open("/shows", script=False)
    _ask_for_a_check(window, "ten minutes before")
    window.wait(lambda: "The check ten minutes before Evening class" in _main(window))
    assert re.search(r"begun \d+ s ago\.", _main(window))

    def kept() -> list[Forecast]:
        with closing(Reader.open(site.database)) as reader:
            return reader.documents(Forecast)

    def stands(found: Forecast) -> None:
        answer = found.answer.capitalize()
        window.open("/shows", script=False)
        window.wait(lambda: bool(re.search(rf"Looked at 10min before, .*: {answer}", _main(window))))
        assert all(row.said in _main(window) for row in found.rows)
        window.open("/", script=False)
        assert re.search(rf"Checked .* \(10min before\): {answer}\.", _main(window))

    window.wait(lambda: bool(kept()), within_s=40)
    stands(kept()[-1])
    command = [*LINEBOOK, "check", str(practising.folder / "site.toml"), "--plan", "P1"]
    ran = subprocess.run(
        [*command, "--before", "10min", "--json"], cwd=HOUSE, capture_output=True, check=True, text=True
    )
    told, first, last = json.loads(ran.stdout), *kept()[-2:]
    assert text_shows.forecast_json(last) == told, "on record otherwise than printed"
    stands(last)
    same = ("demand_bps", "peak_bps", "before", "plan", "show_start")
    asked = text_shows.forecast_json(first)
    assert {key: asked[key] for key in same} == {key: told[key] for key in same}
    assert [row.what for row in first.rows] == [row.what for row in last.rows]


def _ask_for_a_check(window: Window, stage: str) -> None:
    """From the button on Shows to the part of Today that shows it."""
    choice = window.driver.find_element(By.XPATH, "//form[.//button='Check before the show']//select")
    Select(choice).select_by_visible_text(stage)
    _press(window, "Check before the show")
    window.wait(lambda: f"The check {stage} Evening class" in _main(window))
    assert "an emergency call, an alarm or a medical device" in _main(window)
    window.driver.find_element(By.NAME, "confirmed").click()
    _press(window, "Start it")
    window.wait(lambda: bool(window.run("return location.hash") == "#now"))


def _failed_checks(practising: Practice) -> list[Failed]:
    with closing(Reader.open(practising.site.database)) as reader:
        return [
            one
            for one in reader.troubles(since_ns=0, until_ns=Clock().unix_ns())
            if isinstance(one, Failed) and one.what == "check before a show"
        ]


@pytest.mark.long
def test_run_a_row_of_the_acceptance_sheet_and_stop_it(practising: Practice) -> None:
    """Refused until the safety questions are answered; then the box, its progress on Today, and its end."""
    window = practising.window

    def ask_for_row(row: str) -> None:
        window.open("/acceptance/old-wan")
        form = window.driver.find_element(By.XPATH, "//form[.//button='Run a row']")
        Select(form.find_element(By.NAME, "row")).select_by_value(row)
        form.find_element(By.NAME, "seconds").send_keys("30")
        _press(window, "Run a row")

    ask_for_row("A7")
    window.wait(lambda: "Nothing was started: " in _main(window))
    window.console()  # the refusal stands there, as it should
    command = [*LINEBOOK, "accept", str(practising.folder / "site.toml"), "--handoff", "old-wan"]
    for question in range(1, 7):
        answer = [f"S{question}", "--answer", "yes"]
        ran = subprocess.run([*command, "--row", *answer], cwd=HOUSE, capture_output=True, text=True)
        assert ran.returncode == 0, ran.stderr
    ask_for_row("A7")
    window.wait(lambda: "Row A7: " in _main(window))
    assert "an emergency call, an alarm or a medical device" in _main(window)
    window.driver.find_element(By.NAME, "confirmed").click()
    _press(window, "Start it")
    window.wait(lambda: bool(window.run("return location.hash") == "#now"))
    window.run("window.mine = true")
    under_way = "[data-run=old-wan]"
    bar = f"const bar = document.querySelector('{under_way} progress'); return bar?.max === 30 && bar.value"
    for second in (2, 5):  # of this run; the schedule's own may come before it
        window.wait(lambda second=second: bool(window.run(bar) >= second), within_s=60)
    assert "asked for on the Acceptance page" in _text(window, under_way)
    assert window.run("return window.mine") is True, "followed by reloading"
    _press(window, "End what runs on old-wan")
    window.wait(lambda: "asked for on the Acceptance page" not in _text(window, "#now"))
    window.wait(lambda: {"asked for on the Acceptance page", "ended on the Today page"} <= _whys(practising))
    assert window.console() == []


def _whys(practising: Practice) -> set[str]:
    """Where everything was asked for that is on record."""
    with closing(Reader.open(practising.site.database)) as reader:
        return {one.why for one in reader.documents(AskedFor)}


@pytest.mark.long
def test_open_a_show_window(practising: Practice) -> None:
    """On Today, for half an hour: it stands there, runs are refused meanwhile, one press closes it."""
    window = practising.window
    window.open("/")
    fields = window.driver.find_element(By.XPATH, "//form[@action='/acts/show-open']")
    Select(fields.find_element(By.NAME, "handoff")).select_by_visible_text("old-wan")
    fields.find_element(By.NAME, "minutes").send_keys("30")
    _press(window, "Open a show window")
    window.wait(lambda: bool(re.search(r"Show\s+Opened at once", _text(window, "#now"))))
    _follow(window, "Circuit old-wan")
    _press(window, "Start a run")
    window.driver.find_element(By.NAME, "confirmed").click()
    _press(window, "Start it")
    window.wait(lambda: "Nothing was started: it may not run now: a show window is open" in _main(window))
    window.console()  # the refusal stands there, as it should
    window.open("/")
    _press(window, "Close the show windows")
    window.wait(lambda: "Opened at once" not in _text(window, "#now"))
    window.wait(lambda: _shows(practising) == [WindowOpened, WindowClosed])


def _shows(practising: Practice) -> list[type]:
    """What is on record of show windows; the probe writes some seconds at once."""
    with closing(Reader.open(practising.site.database)) as reader:
        return [type(one) for one in reader.windows() if one.window is OpenKind.SHOW]


@pytest.mark.long
def test_enter_a_contract_card(practising: Practice) -> None:
    """Site, the card's form: a slip is said at its field, what is right is written, comments and all."""
    window, file = practising.window, practising.folder / "site.toml"
    before, heading = file.read_text(), "Contract card of old-wan"
    window.open("/")
    _follow(window, "All pages")
    _follow(window, "Site")
    for words in ("fast", "200 Mb/s"):
        field = _field(window, "rate down", under=heading)
        field.clear()
        field.send_keys(words)
        field.submit()
        if words == "fast":
            wrong = window.driver.find_element(By.CLASS_NAME, "wrong")
            assert "200 Mb/s" in wrong.text or "Mb/s" in wrong.text
            assert file.read_text() == before
    said = "[role=status]:not(:empty)"
    window.wait(lambda: _text(window, said) == "Written, and the probe goes by it.")
    top = window.run("return document.querySelector(arguments[0]).getBoundingClientRect().top", said)
    assert 0 <= top < 900, "out of sight"
    after = file.read_text()
    expected = tomllib.loads(before)
    expected["handoff"][0]["card"]["rate_down"] = "200 Mb/s"
    assert tomllib.loads(after) == expected
    assert COMMENT.findall(after) == COMMENT.findall(before)
    window.console()  # the refusal stands there
    _follow(window, "Circuit old-wan")
    assert "200 Mb/s" in window.driver.find_element(By.XPATH, "//section[@aria-labelledby='card']").text


def test_find_the_worst_evening_of_march(window: Window) -> None:
    """In three steps from Today: all pages, Evenings of the old line, March: its first sentence."""
    window.open("/", script=False)
    _follow(window, "All pages")
    _follow(window, "Evenings")
    _follow(window, "March 2026")
    worst = "The worst evening of March 2026 was "
    window.wait(lambda: _text(window, "main .lead").startswith(worst))
    _follow(window, "Thu 19 Mar")
    window.wait(lambda: "Thursday 19 March 2026" in _main(window))
    assert "old-wan" in window.run("return location.search")


@pytest.mark.long
def test_make_a_pack_and_verify_it(window: Window, tmp_path: Path) -> None:
    """Papers, one button: the page says by itself when it is there; it is checked in four ways, and a changed
    octet is found by each."""
    window.open("/")
    _follow(window, "All pages")
    _follow(window, "Papers")
    for name, day in (("first", "2026-06-29"), ("last", "2026-06-29")):
        field = window.driver.find_element(By.NAME, name)
        field.clear()
        field.send_keys(day)
    _press(window, "Make a pack")
    name = "pack-old-wan-2026-06-29-2026-06-29.zip"
    window.run("window.mine = true")
    window.wait(lambda: bool(_links(window, name)), within_s=120)
    assert window.run("return window.mine") is True, "followed by reloading"
    window.wait(lambda: bool(re.search(r"Verified\s+Handoff old-wan", _main(window))))
    window.cdp("Browser.setDownloadBehavior", behavior="allow", downloadPath=str(tmp_path))
    _follow(window, name)
    window.wait(lambda: (tmp_path / name).exists())
    with zipfile.ZipFile(tmp_path / name) as packed:
        packed.extractall(tmp_path)
    folder = (tmp_path / name).with_suffix("")
    ours = " ".join([*LINEBOOK, "verify"])
    ways = (f"{ours} {tmp_path / name}", f"{ours} {folder}", *phrases.CHECK_WITHOUT)
    assert [_checked(way, folder) for way in ways] == [0] * len(ways)
    paper = folder / "index.html"
    paper.write_text(paper.read_text().replace("Limitations", "Limits", 1))
    assert [way for way in (ways[1], ways[2], ways[4]) if _checked(way, folder) == 0] == []


def _checked(command: str, folder: Path) -> int:
    """The exit code of a command within the pack."""
    words = command.replace("python3", sys.executable).split()
    ran = subprocess.run(
        words, cwd=folder, env=os.environ | {"PYTHONPATH": str(HOUSE)}, capture_output=True, check=False
    )
    return ran.returncode
