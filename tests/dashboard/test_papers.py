"""Papers on their page: what may be printed, in every form; a pack made by a form and by no other page."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import io
import json
import re
import shutil
import zipfile
from collections.abc import AsyncIterator

import pytest
import pytest_asyncio

from dashboard.papers import making
from dashboard.papers.packs import PACKS
from dashboard.papers.pdf import MISSING, NoPdf
from store import bundle
from store.site import Site
from tests.dashboard import invented
from tests.dashboard.conftest import Client, client_of

OWN = {"Sec-Fetch-Site": "same-origin", "Origin": "null"}
ON_ONE_LOOP = pytest.mark.asyncio(loop_scope="module")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def here(site: Site, tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Client]:
    """The invented site in a folder of its own, with the key that signed its record."""
    folder = tmp_path_factory.mktemp("papers")
    await asyncio.to_thread(shutil.copytree, site.database.parent, folder, dirs_exist_ok=True)
    async with client_of(invented.site(folder)) as client:
        yield client


async def text_of(client: Client, path: str) -> str:
    async with client.get(path) as response:
        assert response.status == 200, await response.text()
        return await response.text()


async def form(client: Client) -> dict[str, str]:
    page = await text_of(client, "/papers")
    found = re.search(r'name="token" value="([^"]+)"', page)
    assert found is not None
    return {"token": found[1]}


@ON_ONE_LOOP
async def test_every_paper_that_the_page_leads_to_is_there(here: Client) -> None:
    """Each address of the page answers; a page's style is the one that its policy allows, by hash (CSP 3)."""
    page = await text_of(here, "/papers")
    urls = [url.replace("&amp;", "&") for url in re.findall(r'href="(/paper/[^"]+)"', page)]
    assert {url.partition("?")[0].split("/")[2] for url in urls} == {
        *("statement", "acceptance", "renewal", "day-sheet", "show-report")
    }
    for url in urls:
        if "form=html" not in url:
            continue
        async with here.get(url) as response:
            paper = await response.text()
            assert response.status == 200, url
            style = re.search(r"<style>(.*?)</style>", paper, re.DOTALL)
            assert style is not None
            digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
            policy = response.headers["Content-Security-Policy"]
            assert f"style-src 'sha256-{digest}'" in policy
            assert "script" not in policy
            assert "style=" not in paper
            assert "<script" not in paper


@ON_ONE_LOOP
async def test_other_forms_come_as_files(here: Client) -> None:
    for ending, kind in (("csv", "text/csv"), ("json", "application/json")):
        async with here.get(f"/paper/acceptance/A?form={ending}") as response:
            assert (response.status, response.content_type) == (200, kind)
            assert f'filename="acceptance-A.{ending}"' in response.headers["Content-Disposition"]


@ON_ONE_LOOP
async def test_a_pack_made_on_the_page_is_verified(here: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked for by the page's own form; made, checked, and whole in its zip. Here without Pango."""

    def no_pdf(html: str) -> bytes:
        raise NoPdf(MISSING)

    monkeypatch.setattr(making, "pdf", no_pdf)
    token = await form(here)
    day = f"{invented.NOW:%Y-%m-%d}"
    asked = {**token, "handoff": "A", "first": day, "last": day, "question": "", "hide": "north, "}
    async with here.post("/papers/pack", data=asked, headers=OWN, allow_redirects=False) as response:
        assert (response.status, response.headers["Location"]) == (303, "/papers#packs")
    app = here.server.app  # type: ignore[attr-defined] # a server of an application has it
    await app[PACKS].done()
    found = json.loads(await text_of(here, "/papers.json"))
    (pack,) = found["packs"]
    assert (pack["state"], pack["verified"], pack["why"]) == ("made", True, None)
    page = await text_of(here, "/papers")
    assert "Not put on record: no probe is running" in page
    assert "PDF needs the system library Pango" in page
    async with here.get("/paper/pack/1") as response:
        body = await response.read()
    with zipfile.ZipFile(io.BytesIO(body)) as archive:
        names = [name for name in archive.namelist() if name.endswith(bundle.MANIFEST)]
        page = archive.read(names[0].replace(bundle.MANIFEST, "index.html")).decode()
    assert "Twenty objections" in page
    assert not re.search(r"\bnorth\b", page)


@ON_ONE_LOOP
@pytest.mark.parametrize(
    ("path", "data", "headers", "status", "why"),
    [
        ("/papers/pack", {"handoff": "A"}, {"Sec-Fetch-Site": "cross-site"}, 403, "did not come from a page"),
        ("/papers/pack", {"handoff": "A"}, OWN, 403, "earlier start"),
        ("/papers/pack", {"handoff": "X", "token": ""}, OWN, 404, "No handoff is called"),
        ("/papers/pack", {"handoff": "A", "first": "soon", "token": ""}, OWN, 400, "field first cannot be"),
        ("/papers/issue", {"handoff": "A", "month": "2099-01", "token": ""}, OWN, 400, "is not over yet"),
        ("/papers/issue", {"handoff": "A", "month": "May", "token": ""}, OWN, 400, "such as 2026-11"),
        ("/papers/issue", {"handoff": "A", "month": "2026-10", "token": ""}, OWN, 503, "no probe is running"),
    ],
)
async def test_what_is_wrong_is_said_and_changes_nothing(
    here: Client, path: str, data: dict[str, str], headers: dict[str, str], status: int, why: str
) -> None:
    asked = {**data, **(await form(here))} if "token" in data else data
    async with here.post(path, data=asked, headers=headers, allow_redirects=False) as response:
        assert (response.status, why in await response.text()) == (status, True)


@ON_ONE_LOOP
@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/paper/statement/A?month=soon", 400),
        ("/paper/statement/X?month=2026-10", 404),
        ("/paper/acceptance/A?form=doc", 400),
        ("/paper/letter/A", 404),
        ("/paper/issued/A-2026-10", 404),
        ("/paper/day-sheet/none", 404),
        ("/paper/pack/99", 404),
    ],
)
async def test_what_is_not_there(here: Client, path: str, status: int) -> None:
    async with here.get(path) as response:
        assert response.status == status
