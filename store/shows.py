"""Shows: what was forecast of one, and what became of it. Imports records, histogram, layers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from store import fields
from store.histogram import Delays
from store.layers import LayerRates
from store.records import Document, Limit, Says


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedAt:
    """One thing that was looked at before a show: `found` is ``fine``, ``amiss``, ``bad``, ``not done`` or
    ``note``, which tells and decides nothing."""

    what: str
    found: str
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast(Document):
    """The answer for one show as it was given before; `handoff` is the plan's."""

    kind: ClassVar[str] = "forecast"
    meaning: ClassVar[str] = "The answer for a show as given before it, with its chance to stay clean."
    plan: Annotated[str, Says(meaning="name of the stream plan")]
    show_start_unix_ns: Annotated[int, Says(meaning="when the show begins", unit="ns")]
    show_end_unix_ns: Annotated[int, Says(meaning="when it ends", unit="ns")]
    before: Annotated[str, Says(meaning="which check it was: 24h, 1h, 10min, or any for one without runs")]
    answer: Annotated[str, Says(meaning="go, tight, hold or unknown")]
    because: Annotated[str, Says(meaning="the reason that decides")]
    smallest_change: Annotated[str | None, Says(meaning="the smallest change that was offered")] = None
    chance: Annotated[
        float | None,
        Says(
            meaning="chance that the line keeps the show clean, by comparable days; none without one",
            unit="ratio",
        ),
    ] = None
    chance_low: Annotated[
        float | None, Says(meaning="its lower bound, one-sided, exact, at 95 % confidence", unit="ratio")
    ] = None
    chance_high: Annotated[float | None, Says(meaning="its upper bound, likewise", unit="ratio")] = None
    days: Annotated[int, Says(meaning="comparable days that it rests on", unit="days")] = 0
    demand_bps: Annotated[int, Says(meaning="what the plan needs by its sums", unit="bit/s", layer="IP")]
    peak_bps: Annotated[int, Says(meaning="its peak", unit="bit/s", layer="IP")]
    floor_bps: Annotated[
        int | None, Says(meaning="floor of comparable hours; none without a run", unit="bit/s", layer="IP")
    ] = None
    rows: Annotated[tuple[LookedAt, ...], Says(meaning="what was looked at just then, one by one")] = ()
    took_ms: Annotated[int, Says(meaning="how long the check took", unit="ms")] = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRun(Document):
    """A run up that a check before a show made, on the plan's uplink or on another one.

    It is no run of the schedule, and no floor or verdict counts it: it may have asked for a part of the line.
    """

    kind: ClassVar[str] = "check run"
    meaning: ClassVar[str] = "A run up shortly before a show, as a check of it made it."
    plan: Annotated[str, Says(meaning="name of the stream plan")]
    before: Annotated[str, Says(meaning="which check it was: 24h, 1h or 10min")]
    seconds: Annotated[float, Says(meaning="how long it ran", unit="s")]
    asked_bps: Annotated[
        int | None,
        Says(meaning="what it asked for at most; none for all that the line gives", unit="bit/s", layer="IP"),
    ] = None
    rates: Annotated[LayerRates, Says(meaning="what arrived")]
    lowest_second_bps: Annotated[
        int, Says(meaning="payload of its slowest whole second", unit="bit/s", layer="payload")
    ]
    rtt_idle_us: Annotated[Delays | None, Says(meaning="RTT before it", unit="us")] = None
    rtt_loaded_us: Annotated[Delays | None, Says(meaning="RTT during it", unit="us")] = None
    limited_by: Annotated[Limit, Says(meaning="what held it back")]
    spent_bytes: fields.SpentBytes
    circumstances: fields.Around


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinedDrop:
    """A drop that an encoder noted, and whose it was: line, house, encoder, far end or unknown."""

    at_unix_ns: int
    seconds: float
    destination: str
    owner: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowReport(Document):
    """A show after it: its stalls, the encoder's drops joined with them, and the forecast scored."""

    kind: ClassVar[str] = "show report"
    meaning: ClassVar[str] = "A show after it: its stalls, the encoder's drops, the forecast scored."
    plan: Annotated[str, Says(meaning="name of the stream plan")]
    show_start_unix_ns: Annotated[int, Says(meaning="when the show began", unit="ns")]
    show_end_unix_ns: Annotated[int, Says(meaning="when it ended", unit="ns")]
    watched_ratio: Annotated[
        float, Says(meaning="share of the show that the best of the line's trains watched", unit="ratio")
    ]
    stalls: Annotated[int, Says(meaning="stalls on the way up, of the train that saw most", unit="stalls")]
    stalled_s: Annotated[float, Says(meaning="their time together", unit="s")]
    freezes: Annotated[int, Says(meaning="of them, those that outlast the plan's buffers", unit="stalls")]
    drops: Annotated[tuple[JoinedDrop, ...], Says(meaning="each drop that the encoder noted")] = ()
    drops_known: Annotated[bool, Says(meaning="whether a list of the encoder's drops was at hand")] = False
    line_clean: Annotated[
        bool | None, Says(meaning="whether the line kept the show clean; none where that is not known")
    ] = None
    because: Annotated[str, Says(meaning="why, as a sentence")]
    forecast_before: Annotated[str | None, Says(meaning="which check gave the scored forecast")] = None
    forecast_unix_ns: Annotated[int | None, Says(meaning="when that was given", unit="ns")] = None
    answer: Annotated[str | None, Says(meaning="its answer")] = None
    chance: Annotated[float | None, Says(meaning="its chance of a clean show", unit="ratio")] = None
    brier: Annotated[
        float | None,
        Says(
            meaning="its score: the square of the chance less what came true (1 clean, 0 not); 0 is best",
            unit="ratio",
            source="Brier score",
        ),
    ] = None
