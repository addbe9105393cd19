"""Who may use this endpoint, and how much: every rule that says yes or no, and no traffic.

Keys are compared in constant time against the SHA-256 of each caller's. A caller may have a number of
trains and runs; the endpoint has a number of callers and runs at a time; each run has its seconds and
bytes, each caller its bytes a month. Pure: times are handed in (`now_ns` monotonic, `unix_ns` for the
calendar month), and the ledger is only a value here.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from probe.endpoint.ledger import Ledger, month_after, month_of
from probe.endpoint.limits import Limits
from probe.load_rate import most_bytes, rate_bps, row_at_most
from probe.wire.control import Refusal, RunRequest, TrainRequest
from probe.wire.paced import BURST_PACKETS_MAX, PAYLOAD_BYTES, SECONDS_MAX, SEQUENCES, STEP_BYTES
from probe.wire.paced_control import CapacityRequest, PacedRequest
from probe.wire.rehearsal_control import RehearsalRequest, StreamRequest
from probe.wire.stamp import AUTHENTICATED_BYTES
from store.capacity import PAYLOAD_BYTES as CAPACITY_PAYLOAD_BYTES
from store.capacity import SECONDS as CAPACITY_SECONDS
from store.clock import NS_PER_S
from store.layers import IP_BYTES, UDP_BYTES
from store.pace import FLOW_BPS_MIN
from store.paced import OFFERED_BPS
from store.records import Direction

SILENCE_S = 10  # a caller whose control, trains and flows are all silent for this long loses its runs
_LATE_NS = 3 * NS_PER_S  # so much later than it was told a waiting caller may come
_KEPT_NS = 5 * NS_PER_S  # nobody is kept a place for longer, lest one that gave up hold the others
PACKET_BYTES_MAX = 8_972  # what an IPv4 packet of 9000 carries in UDP
_DIRECTIONS = {  # name -> (up, down)
    str(Direction.UP): (True, False),
    str(Direction.DOWN): (False, True),
    str(Direction.BOTH): (True, True),
}
_CONGESTION = re.compile(r"[a-z0-9_-]{1,15}")  # the kernel's names have 15 characters at most
_SSIDS = 1 << 16
_TRANSPORTS = ("tcp", "arq", "rtp")
_FRAMES_PER_SECOND_MAX = 300
_GROUP_MAX = 300 * 3600
_BUFFER_S_MAX = 60
_KEYFRAMES_BYTES = 16 << 20  # the mean over a short rehearsal is less than what its first keyframe takes


@dataclass(frozen=True, slots=True, kw_only=True)
class RunTerms:
    """A granted run. `bytes_max` is payload, both directions together."""

    run: str
    caller: str
    up_flows: int
    down_flows: int
    seconds: float
    bytes_max: int
    congestion: str | None
    down_at_most_bps: int | None
    ends_ns: int  # monotonic; when its time is over if it started at once


@dataclass(frozen=True, slots=True, kw_only=True)
class PacedTerms:
    """A granted paced run or burst, or a capacity run that `searches` up to `offered_bps`; with `up` the
    endpoint receives. `bytes_max` is payload.
    """

    run: str
    caller: str
    up: bool
    offered_bps: int
    payload_bytes: int
    seconds: float
    bytes_max: int
    ends_ns: int  # monotonic; when its time is over if it started at once
    searches: bool = False
    burst_packets: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalTerms:
    """A granted rehearsal, which the endpoint receives. `bytes_max` is payload."""

    run: str
    caller: str
    streams: tuple[StreamRequest, ...]
    seconds: float
    bytes_max: int
    ends_ns: int  # monotonic; when its time is over if it started at once


Terms = RunTerms | PacedTerms | RehearsalTerms


class Admission:
    """What is granted and to whom. Trains are known by SSID, runs by a name that cannot be guessed."""

    def __init__(
        self,
        *,
        callers: Mapping[str, bytes],
        limits: Limits,
        ledger: Ledger,
        leaving: Mapping[str, bytes] | None = None,
    ) -> None:
        self._callers = dict(callers)
        self._leaving = dict(leaving or {})
        self._limits = limits
        self._ledger = ledger
        self._trains: dict[int, str] = {}
        self._runs: dict[str, Terms] = {}
        self._heard_ns: dict[str, int] = {}
        self._kept_ns: dict[str, int] = {}  # until when a caller that was told to wait is kept a place
        self._served_ns: dict[str, int] = {}  # when a caller's last run began

    def caller_of(self, key: bytes) -> str | None:
        """The caller that holds `key`, or None. Takes as long for a right key as for a wrong one."""
        digest = hashlib.sha256(key).digest()
        found = None
        for name, known in (*self._callers.items(), *self._leaving.items()):
            if hmac.compare_digest(digest, known):
                found = name
        return found

    def renew(self, callers: Mapping[str, bytes], leaving: Mapping[str, bytes]) -> bool:
        """Take over the callers and their older keys that are still admitted; whether anything changed."""
        before = self._callers, self._leaving
        self._callers, self._leaving = dict(callers), dict(leaving)
        return before != (self._callers, self._leaving)

    def admits(self, caller: str, digest: bytes) -> bool:
        """Whether the key of this SHA-256 is admitted, and as this caller's."""
        return digest in (self._callers.get(caller), self._leaving.get(caller))

    def knows(self, caller: str) -> bool:
        """Whether there is a caller of this name."""
        return caller in self._callers

    def limits_of(self, caller: str) -> Limits:
        """What is granted to a caller."""
        return self._limits.of(caller)

    def grant(self, limits: Limits) -> None:
        """Grant this from now on; what is under way keeps what it was granted."""
        self._limits = limits

    def heard(self, caller: str, *, now_ns: int) -> None:
        """Note that a caller gave a sign of life at `now_ns`; an earlier one changes nothing."""
        self._heard_ns[caller] = max(now_ns, self._heard_ns.get(caller, now_ns))

    def silent_runs(self, *, now_ns: int) -> list[Terms]:
        """The runs of callers that gave no sign of life for `SILENCE_S`."""
        return [terms for terms in self._runs.values() if not self._lively(terms.caller, now_ns)]

    def bytes_left(self, caller: str, *, unix_ns: int) -> int:
        """What is left of this month's allowance for a caller, runs under way not counted."""
        used = self._ledger.used(caller, month=month_of(unix_ns))
        return max(0, self._limits.of(caller).bytes_per_month - used)

    def open_train(self, caller: str, request: TrainRequest, *, now_ns: int) -> int | Refusal:
        """An SSID for a new train, or why not."""
        wrong = _wrong_train(request, self._limits.of(caller)) or self._crowded(caller, now_ns)
        if wrong is not None:
            return wrong
        if len(self.trains_of(caller)) >= self._limits.of(caller).trains:
            return Refusal(
                code="limit",
                why=f"a caller here has at most {_count(self._limits.of(caller).trains, 'train')} at a time",
            )
        if len(self._trains) >= _SSIDS // 2:  # keeps the draw below short
            return Refusal(code="busy", why="the endpoint has no session left", retry_after_s=60.0)
        while (ssid := 1 + secrets.randbelow(_SSIDS - 1)) in self._trains:
            pass
        self._trains[ssid] = caller
        return ssid

    def close_train(self, ssid: int) -> None:
        """Forget a train."""
        self._trains.pop(ssid, None)

    def trains_of(self, caller: str) -> list[int]:
        """The SSIDs of a caller's trains."""
        return [ssid for ssid, owner in self._trains.items() if owner == caller]

    def open_run(self, caller: str, request: RunRequest, *, now_ns: int, unix_ns: int) -> RunTerms | Refusal:
        """The terms of a new run, or why not."""
        wrong = (
            _wrong_run(request, self._limits.of(caller))
            or self._crowded(caller, now_ns)
            or self._occupied(caller, now_ns)
        )
        if wrong is not None:
            return wrong
        left = self.bytes_left(caller, unix_ns=unix_ns) - self._reserved(caller)
        if left <= 0:
            return self._used_up(caller, month_of(unix_ns))
        up, down = _DIRECTIONS[request.direction]
        terms = RunTerms(
            run=secrets.token_hex(8),
            caller=caller,
            up_flows=request.flows if up else 0,
            down_flows=request.flows if down else 0,
            seconds=request.seconds,
            bytes_max=min(self._limits.of(caller).bytes_per_run, left),
            congestion=request.congestion,
            down_at_most_bps=request.down_at_most_bps,
            ends_ns=now_ns + round(request.seconds * NS_PER_S),
        )
        self._begin(terms, now_ns)
        return terms

    def open_paced(
        self, caller: str, request: PacedRequest, *, now_ns: int, unix_ns: int
    ) -> PacedTerms | Refusal:
        """The terms of a new paced run, or why not. It takes the place of a rate run while it lasts; beside
        one of the same caller the other way it takes none of its own, as a rate run both ways is one.
        """
        wrong = _wrong_paced(request, self._limits.of(caller)) or self._crowded(caller, now_ns)
        if wrong is None and not self._completes(caller, request):
            wrong = self._occupied(caller, now_ns)
        if wrong is not None:
            return wrong
        left = self.bytes_left(caller, unix_ns=unix_ns) - self._reserved(caller)
        if left <= 0:
            return self._used_up(caller, month_of(unix_ns))
        # what it is to move is known before: nothing is begun that the allowance would break off
        needs = payload_bytes_of(request)
        if needs > min(self._limits.of(caller).bytes_per_run, left):
            return _too_much(needs, left, self._limits.of(caller))
        terms = PacedTerms(
            run=secrets.token_hex(8),
            caller=caller,
            up=request.direction == Direction.UP,
            offered_bps=request.offered_bps,
            payload_bytes=request.payload_bytes,
            seconds=request.seconds,
            bytes_max=needs,
            ends_ns=now_ns + round(request.seconds * NS_PER_S),
            burst_packets=request.burst_packets,
        )
        self._begin(terms, now_ns)
        return terms

    def open_capacity(
        self, caller: str, request: CapacityRequest, *, now_ns: int, unix_ns: int
    ) -> PacedTerms | Refusal:
        """The terms of a new capacity run, or why not. Nothing else runs beside it (RFC 9097 section 8.3)."""
        wrong = (
            _wrong_capacity(request, self._limits.of(caller))
            or self._crowded(caller, now_ns)
            or self._occupied(caller, now_ns, alone=True)
        )
        if wrong is not None:
            return wrong
        left = self.bytes_left(caller, unix_ns=unix_ns) - self._reserved(caller)
        if left <= 0:
            return self._used_up(caller, month_of(unix_ns))
        most_bps = rate_bps(row_at_most(self._limits.of(caller).paced_bps))
        terms = PacedTerms(
            run=secrets.token_hex(8),
            caller=caller,
            up=request.direction == Direction.UP,
            offered_bps=most_bps,
            payload_bytes=request.payload_bytes,
            seconds=request.seconds,
            bytes_max=min(
                self._limits.of(caller).bytes_per_run,
                left,
                most_bytes(request.seconds, row_at_most(most_bps)),
            ),
            ends_ns=now_ns + round(request.seconds * NS_PER_S),
            searches=True,
        )
        self._begin(terms, now_ns)
        return terms

    def open_rehearsal(
        self, caller: str, request: RehearsalRequest, *, now_ns: int, unix_ns: int
    ) -> RehearsalTerms | Refusal:
        """The terms of a new rehearsal, or why not. It takes the place of a rate run while it lasts."""
        wrong = (
            _wrong_rehearsal(request, self._limits.of(caller))
            or self._crowded(caller, now_ns)
            or self._occupied(caller, now_ns)
        )
        if wrong is not None:
            return wrong
        left = self.bytes_left(caller, unix_ns=unix_ns) - self._reserved(caller)
        if left <= 0:
            return self._used_up(caller, month_of(unix_ns))
        needs = round(sum(one.ip_bps for one in request.streams) * request.seconds / 8) + _KEYFRAMES_BYTES
        if needs > min(self._limits.of(caller).bytes_per_run, left):
            return _too_much(needs, left, self._limits.of(caller))
        terms = RehearsalTerms(
            run=secrets.token_hex(8),
            caller=caller,
            streams=request.streams,
            seconds=request.seconds,
            bytes_max=needs,
            ends_ns=now_ns + round(request.seconds * NS_PER_S),
        )
        self._begin(terms, now_ns)
        return terms

    def runs_of(self, caller: str) -> list[str]:
        """The names of a caller's runs under way."""
        return [terms.run for terms in self._runs.values() if terms.caller == caller]

    def close_run(self, run: str, *, moved_bytes: int, unix_ns: int) -> None:
        """Free a run's place and book what it moved to the month it ended in."""
        terms = self._runs.pop(run, None)
        if terms is not None:
            self._ledger.book(terms.caller, moved_bytes, month=month_of(unix_ns))

    def _lively(self, caller: str, now_ns: int) -> bool:
        return now_ns - self._heard_ns.get(caller, now_ns) <= SILENCE_S * NS_PER_S

    def _crowded(self, caller: str, now_ns: int) -> Refusal | None:
        owners = {terms.caller for terms in self._runs.values()} | {
            owner for owner in self._trains.values() if self._lively(owner, now_ns)
        }
        if len(owners - {caller}) < self._limits.callers:
            return None
        why = f"the endpoint serves at most {_count(self._limits.callers, 'caller')} at a time"
        return Refusal(code="busy", why=why, retry_after_s=60.0)

    def _begin(self, terms: Terms, now_ns: int) -> None:
        self._runs[terms.run] = terms
        self._kept_ns.pop(terms.caller, None)
        self._served_ns[terms.caller] = now_ns

    def _occupied(self, caller: str, now_ns: int, *, alone: bool = False) -> Refusal | None:
        """Why this caller may begin no run now; with `alone` it stands no other one beside it.

        Of those who are told to wait and come again, the one whose last run is the longest ago comes first.
        """
        found = self._taken(now_ns, alone=alone) or self._turn(caller, now_ns)
        if found is not None:
            wait_ns = round((found.retry_after_s or 0) * NS_PER_S)
            self._kept_ns[caller] = now_ns + min(wait_ns, _KEPT_NS) + _LATE_NS
        return found

    def _turn(self, caller: str, now_ns: int) -> Refusal | None:
        """That others wait whose last run was before this caller's; nothing for one that has had none."""
        served_ns = self._served_ns.get(caller)
        if served_ns is None:
            return None
        before = sum(
            now_ns <= kept_ns and self._served_ns.get(name, served_ns - 1) < served_ns
            for name, kept_ns in self._kept_ns.items()
            if name != caller
        )
        if not before:
            return None
        why = f"it is the turn of {_count(before, 'caller')} whose last run was before this one's"
        return Refusal(code="busy", why=why, retry_after_s=1.0)

    def _completes(self, caller: str, request: PacedRequest) -> bool:
        """Whether this run and one under way are the two directions of one test."""
        own = [each for each in self._paired() if each.caller == caller]
        ups = sum(each.up for each in own)
        downs = len(own) - ups
        up = request.direction == Direction.UP
        return request.burst_packets is None and (ups < downs if up else downs < ups)

    def _paired(self) -> list[PacedTerms]:
        """Paced runs under way at a steady rate."""
        return [
            each
            for each in self._runs.values()
            if isinstance(each, PacedTerms) and not each.searches and each.burst_packets is None
        ]

    def _places(self) -> int:
        """How many runs are under way, a paced one each way of one caller counted as one."""
        paired = self._paired()
        ways = Counter((each.caller, each.up) for each in paired)
        together = sum(min(ways[caller, True], ways[caller, False]) for caller in {one for one, _ in ways})
        return len(self._runs) - together

    def _taken(self, now_ns: int, *, alone: bool) -> Refusal | None:
        runs = self._runs.values()
        if any(isinstance(terms, PacedTerms) and terms.searches for terms in runs):
            why = "a capacity run is under way, and nothing else runs beside it"
        elif runs and alone:
            why = "another run is under way, and a capacity run has the path to itself"
        elif self._places() >= self._limits.runs:
            why = f"the endpoint has at most {_count(self._limits.runs, 'run')} at a time"
        else:
            return None
        free_ns = (max if alone else min)(terms.ends_ns for terms in runs)
        left_s = max(1.0, round((free_ns - now_ns) / NS_PER_S, 1))
        return Refusal(code="busy", why=why, retry_after_s=left_s)

    def _reserved(self, caller: str) -> int:
        return sum(terms.bytes_max for terms in self._runs.values() if terms.caller == caller)

    def _used_up(self, caller: str, month: str) -> Refusal:
        if self._reserved(caller):
            why = "the run under way may use up what is left of this month's allowance"
            return Refusal(code="busy", why=why, retry_after_s=10.0)
        allowance = f"{self._limits.of(caller).bytes_per_month:,}".replace(",", " ")
        return Refusal(
            code="allowance",
            why=f"the {allowance} bytes a month that this endpoint allows a caller are used up until "
            f"{month_after(month)}-01 UTC",
        )


def _wrong_train(request: TrainRequest, limits: Limits) -> Refusal | None:
    if not request.per_second > 0:
        return _bad("per_second", "more than 0", request.per_second)
    if request.per_second > limits.per_second:
        return _over("a train here has at most {} packets a second", limits.per_second, "per_second")
    if not AUTHENTICATED_BYTES <= request.packet_bytes <= PACKET_BYTES_MAX:
        return _bad("packet_bytes", f"{AUTHENTICATED_BYTES} to {PACKET_BYTES_MAX}", request.packet_bytes)
    return None


def _wrong_run(request: RunRequest, limits: Limits) -> Refusal | None:
    if request.direction not in _DIRECTIONS:
        return _bad("direction", "up, down or both", request.direction)
    if request.flows < 1:
        return _bad("flows", "1 or more", request.flows)
    if not request.seconds > 0:
        return _bad("seconds", "more than 0", request.seconds)
    if request.congestion is not None and not _CONGESTION.fullmatch(request.congestion):
        return _bad("congestion", "the name of a congestion control", request.congestion)
    if request.down_at_most_bps is not None and request.down_at_most_bps < FLOW_BPS_MIN * request.flows:
        expected = f"{FLOW_BPS_MIN} or more for each flow"
        return _bad("down_at_most_bps", expected, request.down_at_most_bps)
    if request.flows > limits.flows:
        return _over("a run here has at most {} flows in each direction", limits.flows, "flows")
    if request.seconds > limits.seconds_per_run:
        return _over("a run here lasts at most {} s", limits.seconds_per_run, "seconds_per_run")
    return None


def _wrong_paced(request: PacedRequest, limits: Limits) -> Refusal | None:
    if request.direction not in (Direction.UP, Direction.DOWN):
        return _bad("direction", "up or down", request.direction)
    low, high = PAYLOAD_BYTES
    if not low <= request.payload_bytes <= high or request.payload_bytes % STEP_BYTES:
        return _bad(
            "payload_bytes", f"a multiple of {STEP_BYTES} from {low} to {high}", request.payload_bytes
        )
    if request.offered_bps < OFFERED_BPS[0]:
        return _bad("offered_bps", f"{OFFERED_BPS[0]} or more", request.offered_bps)
    if not request.seconds > 0:
        return _bad("seconds", "more than 0", request.seconds)
    if request.offered_bps > limits.paced_bps:
        return _over("a paced run here offers at most {} bit/s", limits.paced_bps, "paced_bps")
    if request.seconds > limits.seconds_per_run:
        return _over("a run here lasts at most {} s", limits.seconds_per_run, "seconds_per_run")
    if request.seconds > SECONDS_MAX:
        return _bad("seconds", f"{SECONDS_MAX} at most", request.seconds)
    if request.burst_packets is not None and not 1 <= request.burst_packets <= BURST_PACKETS_MAX:
        return _bad("burst_packets", f"1 to {BURST_PACKETS_MAX}", request.burst_packets)
    if payload_bytes_of(request) // request.payload_bytes >= SEQUENCES:
        return _bad("offered_bps", "fewer packets in one run", request.offered_bps)
    return None


def _wrong_rehearsal(request: RehearsalRequest, limits: Limits) -> Refusal | None:
    if not 1 <= len(request.streams) <= limits.flows:
        return _bad("streams", f"1 to {limits.flows} (flows in the limits)", len(request.streams))
    for one in request.streams:
        wrong = _wrong_stream(one)
        if wrong is not None:
            return wrong
    if not request.seconds > 0:
        return _bad("seconds", "more than 0", request.seconds)
    if sum(one.ip_bps for one in request.streams) > limits.paced_bps:
        return _over("a rehearsal here sends at most {} bit/s", limits.paced_bps, "paced_bps")
    longest = limits.seconds_per_rehearsal
    if request.seconds > longest:
        return _over("a rehearsal here lasts at most {} s", longest, "seconds_per_rehearsal")
    return None


def _wrong_capacity(request: CapacityRequest, limits: Limits) -> Refusal | None:
    if request.direction not in (Direction.UP, Direction.DOWN):
        return _bad("direction", "up or down", request.direction)
    low, high = CAPACITY_PAYLOAD_BYTES
    if not low <= request.payload_bytes <= high or request.payload_bytes % STEP_BYTES:
        expected = f"a multiple of {STEP_BYTES} from {low} to {high}"
        return _bad("payload_bytes", expected, request.payload_bytes)
    if not CAPACITY_SECONDS[0] <= request.seconds <= CAPACITY_SECONDS[1]:
        return _bad("seconds", "{} to {}".format(*CAPACITY_SECONDS), request.seconds)
    if request.seconds > limits.seconds_per_run:
        return _over("a run here lasts at most {} s", limits.seconds_per_run, "seconds_per_run")
    if limits.paced_bps < rate_bps(0):
        why = f"a capacity run begins at {rate_bps(0)} bit/s and may have {limits.paced_bps}"
        return Refusal(code="limit", why=f"{why} (paced_bps in the endpoint's limits)")
    return None


def _too_much(needs: int, left: int, limits: Limits) -> Refusal:
    """What is known to be too much before it begins."""
    limit, key = limits.bytes_per_run, "bytes_per_run"
    if left < limit:
        limit, key = left, "what is left of bytes_per_month"
    why = f"this run needs {needs} bytes and may have {limit} ({key} in the endpoint's limits)"
    return Refusal(code="limit", why=why)


def payload_bytes_of(request: PacedRequest) -> int:
    """What a paced run moves at most, in payload, with a train more than its time holds."""
    if request.burst_packets is not None:
        return (request.burst_packets + 1) * request.payload_bytes
    ip_bytes = request.payload_bytes + IP_BYTES[4] + UDP_BYTES
    return round(request.offered_bps * request.seconds / 8) * request.payload_bytes // ip_bytes + (1 << 17)


def _wrong_stream(asked: StreamRequest) -> Refusal | None:
    if asked.transport not in _TRANSPORTS:
        return _bad("transport", "tcp, arq or rtp", asked.transport)
    if not 1 <= asked.frames_per_second <= _FRAMES_PER_SECOND_MAX:
        return _bad("frames_per_second", f"1 to {_FRAMES_PER_SECOND_MAX}", asked.frames_per_second)
    if not 1 <= asked.group <= _GROUP_MAX:
        return _bad("group", f"1 to {_GROUP_MAX}", asked.group)
    if not 0 < asked.buffer_s <= _BUFFER_S_MAX:
        return _bad("buffer_s", f"more than 0, {_BUFFER_S_MAX} at most", asked.buffer_s)
    if not asked.ip_bps > 0:
        return _bad("ip_bps", "more than 0", asked.ip_bps)
    return None


def _bad(field: str, expected: str, found: object) -> Refusal:
    return Refusal(code="bad_request", why=f"{field}: expected {expected}, not {str(found)[:40]!r}")


def _over(sentence: str, limit: int, key: str) -> Refusal:
    return Refusal(code="limit", why=f"{sentence.format(limit)} ({key} in the endpoint's limits)")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
