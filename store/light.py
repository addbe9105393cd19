"""What an optic says of its light: the record from which a drift is told. Imports records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from store.records import Document, Says

_SENSOR = "SFF-8472, from memory: power to 0.1 uW, good to about 3 dB; so only a change says much"


@dataclass(frozen=True, slots=True, kw_only=True)
class Light(Document):
    """One reading. Nanowatts are tenths of a microwatt times 100; None where the optic measures none."""

    kind: ClassVar[str] = "light"
    meaning: ClassVar[str] = "What the optic of a handoff's interface said of its light and temperature."
    interface: Annotated[str, Says(meaning="the interface whose optic it is")]
    received_nw: Annotated[int, Says(meaning="light that arrives", unit="nW", source=_SENSOR)]
    sent_nw: Annotated[int, Says(meaning="light that is sent", unit="nW", source=_SENSOR)]
    temperature_mc: Annotated[
        int, Says(meaning="temperature of the optic, good to about 3 degrees", unit="1/1000 degree Celsius")
    ]
