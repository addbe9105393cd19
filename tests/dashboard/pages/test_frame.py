"""Contexts and templates fit: a template uses every field of its page and nothing else."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import pytest
from jinja2 import UndefinedError, meta, nodes

from dashboard.pages.circuit import CircuitPage
from dashboard.pages.events import EventsPage
from dashboard.pages.findings import FindingsPage
from dashboard.pages.frame import ErrorPage, environment
from dashboard.pages.shows import ShowsPage
from dashboard.pages.side_by_side import SideBySidePage
from dashboard.pages.term import TermPage
from dashboard.pages.today import TodayPage
from dashboard.pages.uploads import UploadsPage


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
        ("shows.html", ShowsPage),
        ("uploads.html", UploadsPage),
        ("findings.html", FindingsPage),
        ("term.html", TermPage),
        ("side_by_side.html", SideBySidePage),
        ("error.html", ErrorPage),
    ],
)
def test_a_template_uses_its_context_and_nothing_else(name: str, page: Any) -> None:
    assert _used(name) - {"assets"} == {field.name for field in fields(page)}


def test_an_unknown_name_is_an_error() -> None:
    with pytest.raises(UndefinedError):
        environment().from_string("{{ nothing }}").render()


def test_text_is_escaped() -> None:
    assert environment().from_string("{{ text }}").render(text="<b>") == "&lt;b&gt;"
