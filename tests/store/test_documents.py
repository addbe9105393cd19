"""Records that are kept whole: their one text, and the way back."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given

from store import documents
from store.documents import document_of, text_of
from store.events import Event
from store.records import Document
from tests import strategies
from tests.store import samples

NAMES = ("handoff", "endpoint", "started_unix_ns")


def back(document: Document, text: str) -> Document:
    return document_of(document.kind, text, **{name: getattr(document, name) for name in NAMES})


@given(strategies.whole_documents)
def test_round_trip(document: Document) -> None:
    assert back(document, text_of(document)) == document


def test_the_text_is_sorted_without_spaces_and_without_what_is_not_known() -> None:
    """Written out by hand, as store.documents describes it."""
    assert text_of(samples.event()) == (
        '{"after":"100 Mb/s full","before":"1 Gb/s full","owner":"house",'
        '"says":"the port went from 1 Gb/s to 100 Mb/s","what":"port"}'
    )


def test_what_a_later_version_adds_is_left_alone() -> None:
    event = samples.event()
    assert back(event, text_of(event)[:-1] + ',"new":{"x":[1]}}') == event


@pytest.mark.parametrize(
    "text",
    ["{}", "[]", "", '{"what":"port"', '{"what":"never heard of","says":"x","owner":"house"}'],
)
def test_refuses_a_text_that_is_no_such_document(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        back(samples.event(), text)


@pytest.mark.parametrize("seconds", [float("nan"), float("inf"), 2**63])
def test_refuses_numbers_that_no_column_holds(seconds: float) -> None:
    with pytest.raises(ValueError, match=r"64 bits|JSON"):
        text_of(replace(samples.event(), seconds=seconds))


@pytest.mark.parametrize("kind", documents.KINDS.values())
def test_every_kind_says_what_it_and_its_fields_are(kind: type[Document]) -> None:
    assert kind.meaning.endswith(".")
    assert all(each.says.meaning for each in documents.fields_of(kind))


def test_standing_comes_from_the_reasons() -> None:
    assert str(replace(samples.event(), reasons=("clock_step",)).standing) == "excluded"
    assert Event.kind == samples.event().kind == "event"
