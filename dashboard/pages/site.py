"""Site: the contract cards, plans and windows of the site file, as forms for who may operate.

Each form is one table of the file. What a card says vaguely or cannot keep stands under it with the question
to the provider, as `linebook site check` has it. Imports site_file and the judge of cards.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import tomlkit
from tomlkit.items import Table as TomlTable

from dashboard import site_file
from dashboard.api import Json
from dashboard.judge import card_check
from dashboard.judge.card_check import Warned
from dashboard.pages import card_rows
from dashboard.pages.frame import Frame
from dashboard.pages.ledger import Entry
from dashboard.site_file import CARD_FIELDS, DESTINATION_FIELDS, PLAN_FIELDS, WINDOW_FIELDS, Text, Where
from store.clock import rfc3339, zone
from store.site import Site

_SHORT = {"burst": ("burst_up", "burst_down"), "limiter": ("limiter_up", "limiter_down")}
_HINTS = {
    "rate_up": "such as 600 Mb/s",
    "layer": "layer 1, layer 2, layer 3 or payload",
    "commitment": "committed, or up to",
    "hours": "such as 19:00-21:00",
    "days": "such as Mon, Wed; every day if empty",
    "dates": "such as 2026-12-24; instead of days",
    "kind": "show, quiet or maintenance",
    "handoffs": "names; all if empty",
    "transport": "tcp, arq or rtp",
    "latency": "of arq",
    "buffer": "of tcp and rtp",
    "service_start": "a date, such as 2026-06-22",
    "beside": "what else the house sends up meanwhile",
}
_OF_ITS_OWN = "a table of its own; edit it in the file"
NEW = {"window": ("name", *WINDOW_FIELDS), "plan": ("name", *PLAN_FIELDS)}
NEW_DESTINATION = ("name", "video", "audio", "transport", "buffer", "latency")
SAID = {
    "taken": "Written, and the probe goes by it.",
    "alone": "Written. No probe is running; it will go by it when it starts.",
    "refused": "Written, but the running probe refused it and goes on by the old one; Today says why.",
    "read": "Read again.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """A form that came back and was refused: which, what it had, what is wrong and with which key."""

    where: str
    values: Mapping[str, str]
    key: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One key. `fixed` is shown and not changed here."""

    key: str
    name: str
    label: str
    value: str
    hint: str
    wrong: str
    fixed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """One table of the file; `where` says which. What is `empty` of a card is folded."""

    id: str
    title: str
    where: str
    button: str
    stated: tuple[Field, ...]
    empty: tuple[Field, ...]
    wrong: str
    said: str = ""
    warned: tuple[Entry, ...] = ()
    questions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePage:
    """What site.html may use, and nothing else."""

    frame: Frame
    file: str
    said: str
    wrong: str
    sha256: str
    cards: tuple[Form, ...]
    plans: tuple[Form, ...]
    windows: tuple[Form, ...]
    new: tuple[Form, ...]


def page(
    held: Text,
    site: Site,
    *,
    frame: Frame,
    now_ns: int,
    said: str = "",
    said_of: str = "",
    sent: Sent | None = None,
) -> SitePage:
    """The page; `sent` is shown again with what is wrong at its field.

    What is `said` stands at the form of the table `said_of`, at the top where there is no such form.
    """
    warned = warnings(site, now_ns=now_ns)
    document = held.document
    cards, plans, windows = [], list[Form](), list[Form]()
    for nth, handoff in enumerate(site.handoffs):
        where: Where = ("handoff", nth, "card")
        card = site_file.table_at(document, where) or tomlkit.table()
        form = _form(where, card, f"Contract card of {handoff.name}", card_fields(card), sent)
        cards.append(_with(form, warned[handoff.name], card_check.questions(handoff.card_at(now_ns))))
    for nth, plan in enumerate(site.plans):
        table = site_file.table_at(document, ("plan", nth))
        if table is not None:
            plans.append(_form(("plan", nth), table, f"Plan {plan.name}", PLAN_FIELDS, sent))
        for place, destination in enumerate(plan.destinations):
            where = ("plan", nth, "destination", place)
            table = site_file.table_at(document, where)
            if table is not None:
                title = f"Destination {destination.name} of plan {plan.name}"
                plans.append(_form(where, table, title, DESTINATION_FIELDS, sent))
    for nth, window in enumerate(site.windows):
        table = site_file.table_at(document, ("window", nth))
        if table is not None:
            windows.append(_form(("window", nth), table, f"Window {window.name}", WINDOW_FIELDS, sent))
    new = list(_new(sent))
    forms = [*cards, *plans, *windows, *new]
    at_form = any(one.where == said_of for one in forms)

    def told(some: Sequence[Form]) -> tuple[Form, ...]:
        return tuple(replace(one, said=said) if one.where == said_of else one for one in some)

    return SitePage(
        frame=frame,
        file=str(held.file),
        said="" if at_form else said,
        wrong="" if sent is None or any(one.where == sent.where for one in forms) else sent.why,
        sha256=held.sha256,
        cards=told(cards),
        plans=told(plans),
        windows=told(windows),
        new=told(new),
    )


def as_json(held: Text, site: Site, *, now_ns: int) -> Json:
    """The same for programs: each table with what it states, as its form shows it."""
    document, warned = held.document, warnings(site, now_ns=now_ns)
    places = [
        *((("handoff", nth, "card"), one.name, CARD_FIELDS) for nth, one in enumerate(site.handoffs)),
        *((("plan", nth), one.name, PLAN_FIELDS) for nth, one in enumerate(site.plans)),
        *((("window", nth), one.name, WINDOW_FIELDS) for nth, one in enumerate(site.windows)),
    ]
    tables = []
    for where, name, keys in places:
        table = site_file.table_at(document, where)
        if table is not None:
            stated = {key: text for key in keys if (text := site_file.shown(table, key))}
            tables.append({"table": _text(where), "name": name, "stated": stated})
    return {
        "kind": "site file",
        "schema": 1,
        "started": rfc3339(now_ns),
        "standing": "valid",
        "reasons": [],
        "file": held.file.name,
        "sha256": held.sha256,
        "tables": tables,
        "warnings": [{"handoff": name, **one.as_json()} for name, found in warned.items() for one in found],
    }


def warnings(site: Site, *, now_ns: int) -> dict[str, tuple[Warned, ...]]:
    """What each card says vaguely or cannot keep, by handoff."""
    where, together = zone(site.timezone), card_check.warnings_together(site.handoffs, now_unix_ns=now_ns)
    return {
        one.name: (*card_check.warnings_of(one, now_unix_ns=now_ns, where=where), *together[one.name])
        for one in site.handoffs
    }


def card_fields(table: Mapping[str, object]) -> tuple[str, ...]:
    """The keys of a card's form: one that answers for both directions, or the two, as the file has it."""
    left_out = {one for short, pair in _SHORT.items() for one in (pair if short in table else (short,))}
    return tuple(key for key in CARD_FIELDS if key not in left_out)


def where_of(text: str) -> Where:
    """Undo the form's `where`: ``handoff/0/card``."""
    return tuple(int(part) if re.fullmatch("[0-9]{1,9}", part) else part for part in text.split("/"))


def _with(form: Form, warned: Sequence[Warned], questions: Sequence[str]) -> Form:
    return replace(form, warned=tuple(card_rows.warning(one) for one in warned), questions=tuple(questions))


def _form(where: Where, table: TomlTable, title: str, keys: Sequence[str], sent: Sent | None) -> Form:
    text = _text(where)
    mine = sent if sent is not None and sent.where == text else None
    fields = list(_fields(text, table, keys, mine))
    is_card = "card" in where
    return Form(
        id=text.replace("/", "-"),
        title=title,
        where=text,
        button="Write it",
        stated=tuple(one for one in fields if not is_card or one.value or one.wrong),
        empty=tuple(one for one in fields if is_card and not one.value and not one.wrong),
        wrong="" if mine is None or any(one.wrong for one in fields) else mine.why,
    )


def _fields(
    where: str, table: Mapping[str, object], keys: Sequence[str], sent: Sent | None
) -> Iterator[Field]:
    for key in keys:
        now = site_file.shown(table, key)
        yield Field(
            key=key,
            name=f"{where.replace('/', '-')}-{key}",
            label=key.replace("_", " "),
            value=_OF_ITS_OWN if now is None else sent.values.get(key, now) if sent else now,
            hint=_HINTS.get(key, ""),
            wrong=sent.why if sent is not None and sent.key == key else "",
            fixed=now is None,
        )


def _new(sent: Sent | None) -> Iterator[Form]:
    for name, keys in NEW.items():
        mine = sent if sent is not None and sent.where == f"new/{name}" else None
        every = [*keys, *(f"destination.{key}" for key in NEW_DESTINATION if name == "plan")]
        fields = list(_fields(f"new/{name}", {}, every, mine))
        yield Form(
            id=f"new-{name}",
            title=f"One more {name}",
            where=f"new/{name}",
            button=f"Add the {name}",
            stated=tuple(fields),
            empty=(),
            wrong="" if mine is None or any(one.wrong for one in fields) else mine.why,
        )


def _text(where: Where) -> str:
    return "/".join(map(str, where))
