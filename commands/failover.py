"""`linebook failover`: a stopwatch while somebody breaks the main uplink.

May import all three packages.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from contextlib import closing
from typing import TYPE_CHECKING, Any, TypeVar

from commands import answering
from store.clock import Clock
from store.errors import UserMistake

if TYPE_CHECKING:
    import asyncio

    from store.site import Handoff, Site

T = TypeVar("T")


def command(options: Any) -> int:
    from dashboard import text_failover
    from probe.methods import failover
    from probe.reach import reaches_of
    from store import site as sites
    from store.jsonform import as_json
    from store.records import Failed, Owner

    site = sites.load(options.site)
    main, backup = _two_uplinks(options, site)
    endpoint = _outside_endpoint(options, site)
    if (why := _all_stopped(site)) is not None:
        failed = Failed(what=failover.WHAT, why=why, whose=Owner.HOUSE, started_unix_ns=Clock().unix_ns())
        return answering.failed(failed, as_json=options.json)
    reaches = reaches_of(site)
    where = failover.Uplinks(main=reaches[main.name][endpoint], backup=reaches[backup.name][endpoint])
    plan = failover.FailoverPlan(seconds=options.seconds, per_second=options.per_second)
    answering.say(
        f"Watching {main.name} and {backup.name} for {options.seconds:g} s (Ctrl-C ends it). "
        f"Break {main.name} when traffic is seen to go by it. "
        "Warn everybody first: calls, alarms and shows may hang on it. "
        "Leave mains and the provider's devices to those who may open them."
    )
    found = answering.finish(
        lambda: _interruptible(
            lambda stop: failover.run(plan, where, Clock(), stop=stop, on_progress=answering.say)
        )
    )
    if isinstance(found, Failed):
        return answering.failed(found, as_json=options.json)
    answering.put_on_record(site, found)
    answering.print_json(as_json(found)) if options.json else print(text_failover.failover(found))
    return 0


def _two_uplinks(options: Any, site: Site) -> tuple[Handoff, Handoff]:
    """The uplink that will be broken and the one that is to take over."""
    names = [one.name for one in site.handoffs]
    if len(names) < 2:
        raise UserMistake(
            f"{options.site}: handoff: a failover needs two, and it has {', '.join(names)} alone"
        )
    if len(names) > 2 and None in (options.main, options.backup):
        raise UserMistake(
            f"--main, --backup: {options.site} has {', '.join(names)}; name the two that are meant"
        )
    main = options.main or next(name for name in names if name != options.backup)
    backup = options.backup or next(name for name in names if name != main)
    for option, name in (("--main", main), ("--backup", backup)):
        if name not in names:
            raise UserMistake(
                f"{option}: {options.site} has no handoff {name!r}{answering.near(name, names)}"
            )
    if main == backup:
        raise UserMistake(f"--backup: {backup!r} is the main uplink; name another handoff")
    return site.handoff(main), site.handoff(backup)


def _outside_endpoint(options: Any, site: Site) -> str:
    """The endpoint that is meant: the one that was named, or the first outside."""
    from store.site import Where

    outside = [one.name for one in site.endpoints if one.where is Where.OUTSIDE]
    if options.endpoint is None and not outside:
        raise UserMistake(f"{options.site}: endpoint: none stands outside, so no uplink leads to one")
    name: str = options.endpoint or outside[0]
    if name not in outside:
        raise UserMistake(
            f"--endpoint: {options.site} has no endpoint outside {name!r}{answering.near(name, outside)}"
        )
    return name


def _all_stopped(site: Site) -> str | None:
    """The sentence of a stop of all tests that is in force now."""
    from probe.openings import Openings
    from store.reader import Reader

    if not site.database.exists():
        return None
    now_ns = Clock().unix_ns()
    with closing(Reader.open(site.database)) as reader:
        opened = [one for one in reader.open_windows() if (one.ends_unix_ns or now_ns + 1) > now_ns]
    return Openings(opened).no_traffic()


async def _interruptible(work: Callable[[asyncio.Event], Coroutine[Any, Any, T]]) -> T:
    """Run `work` with an event that SIGINT or SIGTERM sets: end now, and tell what there is."""
    import asyncio
    import signal

    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    return await work(stop)
