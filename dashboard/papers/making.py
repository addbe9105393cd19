"""Making an evidence pack: judged, written, looked through for secrets, signed, packed.

Everything is written into a folder beside the place where it is to be, which gets its name once all of it is
there. Blocks for as long as it takes. Imports store and the papers.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import date, timedelta
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from dashboard.papers import data, evidence, paper, redaction
from dashboard.papers.evidence import Asked
from dashboard.papers.pdf import NoPdf, pdf
from dashboard.papers.redaction import Leak, Redaction
from store import bundle, pack
from store.clock import local, rfc3339, zone
from store.errors import UserMistake
from store.papers import PACK, IssuedPaper
from store.reader import Reader
from store.seal import Key
from store.site import Handoff, Site

_DAYS_MOST = 400
_CHECK = Path(paper.__file__).with_name("check.py")


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A pack that was made: where, and why it has no PDF, empty where it has one."""

    folder: Path
    zip: Path
    manifest: dict[str, Any]
    sha256: str  # of the manifest
    no_pdf: str
    objections: tuple[str, ...]


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


def make(
    site: Site, asked: Asked, withheld: Redaction, to: Path, *, now_ns: int, say: Callable[[str], None]
) -> Made:
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
        made = _write(site, asked, withheld, part, key, now_ns=now_ns, say=say)
        part.rename(to)
        bundle.zipped(to, archive)
    except OSError as error:
        raise UserMistake(f"--to-dir: {to} cannot be written: {error.strerror or error}") from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return Made(
        folder=to,
        zip=archive,
        manifest=made[0],
        sha256=hashlib.sha256((to / bundle.MANIFEST).read_bytes()).hexdigest(),
        no_pdf=made[1],
        objections=made[2],
    )


def _write(
    site: Site,
    asked: Asked,
    withheld: Redaction,
    to: Path,
    key: Key,
    *,
    now_ns: int,
    say: Callable[[str], None],
) -> tuple[dict[str, Any], str, tuple[str, ...]]:
    heads, stamped = bundle.write_heads(site.database, to)
    where = zone(site.timezone)
    with closing(Reader.open(site.database)) as reader, reader.moment():
        say("Judging")
        found = evidence.find(
            reader, site, asked, now_ns=now_ns, version=_software(), heads=heads, stamped=stamped
        )
        span = data.Span(
            handoff=asked.handoff.name, since_ns=found.since_ns, until_ns=found.until_ns, where=where
        )
        say("Writing the raw data")
        rows = data.write(reader, to, span, withheld).rows
    if not withheld.on:
        say("Writing the sealed days")
        pack.write(site.database, to / "record", first_day=str(asked.first - timedelta(days=1)))
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
        "software": f"Linebook {_software()}",
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


def on_record(made: Made, *, now_ns: int) -> IssuedPaper:
    """What the record keeps of a pack: its number, and the hash of its manifest."""
    about = made.manifest
    return IssuedPaper(
        handoff=about["handoff"],
        started_unix_ns=now_ns,
        paper=PACK,
        number=f"{about['handoff']}-{about['first_day']}-{about['last_day']}",
        version=1,
        sha256=made.sha256,
    )


def _software() -> str:
    try:
        return version("linebook")
    except PackageNotFoundError:
        return "unknown"
