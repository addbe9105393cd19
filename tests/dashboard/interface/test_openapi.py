"""The OpenAPI document: valid by an independent validator, and each address answers what it says.

Sources: OpenAPI Specification 3.1 through openapi-spec-validator, JSON Schema 2020-12 through jsonschema.
For the answers every object is closed, so that a field which is not described fails as one that is missing.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from jsonschema import Draft202012Validator, FormatChecker
from openapi_spec_validator import validate

from dashboard.interface import openapi
from probe import status
from probe.board import CheckNow, RunNow, TrainNow, TrainState
from probe.linux.clock_state import ClockState
from store.before_show import Stage
from store.site import Site
from store.writer import Writer
from tests.dashboard import invented
from tests.dashboard.conftest import Client, client_of
from tests.store import samples

ON_ONE_LOOP = pytest.mark.asyncio(loop_scope="module")

ADDRESSES = [
    ("/today.json", "today"),
    ("/shows.json", "shows"),
    ("/events.json", "events"),
    ("/events.json?handoff=A&day=2026-11-24", "events"),
    ("/circuit/old.json?period=week", "circuit"),
    ("/circuit/A.json", "circuit"),
    ("/findings/old.json", "findings"),
    ("/acceptance/A.json", "acceptance"),
    ("/ledger/A.json", "ledger"),
    ("/allowance.json", "schedule"),
    ("/site.json", "site_file"),
    ("/evenings/old.json", "evenings"),
    ("/term/old.json?month=2026-11", "term"),
    ("/term/A.json", "term"),
    ("/side-by-side.json?days=7", "side_by_side"),
    ("/uploads.json", "uploads"),
    ("/uploads.json?size=64+GB&start=23:00&deadline=09:00", "uploads"),
    ("/figures/today/evening.json", "figure"),
    ("/figures/circuit/old/rates-up.json", "figure"),
    ("/figures/circuit/old/train.json?endpoint=north&period=hour", "figure"),
    ("/figures/events/parts.json?handoff=old", "figure"),
    ("/figures/evenings/old/week-up.json", "figure"),
    ("/paper/statement/old?form=json&month=2026-11", "statement"),
    ("/paper/acceptance/A?form=json", "acceptance"),
    ("/paper/renewal/A?form=json", "renewal"),
    ("/paper/day-sheet/evening?form=json", "check"),
    ("/paper/show-report/evening?form=json", "show_report"),
    ("/method.json", "method"),
    ("/openapi.json", "openapi"),
]
REFUSED = [
    ("/today.json?period=day", 400),
    ("/circuit/C.json", 404),
    ("/circuit/old.json?period=year", 400),
    ("/term/A.json?month=May", 400),
    ("/figures/circuit/old/none.json", 404),
]


def _written(folder: Path) -> Site:
    """The invented record and one record of every kind, all of the last hour."""
    site = invented.site(folder)
    invented.write(site.database, days=2, train_hours=2)
    site.file.write_text('[[handoff]]\nname = "old"\n[handoff.card]\nrate_up = "15 Mb/s"\n')
    writer = Writer.open(site.database, clock=invented.clock())
    for nth, record in enumerate(samples.EVERY_KIND):
        names = {each.name for each in fields(record)}
        at_ns = invented.NOW_NS - (3000 - 60 * nth) * 10**9
        moments = {each: at_ns for each in ("started_unix_ns", "planned_unix_ns", "written_unix_ns")}
        writer.append(replace(record, **{each: ns for each, ns in moments.items() if each in names}))
    writer.close()
    return site


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def full(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Client]:
    site = await asyncio.to_thread(_written, tmp_path_factory.mktemp("every-kind"))
    async with client_of(site) as client:
        yield client


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return openapi.document(invented.site(tmp_path_factory.mktemp("none")))


def _closed(shape: Any) -> Any:
    """The shape without room for a field that it does not name."""
    if isinstance(shape, dict):
        closing = {"additionalProperties": False} if "properties" in shape else {}
        return {**closing, **{name: _closed(each) for name, each in shape.items()}}
    return [_closed(each) for each in shape] if isinstance(shape, list) else shape


def wrong(document: dict[str, Any], name: str, body: Any) -> list[str]:
    """What in the answer is not as the document has it."""
    schema = {"$ref": f"#/components/schemas/{name}", "components": _closed(document["components"])}
    found = Draft202012Validator(schema, format_checker=FormatChecker()).iter_errors(body)
    return [f"{'/'.join(map(str, each.absolute_path))}: {each.message[:200]}" for each in found]


def test_document_is_valid(document: dict[str, Any]) -> None:
    """By the OpenAPI 3.1 validator; every address stands in it once, with a name of its own."""
    validate(document)
    operations = [each["get"]["operationId"] for each in document["paths"].values()]
    assert len(set(operations)) == len(operations) == len(openapi.ROUTES)


@ON_ONE_LOOP
@pytest.mark.parametrize(("address", "name"), ADDRESSES)
async def test_answers_are_as_described(
    full: Client, document: dict[str, Any], address: str, name: str
) -> None:
    """Every field of every answer, over a record that holds one of each kind."""
    async with full.get(address) as response:
        assert response.status == 200
        body = await response.json()
    assert wrong(document, name, body) == []


@ON_ONE_LOOP
async def test_a_receipt_is_as_described(full: Client, document: dict[str, Any]) -> None:
    """Its address has a number of its own, which Papers leads to; Uploads tells the same of it."""
    async with full.get("/papers") as response:
        (number,) = set(re.findall(r"/paper/receipt/(\d+)", await response.text()))
    async with full.get(f"/paper/receipt/{number}?form=json") as response:
        assert response.status == 200
        body = await response.json()
    assert wrong(document, "receipt", body) == []
    async with full.get("/uploads.json") as response:
        assert (await response.json())["receipts"] == [body]
    body["strange"] = body.pop("size_bytes")
    assert wrong(document, "receipt", body) != []


@ON_ONE_LOOP
@pytest.mark.parametrize(("address", "status_"), REFUSED)
async def test_refusals_are_as_described(
    full: Client, document: dict[str, Any], address: str, status_: int
) -> None:
    """One shape for each of them."""
    async with full.get(address) as response:
        assert response.status == status_
        body = await response.json()
    assert wrong(document, "error", body) == []


@ON_ONE_LOOP
async def test_a_missing_and_a_strange_field_are_found(full: Client, document: dict[str, Any]) -> None:
    """The check above can fail."""
    async with full.get("/events.json") as response:
        body = await response.json()
    body["cases"][0]["strange"] = body["cases"][0].pop("owner")
    assert {each.partition(":")[0] for each in wrong(document, "events", body)} == {"cases/0"}


def test_probe_tells_what_is_described(document: dict[str, Any], tmp_path: Path) -> None:
    """The status that Today's JSON passes on, as a running probe makes it."""
    site = invented.site(tmp_path)
    told = status.as_json(
        status.Status(
            version="0.1.0",
            site=site.name,
            timezone=site.timezone,
            now_ns=invented.NOW_NS,
            started_ns=invented.NOW_NS,
            runs=(RunNow(plan=site.runs[0], started_unix_ns=invented.NOW_NS, asked="by anna"),),
            progress={site.runs[0].handoff: "up after 3 s: 17.20 Mb/s payload"},
            check=(
                CheckNow(
                    plan=site.runs[0],
                    stream="evening",
                    title="Evening class",
                    stage=Stage.HOUR,
                    handoffs=("old", "A"),
                    started_unix_ns=invented.NOW_NS,
                    asked="asked for on the Shows page",
                ),
                "old: up after 3 s: 17.20 Mb/s payload",
            ),
            asked=((site.runs[0], "asked for on the Circuit page"),),
            due=((invented.NOW_NS, site.runs[0]),),
            held=(None,),
            soaks=(samples.soak_begun(),),
            trains={("old", "north"): TrainNow(state=TrainState.GOING, since_unix_ns=invented.NOW_NS)},
            windows=(samples.EVERY_KIND[6],),
            budgets=(),
            waiting=0,
            trouble=None,
            refused=None,
            clock=ClockState(synchronised=True, error_us=12),
        )
    )
    assert wrong(document, "probe", told) == []
