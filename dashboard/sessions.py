"""Who is logged in, and who must wait before trying again: two tables in memory, gone with the dashboard.

Pure but for the randomness of a session's secret: the caller hands the time in. Knows no request and no
password.
"""

from __future__ import annotations

import hashlib
import secrets
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from dashboard.logins import Login
from store.clock import NS_PER_S

IDLE_S = 2 * 3600  # an open page that keeps itself fresh is not idle
WHOLE_S = 12 * 3600  # a show's day; then one logs in again, whatever was done
SESSIONS_MAX = 200  # the one that was silent longest goes first

FREE_TRIES = 3  # wrong ones before the first wait, as fingers slip
_FIRST_WAIT_S = 2
ADDRESS_WAIT_S_MAX = 900
NAME_WAIT_S_MAX = 60  # whoever knows a name can make its owner wait so long, and no longer
_FORGET_S = 3600  # wrong tries this long ago count no more
_KNOWN_MAX = 5000


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One who is logged in. Times are of the monotonic clock."""

    login: Login
    key: str  # what the secret's hash is, by which it is known here
    began_ns: int
    seen_ns: int


@dataclass(slots=True)
class Sessions:
    """All who are logged in."""

    _known: OrderedDict[str, Session] = field(default_factory=OrderedDict)

    def begin(self, login: Login, *, now_ns: int) -> str:
        """The secret of a new session, never that of an old one; it stands nowhere but in the answer."""
        secret = secrets.token_urlsafe(32)
        key = _key(secret)
        self._known[key] = Session(login=login, key=key, began_ns=now_ns, seen_ns=now_ns)
        while len(self._known) > SESSIONS_MAX:
            self._known.popitem(last=False)
        return secret

    def of(self, secret: str, *, now_ns: int) -> Session | None:
        """The session with this secret, which has been seen by that; None when there is none any more."""
        session = self._known.get(_key(secret))  # by its hash, so that time tells nothing of the secret
        if session is None:
            return None
        if now_ns - session.seen_ns > IDLE_S * NS_PER_S or now_ns - session.began_ns > WHOLE_S * NS_PER_S:
            del self._known[session.key]
            return None
        self._known[session.key] = session = replace(session, seen_ns=now_ns)
        self._known.move_to_end(session.key)
        return session

    def end(self, session: Session) -> None:
        """End it, if it has not ended."""
        self._known.pop(session.key, None)

    def keep(self, holds: Callable[[Login], bool]) -> list[Session]:
        """End every session whose login does not hold any more; those that were ended."""
        gone = [one for one in self._known.values() if not holds(one.login)]
        for one in gone:
            self.end(one)
        return gone


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wrong:
    count: int
    last_ns: int


@dataclass(slots=True)
class Waits:
    """Wrong tries by whom they are counted: after a few, each doubles the wait before the next."""

    longest_s: int
    _known: OrderedDict[str, _Wrong] = field(default_factory=OrderedDict)

    def left_s(self, who: str, *, now_ns: int) -> int:
        """Whole seconds until `who` may try again; 0 when at once."""
        wrong = self._known.get(who)
        if wrong is None or wrong.count < FREE_TRIES:
            return 0
        wait_s = min(_FIRST_WAIT_S << min(wrong.count - FREE_TRIES, 20), self.longest_s)
        return max(0, -(-(wrong.last_ns + wait_s * NS_PER_S - now_ns) // NS_PER_S))

    def wrong(self, who: str, *, now_ns: int) -> None:
        """Count a wrong try."""
        before = self._known.pop(who, None)
        counted = 0 if before is None or now_ns - before.last_ns > _FORGET_S * NS_PER_S else before.count
        self._known[who] = _Wrong(count=counted + 1, last_ns=now_ns)
        while len(self._known) > _KNOWN_MAX:
            self._known.popitem(last=False)

    def right(self, who: str) -> None:
        """Forget what was wrong."""
        self._known.pop(who, None)


def _key(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
