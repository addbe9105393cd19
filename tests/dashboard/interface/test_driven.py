"""Every JSON address under requests that a tester draws from the OpenAPI document, over HTTP on loopback.

The tester is schemathesis, which knows nothing of this project: it draws parameters that fit the schema and
such that do not, and looks whether the answer has a status, a media type and a body that the document allows.
Whether a value is refused that the schema lets pass (a thirteenth month) is not asked: 400 is an answer of
the document. Left out of the ordinary suite, and skipped where it is not installed (`pip install .[fuzz]`).
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from typing import Any

import pytest
from aiohttp import web
from hypothesis import HealthCheck, given, settings

from dashboard.app import make_app
from store.reader import ReaderThread
from store.site import Site
from tests.dashboard import invented

pytestmark = pytest.mark.long
EXAMPLES = 40
CHECKS = (
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_headers_conformance",
    "response_schema_conformance",
)


@pytest.fixture(scope="module")
def address(site: Site) -> Iterator[str]:
    """The application of the invented site on a port of its own, in a thread with a loop of its own."""
    ready: Future[str] = Future()
    over = threading.Event()
    thread = threading.Thread(target=lambda: asyncio.run(_serve(site, ready, over)))
    thread.start()
    try:
        yield ready.result(timeout=60)
    finally:
        over.set()
        thread.join(timeout=30)


async def _serve(site: Site, ready: Future[str], over: threading.Event) -> None:
    names: set[str] = set()
    app = make_app(
        site=site,
        reader=ReaderThread(site.database),
        clock=invented.clock(),
        allowed_hosts=names,  # type: ignore[arg-type]  # the port is known once it listens
    )
    runner = web.AppRunner(app, access_log=None)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    port = runner.addresses[0][1]
    names.add(f"127.0.0.1:{port}")
    ready.set_result(f"http://127.0.0.1:{port}")
    await asyncio.to_thread(over.wait)
    await runner.cleanup()


def test_every_operation_keeps_to_its_schema(address: str) -> None:
    """Whatever is asked, the answer is one that the document describes, and never a 500."""
    schemathesis = pytest.importorskip("schemathesis", reason="it is not installed: pip install .[fuzz]")
    schema = schemathesis.openapi.from_url(f"{address}/openapi.json")
    asked: dict[str, int] = {}
    for found in schema.get_all_operations():
        operation = found.ok()
        asked[operation.label] = 0
        _drive(operation, asked, schemathesis.checks.CHECKS.get_by_names(list(CHECKS)))
    assert len(asked) >= 15
    assert min(asked.values()) >= 1


def _drive(operation: Any, asked: dict[str, int], checks: Any) -> None:
    @given(case=operation.as_strategy())
    @settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
    def drive(case: Any) -> None:
        asked[operation.label] += 1
        case.call_and_validate(timeout=60, checks=checks)

    drive()
