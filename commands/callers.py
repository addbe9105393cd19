"""An endpoint's callers after the first invitation: a new key, none any more, and who there is.

What is written here a running endpoint takes over within seconds. Imports probe and store.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import Any

from commands.answering import finish, print_json, say
from commands.exits import EXIT_FAILED
from probe.endpoint import crossing, keys, ledger, limits
from probe.wire import invitation
from store.clock import NS_PER_S, Clock, rfc3339
from store.errors import UserMistake
from store.quantities import counted, grouped, size_text


def rotate(options: argparse.Namespace) -> int:
    older_ns = Clock().unix_ns() + round(options.hours * 3600 * NS_PER_S) if options.hours else None
    made = keys.invite(
        options.directory,
        address=options.address,
        name=options.name,
        known=True,
        older_until_unix_ns=older_ns,
    )
    line = invitation.write(made)
    until = None if older_ns is None else rfc3339(older_ns)
    if options.json:
        print_json({"kind": "invitation", "schema": 1, "invitation": line, "older_until": until})
    else:
        print(line)
    older = f"until {until}" if until else "no more"
    say(f"This line is {options.name}'s from now on; the older one is admitted {older}.")
    return 0


def revoke(options: argparse.Namespace) -> int:
    keys.revoke(options.directory, name=options.name)
    if options.json:
        print_json({"kind": "revoked", "schema": 1, "name": options.name})
    say(f"{options.name} is admitted no more; what it has under way ends within seconds.")
    return 0


def listed(options: argparse.Namespace) -> int:
    now_ns = Clock().unix_ns()
    callers = keys.callers_of(options.directory)
    granted = limits.load(options.directory / limits.FILE)
    used = ledger.load(options.directory)
    month = ledger.month_of(now_ns)
    found = [
        _one(name, callers, granted.of(name), used.used(name, month=month), now_ns)
        for name in sorted(callers.current)
    ]
    unknown = sorted(granted.own.keys() - callers.current.keys())
    if options.json:
        print_json(
            {
                "kind": "callers",
                "schema": 1,
                "started": rfc3339(now_ns),
                "standing": "valid",
                "reasons": [],
                "month": month,
                "callers": found,
                "limits_of_nobody": unknown,
            }
        )
        return 0
    for one in found:
        print(_sentence(one, month))
    if not found:
        print("Nobody is invited.")
    if unknown:
        say(f"{limits.FILE} has limits for {', '.join(unknown)}, whom nobody has invited.")
    return 0


def cross(options: argparse.Namespace) -> int:
    clock = Clock()
    others = crossing.others(options.directory)
    if not others:
        raise UserMistake(
            f"{options.directory / crossing.OTHERS} names no other endpoint; expected [other] and lines "
            'such as south = "linebook://..."'
        )

    async def test() -> list[crossing.Cross]:
        return [await crossing.test(name, other, clock=clock) for name, other in others.items()]

    found = finish(test)
    crossing.save(options.directory, found)
    against = crossing.unwell(found, busy_ratio=None, now_unix_ns=clock.unix_ns())
    if options.json:
        print_json(
            {
                "kind": "crosses",
                "schema": 1,
                "started": rfc3339(found[0].started_unix_ns),
                "standing": "valid",
                "reasons": [],
                "unwell": against,
                "crosses": [asdict(one) for one in found],
            }
        )
    else:
        for one in found:
            print(_crossed(one))
        print(
            f"This endpoint or the other one is not well: {against}."
            if against
            else "Nothing speaks against it."
        )
    return EXIT_FAILED if all(one.failed for one in found) else 0


def _crossed(one: crossing.Cross) -> str:
    if one.failed is not None:
        return f"{one.name}: no cross-test, {one.failed}"
    p50, p95 = ((each or 0) / 1000 for each in (one.rtt_p50_us, one.rtt_p95_us))
    return (
        f"{one.name}: {grouped(one.lost)} of {grouped(one.sent)} packets lost, round trip {p50:.2f} ms "
        f"p50, {p95:.2f} ms p95"
    )


def _one(
    name: str, callers: keys.Callers, granted: limits.Limits, used_bytes: int, now_ns: int
) -> dict[str, Any]:
    leaving = callers.leaving.get(name)
    still = leaving is not None and now_ns < leaving.until_unix_ns
    return {
        "name": name,
        "older_key_until": rfc3339(leaving.until_unix_ns) if leaving is not None and still else None,
        "used_bytes": used_bytes,
        "bytes_per_month": granted.bytes_per_month,
        "bytes_per_run": granted.bytes_per_run,
        "trains": granted.trains,
        "per_second": granted.per_second,
        "flows": granted.flows,
        "seconds_per_run": granted.seconds_per_run,
        "seconds_per_rehearsal": granted.seconds_per_rehearsal,
        "paced_bps": granted.paced_bps,
    }


def _sentence(one: dict[str, Any], month: str) -> str:
    until = one["older_key_until"]
    older = f"; its older key counts until {until}" if until else ""
    used = f"{size_text(one['used_bytes'])} of {size_text(one['bytes_per_month'])}"
    trains = counted(one["trains"], "train")
    return (
        f"{one['name']}: {used} used in {month}, at most {trains} of {one['per_second']} packets a second "
        f"and {one['seconds_per_run']} s a run{older}"
    )
