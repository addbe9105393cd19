"""What stands around every page, and the templates made ready once.

A page's context is a frozen dataclass whose fields are all that its template may use; the template
decides nothing. An unknown name in a template is an error, and everything is escaped.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template

from dashboard.assets import find_assets
from dashboard.pages import spread
from dashboard.pages.wording import Moment, kept_together, moment, offset
from store.clock import zone
from store.site import Site

if TYPE_CHECKING:
    from dashboard.access import Visitor
    from dashboard.pages.acceptance import AcceptancePage
    from dashboard.pages.circuit import CircuitPage
    from dashboard.pages.evenings import EveningsPage
    from dashboard.pages.events import EventsPage
    from dashboard.pages.findings import FindingsPage
    from dashboard.pages.method import MethodPage
    from dashboard.pages.papers import PapersPage
    from dashboard.pages.schedule import SchedulePage
    from dashboard.pages.shows import ShowsPage
    from dashboard.pages.side_by_side import SideBySidePage
    from dashboard.pages.site import SitePage
    from dashboard.pages.term import TermPage
    from dashboard.pages.today import TodayPage
    from dashboard.pages.uploads import UploadsPage
    from dashboard.pages.verdict_rules import LedgerPage

TEMPLATES = Path(__file__).parents[1] / "templates"
_JSON = re.compile(r"\.json(?=\?|$)")  # the end of an address before its query


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A place to go; `here` marks the one that is open."""

    text: str
    url: str
    here: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A page of the book. With ``{handoff}`` in `url` there is one for each handoff.

    One that is `daily` stands in the head of every page, and every one in the contents at the foot.
    """

    text: str
    url: str
    daily: bool = False
    handoffs: int = 1  # a site with fewer has no such page

    @property
    def per_handoff(self) -> bool:
        return "{handoff}" in self.url

    def of(self, handoff: str) -> str:
        """Where the page of this handoff is."""
        return self.url.replace("{handoff}", quote(handoff, safe=""))


# Every page of the book, in the order of its contents. A new page is one line here.
PLACES = (
    Place(text="Today", url="/", daily=True),
    Place(text="Shows", url="/shows", daily=True),
    Place(text="Circuit", url="/circuit/{handoff}", daily=True),
    Place(text="Events", url="/events", daily=True),
    Place(text="Uploads", url="/uploads", daily=True),
    Place(text="Allowance and schedule", url="/allowance"),
    Place(text="Site", url="/site"),
    Place(text="Side-by-side", url="/side-by-side", handoffs=2),
    Place(text="Papers", url="/papers"),
    Place(text="Evenings", url="/evenings/{handoff}"),
    Place(text="Findings", url="/findings/{handoff}"),
    Place(text="Term", url="/term/{handoff}"),
    Place(text="Acceptance", url="/acceptance/{handoff}"),
    Place(text="Ledger", url="/ledger/{handoff}"),
    Place(text="Method", url="/method"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chapter:
    """A part of the contents: the pages of the whole site, or those of one handoff."""

    title: str
    links: tuple[Link, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The head and foot of a page. `offset` is that of the site's clocks at the time of writing.

    `beside` are the pages of the handoff whose page this is, with its name; None on pages of the site.
    """

    title: str
    site: str
    invented: bool
    links: tuple[Link, ...]
    beside: Chapter | None
    contents: tuple[Chapter, ...]
    json_url: str | None
    written: Moment
    offset: str
    as_of: Moment | None = None  # of findings that are old and being judged again
    who: str = ""  # empty where nobody logs in
    role: str = ""
    token: str = ""  # stands in every form
    operates: bool = False  # whether there are forms that change something


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorPage:
    """What error.html may use, and nothing else."""

    frame: Frame
    status: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingPage:
    """What waiting.html may use, and nothing else."""

    frame: Frame


@dataclass(frozen=True, slots=True, kw_only=True)
class LoginPage:
    """What login.html may use, and nothing else. `then` is the page that was asked for."""

    frame: Frame
    why: str
    then: str
    name: str
    token: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmPage:
    """What confirm.html may use, and nothing else: what would be done, and the form to send again."""

    frame: Frame
    lead: str
    what: tuple[str, ...]
    cautions: tuple[str, ...]
    action: str
    fields: tuple[tuple[str, str], ...]
    back: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pages:
    """The templates, ready to be filled."""

    templates: Mapping[str, Template]

    def today(self, page: TodayPage) -> str:
        return self._fill("today.html", page)

    def circuit(self, page: CircuitPage) -> str:
        return self._fill("circuit.html", page)

    def evenings(self, page: EveningsPage) -> str:
        return self._fill("evenings.html", page)

    def events(self, page: EventsPage) -> str:
        return self._fill("events.html", page)

    def side_by_side(self, page: SideBySidePage) -> str:
        return self._fill("side_by_side.html", page)

    def term(self, page: TermPage) -> str:
        return self._fill("term.html", page)

    def acceptance(self, page: AcceptancePage) -> str:
        return self._fill("acceptance.html", page)

    def findings(self, page: FindingsPage) -> str:
        return self._fill("findings.html", page)

    def ledger(self, page: LedgerPage) -> str:
        return self._fill("verdict_rules.html", page)

    def shows(self, page: ShowsPage) -> str:
        return self._fill("shows.html", page)

    def uploads(self, page: UploadsPage) -> str:
        return self._fill("uploads.html", page)

    def schedule(self, page: SchedulePage) -> str:
        return self._fill("schedule.html", page)

    def method(self, page: MethodPage) -> str:
        return self._fill("method.html", page)

    def site(self, page: SitePage) -> str:
        return self._fill("site.html", page)

    def login(self, page: LoginPage) -> str:
        return self._fill("login.html", page)

    def confirm(self, page: ConfirmPage) -> str:
        return self._fill("confirm.html", page)

    def papers(self, page: PapersPage) -> str:
        return self._fill("papers.html", page)

    def waiting(self, frame: Frame) -> str:
        return self._fill("waiting.html", WaitingPage(frame=frame))

    def error(self, frame: Frame, *, status: int, why: str) -> str:
        return self._fill("error.html", ErrorPage(frame=frame, status=status, why=why))

    def _fill(self, name: str, page: Any) -> str:
        if page.frame.json_url is not None:
            page = spread.linked(page, _JSON.sub(".csv", page.frame.json_url))
        texts = {field.name: getattr(page, field.name) for field in fields(page)}
        return kept_together(self.templates[name].render(texts))


def environment() -> Environment:
    """How templates are read."""
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


@cache
def load_pages() -> Pages:
    """Every template compiled, at the first call, which takes a fifth of a second: off the event loop."""
    made = environment()
    made.globals["assets"] = find_assets()
    return Pages(templates={name: made.get_template(name) for name in made.list_templates()})


def circuit_url(handoff: str) -> str:
    return f"/circuit/{quote(handoff, safe='')}"


def side_by_side_url() -> str:
    return "/side-by-side"


def term_url(handoff: str) -> str:
    return f"/term/{quote(handoff, safe='')}"


def acceptance_url(handoff: str) -> str:
    return f"/acceptance/{quote(handoff, safe='')}"


def evenings_url(handoff: str) -> str:
    return f"/evenings/{quote(handoff, safe='')}"


def findings_url(handoff: str) -> str:
    return f"/findings/{quote(handoff, safe='')}"


def ledger_url(handoff: str) -> str:
    return f"/ledger/{quote(handoff, safe='')}"


def frame_of(
    site: Site, *, title: str, here: str, json_url: str | None, now_ns: int, visitor: Visitor | None = None
) -> Frame:
    """The frame of the page at the path `here`, as `visitor` sees it."""
    contents = _contents(site, here)
    frame = replace(
        closed_frame(site, title=title, now_ns=now_ns),
        site=site.name,
        invented=site.invented,
        links=_daily(site, here),
        beside=next((one for one in contents[1:] if any(link.here for link in one.links)), None),
        contents=contents,
        json_url=json_url,
    )
    if visitor is None:
        return frame
    role = "may operate" if visitor.operates else "may read"
    return replace(frame, who=visitor.name, role=role, token=visitor.token, operates=visitor.operates)


def closed_frame(site: Site, *, title: str, now_ns: int) -> Frame:
    """The frame that a stranger sees: nothing of the site but its clock."""
    where = zone(site.timezone)
    return Frame(
        title=title,
        site="",
        invented=False,
        links=(),
        beside=None,
        contents=(),
        json_url=None,
        written=moment(now_ns, where, form="%A %d %B %Y, %H:%M:%S"),
        offset=offset(now_ns, where),
    )


def _daily(site: Site, here: str) -> tuple[Link, ...]:
    """The head's links: a page that each handoff has stands there once for each, with the handoff's name."""
    found: list[tuple[str, str]] = []
    for place in PLACES:
        if place.daily and place.per_handoff:
            found += [(f"{place.text} {one.name}", place.of(one.name)) for one in site.handoffs]
        elif place.daily:
            found.append((place.text, place.url))
    return tuple(Link(text=text, url=url, here=url == here) for text, url in found)


def _contents(site: Site, here: str) -> tuple[Chapter, ...]:
    """All pages: the site's first, then those of each handoff."""
    whole = [
        (place.text, place.url)
        for place in PLACES
        if not place.per_handoff and len(site.handoffs) >= place.handoffs
    ]
    chapters = [("The site", whole)]
    for one in site.handoffs:
        own = [(place.text, place.of(one.name)) for place in PLACES if place.per_handoff]
        chapters.append((f"Handoff {one.name}", own))
    return tuple(
        Chapter(title=title, links=tuple(Link(text=text, url=url, here=url == here) for text, url in pages))
        for title, pages in chapters
    )
