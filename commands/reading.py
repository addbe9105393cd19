"""What the record says: check, events, findings, ledger, budget, campaign."""

from __future__ import annotations

import argparse
from contextlib import closing
from datetime import timedelta

from commands import answering
from store import site as sites
from store.clock import Clock, local, rfc3339, zone
from store.errors import UserMistake
from store.reader import Reader


def check(options: argparse.Namespace) -> int:
    from dashboard import planned, text

    if options.before is not None:
        from commands import before_show

        return before_show.command(options)
    site = sites.load(options.site)
    plan = answering.stream_plan(site, options.plan)
    now_ns = Clock().unix_ns()
    with closing(Reader.open(site.database)) as reader:
        found = planned.of_plan(reader, site, plan, now_ns=now_ns)
    if options.keep:
        from commands import before_show

        before_show.keep(site, found)
    if options.paper:
        from dashboard.papers import files, shows

        sheet = shows.day_sheet(site, found, now_ns=now_ns)
        files.write_all(sheet, planned.as_json(found), options.paper)
    if options.json:
        answering.print_json(planned.as_json(found))
    else:
        print(text.check(plan, found.check, found.notes))
    return 0


def events(options: argparse.Namespace) -> int:
    from dashboard import case_owners, text
    from store import fault_log

    site, now_ns = sites.load(options.site), Clock().unix_ns()
    where = zone(site.timezone)
    answering.handoffs_named(site, options.handoff)
    last = options.last or local(now_ns, where).date()
    first = options.first or last - timedelta(days=6)
    answering.in_order(first, last)
    since_ns, until_ns = fault_log.days(first, last, where=where)
    with closing(Reader.open(site.database)) as reader:
        found = case_owners.read(
            reader,
            site,
            since_ns=since_ns,
            until_ns=until_ns,
            now_ns=now_ns,
            handoff=options.handoff,
        )
    if options.json:
        time = {"since_ns": since_ns, "until_ns": until_ns, "now_ns": now_ns}
        answering.print_json(fault_log.as_json(found, site=site, handoff=options.handoff, **time))
    else:
        print(text.events(found, first=first, last=last, where=where))
    return 0


def findings(options: argparse.Namespace) -> int:
    from dashboard import found, text_findings
    from dashboard.pages.findings import answer
    from store import fault_log

    site, now_ns = sites.load(options.site), Clock().unix_ns()
    where = zone(site.timezone)
    handoffs = answering.handoffs_named(site, options.handoff)
    last = options.last or local(now_ns, where).date()
    first = options.first or last - timedelta(days=found.DAYS - 1)
    answering.in_order(first, last)
    marks = None if options.own is None else found.read_list(options.own, where)
    since_ns, until_ns = fault_log.days(first, last, where=where)
    time = {"since_ns": since_ns, "until_ns": until_ns}
    with closing(Reader.open(site.database)) as reader:
        shown = [(one.name, found.examined(reader, site, one, **time, marks=marks)) for one in handoffs]
    if options.json:
        answering.print_json(dict(answer([its for _, its in shown], since_ns, until_ns, site)))
    else:
        print(text_findings.findings(shown, first=first, last=last, invented=site.invented))
    return 0


def budget(options: argparse.Namespace) -> int:
    from dashboard import text
    from probe import allowance, budget, metering

    site, now_ns = sites.load(options.site), Clock().unix_ns()
    meters = answering.finish(lambda: metering.restored(site, site.handoffs, now_ns=now_ns))
    month_ns = allowance.month_start_ns(now_ns, where=zone(site.timezone))
    with closing(Reader.open(site.database)) as reader:
        found = [
            budget.of(
                site,
                handoff,
                spent_bytes=reader.spent_bytes(handoff.name, month_ns),
                state=meters[handoff.name].state(handoff.cap, now_ns=now_ns) if handoff.cap else None,
                now_ns=now_ns,
            )
            for handoff in site.handoffs
        ]
    if options.json:
        head = {"kind": "budget", "schema": 1, "started": rfc3339(now_ns), "standing": "valid", "reasons": []}
        answering.print_json(head | {"handoffs": [budget.as_json(one) for one in found]})
    else:
        rows = [([purse.said() for purse in one.purses], one.cap) for one in found]
        print(text.budget(rows, zone(site.timezone)))
    return 0


def rates(options: argparse.Namespace) -> int:
    from dashboard import rate_history, rates_told

    site, now_ns = sites.load(options.site), Clock().unix_ns()
    handoffs = answering.handoffs_named(site, options.handoff)
    with closing(Reader.open(site.database)) as reader:
        found = [
            (
                rate_history.read(reader, site, each, now_unix_ns=now_ns, seconds=options.days * 86_400),
                rate_history.read_together(reader, site, each, now_unix_ns=now_ns),
            )
            for each in handoffs
        ]
    if options.json:
        answering.print_json(rates_told.rates_json(site, found, now_unix_ns=now_ns))
    else:
        print(rates_told.rates_text(site, found))
    return 0


def ledger(options: argparse.Namespace) -> int:
    from dashboard import ledgers, rate_history, rates_told

    site, now_ns = sites.load(options.site), Clock().unix_ns()
    handoffs = answering.handoffs_named(site, options.handoff)
    with closing(Reader.open(site.database)) as reader:
        found = [
            rate_history.read(reader, site, each, now_unix_ns=now_ns, seconds=options.days * 86_400)
            for each in handoffs
        ]
        others = [
            ledgers.read(reader, site, each, now_unix_ns=now_ns, seconds=options.days * 86_400)
            for each in handoffs
        ]
    if options.json:
        answering.print_json(rates_told.ledger_json(site, found, others, now_unix_ns=now_ns))
    else:
        print(rates_told.ledger_text(site, found, others))
    return 0


def campaign(options: argparse.Namespace) -> int:
    from dashboard import campaign_results, text
    from store.export import is_database
    from store.records import Failed, Owner

    site = None if is_database(options.source) else sites.load(options.source)
    now_ns = Clock().unix_ns()
    with closing(Reader.open(site.database if site else options.source)) as reader, reader.moment():
        told = campaign_results.read(reader, site=site, now_unix_ns=now_ns)
    ahead = campaign_results.ahead(site, told) if site else ()
    if options.name is None:
        if options.json:
            answering.print_json(campaign_results.list_json(told, ahead, now_unix_ns=now_ns))
        else:
            print(text.campaigns(told, ahead))
        return 0
    begun = {one.campaign.name: one for one in told}
    if options.name in begun:
        one = begun[options.name]
        answering.print_json(campaign_results.as_json(one)) if options.json else print(text.campaign(one))
        return 0
    waiting = {plan.name: plan for plan in ahead}
    if options.name not in waiting:
        near = answering.near(options.name, [*begun, *waiting])
        raise UserMistake(f"{options.source} has no campaign {options.name!r}{near}")
    why = f"{options.name} has not begun; it is fixed when it begins, on {waiting[options.name].first_day}"
    return answering.failed(
        Failed(what="campaign", why=why, whose=Owner.HOUSE, started_unix_ns=now_ns), as_json=options.json
    )
