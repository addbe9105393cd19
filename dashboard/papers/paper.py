"""A paper: facts, parts of sentences and tables, lines to sign; and how it becomes a page that prints.

The page needs nothing beside itself: its style stands within, it has no script and asks for nothing.
Everything a template gets is ready to read. Imports pages' tables and the templates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import FileSystemLoader, Template

from dashboard.pages.frame import TEMPLATES, environment
from dashboard.pages.ledger import Cell, Entry, Mark, Table
from dashboard.pages.wording import kept_together

STYLE = Path(__file__).parents[1] / "static" / "paper.css"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A line of a paper's head."""

    name: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A drawing as SVG made by this program, with its message and how to read its signs."""

    svg: str
    message: str
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part with its heading: sentences, marked entries, a list, drawings, tables, last words."""

    heading: str
    sentences: tuple[str, ...] = ()
    entries: tuple[Entry, ...] = ()
    points: tuple[str, ...] = ()
    drawings: tuple[Drawing, ...] = ()
    tables: tuple[Table, ...] = ()
    after: tuple[str, ...] = ()
    code: tuple[str, ...] = ()
    breaks: bool = False  # begins on a new sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class Signer:
    """A line to sign: for whom."""

    whom: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A paper. `number` names it among its kind; `running` stands at the foot of every sheet."""

    title: str
    number: str
    lead: tuple[str, ...]
    facts: tuple[Fact, ...]
    parts: tuple[Part, ...]
    signers: tuple[Signer, ...] = ()
    invented: bool = False
    contents: bool = False  # a list of the parts comes first
    written: str = ""

    @property
    def running(self) -> str:
        return f"{self.title} {self.number}".strip()


def html(paper: Paper) -> str:
    """The paper as one file that needs nothing else."""
    style, running = STYLE.read_text(encoding="utf-8"), paper.running.replace('"', "'")
    return kept_together(_template().render(paper=paper, style=style, running=running))


def changed(paper: Paper, text: Callable[[str], str]) -> Paper:
    """The paper with every text that it holds put through `text`."""

    def of(value: object) -> object:
        match value:
            case str():
                return text(value)
            case tuple():
                return tuple(of(each) for each in value)
            case Drawing():
                return replace(value, message=text(value.message), key=text(value.key))
            case Fact() | Part() | Signer() | Paper() | Table() | Cell() | Entry() | Mark():
                texts: dict[str, Any] = {one.name: of(getattr(value, one.name)) for one in fields(value)}
                return replace(value, **texts)
        return value

    made = of(paper)
    assert isinstance(made, Paper)  # noqa: S101 - what `of` makes of one
    return made


@cache
def _template() -> Template:
    made = environment()
    made.loader = FileSystemLoader([Path(__file__).parent, TEMPLATES])  # its style stands within it
    return made.get_template("paper.html")
