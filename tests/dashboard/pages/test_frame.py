"""Contexts and templates fit: a template uses every field of its page and nothing else."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest
from jinja2 import UndefinedError, meta, nodes

from dashboard.pages.circuit import CircuitPage
from dashboard.pages.evenings import EveningsPage
from dashboard.pages.events import EventsPage
from dashboard.pages.findings import FindingsPage
from dashboard.pages.frame import PLACES, ConfirmPage, ErrorPage, LoginPage, environment, frame_of
from dashboard.pages.schedule import SchedulePage
from dashboard.pages.shows import ShowsPage
from dashboard.pages.side_by_side import SideBySidePage
from dashboard.pages.site import SitePage
from dashboard.pages.term import TermPage
from dashboard.pages.today import TodayPage
from dashboard.pages.uploads import UploadsPage
from dashboard.pages.verdict_rules import LedgerPage
from dashboard.routes import ROUTES
from tests.dashboard import invented


def _used(name: str) -> set[str]:
    """The names that a template and the one it extends ask of its context."""
    made = environment()
    assert made.loader is not None
    tree = made.parse(made.loader.get_source(made, name)[0])
    imported = {name for one in tree.find_all(nodes.FromImport) for name in one.names}
    used = meta.find_undeclared_variables(tree) - imported
    for extended in tree.find_all(nodes.Extends):
        assert isinstance(extended.template, nodes.Const)
        used |= _used(extended.template.value)
    return used


@pytest.mark.parametrize(
    ("name", "page"),
    [
        ("today.html", TodayPage),
        ("circuit.html", CircuitPage),
        ("events.html", EventsPage),
        ("evenings.html", EveningsPage),
        ("shows.html", ShowsPage),
        ("uploads.html", UploadsPage),
        ("findings.html", FindingsPage),
        ("term.html", TermPage),
        ("side_by_side.html", SideBySidePage),
        ("verdict_rules.html", LedgerPage),
        ("error.html", ErrorPage),
        ("login.html", LoginPage),
        ("confirm.html", ConfirmPage),
        ("schedule.html", SchedulePage),
        ("site.html", SitePage),
    ],
)
def test_a_template_uses_its_context_and_nothing_else(name: str, page: Any) -> None:
    assert _used(name) - {"assets"} == {field.name for field in fields(page)}


def test_an_unknown_name_is_an_error() -> None:
    with pytest.raises(UndefinedError):
        environment().from_string("{{ nothing }}").render()


def test_text_is_escaped() -> None:
    assert environment().from_string("{{ text }}").render(text="<b>") == "&lt;b&gt;"


def test_every_place_has_an_address() -> None:
    """A page that stands in the contents is one of the application's."""
    addresses = {route.path for route in ROUTES if route.method == "GET"}
    assert [place.url for place in PLACES if place.url not in addresses] == []


def test_the_contents_lead_to_every_page_of_every_handoff(tmp_path: Path) -> None:
    """Each page stands once in the contents; a handoff's pages stand together, and beside one of them."""
    site = invented.site(tmp_path)
    frame = frame_of(site, title="Term A", here="/term/A", json_url=None, now_ns=invented.NOW_NS)
    urls = [link.url for chapter in frame.contents for link in chapter.links]
    wanted = [place.url for place in PLACES if not place.per_handoff]
    wanted += [place.of(one.name) for one in site.handoffs for place in PLACES if place.per_handoff]
    assert urls == wanted
    assert frame.beside is not None
    assert [(link.text, link.here) for link in frame.beside.links] == [
        (place.text, place.text == "Term") for place in PLACES if place.per_handoff
    ]
    today = frame_of(site, title="Today", here="/", json_url=None, now_ns=invented.NOW_NS)
    assert today.beside is None


def test_a_site_with_one_handoff_has_nothing_side_by_side(tmp_path: Path) -> None:
    site = invented.site(tmp_path)
    frame = frame_of(
        replace(site, handoffs=site.handoffs[:1]), title="", here="/", json_url=None, now_ns=invented.NOW_NS
    )
    assert "/side-by-side" not in [link.url for link in frame.contents[0].links]
