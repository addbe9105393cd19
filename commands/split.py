"""`linebook split`: every segment of the way at the same time, and who must act.

May import all three packages.
"""

from __future__ import annotations

from typing import Any

from commands import answering
from store.clock import Clock
from store.errors import UserMistake


def command(options: Any) -> int:
    from dashboard import history, text
    from dashboard.judge import segments
    from probe.methods import split
    from probe.reach import reaches_of
    from store import site as sites
    from store.jsonform import as_json
    from store.records import Failed
    from store.site import Where

    site = sites.load(options.site)
    handoff = answering.handoff_named(site, options.handoff)
    reaches = reaches_of(site)[handoff.name]
    near = [reaches[one.name] for one in site.endpoints if one.where is Where.HOUSE]
    far = [reaches[one.name] for one in site.endpoints if one.where is Where.OUTSIDE]
    if not far:
        raise UserMistake(f"{options.site}: endpoint: none stands outside, so there is no way to split")
    plan = split.SplitPlan(
        seconds=options.seconds, house_hops=handoff.hops.house, most_hops=handoff.hops.most
    )
    ways = split.Ways(house=near[0] if near else None, outside=tuple(far[:2]))
    answering.say(f"Measuring every segment of handoff {handoff.name} for {options.seconds:g} s.")
    found = answering.finish(lambda: split.run(plan, ways, Clock()))
    if isinstance(found, Failed):
        return answering.failed(found, as_json=options.json)
    before = history.hops_answered(site, handoff.name, before_ns=found.started_unix_ns)
    answering.put_on_record(site, found)
    judged = segments.judge(found, answered_before=before)
    if options.json:
        answering.print_json(as_json(found) | segments.as_json(judged))
    else:
        print(text.split(found, judged))
    return 0
