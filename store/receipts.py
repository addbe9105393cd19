"""Receipts of real uploads: what went where, how long it took. Imports records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from store.records import Document, Says


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt(Document):
    """An upload that is over; it began `seconds` before `ended_unix_ns`. `handoff` is empty where nobody
    said.
    """

    kind: ClassVar[str] = "upload receipt"
    meaning: ClassVar[str] = "A real upload: how much went where, and how long it took."
    to: Annotated[str, Says(meaning="name of the receiver, as the user calls it")]
    size_bytes: Annotated[int, Says(meaning="what was sent", unit="bytes", layer="payload")]
    seconds: Annotated[float, Says(meaning="how long it took, pauses included", unit="s")]
    ended_unix_ns: Annotated[int, Says(meaning="when it was over", unit="ns")]
    sha256: Annotated[str | None, Says(meaning="checksum of what was sent, 64 hex digits")] = None
    line_goodput_bps: Annotated[
        int | None,
        Says(
            meaning="what the line carried up on that day, median of the valid runs; none without one",
            unit="bit/s",
            layer="payload",
        ),
    ] = None

    @property
    def goodput_bps(self) -> int:
        return round(self.size_bytes * 8 / self.seconds)
