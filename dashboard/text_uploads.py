"""Upload plans and receipts as text for a terminal, and as JSON. Loads no numerics. Imports store only."""

from __future__ import annotations

from datetime import tzinfo
from typing import TYPE_CHECKING, Any

from store.clock import NS_PER_S, local, rfc3339
from store.jsonform import SCHEMA
from store.quantities import counted
from store.receipts import Receipt

if TYPE_CHECKING:
    from dashboard.judge.upload import Ahead, Ceiling
    from dashboard.uploads import Planned


def sizes(count: int) -> str:
    """A size in both units that people see: ``64.0 GB (59.6 GiB)``."""
    decimal, binary = count / 1e9, count / 2**30
    if decimal < 1:
        return f"{count / 1e6:.1f} MB ({count / 2**20:.1f} MiB)"
    return f"{decimal:.1f} GB ({binary:.1f} GiB)"


def plan(found: Planned, where: tzinfo) -> str:
    """The plan on its best uplink in sentences, then every uplink."""
    return "\n".join([*sentences(found, where), *_others(found, where)])


def sentences(found: Planned, where: tzinfo) -> list[str]:
    """What the plan says, one sentence each."""
    asked, best = found.asked, found.best
    whom = f" to {asked.to}" if asked.to else ""
    if best is None or best.usual_ns is None or best.safe_ns is None:
        return [
            f"{sizes(asked.size_bytes)}{whom}: nothing can be said. No uplink has past days with three valid "
            "rate runs up each, or none of them sends it within two weeks; let the schedule run."
        ]
    said = [
        f"{sizes(asked.size_bytes)}{whom} by handoff {best.handoff}, from {time(asked.start_ns, where)}: "
        f"over by {by(best.usual_ns, where)} with 50 %, by {by(best.safe_ns, where)} with 90 % "
        f"confidence."
    ]
    if asked.deadline_ns is not None:
        said.append(_deadline(best, asked.deadline_ns, where))
    if best.few:
        said.append(
            f"It rests on {best.days} past days only; with fewer than ten, the worst of them stands for 90 %."
        )
    if best.other_class:
        said.append(
            "No past day of that class (Monday to Friday, or the weekend) is on record; others stand in."
        )
    if found.kept_free_s:
        said.append(f"Show and quiet windows keep {found.kept_free_s / 3600:.1f} h free until then.")
    said.append(_ceiling(found))
    said.append(
        "Pause or cap it in shows; send it so that it can go on after a break, and compare checksums."
    )
    return said


def _deadline(best: Ahead, deadline_ns: int, where: tzinfo) -> str:
    due = time(deadline_ns, where)
    if best.latest_start_ns is None:
        return f"That is too late for {due} with 90 % confidence, even if it starts then."
    return f"For {due} it must start at {time(best.latest_start_ns, where)} at the latest (90 %)."


def _ceiling(found: Planned) -> str:
    if found.asked.cap_bps is not None:
        return f"The receiver is taken to accept {_mbps(found.asked.cap_bps)} at most, as you said."
    known = found.ceiling
    if known is None:
        whom = found.asked.to or "the receiver"
        return (
            f"Nothing is known of what {whom} accepts, and the line's own rate is counted: many services, "
            f"disks and single connections give much less (200 to 300 Mb/s is common practice, no source). A "
            f"receipt of each upload teaches it."
        )
    return f"{known.to}: {ceiling(known)}."


def ceiling(known: Ceiling) -> str:
    """What a receiver takes, as its receipts tell."""
    count = counted(known.n, "upload")
    if known.bps is None:
        return f"{count}, all held by the line, the fastest at {_mbps(known.seen_bps)}: no ceiling is known"
    return f"accepts {_mbps(known.bps)} by {known.held} of {count} that the receiver held"


def _others(found: Planned, where: tzinfo) -> list[str]:
    rest = [one for one in found.uplinks if one is not found.best]
    return [f"  handoff {one.handoff}: {other(one, where)}" for one in rest]


def other(one: Ahead, where: tzinfo) -> str:
    """Another uplink, in short."""
    if one.usual_ns is None or one.safe_ns is None:
        return (
            f"{one.days} past days, not over within two weeks"
            if one.days
            else "no past day to go by, or no valid run up for a week"
        )
    return f"by {by(one.usual_ns, where)} with 50 %, {by(one.safe_ns, where)} with 90 %"


def plan_json(found: Planned) -> dict[str, Any]:
    """The plan as the object that other programs may rely on."""
    asked, best = found.asked, found.best
    return {
        "kind": "upload plan",
        "schema": SCHEMA,
        "started": rfc3339(found.now_ns),
        "standing": "void" if best is None else "valid",
        "reasons": ["no_history"] if best is None else [],
        "size_bytes": asked.size_bytes,
        "to": asked.to,
        "start": rfc3339(asked.start_ns),
        "deadline": _moment(asked.deadline_ns),
        "uplink": None if best is None else best.handoff,
        "done_50": None if best is None else _moment(best.usual_ns),
        "done_90": None if best is None else _moment(best.safe_ns),
        "latest_start": None if best is None else _moment(best.latest_start_ns),
        "kept_free_s": round(found.kept_free_s),
        "ceiling_bps": asked.cap_bps
        if asked.cap_bps is not None
        else (None if found.ceiling is None else found.ceiling.bps),
        "uplinks": [
            {
                "handoff": one.handoff,
                "days": one.days,
                "done_50": _moment(one.usual_ns),
                "done_90": _moment(one.safe_ns),
                "latest_start": _moment(one.latest_start_ns),
            }
            for one in found.uplinks
        ],
    }


def receipt(found: Receipt) -> str:
    """A receipt in a sentence."""
    rate = _mbps(found.goodput_bps)
    text = f"{sizes(found.size_bytes)} to {found.to} in {found.seconds:g} s: {rate} of payload"
    if found.line_goodput_bps is not None:
        text += f", where the line carried {_mbps(found.line_goodput_bps)} on that day"
    return f"{text}. On record."


def receipt_json(found: Receipt) -> dict[str, Any]:
    """A receipt as the object that other programs may rely on."""
    return {
        "kind": "upload receipt",
        "schema": SCHEMA,
        "started": rfc3339(found.started_unix_ns),
        "standing": "valid",
        "reasons": [],
        "handoff": found.handoff or None,
        "to": found.to,
        "size_bytes": found.size_bytes,
        "seconds": found.seconds,
        "ended": rfc3339(found.ended_unix_ns),
        "goodput_bps": found.goodput_bps,
        "line_goodput_bps": found.line_goodput_bps,
        "sha256": found.sha256,
    }


def ceiling_json(known: Ceiling) -> dict[str, Any]:
    """A receiver's ceiling, for programs."""
    return {
        "to": known.to,
        "ceiling_bps": known.bps,
        "fastest_bps": known.seen_bps,
        "n": known.n,
        "held": known.held,
    }


def _moment(unix_ns: int | None) -> str | None:
    return None if unix_ns is None else rfc3339(unix_ns)


def by(unix_ns: int, where: tzinfo) -> str:
    """The first whole minute by which something is over."""
    minute_ns = 60 * NS_PER_S
    return time(-(-unix_ns // minute_ns) * minute_ns, where)


def time(unix_ns: int, where: tzinfo) -> str:
    """A time of day with its day, ``Wed 01 Apr 07:27``; seconds are cut off."""
    return f"{local(unix_ns, where):%a %d %b %H:%M}"


def _mbps(rate_bps: int) -> str:
    return f"{rate_bps / 1e6:.1f} Mb/s"
