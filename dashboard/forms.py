"""A form that came back: is it one of this dashboard's own pages, sent by who may send it?

Its browser says where it comes from (Sec-Fetch-Site where it knows that header, else Origin), and it carries
the token of this start of the dashboard, and where one logs in of this session, which no other page can
read. Nothing is changed by a GET. Imports access and api.
"""

from __future__ import annotations

import hmac
import logging

from aiohttp import web

from dashboard import api
from dashboard.access import Visitor, visitor_of

log = logging.getLogger(__name__)


async def received(request: web.Request, *, page: str = "Today") -> tuple[Visitor, dict[str, str]]:
    """Who sent it, and its fields without the token. Raises Forbidden; `page` is where a form of now is."""
    from_own_page(request)
    visitor = visitor_of(request)
    if visitor is None:  # the door has refused it before
        raise api.Forbidden("Nobody is logged in, so nothing was changed.")
    form = await fields(request)
    if not right_token(form, visitor.token):
        raise api.Forbidden(
            f"This form is from an earlier start of the dashboard; open {page} again and press once more."
        )
    return visitor, form


async def fields(request: web.Request) -> dict[str, str]:
    """What the form says. Raises BadQuery for octets that no form of these pages sends."""
    try:
        if request.content_type.startswith("multipart/"):
            raise ValueError("with files")
        return {key: str(value) for key, value in (await request.post()).items()}
    except (ValueError, LookupError):  # octets that are no text, or in an encoding that nobody knows
        raise api.BadQuery("This is no form of a page of this dashboard, so nothing was changed.") from None


def right_token(form: dict[str, str], token: str) -> bool:
    """Whether the form has this token, which is taken out of it; in a time that tells nothing."""
    return hmac.compare_digest(form.pop("token", "").encode(), token.encode())


def from_own_page(request: web.Request) -> None:
    """Raises Forbidden for a form that does not come from a page of this very address.

    Under this dashboard's referrer policy a browser sends ``Origin: null`` with a form of its own pages
    (Fetch, section on appending a request's Origin header), so Sec-Fetch-Site decides where it is sent;
    a foreign Origin is refused in any case.
    """
    site, origin = request.headers.get("Sec-Fetch-Site"), request.headers.get("Origin")
    own = f"{request.app[SCHEME]}://{request.headers.get('Host')}"
    if (site == "same-origin" and origin in (None, "null", own)) or (site is None and origin == own):
        return
    log.warning("act refused path=%s origin=%s fetch_site=%s", request.path, origin, site)
    raise api.Forbidden("This form did not come from a page of this dashboard, so nothing was changed.")


SCHEME = web.AppKey("SCHEME", str)  # by which browsers reach it: http or https
