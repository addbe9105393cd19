"""What goes over the pipe and to the disk: findings come back as they were, and nothing else is made."""

from __future__ import annotations

import dataclasses
import pickle
import typing
from collections.abc import Iterator
from typing import Any

import pytest

from dashboard import on_disk, past, slow, statements, values
from dashboard.interface import calendar_feed
from dashboard.pages import acceptance, findings, term, verdict_rules
from dashboard.values import Foreign
from store.clock import zone
from store.site import Site

FOUND = (
    *(acceptance.Findings, findings.Findings, term.Findings, verdict_rules.Findings, calendar_feed.Entry),
    *(past.SoFar, statements.MonthCount, slow.Asked),
)


@pytest.mark.parametrize(
    "octets",
    [
        # the two examples of "Restricting Globals" in Python's documentation of pickle
        b"cos\nsystem\n(S'echo hello world'\ntR.",
        b'cbuiltins\neval\n(S\'getattr(os, "system")("echo hello world")\'\ntR.',
        b"cbuiltins\ngetattr\n(cstore.site\nSite\nS'__init__'\ntR.",
        b"cdashboard.on_disk\nos\n.",  # what a module of ours imported
        b"cdashboard.on_disk\nPath\n.",
        b"\x80\x04\x8c\x11dashboard.on_disk\x8c\x09os.system\x93.",
        b"cdashboard.beside\nmain\n(tR.",  # a function of ours
        b"cstore.site\nload\n(S'/etc/passwd'\ntR.",
        b"cstore.writer\nWriter\n.",  # a class of ours that is no value
        b"cdashboard.nowhere\nThing\n.",
        b"ctests.dashboard.invented\nwrite\n.",
        pickle.dumps(zone("Europe/Lisbon")),  # which names getattr
        b"\x80\x05\x8c\x04siteQ.",  # a site that nobody gave
        b"",
        b"\x80\x05.",
        b"no pickle",
    ],
)
def test_nothing_foreign_is_made(octets: bytes, capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(Foreign):
        values.loads(octets)
    assert capfd.readouterr() == ("", "")


def test_a_site_comes_back(site: Site) -> None:
    """As a question holds it, and by reference: then it is the very one that is given."""
    assert values.loads(values.dumps(site)) == site
    found, first = values.loads(values.dumps((site, site.endpoints[0]), of=site), of=site)
    assert found is site
    assert first is site.endpoints[0]
    assert values.loads(values.dumps(zone("Europe/Lisbon"))) is zone("Europe/Lisbon")


@pytest.mark.parametrize("found", FOUND, ids=lambda one: f"{one.__module__}.{one.__qualname__}")
def test_whatever_findings_may_hold_comes_back(found: type) -> None:
    """By the annotations of every class that they may hold, however deep."""
    refused = {one for one in _within(found, set()) if not _simple(one) and not values.is_value(one)}
    assert refused == set()


def _within(hint: Any, seen: set[Any]) -> Iterator[Any]:
    if hint in seen:
        return
    seen.add(hint)
    if (origin := typing.get_origin(hint)) is not None:
        yield from _within(origin, seen) if isinstance(origin, type) else ()
        for one in typing.get_args(hint):
            yield from _within(one, seen)
    elif isinstance(hint, type):
        yield hint
        if dataclasses.is_dataclass(hint):
            for one in typing.get_type_hints(hint).values():
                yield from _within(one, seen)


def _simple(one: type) -> bool:
    """What a pickle has a letter for, and what stands for such a thing."""
    return one.__module__ in (
        "builtins",
        "types",
        "typing",
        "collections.abc",
        "datetime",
        "pathlib",
        "zoneinfo",
    )


def test_code_is_told_by_its_digest() -> None:
    assert len(on_disk.code()) == 64
    assert on_disk.code() == on_disk.code()
