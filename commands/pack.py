"""`linebook pack`: an evidence pack of one handoff, for its provider's engineer; and what it would withhold.

Imports store, dashboard.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from commands.answering import handoff_named, print_json, put_on_record, say
from dashboard.papers import data, making, redaction
from dashboard.papers.making import Made
from dashboard.papers.redaction import Redaction
from store import site as sites
from store.clock import NS_PER_S, Clock, rfc3339


def command(options: Any) -> int:
    """`linebook pack SITE --handoff NAME --from DAY --to DAY`."""
    site, now_ns = sites.load(options.site), Clock().unix_ns()
    handoff = handoff_named(site, options.handoff)
    asked = making.asked_of(site, handoff, options.first, options.last, options.question, now_ns=now_ns)
    withheld = redaction.redaction_of(site, on=not options.unredacted, hide=options.hide)
    if options.preview:
        return _preview(withheld, as_json=options.json)
    to = options.to_dir or Path(f"pack-{handoff.name}-{asked.first}-{asked.last}")
    made = making.make(site, asked, withheld, to, now_ns=now_ns, say=say)
    put_on_record(site, making.on_record(made, now_ns=now_ns))
    if options.json:
        print_json(as_json(made, now_ns=now_ns))
    else:
        print(_said(made))
    return 0


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
