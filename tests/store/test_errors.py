"""The hierarchy of mistakes: who can mend it, and that each makes one sentence."""

from __future__ import annotations

import pickle

import pytest

from store import errors


def test_the_common_base_is_never_raised() -> None:
    with pytest.raises(TypeError):
        errors.LinebookError()


@pytest.mark.parametrize(
    ("error", "sentence"),
    [
        (errors.UserMistake("say --port"), "say --port"),
        (
            errors.SiteMistake("handoff[1].card.rate_up", "has no unit", line=7, file="site.toml"),
            "site.toml, line 7: handoff[1].card.rate_up: has no unit",
        ),
        (errors.SiteMistake("", "is not TOML", file="site.toml"), "site.toml: is not TOML"),
        (errors.SiteMistake("name", "missing"), "site file: name: missing"),
        (errors.DatabaseMistake("a.db is newer"), "a.db is newer"),
        (errors.BadPacket("STAMP", "too short"), "bad STAMP: too short"),
        (errors.BadMessage("control message", "no list"), "bad control message: no list"),
        (errors.StoreTrouble("disk full"), "disk full"),
    ],
)
def test_each_says_one_sentence(error: errors.LinebookError, sentence: str) -> None:
    assert str(error) == sentence


@pytest.mark.parametrize(
    ("kind", "family"),
    [
        (errors.SiteMistake, errors.UserMistake),
        (errors.InvitationMistake, errors.UserMistake),
        (errors.DatabaseMistake, errors.UserMistake),
        (errors.BadPacket, errors.FarEndMistake),
        (errors.BadMessage, errors.FarEndMistake),
        (errors.StoreTrouble, errors.LinebookError),
    ],
)
def test_families(kind: type[Exception], family: type[Exception]) -> None:
    """Who catches a family catches all of its kinds; trouble with the disk is nobody's mistake."""
    assert issubclass(kind, family)
    assert issubclass(errors.StoreTrouble, errors.UserMistake) is False


def test_a_mistake_crosses_a_process_border() -> None:
    """A worker's error arrives with its sentence."""
    found = pickle.loads(pickle.dumps(errors.BadPacket("STAMP", "too short")))
    assert str(found) == "bad STAMP: too short"
