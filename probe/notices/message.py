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


def says(case: Case, *, let_go: int = 0) -> str:
    """The case in a sentence; of one with more events than are kept, what its counts leave out."""
    found = case_words.says(case)
    return f"{found} Not counted here are {let_go} earlier events, which are on record." if let_go else found


def of(case: Case, notice: Notice, *, site: Site, where: tzinfo, let_go: int = 0) -> Message:
    """The message about a case as it stands now; times are local at `where`.

    `let_go` is how many earlier events of it are on record only.
    """
    said = says(case, let_go=let_go)
    mark = "[invented] " if site.invented else ""
    return Message(
        id=notice.id,
        subject=_one_line(f"{mark}{site.name}: {said}"),
        text="\n".join(_lines(case, notice, site, where, let_go=let_go)) + "\n",
        json=case_words.as_json(case)
        | {"site": site.name, "invented": site.invented, "notice": notice.id, "events_let_go": let_go},
    )


def _lines(case: Case, notice: Notice, site: Site, where: tzinfo, *, let_go: int) -> list[str]:
    began = f"{local(case.started_unix_ns, where):%a %d %b %Y %H:%M:%S %Z}".strip()
    over = "it may go on" if case.ended_unix_ns is None else "it is over"
    shown = case.events[-_MOST_EVENTS:]
    left = len(case.events) - len(shown) + let_go
    return [
        *(["All of this is invented: a practice site.", ""] if site.invented else []),
        says(case, let_go=let_go),
        "",
        f"Since {'before ' if let_go else ''}{began}; {'it is still under way' if case.under_way else over}.",
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
