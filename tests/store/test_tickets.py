"""Notes on tickets: later ones add to earlier ones of the same reference."""

from __future__ import annotations

from store.tickets import TicketNote, current


def note(at_ns: int, reference: str = "T-1", handoff: str = "A", **said: int | str) -> TicketNote:
    return TicketNote(handoff=handoff, started_unix_ns=at_ns, reference=reference, **said)  # type: ignore[arg-type]


def test_the_newest_word_on_each_field() -> None:
    notes = [note(3, closed_unix_ns=30), note(1, opened_unix_ns=10), note(4, closed_unix_ns=35, says="again")]
    [found] = current(notes)
    assert (found.opened_unix_ns, found.closed_unix_ns, found.says) == (10, 35, "again")


def test_references_of_two_handoffs_are_apart() -> None:
    found = current([note(1, opened_unix_ns=10), note(2, handoff="B", opened_unix_ns=5)])
    assert [(one.handoff, one.opened_unix_ns) for one in found] == [("B", 5), ("A", 10)]
