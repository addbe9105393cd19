"""What a notice says: a subject, a text for people, an object for programs. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from store import case_words
from store.cases import Case
from store.clock import local
from store.notices import Notice
from store.site import Site

_MOST_EVENTS = 50  # in the text; the object has all


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """A notice ready to go out. `id` stays the same for each try, so that a repeat can be known."""

    id: str
    subject: str
    text: str
    json: dict[str, Any]


def of(case: Case, notice: Notice, *, site: Site, where: tzinfo) -> Message:
    """The message about a case as it stands now; times are local at `where`."""
    says = case_words.says(case)
    mark = "[invented] " if site.invented else ""
    return Message(
        id=notice.id,
        subject=_one_line(f"{mark}{site.name}: {says}"),
        text="\n".join(_lines(case, notice, site, where)) + "\n",
        json=case_words.as_json(case) | {"site": site.name, "invented": site.invented, "notice": notice.id},
    )


def _lines(case: Case, notice: Notice, site: Site, where: tzinfo) -> list[str]:
    began = f"{local(case.started_unix_ns, where):%a %d %b %Y %H:%M:%S %Z}".strip()
    over = "it may go on" if case.ended_unix_ns is None else "it is over"
    shown = case.events[-_MOST_EVENTS:]
    left = len(case.events) - len(shown)
    return [
        *(["All of this is invented: a practice site.", ""] if site.invented else []),
        case_words.says(case),
        "",
        f"Since {began}; {'it is still under way' if case.under_way else over}.",
        f"Owner: {case.owner}. Next: {case_words.next_step(case)}",
        "",
        "Events:" if not left else f"Events, {left} earlier ones left out:",
        *(f"  {local(one.started_unix_ns, where):%d %b %H:%M:%S}  {one.what}: {one.says}" for one in shown),
        "",
        f"No other notice of this case goes to {notice.channel}. All of it: linebook events {site.file.name}",
    ]


def _one_line(text: str) -> str:
    """As a mail's subject takes it: in one line, not endless."""
    line = " ".join(text.split())
    return line if len(line) <= 200 else f"{line[:199]}…"
