"""What a person may ask of the probe on Today: by its own forms, and by no other page.

The headers' rules: Fetch Standard, "append a request Origin header"; Fetch Metadata Request Headers,
Sec-Fetch-Site (from memory). A browser says `same-origin` for a form of the same scheme, host and port.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from dashboard import app as dashboard
from dashboard.listening import Listening
from probe.door import opened
from store.clock import Clock
from store.records import Opener, OpenKind, WindowClosed, WindowOpened
from store.site import Site
from tests.dashboard.conftest import HOST, Client, client_of
from tests.dashboard.reading import Element, read
from tests.probe.living import Life, alive
from tests.probe.sites import handoff, train_plan
from tests.probe.sites import site as probe_site

OWN = {"Sec-Fetch-Site": "same-origin", "Origin": "null"}  # as a browser sends it under this referrer policy
ACTS = ("stop", "resume", "show-open", "show-close")


@asynccontextmanager
async def probing(site: Site) -> AsyncIterator[Life]:
    """A daemon with fakes behind the door of this site's database; its handoff A is the site's."""
    asked = probe_site(
        database=site.database, handoffs=(handoff("A"), handoff("old")), trains=(train_plan(),)
    )
    async with alive(Clock(), asked) as one, opened(site.database, one.daemon):
        yield one


async def _now(client: Client) -> Element:
    async with client.get("/") as response:
        assert response.status == 200
        return read(await response.text()).one("section", id="now")


async def _token(client: Client) -> str:
    values = {
        one.attributes["value"] for one in (await _now(client)).all("input", type="hidden", name="token")
    }
    (token,) = values
    assert token is not None
    assert len(token) >= 32
    return token


def _key(client: Client) -> str:
    """The same token without a page around it."""
    return client.app[dashboard.DESK].token


async def _press(client: Client, act: str, **fields: str) -> None:
    """Send a form of the page as a browser does."""
    data = {"token": _key(client), **fields}
    async with client.post(f"/acts/{act}", data=data, headers=OWN, allow_redirects=False) as response:
        assert (response.status, response.headers["Location"]) == (303, "/#now")


@pytest.mark.asyncio
async def test_without_a_probe_there_is_a_sentence_and_no_form(client: Client, site: Site) -> None:
    """Nothing is offered that leads nowhere."""
    section = await _now(client)
    assert f"No probe is running on {site.database}, so there is nothing to ask." in section.text
    assert "Nothing can be stopped, resumed or opened from here." in section.text
    assert section.all("form") == []


@pytest.mark.asyncio
async def test_forms_are_whole_without_script(client: Client, site: Site) -> None:
    """Each is a POST with the token, a button with words, and a label around every field to fill in."""
    async with probing(site):
        section = await _now(client)
        assert await _token(client) == _key(client)
    forms = section.all("form")
    assert [form.attributes["action"] for form in forms] == [
        "/acts/stop",
        "/acts/show-open",
        "/acts/show-close",
    ]
    assert {form.attributes["method"] for form in forms} == {"post"}
    assert [form.one("button").text for form in forms] == [
        "Stop all tests",
        "Open a show window",
        "Close the show windows",
    ]
    fields = [field for form in forms for kind in ("input", "select") for field in form.all(kind)]
    shown = [field for field in fields if field.attributes.get("type") != "hidden"]
    labelled = [
        field for label in section.all("label") for kind in ("input", "select") for field in label.all(kind)
    ]
    assert sorted(map(id, shown)) == sorted(map(id, labelled))
    assert [option.text for option in section.all("select")[0].all("option")] == ["all handoffs", "old", "A"]


@pytest.mark.asyncio
async def test_stop_and_resume(client: Client, site: Site, caplog: pytest.LogCaptureFixture) -> None:
    """Pressed, it is done, on record, in the log, and on the page."""
    caplog.set_level(logging.INFO)
    async with probing(site) as one:
        await _press(client, "stop", minutes="90")
        (stop,) = one.store.of(WindowOpened)
        assert (stop.window, stop.opener, stop.why) == (
            OpenKind.STOP,
            Opener.PERSON,
            "asked for on the Today page",
        )
        assert (stop.ends_unix_ns or 0) - stop.started_unix_ns == 90 * 60 * 10**9
        section = await _now(client)
        assert section.one("li").text.startswith("Stopped All tests are stopped since")
        assert section.all("button")[0].text == "Resume all tests"
        await _press(client, "resume")
        assert one.daemon.status().windows == ()
        assert len(one.store.of(WindowClosed)) == 1
    said = [record.getMessage() for record in caplog.records if record.name == "dashboard.acts"]
    assert [line.split(" answer=")[0] for line in said] == ["act done act=stop", "act done act=resume"]


@pytest.mark.asyncio
async def test_a_show_is_opened_and_closed(client: Client, site: Site) -> None:
    """For a handoff and some minutes, or for all until it is closed; a field left empty says nothing."""
    async with probing(site) as one:
        await _press(client, "show-open", handoff="A", minutes="30")
        await _press(client, "show-open", handoff="", minutes="")
        first, second = one.store.of(WindowOpened)
        assert (first.handoff, second.handoff, second.ends_unix_ns) == ("A", "", None)
        texts = [one.text for one in (await _now(client)).all("li")]
        assert texts[0].startswith("Show Opened at once on handoff A, since")
        assert "Opened at once on all handoffs, since" in texts[1]
        assert "until it is closed: asked for on the Today page." in texts[1]
        await _press(client, "show-close", handoff="")
        assert one.daemon.status().windows == ()


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://example.net", "Sec-Fetch-Site": "cross-site"},
        {"Origin": "http://example.net"},  # a browser that does not know Sec-Fetch-Site
        {"Origin": "http://example.net", "Sec-Fetch-Site": "same-origin"},  # no browser would
        {"Origin": "http://127.0.0.1:9999", "Sec-Fetch-Site": "same-site"},  # another port of this machine
        {"Origin": f"https://{HOST}"},  # another scheme is another origin
        {"Origin": "null", "Sec-Fetch-Site": "cross-site"},  # a page in a sandbox
        {"Origin": "null"},
        {"Sec-Fetch-Site": "none"},
        {},
    ],
    ids=lambda headers: " ".join(headers.values()) or "nothing",
)
async def test_a_form_from_elsewhere_changes_nothing(
    client: Client, site: Site, headers: dict[str, str]
) -> None:
    """Even with the right token."""
    async with probing(site) as one:
        await one.daemon.stop(minutes=5, why="a test")
        before = one.daemon.status().windows
        for act in ACTS:
            data = {"token": _key(client)}
            async with client.post(f"/acts/{act}", data=data, headers=headers) as response:
                page = read(await response.text())
            assert response.status == 403
            assert "did not come from a page of this dashboard" in page.one("main").text
        assert before == one.daemon.status().windows


@pytest.mark.asyncio
@pytest.mark.parametrize("token", [None, "", "x" * 43, "ä"], ids=["none", "empty", "wrong", "not ASCII"])
async def test_a_form_without_this_starts_token_changes_nothing(
    client: Client, site: Site, token: str | None
) -> None:
    """Nor does one of an earlier start, whose sentence says what to do."""
    async with probing(site) as one, client_of(site) as earlier:
        old = _key(earlier)
        assert old != _key(client)
        for sent in (token, old):
            data = {} if sent is None else {"token": sent}
            async with client.post("/acts/stop", data=data, headers=OWN) as response:
                page = read(await response.text())
            assert response.status == 403
            assert "open Today again and press once more" in page.one("main").text
        assert one.store.of(WindowOpened) == []


@pytest.mark.asyncio
@pytest.mark.parametrize("method", ["GET", "HEAD", "PUT", "DELETE", "OPTIONS"])
async def test_only_a_post_changes_anything(client: Client, site: Site, method: str) -> None:
    """RFC 9110 section 9.2.1: GET and HEAD are safe. The token in an address is of no use either."""
    async with probing(site) as one:
        await one.daemon.stop(minutes=5, why="a test")
        before = one.daemon.status().windows
        for act in ACTS:
            where = f"/acts/{act}?token={_key(client)}"
            async with client.request(method, where, headers=OWN) as response:
                assert (response.status, response.headers["Allow"]) == (405, "POST")
        assert before == one.daemon.status().windows


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("act", "fields", "status", "says"),
    [
        ("stop", {"minutes": "soon"}, 400, "Minutes are a whole number"),
        ("stop", {"minutes": "-5"}, 400, "Minutes are a whole number"),
        ("stop", {"minutes": "9" * 5000}, 400, "Minutes are a whole number"),
        ("stop", {"minutes": "99999"}, 400, "minutes: expected a number above 0, 10080 at most"),
        ("stop", {"handoff": "A"}, 400, "no field 'handoff'"),
        ("show-open", {"handoff": "C"}, 400, "handoff: there is none called 'C'"),
        ("explode", {}, 404, "Nothing can be done under /acts/explode."),
    ],
)
async def test_what_is_wrong_is_said(
    client: Client, site: Site, act: str, fields: dict[str, str], status: int, says: str
) -> None:
    """In a sentence, and nothing is changed."""
    async with probing(site) as one:
        data = {"token": _key(client), **fields}
        async with client.post(f"/acts/{act}", data=data, headers=OWN) as response:
            page = read(await response.text())
        assert response.status == status
        assert says in page.one("main").text
        assert one.store.of(WindowOpened) == []


@pytest.mark.asyncio
async def test_a_probe_that_ended_meanwhile_is_said(client: Client, site: Site) -> None:
    """The form was there, but the probe is gone."""
    async with client.post("/acts/stop", data={"token": _key(client)}, headers=OWN) as response:
        page = read(await response.text())
    assert response.status == 503
    assert "Nothing was changed: no probe is running on" in page.one("main").text


@pytest.mark.asyncio
async def test_the_json_says_what_the_page_says(client: Client, site: Site) -> None:
    """The probe's status stands in Today's JSON; null without a probe."""
    async with client.get("/today.json") as response:
        assert (await response.json())["probe"] is None
    async with probing(site) as one:
        await one.daemon.open_show("A", minutes=None, why="a test")
        async with client.get("/today.json") as response:
            found = (await response.json())["probe"]
    assert ("status", ["show"]) == (found["kind"], [window["window"] for window in found["windows"]])


@pytest.mark.asyncio
async def test_what_the_probe_says_stays_text(client: Client, site: Site) -> None:
    """A reason with markup in it is shown, not followed."""
    async with probing(site) as one:
        one.daemon.refused = "<script>alert(1)</script>"
        await one.daemon.open_show("", minutes=None, why="<b>bold</b>")
        section = await _now(client)
    assert section.all("script") == []
    assert "<b>bold</b>" in section.text
    assert "<script>alert(1)</script>" in section.text


# In a browser


class _House(threading.Thread):
    """A daemon with fakes and the dashboard that commands it, in a loop of their own."""

    def __init__(self, site: Site) -> None:
        super().__init__(name="house")
        self._site, self._loop = site, asyncio.new_event_loop()
        self._ended: asyncio.Event | None = None
        self.up = threading.Event()
        self.address = ""
        self.one: Life | None = None
        self.start()
        assert self.up.wait(30)

    def run(self) -> None:
        self._loop.run_until_complete(self._life())
        self._loop.close()

    def end(self) -> None:
        assert self._ended is not None
        self._loop.call_soon_threadsafe(self._ended.set)
        self.join()

    async def _life(self) -> None:
        self._ended = asyncio.Event()
        ready: asyncio.Future[str] = self._loop.create_future()
        async with probing(self._site) as self.one:
            pages = asyncio.create_task(
                dashboard.serve(
                    self._site,
                    where=Listening(host="127.0.0.1", port=None),
                    clock=Clock(),
                    ready=ready.set_result,
                ),
                name="dashboard",
            )
            self.address = await ready
            self.up.set()
            await self._ended.wait()
            pages.cancel()
            await asyncio.wait({pages})


@pytest.fixture
def house(site: Site) -> Iterator[_House]:
    made = _House(site)
    yield made
    made.end()


@pytest.mark.browser
def test_a_real_browser_may_press_the_buttons(house: _House, tmp_path: Path) -> None:
    """What it sends of itself is what the dashboard asks for; without script, as nothing here needs any."""
    options = Options()
    options.binary_location = "/usr/bin/chromium"
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-background-networking"):
        options.add_argument(word)
    options.add_argument(f"--user-data-dir={tmp_path / 'profile'}")
    options.add_experimental_option("prefs", {"profile.managed_default_content_settings.javascript": 2})
    browser = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    try:
        for button, there in (
            ("Stop all tests", "stop"),
            ("Resume all tests", ""),
            ("Open a show window", "show"),
        ):
            browser.get(house.address)
            browser.find_element(By.XPATH, f"//button[text()='{button}']").click()
            WebDriverWait(browser, 10).until(lambda found: found.current_url.endswith("/#now"))
            assert house.one is not None
            assert there == " ".join(one.window for one in house.one.daemon.status().windows)
    finally:
        browser.quit()
