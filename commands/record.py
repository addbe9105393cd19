"""The record itself: verify, salvage, correct, export, samples."""

from __future__ import annotations

import argparse
from contextlib import closing
from datetime import tzinfo
from pathlib import Path

from commands import answering
from store import export, pack
from store import site as sites
from store.clock import Clock, rfc3339, unix_ns_of, zone
from store.errors import UserMistake
from store.export import Choice, is_database
from store.reader import Reader


def verify(options: argparse.Namespace) -> int:
    from dashboard import text
    from store import bundle, verify

    if bundle.is_bundle(options.record):
        found = bundle.verify(options.record, trusted=frozenset(options.key))
        if options.json:
            answering.print_json(bundle.as_json(found))
        else:
            print(text.bundle_verified(found, what=options.record, asked_key=bool(options.key)))
        return 0 if found.verified else answering.EXIT_FAILED
    check = pack.verify if options.record.is_dir() else verify.database
    result = check(options.record, trusted=frozenset(options.key))
    if options.json:
        answering.print_json(verify.as_json(result))
    else:
        print(text.verified(result, what=options.record, asked_key=bool(options.key)))
    return 0 if result.verified else answering.EXIT_FAILED


def salvage(options: argparse.Namespace) -> int:
    from store import salvage as salvaging

    found = salvaging.salvage(options.database, options.copy)
    if options.json:
        head = {"kind": "salvage", "schema": 1, "started": rfc3339(Clock().unix_ns())}
        tables = [{"table": one.table, "rows": one.rows, "damaged": one.damaged} for one in found.tables]
        answering.print_json(
            head
            | {"standing": "valid", "reasons": [], "why": found.why, "rows": found.rows, "tables": tables}
        )
        return 0
    answering.say(f"{options.copy} has what could be read of {options.database}: {found.rows} rows.")
    if found.damaged:
        answering.say(f"Damaged, so that rows may be missing: {', '.join(found.damaged)}.")
    elif found.why is not None:
        answering.say(f"Nothing of a table was damaged; SQLite says: {found.why}.")
    else:
        answering.say("No damage was found.")
    answering.say(f"`linebook verify {options.copy}` names the first record that is missing or changed.")
    return 0


def correct(options: argparse.Namespace) -> int:
    from store.jsonform import as_json
    from store.records import Correction
    from store.writer import Writer

    reader = Reader.open(options.database)
    try:
        path = reader.path_of(options.seq)
    finally:
        reader.close()
    if path is None:
        raise UserMistake(f"{options.database} has no record number {options.seq}")
    clock = Clock()
    correction = Correction(
        handoff=path[0],
        endpoint=path[1],
        corrects_seq=options.seq,
        written_unix_ns=clock.unix_ns(),
        what=options.what,
        why=options.why,
    )
    writer = Writer.open(options.database, clock=clock)
    writer.append(correction)
    writer.close()
    answering.print_json(as_json(correction)) if options.json else answering.say(
        f"Record {options.seq} has a correction now."
    )
    return 0


def export_record(options: argparse.Namespace) -> int:
    from dashboard import text

    if options.format != "sqlite" and options.to.is_file():
        raise UserMistake(f"TO: {options.to} is a file; name a directory")
    database, choice = _chosen(options)
    if options.format == "pack":
        return _export_pack(options, database)
    format_ = export.Format(options.format)
    reader = Reader.open(database)
    try:
        if format_ is export.Format.SQLITE:
            done = export.copy(reader, options.to, force=options.force)
        else:
            done = export.write(reader, options.to, choice, format_=format_, force=options.force)
    finally:
        reader.close()
    if options.json:
        answering.print_json(export.as_json(done, choice, format_=format_, to=options.to))
    else:
        print(text.exported(done, to=options.to))
    return 0


def _export_pack(options: argparse.Namespace, database: Path) -> int:
    from dashboard import text

    for name, given in (("--to", options.last), ("--handoff", options.handoff), ("--force", options.force)):
        if given:
            raise UserMistake(f"{name}: a pack is whole from its first day to the newest signed head")
    written = pack.write(database, options.to, first_day=str(options.first or ""))
    answering.print_json(pack.as_json(written)) if options.json else print(
        text.packed(written, to=options.to)
    )
    return 0


def samples(options: argparse.Namespace) -> int:
    from store.samples import sample_json, sent_between

    database, _, where = _source(options.source)
    since_ns = unix_ns_of(options.first, where)
    until_ns = None if options.last is None else unix_ns_of(options.last, where)
    if until_ns is not None and until_ns <= since_ns:
        raise UserMistake(f"--to: {options.last} is not after {options.first}; name a later moment")
    wanted = {"handoff": options.handoff, "endpoint": options.endpoint}
    with closing(Reader.open(database)) as reader:
        for nth, name in enumerate(wanted):
            known = sorted({path[nth] for path in reader.paths()})
            if wanted[name] is not None and wanted[name] not in known:
                near = answering.near(wanted[name], known)
                raise UserMistake(f"--{name}: {database} has no {name} {wanted[name]!r}{near}")
        trains = sorted(reader.sampled_trains(**wanted, since_ns=since_ns, until_ns=until_ns))
        if len(trains) > 1:
            named = ", ".join(" to ".join(train) for train in trains)
            raise UserMistake(
                f"--handoff: packets of several trains are kept ({named}); name one with --endpoint"
            )
        for handoff, endpoint in trains:
            records = reader.samples(handoff, endpoint, since_ns=since_ns, until_ns=until_ns)
            for packet in sent_between(records, since_ns=since_ns, until_ns=until_ns):
                answering.print_json(sample_json(packet))
        if not trains:
            answering.say(
                "No packet of that time is kept one by one: no stall was near, and no claim was in force."
            )
    return 0


def _source(path: Path) -> tuple[Path, str, tzinfo]:
    """The database that a site file or itself names, the name of its site, and its time zone."""
    if is_database(path):
        with closing(Reader.open(path)) as reader:
            return path, path.stem, zone(reader.timezone())
    site = sites.load(path)
    return site.database, site.name, zone(site.timezone)


def _chosen(options: argparse.Namespace) -> tuple[Path, Choice]:
    """The database that is meant, and what of it."""
    answering.in_order(options.first, options.last)
    if options.format == "sqlite" and (options.first or options.last or options.handoff):
        raise UserMistake("--format sqlite: that copies it all; leave out --from, --to and --handoff")
    database, name, where = _source(options.source)
    return database, Choice(
        site=name, where=where, first=options.first, last=options.last, handoff=options.handoff
    )
