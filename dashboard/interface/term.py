"""The shape of Term's JSON: a month's statement, every month by the contract's rule, the term so far.

Exact numbers (`EXACT`) are texts, so that no program rounds them. Imports judges for what they say of
themselves.
"""

from __future__ import annotations

from dashboard.interface.records import head
from dashboard.interface.shape import (
    DAY,
    MOMENT,
    NUMBER,
    TEXT,
    TRUTH,
    WHOLE,
    known,
    listed,
    of,
    thing,
    with_fields,
    word,
)
from dashboard.judge.credits import Clause, Credit
from dashboard.judge.renewal import Cost, Dates
from dashboard.judge.trend import Trend
from dashboard.judge.verdict import RateVerdict, Word
from dashboard.quality import Quality, Shape
from store.terms import Money, Once, OutageRule

_WORD = word(*Word)
_SPAN = thing({"from": MOMENT, "to": MOMENT})

_OUTAGE = thing(
    {
        "from": MOMENT,
        "to": MOMENT,
        "counts_s": NUMBER,
        "excused_s": NUMBER,
        "overrun_s": NUMBER,
        "unreported_s": NUMBER,
        "ticket": known(TEXT),
    }
)
COUNT = thing(
    {
        "rule": word(*OutageRule),
        "says": TEXT,
        "source": TEXT,
        "word": _WORD,
        "because": TEXT,
        **{name: known(NUMBER) for name in ("ratio", "best_ratio", "worst_ratio", "floor_s", "bound_s")},
        **{
            name: NUMBER
            for name in (
                *("period_s", "watched_s", "unwatched_s", "unsure_s", "house_s", "unplaced_s"),
                *("down_s", "sure_down_s", "most_down_s", "excused_s"),
            )
        },
        "outages": listed(_OUTAGE),
        "unplaced": listed(_SPAN),
    }
)
_REPAIR = with_fields(_OUTAGE, {"seconds": known(NUMBER), "over_hours": WHOLE, "because": TEXT})
_CREDITS = thing(
    {
        "because": TEXT,
        "ours": of(Credit),
        "providers_counting": of(Credit),
        "if_unseen_were_outage": of(Credit),
        "clauses": listed(of(Clause)),
        "open_readings": listed(TEXT),
        "repairs": listed(_REPAIR),
        "claim_until": known(DAY),
        "days_left": known(WHOLE),
    }
)
_REPEATED = thing(
    {
        "needed": WHOLE,
        "longer_than_s": WHOLE,
        "days": WHOLE,
        "reached": TRUTH,
        "because": TEXT,
        "outages": listed(_SPAN),
    }
)

_SHAPE = with_fields(
    of(Shape),
    {
        "gmin": WHOLE,
        "burst_density": known(NUMBER),
        "gap_density": known(NUMBER),
        "mean_burst_s": known(NUMBER),
    },
)
_QUALITY = with_fields(
    of(Quality), {"word": _WORD, "shape": known(_SHAPE), "y1541_classes": known(listed(WHOLE))}
)
MONTH = {"type": "string", "pattern": "^[0-9]{4}-[0-9]{2}$"}

STATEMENT = thing(
    {
        "handoff": TEXT,
        "month": MONTH,
        "from": MOMENT,
        "to": MOMENT,
        "over": TRUTH,
        "card_from": known(MOMENT),
        "month_from": MOMENT,
        "month_to": MOMENT,
        "card_changed": TRUTH,
        "fee": known(of(Money)),
        "promised_ratio": known(NUMBER),
        "contract_rule": known(word(*OutageRule)),
        "availability": listed(COUNT),
        "maintenance": thing({"excused": listed(_SPAN), "notes": listed(TEXT)}),
        "credits": known(_CREDITS),
        "no_credits": known(TEXT),
        "outside_term": known(TEXT),
        "repeated_failure": known(_REPEATED),
        "delay_and_loss": listed(_QUALITY),
        "rates": listed(of(RateVerdict)),
        "earlier": listed({"$ref": "#/components/schemas/statement"}),
    }
)

_CHANGE = thing({"day": DAY, "before": NUMBER, "after": NUMBER, "ratio": NUMBER})
RENEWAL = thing(
    {
        "handoff": TEXT,
        "dates": of(Dates),
        "paid": known(of(Cost)),
        "whole_term": known(of(Cost)),
        "once": listed(of(Once)),
        "paid_with_once": known(of(Money)),
        "term_with_once": known(of(Money)),
        "credits": known(of(Money)),
        "months": WHOLE,
        "months_failed": WHOLE,
        "months_undecided": WHOLE,
        "months_not_tested": WHOLE,
        "delivered_up_goodput_bps": known(WHOLE),
        "delivered_down_goodput_bps": known(WHOLE),
        "per_mbps_up": known(of(Money)),
        "per_mbps_down": known(of(Money)),
        "figures": listed(
            thing({"name": TEXT, "unit": TEXT, "trend": of(Trend), "changes": listed(_CHANGE)})
        ),
    }
)

TERM = thing(
    {
        **head("term"),
        "site": TEXT,
        "invented": TRUTH,
        "statement": STATEMENT,
        "months": listed(with_fields(COUNT, {"month": MONTH, "from": MOMENT, "to": MOMENT})),
        "renewal": RENEWAL,
    }
)
