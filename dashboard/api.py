"""What other programs meet: query parameters in, JSON out, every error of one shape.

::

    {"kind": "error", "status": 404, "why": "No handoff is called 'C'. This site has: A, B."}

Imports store; knows neither routes nor templates.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from enum import StrEnum
from typing import Any

from aiohttp import web
from multidict import MultiMapping

from store.clock import NS_PER_S

Json = Mapping[str, Any]


class Period(StrEnum):
    """How far back a page looks. A month is 30 days, so that months can be compared."""

    HOUR = "hour"
    DAY = "day"
    WEEK = "week"
    MONTH = "month"

    @property
    def seconds(self) -> int:
        return {"hour": 3600, "day": 86400, "week": 7 * 86400, "month": 30 * 86400}[self.value]

    @property
    def ns(self) -> int:
        return self.seconds * NS_PER_S


class BadQuery(web.HTTPBadRequest):
    """A query parameter that says something it may not; its text is one sentence naming it."""

    def __init__(self, why: str) -> None:
        super().__init__(text=why)


class NotHere(web.HTTPNotFound):
    """An address that leads nowhere, with a sentence that helps."""

    def __init__(self, why: str) -> None:
        super().__init__(text=why)


class Forbidden(web.HTTPForbidden):
    """A form that is not ours, with a sentence."""

    def __init__(self, why: str) -> None:
        super().__init__(text=why)


class NotNow(web.HTTPServiceUnavailable):
    """Something that cannot be done just now, with a sentence that says why."""

    def __init__(self, why: str) -> None:
        super().__init__(text=why)


class Conflict(web.HTTPConflict):
    """Something that a rule forbids as things stand, with its sentence."""

    def __init__(self, why: str) -> None:
        super().__init__(text=why)


def period_of(query: MultiMapping[str], *others: str) -> Period:
    """The period asked for, a day when none is. Raises BadQuery for a query beyond it and `others`."""
    only(query, "period", *others)
    asked = query.getall("period", ["day"])
    words = ", ".join(Period)
    if len(asked) > 1:
        raise BadQuery(f"The parameter period stands {len(asked)} times; give it once, as one of: {words}.")
    try:
        return Period(asked[0])
    except ValueError:
        raise BadQuery(f"The parameter period cannot be {asked[0]!r}; it is one of: {words}.") from None


def only(query: MultiMapping[str], *allowed: str) -> None:
    """Raises BadQuery for a parameter that the address does not take."""
    for name in query:
        if name not in allowed:
            takes = f"it takes {', '.join(allowed)}" if allowed else "it takes none"
            raise BadQuery(f"This address has no parameter {name!r}; {takes}.")


def wants_json(request: web.Request) -> bool:
    """Whether the address is one for programs, whose errors are JSON."""
    return request.path.endswith((".json", ".csv", ".ics")) or request.path == "/metrics"


def answer(body: Json, *, status: int = 200) -> web.Response:
    """`body` as a JSON response that no cache keeps."""
    return answer_text(json.dumps(body, allow_nan=False), status=status)


def answer_text(text: str, *, status: int = 200) -> web.Response:
    """`text`, which is JSON already, as a response."""
    return web.Response(
        text=text, status=status, content_type="application/json", headers={"Cache-Control": "no-store"}
    )


def error(status: int, why: str) -> web.Response:
    """The one shape of every JSON error."""
    return answer({"kind": "error", "status": status, "why": why}, status=status)
