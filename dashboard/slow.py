"""The pages that take long to judge: what each of them is asked, and how it is found.

`find` runs wherever there is a reader to spare. Every answer is one of a handoff. Imports the pages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from dashboard.interface import calendar_feed
from dashboard.judge.months import Span
from dashboard.pages import acceptance, findings, term, verdict_rules
from dashboard.past import Past
from store.clock import NS_PER_S
from store.reader import Reader
from store.site import Handoff, Site


class Page(StrEnum):
    """What is judged; the last two serve the pages and are none."""

    TERM = "term"
    FINDINGS = "findings"
    ACCEPTANCE = "acceptance"
    LEDGER = "ledger"
    CALENDAR = "calendar"
    SO_FAR = "so far"
    MONTHS = "months"
    MONTH = "month"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One question, CALENDAR of all handoffs whichever it names.

    `day` is the month of Term, or the last day of Findings, `month` the one to be judged.
    """

    page: Page
    handoff: str
    day: date | None = None
    month: Span | None = None


def find(reader: Reader, *, site: Site, past: Past, asked: Asked, now_ns: int) -> Any:
    """The page's findings, as its own `find` makes them. What was judged of months goes into `past`."""
    return _FINDERS[asked.page](reader, site, past, site.handoff(asked.handoff), asked, now_ns)


def _term(reader: Reader, site: Site, past: Past, handoff: Handoff, asked: Asked, now_ns: int) -> Any:
    month = asked.day
    assert month is not None  # noqa: S101 - Term has one
    return term.find(reader, site=site, handoff=handoff, month=month, past=past, now_ns=now_ns)


def _findings(reader: Reader, site: Site, past: Past, handoff: Handoff, asked: Asked, now_ns: int) -> Any:
    last = asked.day
    assert last is not None  # noqa: S101 - Findings have one
    return findings.find(reader, site=site, handoff=handoff, last=last, now_ns=now_ns)


def _acceptance(reader: Reader, site: Site, past: Past, handoff: Handoff, asked: Asked, now_ns: int) -> Any:
    return acceptance.find(reader, site=site, handoff=handoff, now_ns=now_ns)


def _ledger(reader: Reader, site: Site, past: Past, handoff: Handoff, asked: Asked, now_ns: int) -> Any:
    return verdict_rules.find(reader, site=site, handoff=handoff, now_ns=now_ns)


def _calendar(reader: Reader, site: Site, past: Past, handoff: Handoff, asked: Asked, now_ns: int) -> Any:
    return calendar_feed.find(reader, site, past, now_ns=now_ns)


def _so_far(reader: Reader, site: Site, past: Past, handoff: Handoff, asked: Asked, now_ns: int) -> Any:
    return past.so_far(reader, site, handoff, now_ns=now_ns)


def _months(reader: Reader, site: Site, past: Past, handoff: Handoff, asked: Asked, now_ns: int) -> Any:
    return past.waiting(reader, site, handoff, now_ns=now_ns)


def _month(reader: Reader, site: Site, past: Past, handoff: Handoff, asked: Asked, now_ns: int) -> Any:
    month = asked.month
    assert month is not None  # noqa: S101 - it is asked for one
    past.month(reader, site, handoff, month, now_s=now_ns // NS_PER_S)


_FINDERS: dict[Page, Callable[[Reader, Site, Past, Handoff, Asked, int], Any]] = {
    Page.TERM: _term,
    Page.FINDINGS: _findings,
    Page.ACCEPTANCE: _acceptance,
    Page.LEDGER: _ledger,
    Page.CALENDAR: _calendar,
    Page.SO_FAR: _so_far,
    Page.MONTHS: _months,
    Page.MONTH: _month,
}
