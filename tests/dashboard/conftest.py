"""An invented record, written once, and an application that shows it."""

from __future__ import annotations

import asyncio
import fcntl
import os
import shutil
import sqlite3
from collections.abc import AsyncIterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer

from dashboard.app import make_app
from store.clock import Clock
from store.reader import ReaderThread
from store.site import Site
from tests.dashboard import invented

HOST = "127.0.0.1:8470"
Client = TestClient[web.Request, web.Application]


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The invented site with three days of runs and a day of trains."""
    folder = tmp_path_factory.mktemp("invented")
    shutil.copytree(_written_once(tmp_path_factory), folder, dirs_exist_ok=True)
    return invented.site(folder)


def _written_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of that site's database, which takes seconds to write: once for all processes of a pass."""
    shared = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent
    folder, writing = shared / "invented-once", shared / "invented-writing"
    with (shared / "invented-lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            writing.mkdir()
            invented.write(invented.site(writing).database)
            writing.rename(folder)
    return folder


@pytest_asyncio.fixture
async def client(site: Site) -> AsyncIterator[Client]:
    """A browser's connection to the dashboard of that site, under the name that it allows."""
    async with client_of(site) as made:
        yield made


def client_of(site: Site, *, clock: Clock | None = None) -> Client:
    """The same for any site and clock; a context manager."""
    app = make_app(
        site=site,
        reader=ReaderThread(site.database),
        clock=clock or invented.clock(),
        allowed_hosts=frozenset({HOST}),
    )
    return TestClient(TestServer(app), headers={"Host": HOST})


async def sql(site: Site, query: str) -> list[Any]:
    """Rows of the record by plain SQL: a second opinion on what a page counts."""

    def run() -> list[Any]:
        with closing(sqlite3.connect(site.database)) as connection:
            return connection.execute(query).fetchall()

    return await asyncio.to_thread(run)


@pytest.fixture
def nowhere(tmp_path: Path) -> Site:
    """A site whose probe never ran: there is no database."""
    return invented.site(tmp_path)
