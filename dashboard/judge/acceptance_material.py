"""What a handoff's acceptance is judged from: its card, and the records since it was handed over. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import TypeVar

from dashboard.judge.ceilings import Room
from store.acceptance import AcceptanceNote
from store.bursts import BurstRun
from store.card import Card
from store.events import Event
from store.failovers import Failover
from store.histogram import Histogram
from store.light import Light
from store.loaded_delay import LoadedDelayRun
from store.lookups import Lookups
from store.paced import PacedRun
from store.path_mtu import PathMtu
from store.records import Document, RateRun, Standing
from store.site import EVENINGS, Times
from store.sizes import SizesRun
from store.soaks import Soak
from store.steps import StepsRun

D = TypeVar("D", bound=Document)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainDelays:
    """A train to one endpoint over a while: delay over the minimum each way, and how often it asked."""

    endpoint: str
    seconds: float
    per_second: float
    pdv_up: Histogram
    pdv_down: Histogram
    started_unix_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """Records of one handoff to endpoints outside, oldest first, as they were made. `mates` are the handoffs
    of the same contract, `failover_s` what the house wants a failover to take at most.
    """

    handoff: str
    card: Card
    zone: tzinfo = UTC
    busy: Times = EVENINGS
    failover_s: float | None = None
    rates: tuple[RateRun, ...] = ()
    paced: tuple[PacedRun, ...] = ()
    sizes: tuple[SizesRun, ...] = ()
    steps: tuple[StepsRun, ...] = ()
    bursts: tuple[BurstRun, ...] = ()
    loaded: tuple[LoadedDelayRun, ...] = ()
    mtus: tuple[PathMtu, ...] = ()
    soaks: tuple[Soak, ...] = ()
    failovers: tuple[Failover, ...] = ()
    light: tuple[Light, ...] = ()
    lookups: tuple[Lookups, ...] = ()
    events: tuple[Event, ...] = ()
    trains: tuple[TrainDelays, ...] = ()
    rooms: tuple[Room, ...] = ()
    notes: tuple[AcceptanceNote, ...] = ()
    mates: tuple[Material, ...] = ()


def valid(found: Iterable[D]) -> list[D]:
    """Those that may speak about the line."""
    return [one for one in found if one.standing is Standing.VALID]


def newest(found: Sequence[D]) -> D | None:
    """The one that started last; None for none."""
    return max(found, key=lambda one: one.started_unix_ns, default=None)
