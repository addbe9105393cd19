"""`linebook pack`: an evidence pack of one handoff, for its provider's engineer; and what it would withhold.

Everything is written into a folder beside the place where it is to be, which gets its name once all of it is
there. Imports store, dashboard.
"""

from __future__ import annotations

import json
import shutil
from contextlib import closing
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from commands.answering import handoff_named, print_json, say
from commands.version import version
from dashboard.papers import data, evidence, paper, redaction
from dashboard.papers.evidence import Asked
from dashboard.papers.pdf import NoPdf, pdf
from dashboard.papers.redaction import Leak, Redaction
from store import bundle, pack
from store import site as sites
from store.clock import NS_PER_S, Clock, local, rfc3339, zone
from store.errors import UserMistake
from store.reader import Reader
from store.site import Handoff, Site

_DAYS_MOST = 400
_CHECK = Path(paper.__file__).with_name("check.py")


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A pack that was made: where, and why it has no PDF, empty where it has one."""

    folder: Path
    zip: Path
    manifest: dict[str, Any]
    no_pdf: str
    objections: tuple[str, ...]


def command(options: Any) -> int:
    """`linebook pack SITE --handoff NAME --from DAY --to DAY`."""
    site, now_ns = sites.load(options.site), Clock().unix_ns()
    handoff = handoff_named(site, options.handoff)
    asked = asked_of(site, handoff, options.first, options.last, options.question, now_ns=now_ns)
    withheld = redaction.redaction_of(site, on=not options.unredacted, hide=options.hide)
    if options.preview:
        return _preview(withheld, as_json=options.json)
    to = options.to_dir or Path(f"pack-{handoff.name}-{asked.first}-{asked.last}")
    made = make(site, asked, withheld, to, now_ns=now_ns)
    if options.json:
        print_json(as_json(made, now_ns=now_ns))
    else:
        print(_said(made))
    return 0


def asked_of(
    site: Site, handoff: Handoff, first: date | None, last: date | None, question: str | None, *, now_ns: int
) -> Asked:
    """What a pack is asked for; four weeks up to yesterday unless days are named. Raises UserMistake."""
    today = local(now_ns, zone(site.timezone)).date()
    last = last or today - timedelta(days=1)
    first = first or last - timedelta(days=27)
    if last < first:
        raise UserMistake(f"--to: {last} is before --from {first}")
    if first > today:
        raise UserMistake(f"--from: {first} has not been yet")
    if (last - first).days >= _DAYS_MOST:
        raise UserMistake(f"--from: {first} to {last} are more than {_DAYS_MOST} days; make several packs")
    return Asked(
        handoff=handoff, first=first, last=min(last, today), question=question or evidence.question(handoff)
    )


def make(site: Site, asked: Asked, withheld: Redaction, to: Path, *, now_ns: int) -> Made:
    """Make the pack in the new folder `to`, and one zip of it beside. Raises UserMistake, Leak."""
    key = bundle.key_of(site.database)
    archive = to.with_name(f"{to.name}.zip")
    for place in (to, archive):
        if place.exists():
            raise UserMistake(f"--to-dir: {place} is there already; name another folder")
    part = to.with_name(f"{to.name}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        made = _write(site, asked, withheld, part, key, now_ns=now_ns)
        part.rename(to)
        bundle.zipped(to, archive)
    except OSError as error:
        raise UserMistake(f"--to-dir: {to} cannot be written: {error.strerror or error}") from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return Made(folder=to, zip=archive, manifest=made[0], no_pdf=made[1], objections=made[2])


def _write(
    site: Site, asked: Asked, withheld: Redaction, to: Path, key: Any, *, now_ns: int
) -> tuple[dict[str, Any], str, tuple[str, ...]]:
    heads, stamped = bundle.write_heads(site.database, to)
    where = zone(site.timezone)
    with closing(Reader.open(site.database)) as reader, reader.moment():
        say("Judging")
        found = evidence.find(
            reader, site, asked, now_ns=now_ns, version=version(), heads=heads, stamped=stamped
        )
        span = data.Span(
            handoff=asked.handoff.name, since_ns=found.since_ns, until_ns=found.until_ns, where=where
        )
        say("Writing the raw data")
        rows = data.write(reader, to, span, withheld).rows
    if not withheld.on:
        say("Writing the sealed days")
        pack.write(site.database, to / "record")
    made = evidence.paper(found, withheld, rows=rows)
    page = paper.html(paper.changed(made, withheld.text))
    (to / "index.html").write_text(page, encoding="utf-8")
    verdicts = withheld.object(evidence.as_json(found, withheld))
    (to / "verdicts.json").write_text(
        json.dumps(verdicts, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
    )
    shutil.copyfile(_CHECK, to / "check.py")
    _nothing_secret(site, withheld, to)
    no_pdf = ""
    try:
        say("Setting the PDF")
        (to / "paper.pdf").write_bytes(pdf(page))
    except NoPdf as missing:
        no_pdf = str(missing)
    about = {
        "started": rfc3339(now_ns),
        "handoff": asked.handoff.name,
        "first_day": asked.first.isoformat(),
        "last_day": asked.last.isoformat(),
        "redacted": withheld.on,
        "invented": site.invented,
        "software": f"Linebook {version()}",
        "heads": heads,
    }
    bundle.close(to, about, key)
    return about, no_pdf, tuple(str(one.word) for one in found.objections)


def _nothing_secret(site: Site, withheld: Redaction, to: Path) -> None:
    """Look through every file for what may be in none. Raises Leak, and then nothing is kept."""
    secrets = redaction.secrets_of(site, lambda: bundle.private_lines(site.database))
    words = {word for word in withheld.words if len(word) > 5} if withheld.on else set()
    for file in sorted(to.rglob("*")):
        if not file.is_file():
            continue
        text = file.read_bytes().decode("utf-8", "replace")
        if any(secret in text for secret in secrets):
            raise Leak(f"{file.name} would hold a secret of this site, so no pack was made")
        if any(word in text for word in words) and file.name != "check.py":
            raise Leak(f"{file.name} would hold a word that is to be withheld, so no pack was made")


def _preview(withheld: Redaction, *, as_json: bool) -> int:
    hidden = redaction.preview(withheld, data.columns())
    if as_json:
        print_json(
            {
                "kind": "redaction",
                "schema": 1,
                "started": rfc3339(Clock().unix_ns()),
                "standing": "valid",
                "reasons": [],
                "on": withheld.on,
                "withheld": [{"kind": one.kind, "what": one.what} for one in hidden],
                "kept": list(withheld.kept),
            }
        )
        return 0
    if not withheld.on:
        print("Nothing would be withheld but secrets: keys, invitations and passwords are in no pack.")
        return 0
    print("Withheld:")
    print("\n".join(f"  {one.kind}: {one.what}" for one in hidden))
    print(f"Your words that stay: {', '.join(withheld.kept)}. Withhold one with --hide WORD.")
    return 0


def as_json(made: Made, *, now_ns: int) -> dict[str, Any]:
    """What was made, as one JSON object."""
    return {
        "kind": "evidence pack",
        "schema": 1,
        "standing": "valid",
        "reasons": [],
        **made.manifest,
        "folder": str(made.folder),
        "zip": str(made.zip),
        "pdf": None if made.no_pdf else str(made.folder / "paper.pdf"),
        "no_pdf": made.no_pdf or None,
        "seconds": round((Clock().unix_ns() - now_ns) / NS_PER_S, 1),
    }


def _said(made: Made) -> str:
    out = made.objections.count("ruled out")
    lines = [
        f"{made.folder}/index.html is the paper, {made.zip} all of it in one file.",
        f"Of the twenty objections the record rules out {out}; read the others before you send it.",
        f"Check it: linebook verify {made.folder}",
    ]
    if made.no_pdf:
        lines.append(f"No PDF: {made.no_pdf}.")
    return "\n".join(lines)
