"""What the clock on this host's wall did: it was set, stood still with the whole host, runs at another rate,
came to be synchronised or no longer is.

Noticed by comparing readings about a second apart, so each change is known to lie between two of them, and
how large it was to within what the readings could tell. Imports records.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, ClassVar

from store.records import Document, Says


class ClockHow(StrEnum):
    """What a clock can do."""

    STEP = "step"  # somebody set it, or a leap second did
    SUSPEND = "suspend"  # the whole host slept
    DRIFT = "drift"  # how fast it runs against the host's oscillator
    GAINED = "synchronised"
    LOST = "not synchronised"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockChange(Document):
    """A change of the wall clock between two readings, the first of them at `started_unix_ns`.

    Both moments are by the wall clock as it was then: after a step they are apart by the step as well.
    """

    kind: ClassVar[str] = "clock change"
    meaning: ClassVar[str] = (
        "What the clock on the wall of the probe's host did between two readings of it; started is the first "
        "of them, by that clock."
    )
    how: Annotated[
        ClockHow, Says(meaning="what it did: step, suspend, drift, synchronised, not synchronised")
    ]
    ended_unix_ns: Annotated[int, Says(meaning="the second reading, by the same clock as it was then")]
    elapsed_us: Annotated[
        int,
        Says(meaning="how long passed between the two, sleep included", unit="us", source="clock_gettime(2)"),
    ]
    uncertainty_us: Annotated[
        int, Says(meaning="how far by_us may be off, as each reading takes a moment", unit="us")
    ]
    by_us: Annotated[
        int | None,
        Says(
            meaning="step: how far it was set, positive when forward; suspend: how long the host slept; "
            "drift: how far it gained on the oscillator",
            unit="us",
        ),
    ] = None
    drift_ppm: Annotated[
        float | None,
        Says(
            meaning="drift: by_us over the time that passed, which is the correction that the host applies. "
            "While it is synchronised that is the oscillator's own error, or an offset being taken away "
            "slowly, which look the same; otherwise nothing here knows the true rate",
            unit="ppm",
        ),
    ] = None
    synchronised: Annotated[
        bool | None, Says(meaning="did the kernel call the clock synchronised at the second reading")
    ] = None
    error_us: Annotated[
        int | None,
        Says(
            meaning="how far off the kernel said that the clock might be then; none without synchronisation",
            unit="us",
            source="adjtimex(2)",
        ),
    ] = None
