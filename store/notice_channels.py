"""Where notices of cases go: mail, a local command, a web hook; and which matters begin one.

Values of the site file; `store.notice_reader` makes them. A secret never shows in a repr. Imports events.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from store.events import EventKind


class Matter(StrEnum):
    """What may begin a notice. A stall does so as the third of its case, or when it lasts over 3 s."""

    OUTAGE = "outage"
    CARRIER = "carrier"
    PORT = "port"
    STALL = "stall"
    PATH = "path"
    OPTIC = "optic"
    CEILING = "ceiling"
    ALLOWANCE = "allowance"
    CLOCK = "clock"


MATTER_OF = {
    EventKind.OUTAGE_START: Matter.OUTAGE,
    EventKind.OUTAGE_END: Matter.OUTAGE,
    EventKind.CARRIER_LOST: Matter.CARRIER,
    EventKind.CARRIER_BACK: Matter.CARRIER,
    EventKind.PORT: Matter.PORT,
    EventKind.STALL: Matter.STALL,
    EventKind.PATH_STEP: Matter.PATH,
    EventKind.OPTIC: Matter.OPTIC,
    EventKind.CEILING: Matter.CEILING,
    EventKind.ALLOWANCE: Matter.ALLOWANCE,
    EventKind.CLOCK: Matter.CLOCK,
}
USUAL = frozenset(Matter) - {Matter.PATH, Matter.OPTIC}  # those two can wait for the next look at a page


class Security(StrEnum):
    """How the way to a mail server is kept private; NONE only on this host."""

    STARTTLS = "starttls"
    TLS = "tls"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mail:
    """By SMTP to a server that takes mail from `user`, with the channel's secret as the password."""

    host: str
    port: int
    security: Security
    user: str | None
    sender: str
    to: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """A program with its arguments, started without a shell; the case is JSON on its standard input."""

    words: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hook:
    """A POST of the case as JSON, with the channel's secret, if there is one, as bearer token."""

    url: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One way out. `handoffs` empty means all of them."""

    name: str
    way: Mail | Command | Hook
    matters: frozenset[Matter] = USUAL
    handoffs: tuple[str, ...] = ()
    secret: str | None = field(default=None, repr=False)
