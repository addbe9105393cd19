"""The state of an interface's link: carrier, how often it came and went, rate and duplex, from sysfs.

`/sys/class/net`, Linux's ABI documents (sysfs-class-net). The kernel counts each loss and return of the
carrier, so one that falls between two looks is seen all the same. Reads small files; an event loop calls it
through a thread.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path

from probe.linux.interface import SYSFS, describe

_IFF_UP = 1  # linux/if.h


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """An interface as it stands now. Not `there`: this host has none of that name.

    `set_up` is False where somebody on this host took it down. `lost` and `back` count carriers lost and
    come back since the interface was made; None where the kernel does not count. Rate and duplex are what a
    real port negotiated.
    """

    name: str
    there: bool
    set_up: bool
    carrier: bool
    lost: int | None
    back: int | None
    port_rate_bps: int | None
    duplex: str | None


def read(name: str, *, sysfs: Path = SYSFS) -> Link:
    """The link of the interface called `name`."""
    where, found = sysfs / name, describe(name, sysfs=sysfs)
    flags = _number(where / "flags", base=16)
    return Link(
        name=name,
        there=flags is not None,
        set_up=bool((flags or 0) & _IFF_UP),
        carrier=_number(where / "carrier") == 1,  # EINVAL while it is set down
        lost=_number(where / "carrier_down_count"),
        back=_number(where / "carrier_up_count"),
        port_rate_bps=found.port_rate_bps,
        duplex=found.duplex,
    )


def _number(path: Path, *, base: int = 10) -> int | None:
    with contextlib.suppress(OSError, ValueError):
        return int(path.read_text().strip(), base)
    return None
