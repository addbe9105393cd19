"""Campaigns with their results: read from the store, judged, and as JSON; for Circuit and for the command.

Reads with a `Reader`, so it runs in that reader's thread. Imports store and judge.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from dashboard.judge.answer import Answer, answer
from dashboard.judge.campaign import Fate, Result, result
from store.clock import NS_PER_S, rfc3339, zone
from store.corrections import Corrected, Corrections
from store.jsonform import SCHEMA, corrected_json
from store.reader import Reader
from store.records import Campaign, RateRun, Record
from store.site import CampaignPlan, Card, Site, Where

_LATE_NS = 3600 * NS_PER_S  # of records that were stored late; which of them count, the judge says

Json = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """All that can be said of a campaign; `seq` is its number in the chain.

    Of `thinned` runs the 100 ms bins were let go with age. `corrections` are those of the whole store.
    """

    seq: int
    result: Result
    answer: Answer
    thinned: int
    corrections: Corrections

    @property
    def campaign(self) -> Campaign:
        return self.result.campaign

    @property
    def corrected(self) -> tuple[Corrected, ...]:
        """Those records of its runs that have been corrected, and the campaign itself if it has."""
        runs = (fate.record for fate in self.result.fates if fate.record is not None)
        return self.corrections.among([self.campaign, *runs])


def read(
    reader: Reader, *, site: Site | None, now_unix_ns: int, handoff: str | None = None
) -> tuple[Told, ...]:
    """Every campaign that has begun, the first one first; with a handoff named only its own.

    Without a `site` there are no verdicts.
    """
    corrections = reader.corrected()
    told = []
    for seq, record in reader.each("campaign", handoff=handoff):
        assert isinstance(record, Campaign)  # noqa: S101 - that is what was asked for
        runs = reader.campaign_runs(record)
        found = result(
            record, [*(run for run, _ in runs), *_troubles(reader, record)], now_unix_ns=now_unix_ns
        )
        told.append(
            Told(
                seq=seq,
                result=found,
                answer=answer(
                    found,
                    _card(site, record),
                    house=_in_house(site, record.endpoint),
                    zone=zone(record.timezone),
                ),
                thinned=sum(thinned for _, thinned in runs),
                corrections=corrections,
            )
        )
    return tuple(told)


def ahead(site: Site, told: tuple[Told, ...], *, handoff: str | None = None) -> tuple[CampaignPlan, ...]:
    """Those of the site file that have not begun."""
    begun = {one.campaign.name for one in told}
    return tuple(
        plan for plan in site.campaigns if plan.name not in begun and handoff in (None, plan.run.handoff)
    )


def _troubles(reader: Reader, campaign: Campaign) -> list[Any]:
    if not campaign.planned:
        return []
    since_ns, until_ns = campaign.planned[0].start_unix_ns, campaign.planned[-1].latest_unix_ns + _LATE_NS
    return list(reader.troubles(handoff=campaign.handoff, since_ns=since_ns, until_ns=until_ns))


def _card(site: Site | None, campaign: Campaign) -> Card | None:
    """The version of the card that was in force when the campaign was fixed."""
    own = [one for one in site.handoffs if one.name == campaign.handoff] if site else []
    return own[0].card_at(campaign.started_unix_ns) if own else None


def _in_house(site: Site | None, endpoint: str) -> bool:
    return site is not None and any(
        one.name == endpoint and one.where is Where.HOUSE for one in site.endpoints
    )


# For programs


def as_json(told: Told) -> Json:
    """A campaign's result: what was fixed, the counts, the answer, and every planned run."""
    return {**_summary_json(told), "runs": [_fate_json(fate, told) for fate in told.result.fates]}


def list_json(told: tuple[Told, ...], ahead: tuple[CampaignPlan, ...], *, now_unix_ns: int) -> Json:
    """Every campaign without its single runs, and those that have not begun."""
    return {
        "kind": "campaigns",
        "schema": SCHEMA,
        "started": rfc3339(now_unix_ns),
        "standing": "valid",
        "reasons": [],
        "campaigns": [_summary_json(one) for one in told],
        "ahead": [
            {
                "name": plan.name,
                "question": plan.question,
                "handoff": plan.run.handoff,
                "first_day": str(plan.first_day),
            }
            for plan in ahead
        ],
    }


def _summary_json(told: Told) -> Json:
    """The same without the single runs."""
    campaign, answered = told.campaign, told.answer
    return {
        "kind": "campaign result",
        "schema": SCHEMA,
        "started": rfc3339(campaign.started_unix_ns),
        "standing": "valid",
        "reasons": [],
        **{name: getattr(campaign, name) for name in ("name", "question", "handoff", "endpoint")},
        "direction": str(campaign.direction),
        "seq": told.seq,
        "fixed": rfc3339(campaign.started_unix_ns),
        "planned": len(campaign.planned),
        "ended": told.result.ended,
        "counts": {str(outcome): count for outcome, count in told.result.counts.items()},
        "answer": None if answered.word is None else str(answered.word),
        "because": list(answered.sentences),
        "verdicts": [
            {**asdict(verdict), "excluded_why": dict(verdict.excluded_why)} for verdict in answered.verdicts
        ],
        "floors": [{"direction": str(direction), **asdict(floor)} for direction, floor in answered.floors],
        "thinned_runs": told.thinned,
        "corrected_records": len(told.corrected),
        "corrected": corrected_json(told.corrections.of(campaign)),
    }


def _fate_json(fate: Fate, told: Told) -> Json:
    record = fate.record
    return {
        "planned": rfc3339(fate.planned.start_unix_ns),
        "latest": rfc3339(fate.planned.latest_unix_ns),
        "outcome": str(fate.outcome),
        "why": fate.why,
        **dict(_rates(record)),
        "corrected": corrected_json(told.corrections.of(record)) if record else [],
    }


def _rates(record: Record | None) -> Iterator[tuple[str, Any]]:
    if isinstance(record, RateRun):
        yield "started", rfc3339(record.started_unix_ns)
        yield "goodput_bps", {str(way): side.rates.goodput_bps for way, side in record.sides().items()}
