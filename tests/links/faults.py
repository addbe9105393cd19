"""Splits of a routed line with one fault planted on it, by the program itself as an unprivileged account.

What is planted where is the truth that the finding is held against.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from probe.endpoint import keys
from probe.wire import invitation
from tests.links.house import LINEBOOK, PORT
from tests.links.routed import ADDRESSES, ADDRESSES_V6, Routed, routed

BETWEEN_S, STALL_S = 4.0, 1.5  # of what is switched on and off
NOBODY = 65_534  # an account without privileges
SITE = """
name = "Routed line (invented)"
invented = true
timezone = "UTC"
database = "line.db"
[[handoff]]
name = "A"
interface = "probe-router"
"""
ENDPOINT = """
[[endpoint]]
name = "{name}"
where = "{where}"
invitation = "{invitation}"
"""


Plant = Callable[[Routed], None]


@dataclass(frozen=True)
class Fault:
    """What is planted before the split begins, and what is switched `on` and `off` while it runs.

    `right` is the finding that is right: an owner, None for undecided, ``"clear"`` for nothing wrong.
    """

    name: str
    right: str | None
    plant: Plant = lambda line: None
    on: Plant | None = None
    off: Plant | None = None
    ends: tuple[str, ...] = ("lan", "north", "south")


class Served:
    """A routed line with endpoints that are served, and a site file of its house."""

    def __init__(self, line: Routed, site: Path) -> None:
        self.line, self.site = line, site

    def split(self, seconds: float, *words: str) -> dict[str, Any]:
        """The JSON of ``linebook split``, run without privileges in the probe's namespace."""
        split = [sys.executable, LINEBOOK, "split", str(self.site), "--seconds", str(seconds), "--json"]
        command = ["setpriv", f"--reuid={NOBODY}", "--clear-groups", *split, *words]
        done = self.line.run("probe", *command, check=False, timeout_s=600)
        assert done.returncode == 0, (done.returncode, done.stdout, done.stderr)
        found: dict[str, Any] = json.loads(done.stdout)
        return found


@contextmanager
def served(
    folder: Path, *, ends: tuple[str, ...] = ("lan", "north", "south"), ip_version: int = 4
) -> Iterator[Served]:
    """A routed line with endpoints at these places; gone afterwards."""
    addresses = ADDRESSES if ip_version == 4 else ADDRESSES_V6
    folder.mkdir(exist_ok=True)
    text = SITE
    with routed() as line:
        for name in ends:
            address = f"{addresses[name]}:{PORT}" if ip_version == 4 else f"[{addresses[name]}]:{PORT}"
            invited = keys.invite(folder / name, address=address, name="probe")
            text += ENDPOINT.format(
                name=name,
                where="house" if name == "lan" else "outside",
                invitation=invitation.write(invited),
            )
        serving = [
            line.start(name, sys.executable, LINEBOOK, "endpoint", "serve", str(folder / name))
            for name in ends
        ]
        for process in serving:
            assert process.stderr is not None
            assert process.stderr.readline(), "the endpoint said nothing before it ended"
        house = folder / "house"
        house.mkdir()
        site = house / "site.toml"
        site.write_text(text)
        for path in (house, site):
            os.chown(path, NOBODY, NOBODY)
        yield Served(line, site)


def found_with(
    fault: Fault, folder: Path, *, seconds: float, loss: int = 150, ip_version: int = 4
) -> dict[str, Any]:
    """What a split says of a line with this fault; links that lose, lose `loss` per mille each way."""
    with served(folder, ends=fault.ends, ip_version=ip_version) as far:
        far.line.loss = loss
        fault.plant(far.line)
        with switched(fault, far.line):
            return far.split(seconds)


@contextmanager
def switched(fault: Fault, line: Routed) -> Iterator[None]:
    """Again and again, in a thread, for as long as the body lasts."""
    if fault.on is None or fault.off is None:
        yield
        return
    on, off, over = fault.on, fault.off, threading.Event()

    def switch() -> None:
        while not over.wait(BETWEEN_S):
            on(line)
            over.wait(STALL_S)
            off(line)

    switching = threading.Thread(target=switch)
    switching.start()
    try:
        yield
    finally:
        over.set()
        switching.join()


def _together(*plants: Plant) -> Plant:
    def plant(line: Routed) -> None:
        for each in plants:
            each(line)

    return plant


def _drops(one: str, other: str, per_mille: int) -> Plant:
    return lambda line: line.drop(one, other, per_mille)


def _loses(one: str, other: str) -> Plant:
    """Both ways."""
    return lambda line: _together(_drops(one, other, line.loss), _drops(other, one, line.loss))(line)


def _shuts(one: str, other: str, *, shut: bool) -> Plant:
    return lambda line: line.shut(one, other, shut=shut)


def _limits_answers(line: Routed) -> None:
    """The provider's routers answer the probe each third second at most, so most answers are missing."""
    for hop in ("hop1", "hop2"):
        line.limit_answers(hop, every_ms=3_000)


def _says_nothing(line: Routed) -> None:
    for hop in ("router", "hop1", "hop2"):
        line.silence(hop)


def _stalls(one: str, other: str) -> dict[str, Plant]:
    return {"on": _drops(one, other, 1000), "off": _drops(one, other, 0)}


_HOUSE, _UPLINK, _BACKBONE = ("probe", "router"), ("router", "hop1"), ("hop1", "hop2")
FAULTS = (
    Fault("nothing", "clear"),
    Fault("house link loses", "house", _loses(*_HOUSE)),
    Fault("house link stalls", "house", **_stalls(*_HOUSE)),
    Fault("house endpoint loses", "house", _loses("lan", "router")),
    Fault("uplink loses", "provider", _loses(*_UPLINK)),
    Fault("uplink stalls", "provider", **_stalls(*_UPLINK)),
    Fault(
        "uplink holds",
        "provider",
        _shuts(*_UPLINK, shut=False),
        on=_shuts(*_UPLINK, shut=True),
        off=_shuts(*_UPLINK, shut=False),
    ),
    Fault("backbone loses", "provider", _loses(*_BACKBONE)),
    Fault("backbone stalls", "provider", **_stalls(*_BACKBONE)),
    Fault("backbone stalls down", "provider", **_stalls("hop2", "hop1")),
    Fault("north loses", "endpoint", _loses("hop2", "north")),
    Fault("north stalls", "endpoint", **_stalls("hop2", "north")),
    Fault("hops limit answers", "clear", _limits_answers),
    Fault("both endpoints lose", "unknown", _together(_loses("hop2", "north"), _loses("hop2", "south"))),
    Fault("silent routers, uplink loses", None, _together(_says_nothing, _loses(*_UPLINK))),
    Fault("silent routers, uplink stalls", None, _says_nothing, **_stalls(*_UPLINK)),
    Fault("one endpoint outside loses", None, _loses("hop2", "north"), ends=("lan", "north")),
    Fault("uplink loses, no house endpoint", "provider", _loses(*_UPLINK), ends=("north", "south")),
)


def said(found: dict[str, Any]) -> str | None:
    """The finding in one word: an owner, ``"clear"``, or None for undecided."""
    return "clear" if found["word"] == "clear" else found["owner"]
