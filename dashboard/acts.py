"""What a person may ask of the running probe on a page: forms in, a question to the probe's door out.

A form is taken as `dashboard.forms` has it. Every act is in the log, and on record with the probe.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping
from typing import Any

from aiohttp import web

from dashboard import api, forms
from dashboard.access import Visitor
from dashboard.pages.now import Asked
from store import door
from store.door import Act
from store.errors import NotRunning, UserMistake
from store.site import Site

log = logging.getLogger(__name__)

STATUS_WITHIN_S = 1.0  # a page does not wait long for a probe that is stuck

_FIELDS = {  # act on the page: what the door is asked, and which fields the form may have
    "stop": (Act.STOP, {}, ("minutes",)),
    "resume": (Act.RESUME, {}, ()),
    "show-open": (Act.SHOW, {"open": True}, ("handoff", "minutes")),
    "show-close": (Act.SHOW, {"open": False}, ("handoff",)),
}


async def status(site: Site) -> Asked:
    """How the probe is, or why that cannot be said."""
    try:
        return Asked(status=await door.ask(site.database, Act.STATUS, within_s=STATUS_WITHIN_S))
    except (NotRunning, UserMistake) as trouble:
        return Asked(status=None, why=str(trouble))


async def do(request: web.Request, *, site: Site) -> web.StreamResponse:
    """Do what a form asks, then lead back to Today. Raises one of `dashboard.api`'s refusals."""
    name = request.match_info["act"]
    if name not in _FIELDS:
        raise api.NotHere(f"Nothing can be done under {request.path}.")
    visitor, form = await forms.received(request)
    act, fixed, fields = _FIELDS[name]
    asked = fixed | _values(form, fields) | {"why": visitor.asked("Today")}
    try:
        answer = await door.ask(site.database, act, asked)
    except NotRunning as trouble:
        raise api.NotNow(f"Nothing was changed: {trouble}.") from None
    except UserMistake as mistake:
        raise api.BadQuery(f"Nothing was changed: {mistake}.") from None
    log.info("act done act=%s%s answer=%s", name, by(visitor), door.said(answer))
    return web.Response(status=303, headers={"Location": "/#now"})


def by(visitor: Visitor) -> str:
    """Whose act it was, for the log."""
    return f" name={visitor.name}" if visitor.name else ""


def _values(form: Mapping[str, str], fields: tuple[str, ...]) -> dict[str, Any]:
    """The form's fields as the door takes them; what was left empty is left out."""
    for key in form:
        if key not in fields:
            raise api.BadQuery(f"This form has no field {key!r}.")
    found: dict[str, Any] = {key: value for key, value in form.items() if value}
    if "minutes" in found:
        if not re.fullmatch("[0-9]{1,9}", found["minutes"]):  # Python reads no more than 4300 digits
            raise api.BadQuery("Minutes are a whole number; nothing was changed.")
        found["minutes"] = int(found["minutes"])
    return found
