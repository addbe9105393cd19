"""The probe's local door: HTTP over a Unix socket beside the database, for its own account alone.

Tells how the probe is, stops all test traffic, opens and closes a show window. What is asked and answered
stands in `store.door`, as the programs that knock know it. A socket that a dead probe left behind is
replaced, one that answers is not touched. Stands above the daemon. Imports store and status.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import stat
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from aiohttp import web

from probe import allowance, asked, budget, safety
from probe.daemon import Daemon, Ended
from probe.status import SCHEMA, as_json, window_json
from store.acceptance import AcceptanceNote
from store.before_show import Stage
from store.clock import rfc3339
from store.documents import document_of
from store.door import MINUTES_MAX, STOP_MINUTES, address_of, door_path
from store.errors import StoreTrouble, UserMistake
from store.failovers import Failover
from store.papers import IssuedPaper
from store.receipts import Receipt
from store.rehearsals import Rehearsal
from store.segments import Split
from store.shows import CheckRun, Forecast, ShowReport
from store.tickets import TicketNote

_BODY_BYTES_MAX = 4096
_RECORD_BYTES_MAX = 8 << 20  # of what a command measured, an hour of it second by second
_KEPT = {
    each.kind
    for each in (
        *(AcceptanceNote, CheckRun, Failover, Forecast, IssuedPaper, Receipt, Rehearsal, ShowReport, Split),
        TicketNote,
    )
}  # what a command may keep
_SHUTDOWN_S = 0.5
_BACKLOG = 16

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
Json = dict[str, Any]

DAEMON = web.AppKey("DAEMON", Daemon)


@asynccontextmanager
async def opened(database: Path, daemon: Daemon) -> AsyncIterator[Path]:
    """The door of a daemon, open as long as the body lasts; where it is.

    Raises UserMistake when another probe answers there, or when something else is in the way.
    """
    path = door_path(database)
    listening = await asyncio.to_thread(_listen, path)
    runner = web.AppRunner(_application(daemon), access_log=None, shutdown_timeout=_SHUTDOWN_S)
    try:
        await runner.setup()
        await web.SockSite(runner, listening).start()
        yield path
    finally:
        await runner.cleanup()
        listening.close()
        await asyncio.to_thread(path.unlink, missing_ok=True)


def _listen(path: Path) -> socket.socket:
    """A listening socket that nobody but this account may open. Blocks."""
    with address_of(path) as address:
        _clear(path, address)
        listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            os.fchmod(listening.fileno(), stat.S_IRUSR | stat.S_IWUSR)  # Linux gives the file this mode
            listening.bind(address)
            listening.listen(_BACKLOG)
        except OSError as error:
            listening.close()
            raise UserMistake(f"{path} cannot be opened as the probe's door: {error.strerror}") from None
    listening.setblocking(False)
    return listening


def _clear(path: Path, address: str) -> None:
    """Remove what a dead probe left. Raises UserMistake for what is alive or no socket."""
    with contextlib.suppress(FileNotFoundError):
        if not stat.S_ISSOCK(path.lstat().st_mode):
            raise UserMistake(
                f"{path} is in the way: the probe has its door there, and this is another kind of file"
            )
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as knock:
            try:
                knock.connect(address)
            except OSError:
                path.unlink()
            else:
                raise UserMistake(f"another probe answers at {path}; stop that one first")


def _application(daemon: Daemon) -> web.Application:
    app = web.Application(middlewares=[_errors], client_max_size=_RECORD_BYTES_MAX)
    app[DAEMON] = daemon
    app.add_routes(
        [
            web.get("/status", _status),
            web.get("/budget", _budget),
            web.post("/stop", _stop),
            web.post("/resume", _resume),
            web.post("/show", _show),
            web.post("/keep", _keep),
            web.post("/run", _run),
            web.post("/check", _check),
            web.post("/end", _end),
            web.post("/reload", _reload),
        ]
    )
    return app


@web.middleware
async def _errors(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Every refusal has one shape, and a mistake of ours a line in the log."""
    try:
        return await handler(request)
    except UserMistake as mistake:
        return _error(400, str(mistake))
    except web.HTTPException as refusal:
        return _error(refusal.status, f"{request.method} {request.path}: {refusal.reason}")
    except Exception:
        request.app[DAEMON].book.log.exception("mistake of the door path=%s", request.path)
        return _error(500, "the probe made a mistake of its own; its log says which")


async def _status(request: web.Request) -> web.Response:
    return web.json_response(as_json(request.app[DAEMON].status()))


async def _budget(request: web.Request) -> web.Response:
    daemon = request.app[DAEMON]
    now_ns = daemon.book.clock.unix_ns()
    costs = allowance.monthly_cost(daemon.site.at(now_ns))
    handoffs = [
        {**budget.as_json(one), "costs": [{"what": line.what, "bytes": line.bytes} for line in costs[name]]}
        for name, one in daemon.budgets().items()
    ]
    return _answer(daemon, "budget", {"handoffs": handoffs})


async def _stop(request: web.Request) -> web.Response:
    daemon, asked = request.app[DAEMON], await _asked(request, "minutes", "why")
    minutes = _minutes(asked, STOP_MINUTES)
    assert minutes is not None  # noqa: S101 - it has a default
    ended = await daemon.stop(minutes=minutes, why=_why(asked))
    return _answer(daemon, "stopped", _ended_json(ended))


async def _resume(request: web.Request) -> web.Response:
    daemon, asked = request.app[DAEMON], await _asked(request, "why")
    return _answer(daemon, "resumed", {"was_stopped": daemon.resume(why=_why(asked))})


async def _show(request: web.Request) -> web.Response:
    daemon, asked = request.app[DAEMON], await _asked(request, "open", "handoff", "minutes", "why")
    handoff = _handoff(asked, daemon)
    if asked.get("open") is True:
        ended = await daemon.open_show(handoff, minutes=_minutes(asked, None), why=_why(asked))
        return _answer(daemon, "show opened", _ended_json(ended))
    if asked.get("open") is False:
        if "minutes" in asked:
            raise UserMistake("minutes: a show window is closed at once; leave it out")
        return _answer(daemon, "show closed", {"closed": daemon.close_show(handoff, why=_why(asked))})
    raise UserMistake("open: expected true to open a show window, or false to close it")


async def _run(request: web.Request) -> web.Response:
    daemon, found = request.app[DAEMON], await _asked(request, "runs", "confirmed", "why")
    runs = found.get("runs")
    if not isinstance(runs, list) or not 1 <= len(runs) <= asked.RUNS_MAX:
        raise UserMistake(f"runs: expected a list of 1 to {asked.RUNS_MAX} objects")
    plans = [asked.plan_of(one, daemon.site) for one in runs]
    if any(asked.fills(plan) for plan in plans) and found.get("confirmed") is not True:
        raise UserMistake(f"confirmed: expected true, for it fills the line. {safety.CAUTION}")
    daemon.ask(plans, seconds=runs[0].get("seconds", 60), why=_why(found))
    return _answer(daemon, "taken on", {"taken_on": [asked.said(plan) for plan in plans]})


async def _check(request: web.Request) -> web.Response:
    daemon, found = request.app[DAEMON], await _asked(request, "plan", "before", "confirmed", "why")
    plans, stages = [one.name for one in daemon.site.plans], list(Stage)
    if found.get("plan") not in plans:
        raise UserMistake(f"plan: expected one of {', '.join(plans) or 'none, for there is none'}")
    if found.get("before") not in stages:
        raise UserMistake(f"before: expected one of {', '.join(stages)}")
    if found.get("confirmed") is not True:
        raise UserMistake(f"confirmed: expected true, for it may fill the line. {safety.CAUTION}")
    now = daemon.check(found["plan"], Stage(found["before"]), why=_why(found))
    said = f"check {now.stage} before {now.title} on {', '.join(now.handoffs)}"
    return _answer(daemon, "taken on", {"taken_on": [said]})


async def _end(request: web.Request) -> web.Response:
    daemon, found = request.app[DAEMON], await _asked(request, "handoff", "why")
    return _answer(daemon, "ended", {"ended": daemon.end(_handoff(found, daemon), why=_why(found))})


async def _reload(request: web.Request) -> web.Response:
    """Read the site file again, as SIGHUP does; the old one holds when the new one is wrong."""
    daemon, found = request.app[DAEMON], await _asked(request, "what", "why")
    what = found.get("what", "the site file read again")
    if not isinstance(what, str) or not what.strip() or len(what) > 200:
        raise UserMistake("what: expected words of at most 200 characters")
    await daemon.read_again(what, why=_why(found))
    return _answer(daemon, "reloaded", {})


async def _keep(request: web.Request) -> web.Response:
    """Put on record what a command of this account measured or said, as nobody else may write while a probe
    runs.
    """
    daemon = request.app[DAEMON]
    asked = await _asked(request, "kind", "handoff", "endpoint", "started_unix_ns", "text")
    kind, text, started_ns = (asked.get(key) for key in ("kind", "text", "started_unix_ns"))
    if kind not in _KEPT:
        raise UserMistake(f"kind: expected {' or '.join(sorted(_KEPT))}")
    if not isinstance(text, str) or isinstance(started_ns, bool) or not isinstance(started_ns, int):
        raise UserMistake("text and started_unix_ns: expected the record's text and start")
    try:
        names = {"handoff": _handoff(asked, daemon), "endpoint": _endpoint(asked, daemon)}
        record = document_of(kind, text, **names, started_unix_ns=started_ns)
    except ValueError as error:
        raise UserMistake(f"text: is no record of this kind ({error})") from None
    daemon.book.keep(record)
    if isinstance(record, Failover):
        daemon.book.charge(record.handoff, record.spent_bytes)  # some of it went by the other uplink
    elif isinstance(record, Split):
        daemon.book.charge(record.handoff, record.spent_bytes)
    elif isinstance(record, Rehearsal | CheckRun):
        daemon.book.charge(record.handoff, record.spent_bytes, up_ratio=1.0)
    with contextlib.suppress(StoreTrouble):  # a full disk gets it later, and whoever asked need not wait
        await daemon.book.store.flush()
    return _answer(daemon, "kept", {})


def _answer(daemon: Daemon, kind: str, more: Mapping[str, Any]) -> web.Response:
    status = daemon.status()
    windows = [window_json(one) for one in status.windows]
    head = {"kind": kind, "schema": SCHEMA, "now": rfc3339(status.now_ns), "timezone": status.timezone}
    return web.json_response({**head, **more, "windows": windows})


def _error(status: int, why: str) -> web.Response:
    return web.json_response({"kind": "error", "status": status, "why": why}, status=status)


def _ended_json(ended: Ended) -> Json:
    runs = [
        {"handoff": run.plan.handoff, "endpoint": run.plan.endpoint, "direction": str(run.plan.direction)}
        for run in ended.runs
    ]
    return {"runs": runs, "trains": ended.trains, "unanswered": list(ended.unanswered)}


async def _asked(request: web.Request, *known: str) -> Json:
    """The JSON object that was sent, with keys of these names only."""
    body = await request.read()
    if len(body) > _BODY_BYTES_MAX and "text" not in known:
        raise web.HTTPRequestEntityTooLarge(max_size=_BODY_BYTES_MAX, actual_size=len(body))
    try:
        found = json.loads(body or b"{}")
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise UserMistake("the body is no JSON object")
    for key in found:
        if key not in known:
            raise UserMistake(f"{key!r} is not known here; expected {', '.join(known)}")
    return found


def _minutes(asked: Json, usual: float | None) -> float | None:
    found = asked.get("minutes", usual)
    if found is None and "minutes" not in asked:
        return None
    if isinstance(found, bool) or not isinstance(found, int | float) or not 0 < found <= MINUTES_MAX:
        raise UserMistake(f"minutes: expected a number above 0, {MINUTES_MAX} at most")
    return found


def _handoff(asked: Json, daemon: Daemon) -> str:
    """The name of a handoff; empty for all of them."""
    found, names = asked.get("handoff", ""), [one.name for one in daemon.site.handoffs]
    if found != "" and found not in names:
        raise UserMistake(f"handoff: there is none called {found!r}; this site has {', '.join(names)}")
    return str(found)


def _endpoint(asked: Json, daemon: Daemon) -> str:
    """The name of an endpoint; empty for none."""
    found, names = asked.get("endpoint", ""), [one.name for one in daemon.site.endpoints]
    if found != "" and found not in names:
        raise UserMistake(f"endpoint: there is none called {found!r}; this site has {', '.join(names)}")
    return str(found)


def _why(asked: Json) -> str:
    """Who asked for it, in words for the record."""
    found = asked.get("why", "asked for at the probe's door")
    if not isinstance(found, str) or not found.strip() or len(found) > 200:
        raise UserMistake("why: expected a sentence of at most 200 characters")
    return " ".join(found.split())
