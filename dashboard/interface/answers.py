"""The shape of every page's JSON, put together as the pages put it together.

What is a record or a judge's value describes itself; the fields written out here are those that a page's
own `as_json` writes out. tests/dashboard/interface holds the two against each other.
"""

from __future__ import annotations

from dashboard.figures.week import WEEKDAYS
from dashboard.interface import records
from dashboard.interface.records import CORRECTIONS, DELAYS, corrected, document, head
from dashboard.interface.shape import (
    DAY,
    MOMENT,
    NUMBER,
    TEXT,
    TRUTH,
    WHOLE,
    Shape,
    constant,
    keyed,
    known,
    listed,
    of,
    said,
    shapes_of,
    thing,
    with_fields,
    without,
    word,
)
from dashboard.judge import after, segments
from dashboard.judge.card_check import Trouble
from dashboard.judge.ceilings import Enough
from dashboard.judge.floor import Floor
from dashboard.judge.rate_detail import Carried
from dashboard.judge.rate_detail import Day as RateDay
from dashboard.judge.rate_spread import RANKS
from dashboard.judge.stall_places import Part
from dashboard.judge.stream import Answer
from dashboard.judge.together import Together
from dashboard.judge.verdict import RateVerdict, Word
from dashboard.over_time import HourSide
from store.bursts import BurstRun
from store.capacity import CapacityRun
from store.card import Card
from store.cases import Subject
from store.ceilings import CeilingOf
from store.events import EventKind
from store.failovers import Failover
from store.layers import Layer
from store.loaded_delay import LoadedDelayRun
from store.paced import PacedRun
from store.path_mtu import PathMtu
from store.records import Direction, Opener, OpenKind, Owner, Standing
from store.rehearsals import Rehearsal, Rehearsed
from store.segments import Split, Station
from store.site import CapCounts, Where
from store.sizes import SizesRun
from store.soaks import Soak
from store.steps import StepsRun
from store.terms import AvailabilityTerms, CreditTerms, Money, OutageRule

_ANSWER = word(*Answer)
_WORD = word(*Word)
_OWNER = word(*Owner)
_SITE = {"site": TEXT, "invented": TRUTH}


def _page(kind: str, fields: dict[str, Shape]) -> Shape:
    """An answer that says when it was written."""
    return thing({"kind": constant(kind), "schema": WHOLE, "written": MOMENT, **_SITE, **fields})


def _told(kind: str, fields: dict[str, Shape]) -> Shape:
    """An answer with the head of a record."""
    return thing({**head(kind), **fields})


# Cases

_EVENT = thing(
    {
        **head("event"),
        "what": word(*EventKind),
        "handoff": known(TEXT),
        "endpoint": known(TEXT),
        "owner": _OWNER,
        "says": TEXT,
        "seconds": known(NUMBER),
        "count": known(WHOLE),
        "before": known(TEXT),
        "after": known(TEXT),
    }
)

CASE = thing(
    {
        **head("case"),
        "id": TEXT,
        "ended": known(MOMENT),
        "open": TRUTH,
        "under_way": TRUTH,
        "handoff": known(TEXT),
        "subject": word(*Subject),
        "owner": _OWNER,
        "why": known(TEXT),
        "says": TEXT,
        "next": TEXT,
        "events": listed(_EVENT),
    }
)

EVENTS = _told(
    "events",
    {
        **_SITE,
        "written": MOMENT,
        "ended": MOMENT,
        "handoff": known(TEXT),
        "cases": listed(CASE),
        "segments": listed(
            thing(
                {
                    "handoff": TEXT,
                    "segment": said(TEXT, "S1 from the house outwards"),
                    "endpoint": known(TEXT),
                    "silent": WHOLE,
                    "silent_s": NUMBER,
                    "longest_s": known(NUMBER),
                    "asked": known(WHOLE),
                }
            )
        ),
    },
)

_WEEK_WAY = thing(
    {
        "direction": word(Direction.UP, Direction.DOWN),
        "layer": word(*(one for one in Layer if one is not Layer.NOT_STATED)),
        "layer_stated": TRUTH,
        "stated_bps": known(WHOLE),
        "hours": listed(
            thing(
                {
                    "weekday": word(*WEEKDAYS),
                    "hour": WHOLE,
                    "runs": WHOLE,
                    "middle_bps": known(WHOLE),
                    "least_bps": known(WHOLE),
                    "missed": known(WHOLE),
                }
            )
        ),
        "spreads": listed(
            thing(
                {
                    "hours": word("all hours", "busy hours"),
                    "runs": WHOLE,
                    "floor_bps": known(WHOLE),
                    "least_bps": WHOLE,
                    **{f"p{rank * 100:.0f}_bps": WHOLE for rank in RANKS},
                    "most_bps": WHOLE,
                }
            )
        ),
    }
)

EVENINGS = _told(
    "evenings",
    {
        **_SITE,
        "handoff": TEXT,
        "month": TEXT,
        "worst": known(DAY),
        "evenings": listed(
            thing(
                {
                    "day": DAY,
                    "runs": WHOLE,
                    "goodput_bps": known(WHOLE),
                    "least_goodput_bps": known(WHOLE),
                    "stalls": known(WHOLE),
                    "stalled_s": known(NUMBER),
                }
            )
        ),
        "ways": listed(_WEEK_WAY),
    },
)

# Shows

_BUCKET = thing(
    {"cbs_bytes": WHOLE, "rate_bps": WHOLE, "line_bps": known(WHOLE), "drops": known(TRUTH), "source": TEXT}
)
_CHANCE = thing(
    {
        "days": WHOLE,
        "clean_days": NUMBER,
        "unwatched_days": WHOLE,
        "share": known(NUMBER),
        "low": NUMBER,
        "high": NUMBER,
    }
)
_CHANGE = thing({"kind": TEXT, "answer": known(_ANSWER), "text": TEXT, "handoff": known(TEXT)})
_LATENCY = thing({"destination": TEXT, "latency_s": NUMBER, "survives_s": NUMBER, "because": TEXT})

_CHECK = _told(
    "check",
    {
        "plan": TEXT,
        "handoff": TEXT,
        "answer": _ANSWER,
        "because": TEXT,
        "smallest_change": known(TEXT),
        "hours": TEXT,
        "demand_bps": WHOLE,
        "peak_bps": WHOLE,
        "keyframes_bytes": WHOLE,
        "floor_bps": known(WHOLE),
        "floor_goodput_bps": known(WHOLE),
        "floor_exact": TRUTH,
        "n_runs": WHOLE,
        "train_minutes": NUMBER,
        "stalls_per_hour": known(NUMBER),
        "freezes_per_hour": known(NUMBER),
        "lost_s_per_hour": known(NUMBER),
        "loss_up_ratio": known(NUMBER),
        "beside_bps": WHOLE,
        "keyframes_ms": known(WHOLE),
        "burst": known(_BUCKET),
        "arq_survives_s": known(NUMBER),
        "clean": known(_CHANCE),
        "changes": listed(_CHANGE),
        "uplinks": known(keyed(TEXT)),
        "upload_adds_ms": known(WHOLE),
        "beside_upload": known(_ANSWER),
        "notes": listed(TEXT),
        "latencies": listed(_LATENCY),
        "title": TEXT,
        "show_start": known(MOMENT),
        "show_end": known(MOMENT),
    },
)

DAY_SHEET = without(_CHECK, "title", "show_start", "show_end")

_REHEARSAL = with_fields(
    document(Rehearsal),
    {"destinations": listed(without(of(Rehearsed), "seconds")), "corrected": CORRECTIONS},
)

_FORECAST = _told(
    "forecast",
    {
        "plan": TEXT,
        "handoff": TEXT,
        "before": TEXT,
        "show_start": MOMENT,
        "show_end": MOMENT,
        "answer": _ANSWER,
        "because": TEXT,
        "smallest_change": known(TEXT),
        "chance": known(NUMBER),
        "chance_low": known(NUMBER),
        "chance_high": known(NUMBER),
        "days": WHOLE,
        "demand_bps": WHOLE,
        "peak_bps": WHOLE,
        "floor_bps": known(WHOLE),
        "rows": listed(thing({"what": TEXT, "found": TEXT, "said": TEXT})),
        "took_ms": WHOLE,
    },
)

_SCORED = thing(
    {
        "before": TEXT,
        "given": MOMENT,
        "answer": known(_ANSWER),
        "chance": known(NUMBER),
        "brier": known(NUMBER),
    }
)
_DROP = thing(
    {
        "at": MOMENT,
        "seconds": known(NUMBER),
        "destination": known(TEXT),
        "owner": word(*after.Owner),
        "why": TEXT,
    }
)
SHOW_REPORT = _told(
    "show report",
    {
        "plan": TEXT,
        "handoff": TEXT,
        "show_start": MOMENT,
        "show_end": MOMENT,
        "because": TEXT,
        "watched_ratio": known(NUMBER),
        "stalls": WHOLE,
        "stalled_s": known(NUMBER),
        "freezes": WHOLE,
        "line_clean": known(TRUTH),
        "drops_known": TRUTH,
        "drops": listed(_DROP),
        "forecast": known(_SCORED),
    },
)

SHOWS = _page(
    "shows",
    {
        "plans": listed(with_fields(_CHECK, {"forecast": known(_FORECAST)})),
        "reports": listed(SHOW_REPORT),
        "score": thing({"n": WHOLE, "brier": known(NUMBER), "brier_of_the_share": known(NUMBER)}),
    },
)

# What is used up

CAP = thing(
    {
        "limit_bytes": WHOLE,
        "counts": word(*CapCounts),
        "used_bytes": WHOLE,
        "tests_bytes": WHOLE,
        "forecast_bytes": known(WHOLE),
        "began": MOMENT,
        "ends": MOMENT,
        "interface": known(TEXT),
        "uncounted_s": NUMBER,
        "missed": listed(TEXT),
    }
)
BUDGET = thing(
    {
        "handoff": TEXT,
        "allowance_bytes": known(WHOLE),
        "spent_bytes": known(WHOLE),
        "cap": known(CAP),
    }
)

# The running probe, as its door tells it

_PLAN = thing(
    {"handoff": TEXT, "endpoint": TEXT, "direction": word(*Direction), "seconds": NUMBER},
    {"what": TEXT, "share_ratio": NUMBER},
)
_ALLOWANCE = thing(
    {
        "handoff": TEXT,
        "limit_bytes": known(WHOLE),
        "spent_bytes": known(WHOLE),
        "forecast_bytes": known(WHOLE),
        "one_in": known(WHOLE),
    }
)
_SOAKING = thing({"handoff": TEXT, "endpoint": TEXT, "started": MOMENT, "ends": MOMENT})
_WINDOW = thing(
    {
        "window": word(*OpenKind),
        "name": TEXT,
        "opener": word(*Opener),
        "handoff": known(TEXT),
        "why": TEXT,
        "reference": known(TEXT),
        "opened": MOMENT,
        "ends": known(MOMENT),
    }
)
PROBE = thing(
    {
        "kind": constant("status"),
        "schema": WHOLE,
        "version": TEXT,
        "site": TEXT,
        "timezone": TEXT,
        "now": MOMENT,
        "started": MOMENT,
        "running": listed(
            with_fields(_PLAN, {"started": MOMENT}, {"asked": known(TEXT), "progress": known(TEXT)})
        ),
        "next": listed(with_fields(_PLAN, {"planned": MOMENT}, {"held": known(TEXT)})),
        "trains": listed(
            thing(
                {
                    "handoff": TEXT,
                    "endpoint": TEXT,
                    "state": word("begun", "going", "failed", "stopped"),
                    "since": MOMENT,
                    "why": known(TEXT),
                }
            )
        ),
        "windows": listed(_WINDOW),
        "waiting": WHOLE,
        "trouble": known(TEXT),
        "refused": known(TEXT),
    },
    {  # what an older probe does not tell
        "checks": listed(
            thing(
                {
                    "plan": TEXT,
                    "title": TEXT,
                    "before": word("24h", "1h", "10min"),
                    "handoff": TEXT,
                    "handoffs": listed(TEXT),
                    "seconds": NUMBER,
                    "started": MOMENT,
                    "asked": TEXT,
                    "progress": known(TEXT),
                }
            )
        ),
        "asked": listed(with_fields(_PLAN, {"why": TEXT})),
        "soaks": listed(_SOAKING),
        "allowances": listed(_ALLOWANCE),
        "caps": listed(with_fields(CAP, {"handoff": TEXT, "one_in": WHOLE, "said": TEXT})),
        "clock": thing({"synchronised": known(TRUTH), "error_us": known(WHOLE)}),
    },
)

# Rates

_COUNTS = {
    "word": _WORD,
    "n": WHOLE,
    "effective_n": NUMBER,
    "met": WHOLE,
    "not_met": WHOLE,
    "open": WHOLE,
    "share": known(NUMBER),
    "bound_low": NUMBER,
    "bound_high": NUMBER,
    "more_runs": known(WHOLE),
    "more_days": known(WHOLE),
}
_COUNTED = thing(_COUNTS)
_WHOLE_VERDICT = with_fields(of(RateVerdict), {"excluded_why": keyed(WHOLE)})
VERDICT = with_fields(_WHOLE_VERDICT, {"handoff": TEXT, "corrected_records": WHOLE})

_DETAIL = thing(
    {
        "direction": word(*Direction),
        "carried": known(of(Carried)),
        "busy": _COUNTED,
        "outside_busy": _COUNTED,
        "busy_differs": TRUTH,
        "days": listed(of(RateDay)),
        "days_kept": WHOLE,
        "days_short": WHOLE,
        "power_runs": known(WHOLE),
        "power_days": known(WHOLE),
        "sentences": listed(TEXT),
    }
)
_RULE = thing(
    {
        "rule": TEXT,
        "meaning": TEXT,
        "standing": word(*Standing),
        "left_out": WHOLE,
        "left_out_by_it_alone": WHOLE,
        "without_it": _COUNTED,
        "changes": TRUTH,
    }
)
_LEDGER = thing(
    {
        "direction": word(*Direction),
        "because": TEXT,
        "with_every_rule": _COUNTED,
        "with_no_rule": _COUNTED,
        "rules": listed(_RULE),
        "skipped": keyed(WHOLE),
        "failed": keyed(WHOLE),
    }
)
_VERSION = thing(
    {
        "from": MOMENT,
        "until": MOMENT,
        "reference": known(TEXT),
        "verdicts": listed(thing({**_COUNTS, "because": TEXT, "parts": _DETAIL})),
        "ledgers": listed(_LEDGER),
    }
)

_OUTCOME = thing({"word": word(*Word, *Answer), "because": TEXT})
SITE_FILE = _told(
    "site file",
    {
        "file": TEXT,
        "sha256": TEXT,
        "tables": listed(thing({"table": TEXT, "name": TEXT, "stated": keyed(TEXT)})),
        "warnings": listed(
            thing(
                {
                    "handoff": TEXT,
                    "trouble": word("unmeetable", "vague"),
                    "keys": listed(TEXT),
                    "because": TEXT,
                    "question": TEXT,
                }
            )
        ),
    },
)

_SCHEDULED = {"handoff": TEXT, "endpoint": TEXT, "hours": known(TEXT)}
SCHEDULE = _told(
    "schedule",
    {
        "probe": TRUTH,
        "next": listed(with_fields(_PLAN, {"planned": MOMENT}, {"held": known(TEXT)})),
        "asked": listed(with_fields(_PLAN, {"why": TEXT})),
        "windows": listed(_WINDOW),
        "used": listed(BUDGET),
        "month": known(
            listed(
                thing(
                    {
                        "handoff": TEXT,
                        "allowance": thing(
                            {
                                "limit_bytes": known(WHOLE),
                                "spent_bytes": WHOLE,
                                "forecast_bytes": WHOLE,
                                "ends": MOMENT,
                            }
                        ),
                        "cap": known(CAP),
                        "runs_one_in": WHOLE,
                        "said": listed(TEXT),
                        "costs": listed(thing({"what": TEXT, "bytes": WHOLE})),
                    }
                )
            )
        ),
        "plans": listed(
            thing(
                {
                    **_SCHEDULED,
                    "what": TEXT,
                    "direction": word(*Direction),
                    "seconds": NUMBER,
                    "every_s": WHOLE,
                }
            )
        ),
        "trains": listed(thing({**_SCHEDULED, "per_second": NUMBER})),
    },
)

LEDGER = _told(
    "ledger",
    {
        **_SITE,
        "handoffs": listed(
            thing(
                {
                    "handoff": TEXT,
                    "from": MOMENT,
                    "until": MOMENT,
                    "versions": listed(_VERSION),
                    "others": listed(
                        thing(
                            {
                                "about": TEXT,
                                "because": TEXT,
                                "with_every_rule": _OUTCOME,
                                "with_no_rule": _OUTCOME,
                                "rules": listed(
                                    thing(
                                        {
                                            "rule": TEXT,
                                            "meaning": TEXT,
                                            "left_out": TEXT,
                                            "without_it": _OUTCOME,
                                            "changes": TRUTH,
                                        }
                                    )
                                ),
                            }
                        )
                    ),
                }
            )
        ),
    },
)

# The card: exact shares are texts, and a span of the calendar is as a contract says it

_SPAN_SAID = known(said(TEXT, "a span of the calendar, such as 3 months"))
CARD = with_fields(
    thing(
        {
            name: each
            for name, each in shapes_of(Card).items()
            if name not in ("from_unix_ns", "term", "renewal", "pages", "not_stated")
        }
    ),
    {
        "from": known(MOMENT),
        "term": _SPAN_SAID,
        "renewal": _SPAN_SAID,
        "outages": of(AvailabilityTerms),
        "credits": of(CreditTerms),
        "pages": keyed(TEXT),
        "not_stated": listed(TEXT),
    },
)
_WARNING = thing({"trouble": word(*Trouble), "keys": listed(TEXT), "because": TEXT, "question": TEXT})

# Trains

PIECE = thing(
    {
        "from": MOMENT,
        "to": MOMENT,
        "seconds": NUMBER,
        **{
            name: known(WHOLE)
            for name in (
                *("sent", "received", "lost_up", "lost_down", "lost_unattributed", "held_up", "held_down"),
                *("reordered", "duplicated", "stalls"),
            )
        },
        "rtt_us": known(DELAYS),
        "pdv_up_us": known(DELAYS),
        "pdv_down_us": known(DELAYS),
    }
)
_TRAIN = thing(
    {
        "endpoint": TEXT,
        "where": word(*Where),
        "per_second": known(NUMBER),
        "excluded": keyed(WHOLE),
        "pieces": listed(PIECE),
        "corrected": listed(
            thing({"started": MOMENT, "seq": WHOLE, "written": MOMENT, "what": TEXT, "why": TEXT})
        ),
    }
)
_PLACE = thing(
    {"part": word(*Part), "owner": known(_OWNER), "clear": WHOLE, "hit": WHOLE, "because": known(TEXT)}
)

# Segments

_SEGMENT = thing(
    {
        "segment": TEXT,
        "station": word(*Station),
        "name": known(TEXT),
        "ttl": known(WHOLE),
        "sent": WHOLE,
        "lost": WHOLE,
        "loss_ratio": known(NUMBER),
        "rtt_us": known(DELAYS),
        "stalls": WHOLE,
        "note": known(TEXT),
    }
)
_SPLIT = with_fields(
    document(Split),
    {
        "word": word(*segments.Word),
        "owner": known(_OWNER),
        "because": TEXT,
        "decides": known(TEXT),
        "findings": listed(of(segments.Finding)),
        "segments": listed(_SEGMENT),
    },
)

# The house

_HOP = thing(
    {
        "from": TEXT,
        "to": TEXT,
        "port_rate_bps": known(WHOLE),
        "cable": TEXT,
        "length_m": known(NUMBER),
        "best_bps": known(WHOLE),
        "best_v6_bps": known(WHOLE),
        "cable_carries_bps": known(WHOLE),
        "cable_may_carry_bps": known(WHOLE),
        "cable_state": TEXT,
        "cable_because": TEXT,
    }
)
_HOUSE = thing(
    {
        "name": TEXT,
        "handoff": known(TEXT),
        "needed_bps": known(WHOLE),
        "best_bps": known(WHOLE),
        "weakest": TEXT,
        "limits": known(TRUTH),
        "because": TEXT,
        "seen": known(TEXT),
        "cures": listed(TEXT),
        "hops": listed(_HOP),
    }
)
_CEILING = thing(
    {
        "of": word(*CeilingOf),
        "endpoint": TEXT,
        "flows": WHOLE,
        "carries_bps": known(WHOLE),
        "goodput_bps": known(WHOLE),
        "port_rate_bps": known(WHOLE),
        "wanted_bps": known(WHOLE),
        "measured": known(MOMENT),
        "enough": word(*Enough),
    }
)

# Campaigns

_FATE = thing(
    {"planned": MOMENT, "latest": MOMENT, "outcome": TEXT, "why": TEXT, "corrected": CORRECTIONS},
    {"started": MOMENT, "goodput_bps": keyed(WHOLE)},
)
_CAMPAIGN = _told(
    "campaign result",
    {
        "name": TEXT,
        "question": TEXT,
        "handoff": TEXT,
        "endpoint": TEXT,
        "direction": word(*Direction),
        "seq": WHOLE,
        "fixed": MOMENT,
        "planned": WHOLE,
        "ended": TRUTH,
        "counts": keyed(WHOLE),
        "answer": known(TEXT),
        "because": listed(TEXT),
        "verdicts": listed(_WHOLE_VERDICT),
        "floors": listed(with_fields(of(Floor), {"direction": word(*Direction)})),
        "thinned_runs": WHOLE,
        "corrected_records": WHOLE,
        "corrected": CORRECTIONS,
        "runs": listed(_FATE),
    },
)

# Pages

_NOTICE = thing({"owner": known(_OWNER), "text": TEXT, "next_step": TEXT, "weight": WHOLE})

TODAY = _page(
    "today",
    {
        "newest": known(MOMENT),
        "alive": known(MOMENT),
        "running": TRUTH,
        "notices": listed(_NOTICE),
        "cases": listed(CASE),
        "plans": listed(with_fields(_CHECK, {"rehearsal": known(_REHEARSAL)})),
        "budget": listed(BUDGET),
        "verdicts": listed(VERDICT),
        "runs": listed(records.RATE_RUN),
        "trains": listed(with_fields(PIECE, {"handoff": TEXT, "endpoint": TEXT})),
        "probe": known(PROBE),
    },
)

_BOUNDS = {
    name: NUMBER
    for name in ("loss_below_ratio", "loss_up_below_ratio", "loss_down_below_ratio", "confidence_ratio")
}

_AVAILABLE = thing(
    {
        "month": TEXT,
        "rule": word(*OutageRule),
        "word": _WORD,
        **{name: known(NUMBER) for name in ("ratio", "worst_ratio", "best_ratio")},
        "down_s": NUMBER,
        "since": known(DAY),
        **{name: known(NUMBER) for name in ("since_ratio", "since_down_s", "months_below")},
    }
)

CIRCUIT = _page(
    "circuit",
    {
        "handoff": TEXT,
        "period": TEXT,
        "from": MOMENT,
        "card": CARD,
        "cards": listed(CARD),
        "card_warnings": listed(_WARNING),
        "verdicts": listed(VERDICT),
        "together": known(of(Together)),
        "versions": listed(_VERSION),
        "questions": listed(TEXT),
        "available": known(_AVAILABLE),
        "budget": BUDGET,
        "campaigns": listed(_CAMPAIGN),
        "runs": listed(records.RATE_RUN),
        "paced": listed(corrected(document(PacedRun, "bins"))),
        "house": listed(_HOUSE),
        "ceilings": listed(_CEILING),
        "loaded_delays": listed(corrected(document(LoadedDelayRun))),
        "capacity": listed(corrected(document(CapacityRun, "bins", "steps"))),
        "bursts": listed(corrected(document(BurstRun))),
        "sizes": listed(corrected(document(SizesRun))),
        "steps": listed(corrected(document(StepsRun))),
        "mtus": listed(with_fields(corrected(document(PathMtu)), {"verdict": _WORD, "because": TEXT})),
        "trains": listed(_TRAIN),
        "soaks": listed(with_fields(corrected(document(Soak)), _BOUNDS)),
        "stalls": listed(with_fields(corrected(records.STALL), {"place": known(_PLACE)})),
        "splits": listed(_SPLIT),
        "failovers": listed(corrected(document(Failover))),
        "troubles": listed(
            {"anyOf": [corrected(records.FAILED), corrected(records.SKIPPED), corrected(records.GAP)]}
        ),
    },
)

_FINDING = thing(
    {
        "number": WHOLE,
        "name": TEXT,
        "handoff": TEXT,
        "endpoint": known(TEXT),
        "direction": known(word(*Direction)),
        "seen": TEXT,
        "counts": keyed({"anyOf": [NUMBER, TEXT]}),
        "cause": TEXT,
        "confirm": TEXT,
        "owner": known(_OWNER),
        "because": TEXT,
        "ask": TEXT,
        "chance": known(NUMBER),
        "first": MOMENT,
        "last": MOMENT,
    }
)
FINDINGS = _told(
    "findings",
    {
        "ended": MOMENT,
        "invented": TRUTH,
        "findings": listed(_FINDING),
        "not_tested": listed(thing({"number": WHOLE, "name": TEXT, "handoff": TEXT, "why": TEXT})),
    },
)

_UPLOAD = _told(
    "upload plan",
    {
        "size_bytes": WHOLE,
        "to": known(TEXT),
        "start": MOMENT,
        "deadline": known(MOMENT),
        "uplink": known(TEXT),
        "done_50": known(MOMENT),
        "done_90": known(MOMENT),
        "latest_start": known(MOMENT),
        "kept_free_s": WHOLE,
        "ceiling_bps": known(WHOLE),
        "uplinks": listed(
            thing(
                {
                    "handoff": TEXT,
                    "days": WHOLE,
                    "done_50": known(MOMENT),
                    "done_90": known(MOMENT),
                    "latest_start": known(MOMENT),
                }
            )
        ),
    },
)
RECEIPT = _told(
    "upload receipt",
    {
        "handoff": known(TEXT),
        "to": TEXT,
        "size_bytes": WHOLE,
        "seconds": NUMBER,
        "ended": MOMENT,
        "goodput_bps": WHOLE,
        "line_goodput_bps": known(WHOLE),
        "sha256": known(TEXT),
    },
)
UPLOADS = _page(
    "uploads",
    {
        "plan": known(_UPLOAD),
        "ceilings": listed(
            thing({"to": TEXT, "ceiling_bps": known(WHOLE), "fastest_bps": WHOLE, "n": WHOLE, "held": WHOLE})
        ),
        "receipts": listed(RECEIPT),
    },
)

PAPERS = _told(
    "papers",
    {
        "issued": listed(
            thing(
                {
                    **dict.fromkeys(("paper", "number", "handoff", "sha256"), TEXT),
                    "version": WHOLE,
                    "issued": MOMENT,
                    "changed": listed(TEXT),
                }
            )
        ),
        "packs": listed(
            thing(
                {
                    "number": WHOLE,
                    **dict.fromkeys(("handoff", "first_day", "last_day", "state"), TEXT),
                    "why": known(TEXT),
                    "verified": known(TRUTH),
                    "fingerprint": known(TEXT),
                }
            )
        ),
        "withheld": listed(thing({"kind": TEXT, "what": TEXT})),
        "kept": listed(TEXT),
    },
)

SIDE_BY_SIDE = _told(
    "side by side",
    {
        **_SITE,
        "old": TEXT,
        "new": TEXT,
        "from": DAY,
        "to": DAY,
        "hours": listed(thing({"hour": WHOLE, "old": of(HourSide), "new": of(HourSide)})),
        "overlap": known(thing({"from": DAY, "to": DAY})),
        "cost": known(thing({"old": of(Money), "new": of(Money)})),
    },
)

_ROW = thing(
    {
        "row": TEXT,
        "what": TEXT,
        "how_long": TEXT,
        "passes": TEXT,
        "source": TEXT,
        "cautions": listed(TEXT),
        "command": known(TEXT),
        "by_hand": TRUTH,
        "applies": TRUTH,
        "word": _WORD,
        "because": TEXT,
        "limit": TEXT,
        "found": TEXT,
        "method_error": TEXT,
        "record": known(MOMENT),
        "typed": TRUTH,
        "owner": _OWNER,
    }
)
ACCEPTANCE = _told(
    "acceptance",
    {
        **_SITE,
        "handoff": TEXT,
        "provider": known(TEXT),
        "reference": known(TEXT),
        "from": MOMENT,
        "until": MOMENT,
        "safety": listed(thing({"id": TEXT, "asks": TEXT, "answer": known(TEXT), "holds": TRUTH})),
        "rows": listed(_ROW),
        "counts": keyed(WHOLE),
        "defects": listed(
            thing({"name": TEXT, "says": TEXT, "since": known(MOMENT), "owner": _OWNER, "mended": TRUTH})
        ),
        "deemed": thing(
            {
                "handover": known(DAY),
                "working_days": known(WHOLE),
                "last_day": known(DAY),
                "working_days_left": known(WHOLE),
                "over": TRUTH,
                "because": TEXT,
            }
        ),
        "decision": known(thing({"word": TEXT, "says": TEXT, "written": MOMENT})),
        "next_row": known(TEXT),
        "next_step": TEXT,
    },
)
