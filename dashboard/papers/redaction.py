"""What a paper withholds: names, addresses, plans and other traffic of the house. Originals stay as they are.

Redaction is a view. Columns of text are withheld unless they are known to hold our own words; sentences have
addresses, hosts and the site's own names taken out, and the same address gets the same number throughout, so
that rows can still be compared. What is secret (invitations, passwords, the signing key) is in no paper,
redacted or not; `secrets_of` says what to look for. Pure. Imports store.
"""

from __future__ import annotations

import ipaddress
import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from store.dictionary import Column, Type
from store.errors import LinebookError
from store.notice_channels import Hook, Mail
from store.site import Site

WITHHELD = "[withheld]"

# Text that this program wrote by its own lists: words, codes, times.
_OPEN = frozenset(
    (
        *("handoff", "endpoint", "direction", "timestamps", "reflector_timestamps", "standing", "reasons"),
        *(
            "carrier",
            "duplex",
            "class",
            "how",
            "whose",
            "owner",
            "window",
            "opener",
            "limited_by",
            "congestion",
        ),
        *("rules", "kept_for", "packed", "of", "found", "timezone", "hours", "first_day", "last_day", "seed"),
        *("planned", "steps", "idle", "loads", "responsiveness", "counts", "sent_before", "answered_before"),
        *("rtt_us", "pdv_up_us", "pdv_down_us", "stalls", "gaps", "left_out"),
        *("reference", "remainder", "sub_intervals", "counted", "excluded"),
    )
)
_SCRUBBED = frozenset(  # sentences, and JSON in which names may stand
    (
        *("what", "why", "says", "before", "after", "circumstances", "seen", "left_elsewhere", "name"),
        *("endpoint_unwell",),
        *("question", "because", "campaign"),
    )
)
_OPEN_ENDS = ("_local", "_limited_by", "_congestion", "_us")
_OTHER_TRAFFIC = re.compile(r"(^|_)other_(up|down)_")
_JSON_WITHHELD = frozenset(
    ("interface", "source_address", "egress_address", "kernel", "other_up_bps", "other_down_bps")
)

_ADDRESSES = re.compile(
    r"(?<![\w:.])(?:\d{1,3}(?:\.\d{1,3}){3}(?:/\d{1,2})?|(?=[0-9a-fA-F]*:[0-9a-fA-F:]*:)[0-9a-fA-F:]{2,39}"
    r"(?:\.\d{1,3}(?:\.\d{1,3}){2})?(?:/\d{1,3})?)(?![\w:])"
)
_HARDWARE = re.compile(r"(?<![\w:])(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}(?![\w:])")
_MAIL = re.compile(r"[\w.+-]+@[\w-]+(?:\.[\w-]+)+")
_HOST = re.compile(r"(?<![\w.-])(?:[A-Za-z0-9-]+\.){2,}[A-Za-z]{2,}(?![\w-])")
_URL = re.compile(r"\b[a-z][a-z0-9+.-]*://\S+")

# A name of the site's that is one of these says nothing of anybody, and taking it out would spoil sentences.
_COMMON = frozenset(
    "a an the and or of in on at to by for with from up down both line lines rate run runs train light loss "
    "delay day days show shows house probe provider endpoint endpoints handoff old new main backup minute "
    "minutes second seconds hour hours test tests quiet maintenance window stop upload valid void met not "
    "outage outages stall stalls paper record site class classes".split()
)


class Leak(LinebookError):
    """Something would be in a paper that may be in none; its text names the file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hidden:
    """One thing that is withheld, for the preview: what kind, and the word itself or a column's name."""

    kind: str
    what: str


@dataclass(slots=True, kw_only=True)
class Redaction:
    """How text is put before others. With `on` False everything goes through as it is.

    `words` are the site's own names with what each is, `kept` those of its words that stay readable, `open_`
    hosts that are the provider's own. `addresses` numbers each address in the order of its appearance.
    """

    on: bool
    words: Mapping[str, str] = field(default_factory=dict)
    kept: tuple[str, ...] = ()
    open_: frozenset[str] = frozenset()
    addresses: dict[str, int] = field(default_factory=dict)
    _pattern: re.Pattern[str] | None = None

    def __post_init__(self) -> None:
        if self.words:
            names = "|".join(re.escape(word) for word in sorted(self.words, key=len, reverse=True))
            self._pattern = re.compile(rf"(?<!\w)(?:{names})(?!\w)")

    def text(self, text: str) -> str:
        """A text without names and addresses."""
        if not self.on or not text:
            return text
        text = _URL.sub("[address]", text)
        text = _MAIL.sub("[address]", text)
        text = _HARDWARE.sub("[hardware address]", text)
        if self._pattern is not None:
            text = self._pattern.sub(lambda found: self.words[found[0]], text)
        text = _HOST.sub(lambda found: found[0] if found[0] in self.open_ else "[host]", text)
        return _ADDRESSES.sub(self._numbered, text)

    def cell(self, column: Column, value: Any) -> Any:
        """A column's value; call it for columns that `shows` alone."""
        if not self.on or value is None or column.type is not Type.TEXT:
            return value
        if value[:1] in ("[", "{"):
            try:
                return json.dumps(self._json(json.loads(value)), separators=(",", ":"), ensure_ascii=False)
            except ValueError:
                return self.text(value)
        return self.text(value) if column.name in _SCRUBBED else value

    def object(self, found: Any) -> Any:
        """An object for programs, with every text in it put through `text`."""
        return self._json(found) if self.on else found

    def shows(self, column: Column) -> bool:
        """Whether a column is shown. A text column that nobody has thought of is not."""
        if not self.on:
            return True
        if _OTHER_TRAFFIC.search(column.name):
            return False
        if column.type is not Type.TEXT:
            return True
        return column.name in _OPEN | _SCRUBBED or column.name.endswith(_OPEN_ENDS)

    def _numbered(self, found: re.Match[str]) -> str:
        text = found[0]
        try:
            ipaddress.ip_interface(text)
        except ValueError:  # a time such as 12:30:05, a version
            return text
        number = self.addresses.setdefault(text, len(self.addresses) + 1)
        return f"[address {number}]"

    def _json(self, value: Any) -> Any:
        match value:
            case dict():  # a key may be a sentence too: counts by their reason
                return {
                    self.text(name): self._json(each)
                    for name, each in value.items()
                    if name not in _JSON_WITHHELD
                }
            case list() | tuple():
                return [self._json(each) for each in value]
            case str():
                return self.text(value)
        return value


def redaction_of(site: Site, *, on: bool, hide: Iterable[str] = ()) -> Redaction:
    """What is withheld of a site's papers; `hide` are more words of somebody's choosing."""
    words = {word: f"[{kind}]" for kind, word in _names(site) if word.lower() not in _COMMON}
    words |= {word: WITHHELD for word in hide if word}
    kept = {one.name for one in site.handoffs} | {one.name for one in site.endpoints}
    kept -= set(words)
    promised = frozenset(card.measured_to for one in site.handoffs for card in one.cards if card.measured_to)
    return Redaction(on=on, words=words, kept=tuple(sorted(kept)), open_=promised)


def preview(redaction: Redaction, columns: Mapping[str, Iterable[Column]]) -> tuple[Hidden, ...]:
    """Everything that would be withheld: the site's names, kinds of address, columns by their table."""
    names = [
        Hidden(kind=replaced.strip("[]"), what=word) for word, replaced in sorted(redaction.words.items())
    ]
    classes = [
        Hidden(kind="address", what=what)
        for what in (
            "IP addresses (each gets a number)",
            "hardware addresses",
            "host names",
            "mail addresses",
            "URLs",
        )
    ]
    withheld = [
        Hidden(kind="column", what=f"{table}.{column.name}")
        for table, held in columns.items()
        for column in held
        if not redaction.shows(column)
    ]
    return (*names, *classes, *withheld)


def secrets_of(site: Site, read: Callable[[], Iterable[str]]) -> frozenset[str]:
    """Texts that may be in no paper: invitations, channels' secrets and what `read` gives (the key file)."""
    found = {one.invitation for one in site.endpoints}
    found |= {part for one in site.endpoints for part in re.split(r"[/?&=#@]", one.invitation)}
    found |= {one.secret for one in site.notices if one.secret}
    found |= {line.strip() for line in read()}
    return frozenset(text for text in found if len(text) >= 16 and not text.startswith("-----"))


def _names(site: Site) -> Iterator[tuple[str, str]]:
    """(kind, word) of everything in the site file that names the house, its people or what it does."""
    found: list[tuple[str, str | None]] = [("site", site.name), ("database", site.database.name)]
    found += [("file", site.file.name)]
    for handoff in site.handoffs:
        found += [("handoff's title", handoff.title), ("interface", handoff.interface)]
        found += [("address", handoff.source)]
    for plan in site.plans:
        found += [("plan", plan.name), ("plan", plan.title)]
        found += [("destination", one.name) for one in plan.destinations]
    found += [("window", one.name) for one in site.windows]
    found += [("campaign", one.name) for one in site.campaigns]
    found += [("claim", one.name) for one in site.claims]
    for channel in site.notices:
        found.append(("notice", channel.name))
        match channel.way:
            case Mail():
                found += [("mail", each) for each in (channel.way.host, channel.way.sender, *channel.way.to)]
            case Hook():
                found += [("hook", channel.way.url)]
    found += [("endpoint's host", host) for one in site.endpoints if (host := _host(one.invitation))]
    return ((kind, word) for kind, word in found if word)


def _host(invitation: str) -> str | None:
    """The host name of an invitation; an address is found by its form."""
    found = re.match(r"[a-z][a-z0-9+.-]*://(?:[^@/]*@)?([A-Za-z0-9.-]+)", invitation)
    return found[1] if found and not re.fullmatch(r"[\d.]+", found[1]) else None
