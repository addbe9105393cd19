"""A page as a reader meets it: parsed with html.parser, asked by element, attribute and text.

A number's no-break space before its unit is read as a space (`wording.kept_together` puts it there).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser

INLINE = frozenset({"a", "b", "time", "sup"})
VOID = frozenset({"link", "meta", "br", "img", "hr", "input"})  # HTML: elements without an end tag


@dataclass
class Element:
    """An element with what stands in it."""

    tag: str
    attributes: dict[str, str | None]
    inside: list[Element | str] = field(default_factory=list)

    @property
    def text(self) -> str:
        """All text within, runs of HTML's white space made one space; blocks stand apart."""
        parts = [one if isinstance(one, str) else one._spaced for one in self.inside]
        return re.sub("[ \t\n\r\f]+", " ", "".join(parts)).strip(" ")

    @property
    def _spaced(self) -> str:
        return self.text if self.tag in INLINE else f" {self.text} "

    def all(self, tag: str, **attributes: str) -> list[Element]:
        """Every element of this tag within, in order, whose attributes have these values."""
        found = []
        for one in self.inside:
            if isinstance(one, Element):
                if one.tag == tag and all(
                    one.attributes.get(name) == value for name, value in attributes.items()
                ):
                    found.append(one)
                found += one.all(tag, **attributes)
        return found

    def one(self, tag: str, **attributes: str) -> Element:
        """The only such element."""
        found = self.all(tag, **attributes)
        assert len(found) == 1, f"{len(found)} {tag} {attributes}"
        return found[0]

    def table(self, caption: str) -> list[dict[str, str]]:
        """The rows of the table whose caption begins so, by its headings' words without units."""
        (found,) = (one for one in self.all("table") if one.one("caption").text.startswith(caption))
        headings = [
            " ".join(part for part in th.inside if isinstance(part, str)).strip()
            for th in found.one("thead").all("th")
        ]
        rows = [
            [cell.text for cell in row.inside if isinstance(cell, Element)]
            for row in found.one("tbody").all("tr")
        ]
        return [dict(zip(headings, row, strict=True)) for row in rows]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.root = Element("", {})
        self._open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        made = Element(tag, dict(attrs))
        self._open[-1].inside.append(made)
        if tag not in VOID:
            self._open.append(made)

    def handle_endtag(self, tag: str) -> None:
        assert self._open[-1].tag == tag, f"</{tag}> closes <{self._open[-1].tag}>"
        self._open.pop()

    def handle_data(self, data: str) -> None:
        self._open[-1].inside.append(data)

    def close(self) -> None:
        super().close()
        assert self._open == [self.root], f"left open: {[one.tag for one in self._open[1:]]}"


def read(html: str) -> Element:
    """The page; AssertionError when its tags do not nest."""
    reader = _Reader()
    reader.feed(re.sub(r"(?<=[0-9])\u00a0", " ", html))
    reader.close()
    return reader.root
