"""Months that are over: judged once, kept over a start, and judged anew once anything about them changed."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from dashboard import on_disk, statements
from dashboard.on_disk import OnDisk
from dashboard.past import Past
from store.clock import NS_PER_S, Clock
from store.reader import Reader
from store.records import Correction, Record, Thinned
from store.site import Handoff, Site
from store.tickets import TicketNote
from store.writer import Writer
from tests.dashboard import invented

NOW_NS = invented.NOW_NS + 10 * 86_400 * NS_PER_S


@dataclass(slots=True, kw_only=True)
class Book:
    """A database of its own, with a folder for what is kept."""

    site: Site
    folder: Path

    @property
    def handoff(self) -> Handoff:
        return self.site.handoff("A")

    def waiting(self) -> int:
        """How many months a dashboard that starts now would judge; it judges them."""
        past = Past(OnDisk(self.folder, self.site))
        with closing(Reader.open(self.site.database)) as reader:
            found = past.waiting(reader, self.site, self.handoff, now_ns=NOW_NS)
            for one in found:
                past.month(reader, self.site, self.handoff, one, now_s=NOW_NS // NS_PER_S)
            assert past.waiting(reader, self.site, self.handoff, now_ns=NOW_NS) == []
        return len(found)

    def write(self, record: Record) -> None:
        with closing(Writer.open(self.site.database, clock=Clock())) as writer:
            writer.append(record)


@pytest.fixture
def book(site: Site, tmp_path: Path) -> Book:
    for each in site.database.parent.glob(f"{site.database.name}*"):
        shutil.copy(each, tmp_path)
    made = Book(
        site=replace(site, database=tmp_path / site.database.name, file=None), folder=tmp_path / "judged"
    )
    assert made.waiting() == 1
    assert made.waiting() == 0
    return made


def _ticket(book: Book) -> None:
    book.write(TicketNote(handoff="A", started_unix_ns=NOW_NS, reference="GC-1", opened_unix_ns=NOW_NS))


def _amended(book: Book) -> None:
    _ticket(book)
    assert book.waiting() == 1
    book.write(TicketNote(handoff="A", started_unix_ns=NOW_NS + 1, reference="GC-1", closed_unix_ns=NOW_NS))


def _late_minute(book: Book) -> None:
    with closing(Reader.open(book.site.database)) as reader:
        (last,) = reader.train_spans(handoff="A", limit=1)
    book.write(replace(last, started_unix_ns=last.started_unix_ns - 3 * 86_400 * NS_PER_S))


def _late_run(book: Book) -> None:
    with closing(Reader.open(book.site.database)) as reader:
        (last,) = reader.rate_runs(handoff="A", limit=1)
    book.write(replace(last, started_unix_ns=last.started_unix_ns - 1))


def _corrected(book: Book) -> None:
    correction = Correction(
        handoff="A", endpoint="north", corrects_seq=9, written_unix_ns=NOW_NS, what="slow port", why="seen"
    )
    book.write(correction)


def _thinned(book: Book) -> None:
    heads = {"before": bytes(32), "after": bytes(32), "remainder": bytes(32)}
    book.write(Thinned(first_seq=5, last_seq=9, thinned_unix_ns=NOW_NS, why="minutes", **heads))


def _site_file(book: Book) -> None:
    card = replace(book.handoff.card, availability_ratio=0.99)
    others = [one for one in book.site.handoffs if one.name != "A"]
    book.site = replace(book.site, handoffs=(*others, replace(book.handoff, card=card)))


@pytest.mark.parametrize(
    "change", [_ticket, _amended, _late_minute, _late_run, _corrected, _thinned, _site_file]
)
def test_whatever_changed_is_judged_anew(book: Book, change: Callable[[Book], None]) -> None:
    change(book)
    assert book.waiting() == 1
    assert book.waiting() == 0


def test_other_code_judges_anew(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(on_disk, "code", lambda: "of an upgrade")
    assert book.waiting() == 1


def test_a_month_from_disk_is_what_is_judged(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    past = Past(OnDisk(book.folder, book.site))
    with closing(Reader.open(book.site.database)) as reader:
        ask = {"now_s": NOW_NS // NS_PER_S}
        for one in Past().waiting(reader, book.site, book.handoff, now_ns=NOW_NS):
            judged = Past().month(reader, book.site, book.handoff, one, **ask)
            with monkeypatch.context() as context:
                context.setattr(statements, "month_count", None)
                assert past.month(reader, book.site, book.handoff, one, **ask) == judged
