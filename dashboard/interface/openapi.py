"""The OpenAPI 3.1 document of this dashboard, made from one description of each JSON address (`ROUTES`).

An address is described here once: what it is for, what it takes, what it answers. Names of handoffs and
plans are the site's. Imports the shapes and the parameters' words; knows no route handler.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dashboard.api import Period
from dashboard.interface import answers, records, term
from dashboard.interface.shape import DAY, TEXT, WHOLE, Shape, constant, listed, said, thing, word
from store import jsonform
from store.site import Site

_HANDOFF, _PLAN = "handoff", "plan"  # parameters whose words are the site's


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """A part of an address or of its query; `shape` is None where the site has the words.

    What is `needed` of a query must be there, as every part of an address must.
    """

    name: str
    meaning: str
    shape: Shape | None = None
    in_path: bool = False
    needed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """A JSON address: `answer` is the name of its shape."""

    path: str
    summary: str
    answer: str
    takes: tuple[Parameter, ...] = ()


_OF_HANDOFF = Parameter(name=_HANDOFF, meaning="name of a handoff", in_path=True)
_OF_PLAN = Parameter(name=_PLAN, meaning="name of a stream plan", in_path=True)
_AS_JSON = Parameter(name="form", meaning="which form of the paper", shape=word("json"), needed=True)
_PERIOD = Parameter(name="period", meaning="how far back, a day unless said", shape=word(*Period))
_UP_TO = Parameter(name="day", meaning="the last day of the time looked at, today unless said", shape=DAY)
_SIZE = said(TEXT, "such as 64 GB")
_WHEN = said(TEXT, "by the site's clocks: 23:00, or 2026-05-20T23:00")

ROUTES = (
    Route(path="/today.json", summary="What needs attention now, and what was measured last", answer="today"),
    Route(path="/shows.json", summary="Stream plans, answers, forecasts and reports", answer="shows"),
    Route(
        path="/circuit/{handoff}.json",
        summary="One handoff: card, verdicts, runs, trains, stalls",
        answer="circuit",
        takes=(_OF_HANDOFF, _PERIOD),
    ),
    Route(
        path="/evenings/{handoff}.json",
        summary="A month's evenings beside each other, and the worst to send from",
        answer="evenings",
        takes=(
            _OF_HANDOFF,
            Parameter(name="month", meaning="which month, this one unless said", shape=term.MONTH),
        ),
    ),
    Route(
        path="/findings/{handoff}.json",
        summary="Which faults four weeks look like",
        answer="findings",
        takes=(_OF_HANDOFF, _UP_TO),
    ),
    Route(
        path="/acceptance/{handoff}.json",
        summary="A new circuit's sheet, row by row",
        answer="acceptance",
        takes=(_OF_HANDOFF,),
    ),
    Route(path="/site.json", summary="The site file's cards, plans and windows", answer="site_file"),
    Route(
        path="/allowance.json",
        summary="What is due, what tests spent, what it will come to",
        answer="schedule",
    ),
    Route(
        path="/ledger/{handoff}.json",
        summary="Every verdict with and without each rule",
        answer="ledger",
        takes=(_OF_HANDOFF,),
    ),
    Route(
        path="/term/{handoff}.json",
        summary="A month's statement and the term so far",
        answer="term",
        takes=(
            _OF_HANDOFF,
            Parameter(name="month", meaning="the statement's month, this one unless said", shape=term.MONTH),
        ),
    ),
    Route(
        path="/events.json",
        summary="Cases of a week with their events",
        answer="events",
        takes=(_UP_TO, Parameter(name=_HANDOFF, meaning="of this handoff only")),
    ),
    Route(
        path="/side-by-side.json",
        summary="Two handoffs by hour of the day; the site needs two",
        answer="side_by_side",
        takes=(
            Parameter(name="old", meaning="a handoff, the site's first unless said", shape=TEXT),
            Parameter(name="new", meaning="another handoff, the site's second unless said", shape=TEXT),
            Parameter(
                name="days", meaning="over how many days", shape={"type": "integer", "enum": [7, 30, 90]}
            ),
        ),
    ),
    Route(
        path="/papers.json",
        summary="Papers that were issued, packs made since this start, and what a pack withholds",
        answer="papers",
    ),
    Route(
        path="/paper/statement/{handoff}",
        summary="A month's statement as a draft",
        answer="statement",
        takes=(
            _OF_HANDOFF,
            _AS_JSON,
            Parameter(name="month", meaning="the month", shape=term.MONTH, needed=True),
        ),
    ),
    Route(
        path="/paper/acceptance/{handoff}",
        summary="The acceptance sheet",
        answer="acceptance",
        takes=(_OF_HANDOFF, _AS_JSON),
    ),
    Route(
        path="/paper/renewal/{handoff}",
        summary="The renewal sheet",
        answer="renewal",
        takes=(_OF_HANDOFF, _AS_JSON),
    ),
    Route(
        path="/paper/day-sheet/{plan}",
        summary="The answer for a plan's next show",
        answer="check",
        takes=(_OF_PLAN, _AS_JSON),
    ),
    Route(
        path="/paper/show-report/{plan}",
        summary="What became of a plan's last show",
        answer="show_report",
        takes=(_OF_PLAN, _AS_JSON),
    ),
    Route(
        path="/paper/receipt/{number}",
        summary="An upload that is over",
        answer="receipt",
        takes=(
            Parameter(name="number", meaning="Unix ns of its beginning", shape=WHOLE, in_path=True),
            _AS_JSON,
        ),
    ),
    Route(
        path="/uploads.json",
        summary="Receipts, receivers' ceilings, and the plan of an upload if a size is given",
        answer="uploads",
        takes=(
            Parameter(name="size", meaning="how much to send", shape=_SIZE),
            Parameter(name="start", meaning="when it begins, now unless said", shape=_WHEN),
            Parameter(name="deadline", meaning="by when it must be over", shape=_WHEN),
            Parameter(name="to", meaning="name of the receiver", shape=TEXT),
            Parameter(name="at_most", meaning="what it may take of the line, such as 50 Mb/s", shape=TEXT),
        ),
    ),
    Route(
        path="/figures/today/{plan}.json",
        summary="The chart of a plan's last day",
        answer="figure",
        takes=(Parameter(name=_PLAN, meaning="name of a stream plan", in_path=True),),
    ),
    Route(
        path="/figures/shows/{plan}.json",
        summary="The stalls of a plan's last show beside its send buffers",
        answer="figure",
        takes=(Parameter(name=_PLAN, meaning="name of a stream plan", in_path=True),),
    ),
    Route(
        path="/figures/circuit/{handoff}/{figure}.json",
        summary="A chart of one handoff",
        answer="figure",
        takes=(
            _OF_HANDOFF,
            Parameter(
                name="figure",
                meaning="which chart",
                shape=word("rates-up", "rates-down", "train"),
                in_path=True,
            ),
            _PERIOD,
            Parameter(name="endpoint", meaning="of the train to this endpoint; train needs it", shape=TEXT),
        ),
    ),
    Route(
        path="/figures/evenings/{handoff}/{figure}.json",
        summary="A month's rates by hour of the week, or how its runs are spread",
        answer="figure",
        takes=(
            _OF_HANDOFF,
            Parameter(
                name="figure",
                meaning="which chart",
                shape=word("week-up", "week-down", "spread-up", "spread-down"),
                in_path=True,
            ),
            Parameter(name="month", meaning="the month, this one unless said", shape=term.MONTH),
        ),
    ),
    Route(
        path="/figures/term/{handoff}/{part}.json",
        summary="The calendar of a month, or of a part of it by one version of the card",
        answer="figure",
        takes=(
            _OF_HANDOFF,
            Parameter(name="part", meaning="Unix seconds of its beginning", shape=WHOLE, in_path=True),
            Parameter(name="month", meaning="the month, this one unless said", shape=term.MONTH),
        ),
    ),
    Route(
        path="/figures/events.json",
        summary="Cases as lanes over time",
        answer="figure",
        takes=(_UP_TO, Parameter(name=_HANDOFF, meaning="of this handoff only")),
    ),
    Route(
        path="/figures/events/parts.json",
        summary="The parts of the way as lanes over time",
        answer="figure",
        takes=(_UP_TO, Parameter(name=_HANDOFF, meaning="of this handoff only")),
    ),
    Route(path="/method.json", summary="How each figure is made, with its source", answer="method"),
    Route(path="/openapi.json", summary="This document", answer="openapi"),
)

ERROR = thing({"kind": constant("error"), "status": WHOLE, "why": TEXT})
_OBJECT: Shape = {"type": "object"}
_WAY = thing({"id": TEXT, "topic": TEXT, "figure": TEXT, "how": TEXT, "source": TEXT})

SHAPES: dict[str, Shape] = {
    "error": said(ERROR, "The one shape of every error: `why` is a sentence for a person."),
    "today": answers.TODAY,
    "shows": answers.SHOWS,
    "circuit": answers.CIRCUIT,
    "findings": answers.FINDINGS,
    "acceptance": answers.ACCEPTANCE,
    "ledger": answers.LEDGER,
    "schedule": answers.SCHEDULE,
    "site_file": answers.SITE_FILE,
    "evenings": answers.EVENINGS,
    "term": term.TERM,
    "events": answers.EVENTS,
    "side_by_side": answers.SIDE_BY_SIDE,
    "uploads": answers.UPLOADS,
    "papers": answers.PAPERS,
    "renewal": term.RENEWAL,
    "check": answers.DAY_SHEET,
    "show_report": answers.SHOW_REPORT,
    "receipt": answers.RECEIPT,
    "figure": thing({"data": listed(_OBJECT), "layout": _OBJECT}),
    "method": thing({"kind": constant("method"), "schema": WHOLE, "figures": listed(_WAY)}),
    "openapi": thing({"openapi": TEXT, "info": _OBJECT, "paths": _OBJECT, "components": _OBJECT}),
}
_PARTS = {  # shapes that stand in several others, written once
    "delays": records.DELAYS,
    "corrections": records.CORRECTIONS,
    "circumstances": records.CIRCUMSTANCES,
    "rate_run": records.RATE_RUN,
    "case": answers.CASE,
    "card": answers.CARD,
    "verdict": answers.VERDICT,
    "count": term.COUNT,
    "statement": term.STATEMENT,
    "piece": answers.PIECE,
    "probe": answers.PROBE,
    "budget": answers.BUDGET,
}


def document(site: Site) -> dict[str, Any]:
    """The document for a site's dashboard: every address, what it takes, what it answers."""
    words = {_HANDOFF: [one.name for one in site.handoffs], _PLAN: [one.name for one in site.plans]}
    shapes = {**_PARTS, **SHAPES}
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Linebook: the log book of an internet line",
            "version": str(jsonform.SCHEMA),
            "description": "Rates are in bit/s, delays in microseconds, moments in RFC 3339 (UTC). "
            "Objects are open: a later version may add fields. `schema` grows when a field changes its "
            "meaning or goes. null is what is not known.",
        },
        "paths": {
            route.path: {"get": _operation(route, words)}
            for route in ROUTES
            if all(one.name != _PLAN or words[_PLAN] for one in route.takes)
        },
        "components": {"schemas": {name: _referring(shape, name) for name, shape in shapes.items()}},
    }


def _operation(route: Route, words: Mapping[str, list[str]]) -> dict[str, Any]:
    failures = {"400": "A parameter is wrong or not known here", "404": "No such handoff, plan or figure"}
    if not any(one.in_path or one.name == _HANDOFF for one in route.takes):
        del failures["404"]
    failures |= {"500": "A mistake of the dashboard itself", "503": "The record cannot be read just now"}
    return {
        "operationId": route.path.strip("/").removesuffix(".json").translate(str.maketrans("/-", "__", "{}")),
        "summary": route.summary,
        "parameters": [_parameter(one, words) for one in route.takes],
        "responses": {
            "200": _response(route.summary, route.answer),
            **{status: _response(why, "error") for status, why in failures.items()},
            "421": {
                "description": "The Host header is not this dashboard's own",
                "content": {"text/plain": {"schema": TEXT}},
            },
        },
    }


def _parameter(one: Parameter, words: Mapping[str, list[str]]) -> dict[str, Any]:
    return {
        "name": one.name,
        "in": "path" if one.in_path else "query",
        "required": one.in_path or one.needed,
        "description": one.meaning,
        "schema": word(*words[one.name]) if one.shape is None else one.shape,
    }


def _response(meaning: str, name: str) -> dict[str, Any]:
    return {
        "description": meaning,
        "content": {"application/json": {"schema": {"$ref": f"#/components/schemas/{name}"}}},
    }


def _referring(shape: Any, inside: str) -> Any:
    """The shape with every part that stands elsewhere replaced by a reference to it."""
    if isinstance(shape, dict):
        for name, part in _PARTS.items():
            if name != inside and shape == part:
                return {"$ref": f"#/components/schemas/{name}"}
        return {name: _referring(each, inside) for name, each in shape.items()}
    return [_referring(each, inside) for each in shape] if isinstance(shape, list) else shape
