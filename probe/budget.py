"""What tests may still cost on each handoff: the allowance and the provider's cap side by side.

Pure: a purse, a meter and the site file in, values out. Imports allowance, book and store.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from probe import allowance
from probe.allowance import Allowance
from probe.book import Book
from store import cap
from store.cap import CapState
from store.clock import rfc3339, zone
from store.site import Handoff, Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """How a handoff stands. `cap` and `under_cap`, what it leaves for tests, are None without a cap."""

    handoff: Handoff
    allowance: Allowance
    ends_ns: int  # of the allowance's month
    cap: CapState | None
    under_cap: Allowance | None

    @property
    def purses(self) -> tuple[Allowance, ...]:
        """All that limits tests."""
        return (self.allowance,) if self.under_cap is None else (self.allowance, self.under_cap)


def of(site: Site, handoff: Handoff, *, spent_bytes: int, state: CapState | None, now_ns: int) -> Budget:
    """How a handoff stands at an instant, with so much spent in its local month."""
    where = zone(site.timezone)
    return Budget(
        handoff=handoff,
        allowance=allowance.state(site, handoff, spent_bytes=spent_bytes, now_ns=now_ns, where=where),
        ends_ns=allowance.month_end_ns(now_ns, where=where),
        cap=state,
        under_cap=None if state is None else allowance.under_cap(site, handoff, state, where=where),
    )


def of_book(site: Site, handoff: Handoff, book: Book, *, now_ns: int) -> Budget:
    """The same as the running probe knows it."""
    meter = book.meters.get(handoff.name)
    counted = None if meter is None or handoff.cap is None else meter.state(handoff.cap, now_ns=now_ns)
    spent_bytes = book.purse.spent_bytes(handoff.name, now_ns=now_ns)
    return of(site, handoff, spent_bytes=spent_bytes, state=counted, now_ns=now_ns)


def cap_json(found: Budget) -> Mapping[str, Any] | None:
    """How a handoff's cap stands, and the sentence about its tests; None without a cap."""
    if found.cap is None or found.under_cap is None:
        return None
    told = {"one_in": found.under_cap.thin.one_in, "said": found.under_cap.said()}
    return {"handoff": found.handoff.name, **cap.as_json(found.cap), **told}


def as_json(found: Budget) -> Mapping[str, Any]:
    """One handoff as a JSON object; bytes of tests as allowance counts them, of the cap by the interface."""
    tests = found.allowance
    return {
        "handoff": found.handoff.name,
        "allowance": {
            "limit_bytes": tests.limit_bytes,
            "spent_bytes": tests.spent_bytes,
            "forecast_bytes": tests.forecast_bytes,
            "ends": rfc3339(found.ends_ns),
        },
        "cap": None if found.cap is None else cap.as_json(found.cap),
        "runs_one_in": allowance.tightest(found.purses).thin.one_in,
        "said": [purse.said() for purse in found.purses if purse.limit_bytes is not None],
    }
