"""To log in and to log out, where the dashboard asks for a login."""

from __future__ import annotations

from aiohttp import web
from yarl import URL

from dashboard import api
from dashboard.access import ACCESS, SESSION, Access, TooSoon
from dashboard.desk import PAGES, framed, html
from dashboard.forms import fields, from_own_page, received, right_token
from dashboard.pages.frame import LoginPage

_FIELDS = {"name", "password", "then"}


async def _login_page(request: web.Request) -> web.StreamResponse:
    api.only(request.query, "then")
    access = _access(request)
    if SESSION in request:
        return _to(_then(request.query.get("then", "")))
    return _page(request, access, why="", then=_then(request.query.get("then", "")))


async def _log_in(request: web.Request) -> web.StreamResponse:
    access = _access(request)
    from_own_page(request)
    form = await fields(request)
    if not right_token(form, access.token(None)):
        return _page(request, access, why="The page was from an earlier start. Please try again.", status=403)
    if form.keys() != _FIELDS:
        raise api.BadQuery("The form to log in has a name and a password.")
    name, then = form["name"].strip(), _then(form["then"])
    try:
        secret = await access.log_in(request, name=name, password=form["password"])
    except TooSoon as wait:
        why = f"Too many tries went wrong. Wait {wait.seconds} s, then try again."
        page = _page(request, access, why=why, then=then, name=name, status=429)
        page.headers["Retry-After"] = str(wait.seconds)
        return page
    if secret is None:
        why = "This name and this password do not belong together."
        return _page(request, access, why=why, then=then, name=name, status=403)
    response = _to(then)
    access.give(response, secret)
    return response


async def _log_out(request: web.Request) -> web.StreamResponse:
    access = _access(request)
    await received(request)
    access.log_out(request, request[SESSION])
    response = _to("/login")
    access.take(response)
    return response


def _access(request: web.Request) -> Access:
    access = request.app.get(ACCESS)
    if access is None:
        raise api.NotHere("No login is asked for here: this dashboard is for this machine only.")
    return access


def _page(
    request: web.Request, access: Access, *, why: str, then: str = "/", name: str = "", status: int = 200
) -> web.Response:
    page = LoginPage(
        frame=framed(request, title="Log in"), why=why, then=then, name=name[:40], token=access.token(None)
    )
    response = html(request.app[PAGES].login(page))
    response.set_status(status)
    return response


def _then(asked: str) -> str:
    """The page of this dashboard that was asked for; Today for anything else, other hosts above all."""
    try:
        url = URL(asked)
    except ValueError:
        return "/"
    inside = not url.absolute and asked.startswith("/") and not asked.startswith("//") and "\\" not in asked
    return str(url) if inside and url.path != "/login" and asked.isprintable() else "/"


def _to(where: str) -> web.Response:
    return web.Response(status=303, headers={"Location": where})


ROUTES = [
    web.get("/login", _login_page),
    web.post("/login", _log_in),
    web.post("/logout", _log_out),
]
