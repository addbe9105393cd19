"""Rate promises read from a record: each version of a card judges its own time, and the ledger tells all."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

import pytest

from dashboard import history, ledgers, rate_history, rates_told
from dashboard.judge.stream import Answer
from dashboard.judge.verdict import Word
from dashboard.pages import rate_parts
from store.clock import zone
from store.reader import Reader
from store.records import Direction, RateRun
from store.site import Handoff, Site
from tests.dashboard import invented


@pytest.fixture
def reader(site: Site) -> Iterator[Reader]:
    opened = Reader.open(site.database)
    yield opened
    opened.close()


def read(reader: Reader, site: Site, handoff: Handoff) -> rate_history.Rates:
    return rate_history.read(reader, site, handoff, now_unix_ns=invented.NOW_NS)


def test_the_whole_is_the_verdict_of_everywhere(site: Site, reader: Reader) -> None:
    """What the parts are parts of is what Today says."""
    for handoff in site.handoffs:
        (version,) = read(reader, site, handoff).versions
        found = history.verdicts_of(reader, site, handoff, now_unix_ns=invented.NOW_NS)
        assert tuple(one.whole for one in version.details) == found
        assert tuple(one.verdict for one in version.ledgers) == found


def test_an_upgrade_splits_at_its_moment(site: Site, reader: Reader) -> None:
    """Runs of before count for the version of their time alone, and together they are all."""
    handoff = site.handoffs[0]
    runs = sorted(
        (
            one
            for one in reader.rate_runs(handoff=handoff.name, since_ns=0, until_ns=invented.NOW_NS)
            if isinstance(one, RateRun) and Direction.UP in one.sides()
        ),
        key=lambda one: one.started_unix_ns,
    )
    half = runs[len(runs) // 2].started_unix_ns
    faster = replace(handoff.card, from_unix_ns=half, rate_up_bps=10**9)
    upgraded = replace(handoff, card=faster, earlier=(handoff.card,))
    whole = read(reader, site, handoff).newest.details[0].whole
    after, before = read(reader, site, upgraded).versions
    assert (after.from_unix_ns, before.until_unix_ns) == (half, half)
    verdicts = after.details[0].whole, before.details[0].whole
    assert sum(one.n for one in verdicts) == whole.n
    assert [one.needed_bps for one in verdicts] == [10**9, handoff.card.rate_up_bps]
    assert verdicts[0].met == 0
    entries = rate_parts.earlier(read(reader, site, upgraded), zone(site.timezone))
    assert [one.text.startswith("Until ") for one in entries] == [True, True]
    ahead = replace(handoff, card=replace(faster, from_unix_ns=invented.NOW_NS + 1), earlier=(handoff.card,))
    assert read(reader, site, ahead).newest.details[0].whole == whole


def test_the_ledger_for_programs_and_people(site: Site, reader: Reader) -> None:
    """Every handoff and direction, every rule with and without; the text names what the JSON does."""
    found = [read(reader, site, handoff) for handoff in site.handoffs]
    asked = {"now_unix_ns": invented.NOW_NS, "seconds": 30 * 86_400}
    others = [ledgers.read(reader, site, handoff, **asked) for handoff in site.handoffs]
    told = json.loads(json.dumps(rates_told.ledger_json(site, found, others, now_unix_ns=invented.NOW_NS)))
    assert (told["kind"], told["standing"], told["reasons"]) == ("ledger", "valid", [])
    assert [one["handoff"] for one in told["handoffs"]] == [one.name for one in site.handoffs]
    text = rates_told.ledger_text(site, found, others)
    rules = [
        rule
        for one in told["handoffs"]
        for ledger in one["versions"][0]["ledgers"]
        for rule in ledger["rules"]
    ]
    rules += [rule for one in told["handoffs"] for verdict in one["others"] for rule in verdict["rules"]]
    assert rules
    assert all(rule["rule"] in text and rule["meaning"] in text for rule in rules)
    assert all(rule["without_it"]["word"] in [*Word, *Answer] for rule in rules)
    # the lower bound down, the upper one up, as the verdict's sentence has them; here by decimals
    for one in (ledger for each in told["handoffs"] for ledger in each["versions"][0]["ledgers"]):
        bounds, tenth = one["with_every_rule"], Decimal("0.1")
        low = (Decimal(bounds["bound_low"]) * 100).quantize(tenth, ROUND_FLOOR)
        high = (Decimal(bounds["bound_high"]) * 100).quantize(tenth, ROUND_CEILING)
        assert not bounds["n"] or f"reached it, {low} % to {high} %" in text


def test_the_verdicts_for_programs_and_people(site: Site, reader: Reader) -> None:
    """What a Circuit page says of a rate, at a terminal: each verdict, busy hours, days, the total."""
    mates = replace(
        site,
        handoffs=tuple(
            replace(one, card=replace(one.card, reference="C-1", provider="P")) for one in site.handoffs
        ),
    )
    found = [
        (
            read(reader, mates, each),
            rate_history.read_together(reader, mates, each, now_unix_ns=invented.NOW_NS),
        )
        for each in mates.handoffs
    ]
    told = json.loads(json.dumps(rates_told.rates_json(mates, found, now_unix_ns=invented.NOW_NS)))
    text = rates_told.rates_text(mates, found)
    assert (told["kind"], told["standing"], told["reasons"]) == ("rates", "valid", [])
    for one in told["handoffs"]:
        for verdict in one["versions"][0]["verdicts"]:
            assert verdict["because"] in text
            assert all(sentence in text for sentence in verdict["parts"]["sentences"])
            assert all(
                f"{day['met']} of {day['n']} runs reached it" in text for day in verdict["parts"]["days"]
            )
        if len(mates.handoffs) > 1:
            assert all(total["because"] in text for total in one["together"]["totals"])
