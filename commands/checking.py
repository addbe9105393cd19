"""What is checked before anything is measured: the site file, this computer."""

from __future__ import annotations

import argparse

from commands import answering
from store import site as sites
from store.clock import Clock, zone
from store.errors import UserMistake
from store.quantities import size_text
from store.reader import Reader
from store.site import Handoff, Site
from store.thinning import Due, Plan


def site_check(options: argparse.Namespace) -> int:
    from dashboard import text
    from dashboard.judge import card_check
    from probe import allowance
    from probe.wire import invitation

    site, now_ns = sites.load(options.site), Clock().unix_ns()
    now = site.at(now_ns)
    for endpoint in site.endpoints:
        try:
            invitation.parse(endpoint.invitation)
        except UserMistake as mistake:
            raise UserMistake(f"{options.site}: endpoint {endpoint.name!r}: {mistake}") from None
    costs = {
        name: [(line.what, line.bytes) for line in lines]
        for name, lines in allowance.monthly_cost(now).items()
    }
    together = card_check.warnings_together(site.handoffs, now_unix_ns=now_ns)
    questions = {each.name: card_check.questions(each.card) for each in now.handoffs}
    where = zone(site.timezone)
    warned = {
        each.name: (*card_check.warnings_of(each, now_unix_ns=now_ns, where=where), *together[each.name])
        for each in site.handoffs
    }
    answers = {each.name: _answers(now, each) for each in now.handoffs}
    plan, due = _due(site)
    if options.json:
        answering.print_json(
            text.site_json(site, costs, questions, answers, warned) | {"keep": text.keep_json(plan, due)}
        )
    else:
        print(text.site(site, costs, questions, answers, warned))
        print(text.keep(site, plan, due))
    return 0


def host_check(options: argparse.Namespace) -> int:
    from dashboard import text
    from probe import host_check, host_tuning

    site = sites.load(options.site)
    checks = answering.finish(lambda: host_check.run(site, clock=Clock(), say=answering.say))
    if options.json:
        answering.print_json(host_check.as_json(checks, now_ns=Clock().unix_ns()))
    else:
        print(text.host_check([(one.name, str(one.state), one.found, one.right) for one in checks]))
        wrong = [one for one in checks if one.state is host_tuning.State.WRONG and one.change]
        for one in wrong:
            print(f"To change {one.name}: {one.change}")
    return answering.EXIT_FAILED if any(one.state is host_tuning.State.WRONG for one in checks) else 0


def _answers(site: Site, handoff: Handoff) -> list[str]:
    """What a handoff's schedule may do, is, and can show, a sentence each; safety first."""
    from dashboard.judge import campaign as judge
    from probe import allowance, campaign, safety, schedule
    from store import default_schedule

    said = [safety.said(handoff)]
    own = [run for run in site.runs if run.handoff == handoff.name]
    full = [run for run in own if not run.light]
    if site.runs_by_default:
        said.append(default_schedule.said(handoff))
    elif len(full) < len(own):
        rest = "" if full else "; no full run is planned, so nothing will be said of it"
        said.append(f"Light runs show that the line carries so much, not what its full rate is{rest}.")
    if full and not any(schedule.in_busy_hours(run) for run in full):
        said.append(
            "No full run is sure to fall into the busy hours every day: each has days or hours between."
        )
    for plan in site.campaigns:
        if plan.run.handoff == handoff.name:
            runs = campaign.runs_planned(plan, where=zone(site.timezone))
            cost = allowance.campaign_cost(plan, handoff.card, runs=runs)
            best = judge.at_best(runs, promised=handoff.card.met_ratio)
            said.append(
                f"Campaign {plan.name}: {plan.question} {best} Together {size_text(cost.bytes)} "
                f"({cost.what})."
            )
    return said


def _due(site: Site) -> tuple[Plan, list[Due] | None]:
    """What the rules for age are at this moment, and what they let go; None without a database."""
    from store import thinning

    plan = thinning.plan(site, now_ns=Clock().unix_ns())
    if not site.database.exists():
        return plan, None
    reader = Reader.open(site.database)
    try:
        return plan, reader.due(plan)
    finally:
        reader.close()
