"""Splits of a routed line with one fault planted on it, by the program itself as an unprivileged account.

What is planted where is the truth that the finding is held against.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.links.house import LINEBOOK, PORT
from tests.links.routed import ADDRESSES, ADDRESSES_V6, Routed, routed

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


@dataclass(frozen=True)
class Fault:
    """What is planted: before the split begins, and again and again while it runs.

    `owners` are the findings that are right; None is undecided, and ``"clear"`` nothing wrong.
    """

    name: str
    owners: tuple[str | None, ...]
    plant: Callable[[Routed], None] = lambda line: None
    on: Callable[[Routed], None] | None = None
    off: Callable[[Routed], None] | None = None
    stall_s: float = 1.5
    ends: tuple[str, ...] = ("lan", "north", "south")


class Served:
    """A routed line with endpoints that are served, and a site file of its house."""

    def __init__(self, line: Routed, site: Path) -> None:
        self.line, self.site = line, site

    def split(self, seconds: float, *words: str) -> dict[str, Any]:
        """The JSON of ``linebook split``, run without privileges in the probe's namespace."""
        command = [sys.executable, LINEBOOK, "split", str(self.site), "--seconds", str(seconds), "--json"]
        done = self.line.run(
            "probe", "setpriv", f"--reuid={NOBODY}", "--clear-groups", *command, *words, check=False
        )
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
            keys = folder / name
            address = f"{addresses[name]}:{PORT}" if ip_version == 4 else f"[{addresses[name]}]:{PORT}"
            invite = ("endpoint", "invite", str(keys), "--address", address, "--json")
            invited = line.run(name, sys.executable, LINEBOOK, *invite)
            invitation = json.loads(invited.stdout)["invitation"]
            text += ENDPOINT.format(
                name=name, where="house" if name == "lan" else "outside", invitation=invitation
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


def found_with(fault: Fault, folder: Path, *, seconds: float, ip_version: int = 4) -> dict[str, Any]:
    """What a split says of a line with this fault; ``stalls planted`` says how many there were."""
    with served(folder, ends=fault.ends, ip_version=ip_version) as far:
        fault.plant(far.line)
        stop, planted = threading.Event(), [0]

        def stalls() -> None:
            assert fault.on is not None
            assert fault.off is not None
            while not stop.wait(4.0):  # the first one once the trains have begun
                fault.on(far.line)
                time.sleep(fault.stall_s)
                fault.off(far.line)
                planted[0] += 1

        planting = threading.Thread(target=stalls) if fault.on is not None else None
        if planting is not None:
            planting.start()
        try:
            return far.split(seconds) | {"stalls planted": planted[0]}
        finally:
            stop.set()
            if planting is not None:
                planting.join()


def _both(one: str, other: str, per_mille: int) -> Callable[[Routed], None]:
    def plant(line: Routed) -> None:
        line.drop(one, other, per_mille)
        line.drop(other, one, per_mille)

    return plant


def _dropping(one: str, other: str, per_mille: int) -> Callable[[Routed], None]:
    return lambda line: line.drop(one, other, per_mille)


def _shut(one: str, other: str, *, shut: bool) -> Callable[[Routed], None]:
    return lambda line: line.shut(one, other, shut=shut)


def _limited(line: Routed) -> None:
    """Both provider hops answer at most each third second, and then only half the time."""
    for hop in ("hop1", "hop2"):
        line.limit_answers(hop, every_ms=3_000)


def _silent(line: Routed) -> None:
    for hop in ("router", "hop1", "hop2"):
        line.silence(hop)


def _stalls(one: str, other: str) -> dict[str, Any]:
    return {"on": _dropping(one, other, 1000), "off": _dropping(one, other, 0)}


LOSS = int(__import__("os").environ.get("LOSS", "150"))
FAULTS = (
    Fault("nothing", ("clear",)),
    Fault("house link loses", ("house",), _both("probe", "router", LOSS)),
    Fault("uplink loses", ("provider",), _both("router", "hop1", LOSS)),
    Fault("backbone loses", ("provider",), _both("hop1", "hop2", LOSS)),
    Fault("house link stalls", ("house",), **_stalls("probe", "router")),
    Fault("uplink stalls", ("provider",), **_stalls("router", "hop1")),
    Fault("backbone stalls", ("provider",), **_stalls("hop1", "hop2")),
    Fault("backbone stalls down", ("provider",), **_stalls("hop2", "hop1")),
    Fault(
        "uplink holds",
        ("provider",),
        _shut("router", "hop1", shut=False),
        _shut("router", "hop1", shut=True),
        _shut("router", "hop1", shut=False),
    ),
    Fault("north loses", ("endpoint",), _both("hop2", "north", LOSS)),
    Fault("north stalls", ("endpoint",), **_stalls("hop2", "north")),
    Fault("house endpoint loses", ("house",), _both("lan", "router", LOSS)),
    Fault("hops limit answers", ("clear",), _limited),
    Fault(
        "both endpoints lose",
        ("unknown",),
        lambda line: (_both("hop2", "north", LOSS)(line), _both("hop2", "south", LOSS)(line)) and None,
    ),
    Fault(
        "silent routers, uplink loses",
        (None,),
        lambda line: (_silent(line), _both("router", "hop1", LOSS)(line)) and None,
    ),
    Fault(
        "one endpoint outside, backbone loses", (None,), _both("hop2", "north", LOSS), ends=("lan", "north")
    ),
    Fault(
        "no house endpoint, uplink loses",
        ("provider",),
        _both("router", "hop1", LOSS),
        ends=("north", "south"),
    ),
)


def verdict(found: dict[str, Any]) -> str | None:
    """The finding in one word: an owner, ``"clear"``, or None for undecided."""
    return "clear" if found["word"] == "clear" else found["owner"]
