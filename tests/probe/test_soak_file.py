"""The file of a soak: what is in it after a kill, and which file is refused."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from pathlib import Path

import pytest

from probe.methods.soak import question_of
from probe.reach import Binding, Reach
from probe.soak_file import WENT_ON, Question, SoakFile, open_file
from probe.wire.invitation import Invitation
from store.clock import NS_PER_S
from store.errors import UserMistake
from store.records import Gap
from store.soaks import soak_of
from tests.store import samples

QUESTION = Question(
    endpoint="192.0.2.2 port 47862",
    pin="ab" * 32,
    interface=None,
    source=None,
    seconds=600.0,
    per_second=50.0,
    span_s=60,
)
MINUTE_NS = 60 * NS_PER_S


def opened(path: Path, *, minute: int = 0, question: Question = QUESTION) -> SoakFile:
    return open_file(path, question, now_ns=minute * MINUTE_NS)


def begun(path: Path, minutes: int = 2) -> None:
    file = opened(path)
    for number in range(minutes):
        file.append([samples.span(number * MINUTE_NS), samples.stall()])
    file.close()


def test_goes_on_to_the_same_end(tmp_path: Path) -> None:
    """All that was kept is there again, the end is the one planned, and the time in between is a gap."""
    kept = tmp_path / "kept"
    begun(kept)
    file = opened(kept, minute=5)
    file.append([samples.span(5 * MINUTE_NS)])
    file.close()
    assert file.begun.ends_unix_ns == 600 * NS_PER_S
    assert [one.rtt.pack() for one in file.spans] == 3 * [samples.span().rtt.pack()]
    assert file.stalls == [samples.stall(), samples.stall()]
    found = soak_of(file.begun, file.kept)
    assert [(gap.started_unix_ns // MINUTE_NS, gap.seconds, gap.why) for gap in found.gaps] == [
        (2, 180, WENT_ON),
        (6, 240, "nothing was kept of this time"),
    ]


def test_a_line_that_a_kill_cut_off_is_let_go(tmp_path: Path) -> None:
    """Cut anywhere, the file goes on with every whole line of it, and what follows is readable again."""
    kept = tmp_path / "kept"
    begun(kept)
    whole = kept.read_bytes()
    last = whole[:-1].rfind(b"\n") + 1
    for size in (last + 1, last + 40, len(whole) - 1):
        kept.write_bytes(whole[:size])
        file = opened(kept, minute=5)
        file.append([Gap(started_unix_ns=0, ended_unix_ns=1, why="the endpoint restarted")])
        file.close()
        again = opened(kept, minute=6)
        assert (len(again.spans), len(again.stalls), len(again.gaps)) == (2, 1, 3)
        again.close()


def test_a_first_line_that_was_cut_off_begins_anew(tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    begun(kept, minutes=0)
    kept.write_bytes(kept.read_bytes()[:-5])
    file = opened(kept, minute=3)
    file.close()
    assert file.started_unix_ns == 3 * MINUTE_NS


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"seconds": 601.0}, "--seconds (600.0, not 601.0)"),
        ({"per_second": 20.0}, "--per-second (50.0, not 20.0)"),
        ({"endpoint": "192.0.2.3 port 47862"}, "endpoint"),
        ({"pin": "cd" * 32}, "endpoint key;"),
        ({"interface": "eth1"}, "interface"),
    ],
)
def test_another_question_is_refused(tmp_path: Path, change: dict[str, object], word: str) -> None:
    kept = tmp_path / "kept"
    begun(kept)
    before = kept.read_bytes()
    with pytest.raises(UserMistake) as mistake:
        opened(kept, question=replace(QUESTION, **change))  # type: ignore[arg-type]
    assert f"holds a soak of another {word}" in str(mistake.value)
    assert kept.read_bytes() == before


@pytest.mark.parametrize("content", [b"a list of tiles", b'{"kind":"train"}\n', b"\n"])
def test_another_file_is_refused_and_left_alone(tmp_path: Path, content: bytes) -> None:
    kept = tmp_path / "kept"
    kept.write_bytes(content)
    with pytest.raises(UserMistake, match="holds something else than a soak"):
        opened(kept)
    assert kept.read_bytes() == content


BROKEN = {
    "no span": lambda line: b'{"kind":"train","sent":1}\n',
    "no histogram": lambda line: re.sub(rb'"rtt":"\w+"', b'"rtt":"ff00ff"', line),
    "a list": lambda line: b"[1]\n",
    "no JSON": lambda line: b"{\n",
}


@pytest.mark.parametrize("broken", BROKEN)
def test_a_broken_line_is_named(tmp_path: Path, broken: str) -> None:
    kept = tmp_path / "kept"
    begun(kept)
    lines = kept.read_bytes().splitlines(keepends=True)
    instead = BROKEN[broken](lines[1])
    assert instead != lines[1]
    kept.write_bytes(lines[0] + instead + b"".join(lines[1:]))
    with pytest.raises(UserMistake, match="line 2 is no line of a soak"):
        opened(kept)


def test_a_file_in_use_is_refused(tmp_path: Path) -> None:
    first = opened(tmp_path / "kept")
    with pytest.raises(UserMistake, match="in use by a soak that still runs"):
        opened(tmp_path / "kept")
    first.close()


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserMistake, match="cannot be written"):
        opened(tmp_path)


def test_no_secret_in_it(tmp_path: Path) -> None:
    """The caller's key is in it in no form; where the endpoint is and how to know it again is."""
    key = bytes(range(32))
    invited = Invitation(host="192.0.2.2", port=47862, flow_port=47863, key=key, pin=b"p" * 32)
    where = Reach(handoff="", endpoint="", invitation=invited, binding=Binding())
    begun_by = question_of(where, seconds=600.0, per_second=50.0)
    opened(tmp_path / "kept", question=begun_by).close()
    content = (tmp_path / "kept").read_bytes()
    assert b"192.0.2.2 port 47862" in content
    for form in (key, key.hex().encode(), base64.urlsafe_b64encode(key)[:40], repr(key).encode()):
        assert form not in content


@pytest.mark.parametrize(("seconds", "span_s"), [(10.0, 1), (20.0, 2), (600.0, 60), (86_400.0, 60)])
def test_short_soaks_have_short_spans(seconds: float, span_s: int) -> None:
    """A minute each, or a tenth of the whole, so that a kill costs little of it."""
    invited = Invitation(host="192.0.2.2", port=47862, flow_port=47863, key=b"", pin=b"")
    where = Reach(handoff="", endpoint="", invitation=invited, binding=Binding())
    assert question_of(where, seconds=seconds, per_second=50.0).span_s == span_s
