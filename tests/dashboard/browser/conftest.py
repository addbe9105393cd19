"""One browser and one served record for all tests of this folder that run in one process."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from store.site import Site
from tests.dashboard.browser import book
from tests.dashboard.browser.window import Window, axe, driving, serving
from tests.lacking import lacking


@pytest.fixture(scope="session")
def practice(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The practice site with some days of its record, up to ten minutes before a show."""
    return book.written_once(tmp_path_factory)


@pytest.fixture(scope="session")
def window(practice: Site, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Window]:
    with serving(practice, book.clock()) as address, driving(tmp_path_factory.mktemp("browser")) as driver:
        yield Window(address=address, driver=driver)


@pytest.fixture(scope="session")
def axe_source() -> str:
    source = axe()
    if source is None:
        why = "needs axe-core: pip install --no-deps -c constraints.txt axe-playwright-python"
        lacking(why)
    return source
