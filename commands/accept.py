"""`linebook accept`: the acceptance sheet of a handoff, guided row by row; it may be left and taken up again.

Answers, defects and the user's decision are kept as records. Safety comes first: while a question is open,
no row is run. Imports probe, store, dashboard.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from contextlib import closing

from commands import answering
from dashboard import acceptance
from dashboard.acceptance import Found
from dashboard.judge.acceptance_rows import BY_ID, QUESTIONS
from dashboard.judge.verdict import Word
from store import site as sites
from store.acceptance import About, AcceptanceNote, Decision
from store.clock import Clock, zone
from store.errors import UserMistake
from store.reader import Reader
from store.site import Handoff, Site

_QUESTIONS = {one.id: one for one in QUESTIONS}
_DECISIONS = {str(word).replace(" ", "-"): word for word in Decision}
_WORDS = {str(word).replace(" ", "-"): word for word in Word}


def run(options: argparse.Namespace) -> int:
    """Keep what was answered, if anything was, and show the sheet or the row."""
    site = sites.load(options.site)
    row = _row(options)
    clock = Clock()
    if options.handoff is None and len(site.handoffs) > 1 and _only_asks(options):
        return _every_one(options, site, clock)
    handoff = answering.handoff_named(site, options.handoff)
    found = _read(site, handoff, clock)
    whole = True
    if options.run:
        whole = _run(options, site, found, row, clock)
        found = _read(site, handoff, clock)
    written = _note(options, found, row, now_ns=clock.unix_ns())
    if written is not None:
        if not answering.put_on_record(site, written):
            return 3
        found = _read(site, handoff, clock)
    _on_paper(options, found, site, now_ns=clock.unix_ns())
    if options.json:
        told = acceptance.as_json(found, site, now_unix_ns=clock.unix_ns())
        if row is not None and row in BY_ID:
            told["rows"] = [one for one in told["rows"] if one["row"] == row]
        answering.print_json(told)
    elif row is not None and row in BY_ID:
        verdict = next(one for one in found.sheet.rows if one.row == row)
        waiting = [one for one in found.sheet.safety if one.holds]
        if waiting:
            print(f"{found.sheet.next_step}\n")
        print(acceptance.row_text(verdict, found, site))
    else:
        print(acceptance.as_text(found, site))
    return 0 if whole else 3


def _on_paper(options: argparse.Namespace, found: Found, site: Site, *, now_ns: int) -> None:
    """Write the sheet to the files that were asked for. Raises UserMistake."""
    if options.paper:
        from dashboard.papers import acceptance as papers
        from dashboard.papers import files

        sheet = papers.paper(found, site, zone(site.timezone), now_ns=now_ns)
        files.write_all(sheet, acceptance.as_json(found, site, now_unix_ns=now_ns), options.paper)


def _only_asks(options: argparse.Namespace) -> bool:
    asked = (
        options.paper,
        options.row,
        options.answer,
        options.defect,
        options.mended,
        options.decide,
        options.run,
    )
    return not any(asked) and not options.says


def _every_one(options: argparse.Namespace, site: Site, clock: Clock) -> int:
    """All handoffs of the site side by side."""
    found = [_read(site, each, clock) for each in site.handoffs]
    if options.json:
        answering.print_json(acceptance.all_json(found, site, now_unix_ns=clock.unix_ns()))
    else:
        print(acceptance.all_text(found))
    return 0


def _run(options: argparse.Namespace, site: Site, found: Found, row: str | None, clock: Clock) -> bool:
    """Run the row now; whether it was measured. Raises UserMistake while it may not be."""
    from commands import accept_run

    if row is None or row not in BY_ID:
        raise UserMistake("--run: runs one row; expected --row beside it, such as --row A6")
    if options.answer or options.defect or options.mended or options.decide:
        raise UserMistake("--run: stands beside an answer; one thing at a time")
    if any(one.holds for one in found.sheet.safety):
        raise UserMistake(f"--run: {found.sheet.next_step}")
    return accept_run.run(site, found.handoff, row, seconds=options.seconds, clock=clock)


def _read(site: Site, handoff: Handoff, clock: Clock) -> Found:
    if not site.database.exists():
        return acceptance.read(None, site, handoff, now_unix_ns=clock.unix_ns())
    with closing(Reader.open(site.database)) as reader:
        return acceptance.read(reader, site, handoff, now_unix_ns=clock.unix_ns())


def _row(options: argparse.Namespace) -> str | None:
    if options.row is None:
        return None
    row = str(options.row).upper()
    if row not in BY_ID and row not in _QUESTIONS:
        raise UserMistake(f"--row: there is no row {options.row!r}; expected A1 to A20, or S1 to S6")
    return row


def _note(
    options: argparse.Namespace, found: Found, row: str | None, *, now_ns: int
) -> AcceptanceNote | None:
    """What is to be kept of this call; None where it only asks. Raises UserMistake for what clashes."""
    asked = [name for name in ("answer", "defect", "mended", "decide") if getattr(options, name) is not None]
    if len(asked) > 1:
        raise UserMistake(f"--{asked[1]}: stands beside --{asked[0]}; one thing at a time")
    if not asked:
        if options.says:
            raise UserMistake("--says: stands alone; expected --answer, --decide or --mended beside it")
        return None
    if options.answer is not None:
        return _answer(options, found, row, now_ns)
    if options.decide is not None:
        word = _one_of("--decide", options.decide, _DECISIONS)
        return acceptance.note(found, About.DECISION, "", word, says=options.says or "", now_unix_ns=now_ns)
    if options.defect is not None:
        name = acceptance.next_defect(found)
        return acceptance.note(found, About.DEFECT, name, "open", says=options.defect, now_unix_ns=now_ns)
    known = [one.name for one in found.sheet.defects if one.name.startswith("D")]
    if options.mended not in known:
        raise UserMistake(
            f"--mended: no defect {options.mended!r} was noted{answering.near(options.mended, known)}"
        )
    return acceptance.note(
        found, About.DEFECT, options.mended, "mended", says=options.says or "", now_unix_ns=now_ns
    )


def _answer(options: argparse.Namespace, found: Found, row: str | None, now_ns: int) -> AcceptanceNote:
    if row is None:
        raise UserMistake("--answer: says nothing by itself; expected --row beside it, such as --row A4")
    if row in _QUESTIONS:
        word = _one_of("--answer", options.answer, {"yes": "yes", "no": "no"})
        return acceptance.note(found, About.SAFETY, row, word, says=options.says or "", now_unix_ns=now_ns)
    word = _one_of("--answer", options.answer, _WORDS)
    return acceptance.note(found, About.ROW, row, word, says=options.says or "", now_unix_ns=now_ns)


def _one_of(option: str, word: str, known: Mapping[str, str]) -> str:
    if word not in known:
        raise UserMistake(f"{option}: {word!r} is not known{answering.near(word, list(known))}")
    return str(known[word])
