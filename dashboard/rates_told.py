"""What is found of rate promises, as programs and a terminal read it: details and the exclusions ledger.

Pure; the figures are those of rate_history.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from dashboard import ledgers
from dashboard.judge.exclusions import Ledger, Rule
from dashboard.judge.rate_detail import Day, RateDetail
from dashboard.judge.together import Together
from dashboard.judge.verdict import RateVerdict, outward
from dashboard.ledgers import Ledgers
from dashboard.rate_history import Rates, Version
from store.clock import local, rfc3339, zone
from store.jsonform import SCHEMA
from store.quantities import grouped, percent
from store.site import Site

Json = dict[str, Any]


def detail_json(detail: RateDetail) -> Json:
    """A verdict's parts: busy hours, the rest, days, and what was carried."""
    return {
        "direction": str(detail.whole.direction),
        "carried": None if detail.carried is None else asdict(detail.carried),
        "busy": _verdict_json(detail.busy),
        "outside_busy": _verdict_json(detail.rest),
        "busy_differs": detail.differs,
        "days": [{**asdict(day), "day": day.day.isoformat()} for day in detail.days],
        "days_kept": detail.kept,
        "days_short": detail.short,
        "power_runs": detail.power_runs,
        "power_days": detail.power_days,
        "sentences": list(detail.sentences),
    }


def together_json(found: Together | None) -> Json | None:
    """The handoffs of one contract as one; null where there is only one."""
    return None if found is None else asdict(found)


def version_json(version: Version) -> Json:
    """A version of the card: when it was in force, its verdicts and their ledgers."""
    return {
        "from": rfc3339(version.from_unix_ns),
        "until": rfc3339(version.until_unix_ns),
        "reference": version.card.reference,
        "verdicts": [
            {**_verdict_json(detail.whole), "because": detail.whole.because, "parts": detail_json(detail)}
            for detail in version.details
        ],
        "ledgers": [_ledger_json(one) for one in version.ledgers],
    }


def _told(kind: str, site: Site, handoffs: Sequence[Json], *, now_unix_ns: int) -> Json:
    return {
        "kind": kind,
        "schema": SCHEMA,
        "started": rfc3339(now_unix_ns),
        "standing": "valid",
        "reasons": [],
        "site": site.name,
        "invented": site.invented,
        "handoffs": handoffs,
    }


def _of_handoff(rates: Rates) -> Json:
    return {
        "handoff": rates.handoff.name,
        "from": rfc3339(rates.from_unix_ns),
        "until": rfc3339(rates.until_unix_ns),
        "versions": [version_json(version) for version in rates.versions],
    }


def rates_json(site: Site, found: Sequence[tuple[Rates, Together | None]], *, now_unix_ns: int) -> Json:
    """Every handoff's verdicts on its rate, with their parts, and the handoffs of its contract as one."""
    return _told(
        "rates",
        site,
        [{**_of_handoff(rates), "together": together_json(whole)} for rates, whole in found],
        now_unix_ns=now_unix_ns,
    )


def rates_text(site: Site, found: Sequence[tuple[Rates, Together | None]]) -> str:
    """The same for a terminal: each verdict, its busy hours and days apart, and all handoffs at once."""
    lines = [f"{site.name}{' (invented data)' if site.invented else ''}"]
    for rates, whole in found:
        for version in rates.versions:
            lines += ["", f"Handoff {rates.handoff.name}, {_time_said(version, site)}"]
            for detail in version.details:
                lines.append(f"  {detail.whole.direction}, {detail.whole.word}: {detail.whole.because}")
                lines += [f"    {sentence}" for sentence in detail.sentences]
                lines += [_day_line(day) for day in detail.days]
        if whole is not None:
            lines += ["", f"Handoffs {', '.join(whole.handoffs)} of one contract together"]
            lines += [f"  {total.direction}, {total.word}: {total.because}" for total in whole.totals]
            lines += [f"  {share}" for share in whole.shares]
    return "\n".join(lines)


def _day_line(day: Day) -> str:
    return f"    {day.day:%a %d %b}: {day.word}, {day.met} of {day.n} runs reached it"


def _time_said(version: Version, site: Site) -> str:
    where = zone(site.timezone)
    since, until = (
        local(moment, where).strftime("%a %d %b %Y %H:%M")
        for moment in (version.from_unix_ns, version.until_unix_ns)
    )
    return f"{since} to {until}"


def ledger_json(site: Site, found: Sequence[Rates], others: Sequence[Ledgers], *, now_unix_ns: int) -> Json:
    """The exclusions ledger of every handoff: rates, and the `others` of the same handoffs."""
    return _told(
        "ledger",
        site,
        [
            {**_of_handoff(rates), "others": ledgers.as_json(other)}
            for rates, other in zip(found, others, strict=True)
        ],
        now_unix_ns=now_unix_ns,
    )


def ledger_text(site: Site, found: Sequence[Rates], others: Sequence[Ledgers]) -> str:
    """The same for a terminal."""
    lines = [f"{site.name}{' (invented data)' if site.invented else ''}"]
    for rates, other in zip(found, others, strict=True):
        for version in rates.versions:
            lines += ["", f"Handoff {rates.handoff.name}, {_time_said(version, site)}"]
            for ledger in version.ledgers:
                lines += _ledger_lines(ledger)
        lines += ["", f"Handoff {rates.handoff.name}, everything else", *ledgers.as_lines(other)]
    return "\n".join(lines)


def _ledger_lines(ledger: Ledger) -> Iterator[str]:
    verdict = ledger.verdict
    if verdict.needed_bps is None:
        yield f"  {ledger.direction}: {verdict.because}"
        return
    yield f"  {ledger.direction}: {ledger.because}"
    if ledger.rules:
        yield f"    {'rule':<18} {'left out':>8}  {'of it alone':>11}  without it"
        yield f"    {'(all of them)':<18} {verdict.excluded + verdict.void:>8}  {'':>11}  {_short(verdict)}"
        yield from (_rule_line(rule) for rule in ledger.rules)
        yield f"    {'(none of them)':<18} {0:>8}  {'':>11}  {_short(ledger.bare)}"
        yield from (f"    {rule.code}: {rule.meaning}." for rule in ledger.rules)
    for what, found in (("skipped", ledger.skipped), ("failed", ledger.failed)):
        yield from (f"    {what}, {count}: {why}" for why, count in found)


def _rule_line(rule: Rule) -> str:
    mark = "  CHANGES" if rule.changes else ""
    return f"    {rule.code:<18} {rule.left_out:>8}  {rule.alone:>11}  {_short(rule.without)}{mark}"


def _short(verdict: RateVerdict) -> str:
    low, high = (percent(bound, 1) for bound in outward(verdict.bound_low, verdict.bound_high))
    bounds = f", {low} to {high}" if verdict.n else ""
    return f"{verdict.word} ({grouped(verdict.met)} of {grouped(verdict.n)} reached it{bounds})"


def _ledger_json(ledger: Ledger) -> Json:
    return {
        "direction": str(ledger.direction),
        "because": ledger.because,
        "with_every_rule": _verdict_json(ledger.verdict),
        "with_no_rule": _verdict_json(ledger.bare),
        "rules": [
            {
                "rule": rule.code,
                "meaning": rule.meaning,
                "standing": str(rule.standing),
                "left_out": rule.left_out,
                "left_out_by_it_alone": rule.alone,
                "without_it": _verdict_json(rule.without),
                "changes": rule.changes,
            }
            for rule in ledger.rules
        ],
        "skipped": dict(ledger.skipped),
        "failed": dict(ledger.failed),
    }


def _verdict_json(verdict: RateVerdict) -> Json:
    """The counts of a verdict, without its sentences."""
    return {
        "word": str(verdict.word),
        "n": verdict.n,
        "effective_n": verdict.effective_n,
        "met": verdict.met,
        "not_met": verdict.not_met,
        "open": verdict.open_,
        "share": verdict.share,
        "bound_low": verdict.bound_low,
        "bound_high": verdict.bound_high,
        "more_runs": verdict.more_runs,
        "more_days": verdict.more_days,
    }
