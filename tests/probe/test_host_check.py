"""`linebook host check`: each line against readings made here, and the whole command on this host."""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path

import pytest

import linebook
from probe import host_check
from probe.host_tuning import State
from probe.linux import interface
from probe.linux.clock_state import ClockState
from probe.linux.interface import Interface
from store.ceilings import Ceiling, CeilingOf
from store.reader import Reader
from store.records import Carrier
from tests.probe.sites import INVITATION, handoff
from tests.store import samples

GOOD = {
    "net.ipv4.tcp_window_scaling": 1,
    "net.ipv4.tcp_sack": 1,
    "net.ipv4.tcp_timestamps": 1,
    "net.ipv4.tcp_moderate_rcvbuf": 1,
    "net.ipv4.tcp_rmem": 6_291_456,
    "net.ipv4.tcp_wmem": 4_194_304,
    "net.core.rmem_max": 212_992,
}
SITE = f"""
name = "Check"
invented = true
timezone = "Europe/Lisbon"
database = "line.db"
[[handoff]]
name = "old"
interface = "lo"
[handoff.card]
rate_up = "20 Mb/s"
rate_down = "250 Mb/s"
[[endpoint]]
name = "north"
invitation = "{INVITATION}"
[[run]]
handoff = "old"
endpoint = "north"
direction = "up"
seconds = 10
flows = 2
every = "1 h"
"""


def port(**changes: object) -> Interface:
    values = {"carrier": Carrier.WIRED, "port_rate_bps": 1_000_000_000, "duplex": "full", "mtu_bytes": 1500}
    return Interface(name="enp5s0", **(values | changes))  # type: ignore[arg-type]


def kernel(
    *, rate_bps: int = 100_000_000, flows: int = 4, paced: bool = False, **changes: int | None
) -> set[str]:
    """The names of the settings that are wrong."""
    read = GOOD | {name.replace("__", "."): value for name, value in changes.items()}
    checks = host_check.kernel_checks(read, ["reno", "cubic"], rate_bps=rate_bps, flows=flows, paced=paced)
    return {one.name for one in checks if one.state is State.WRONG}


@pytest.mark.parametrize(
    ("goodput_bps", "rate_bps", "state"),
    [
        (300_000_000, 250_000_000, State.RIGHT),
        (299_999_999, 250_000_000, State.WRONG),
        (1, None, State.RIGHT),
        (None, 250_000_000, State.UNKNOWN),
    ],
)
def test_a_ceiling_wants_1_2_times_the_rate(
    goodput_bps: int | None, rate_bps: int | None, state: State
) -> None:
    key = CeilingOf.HOST, "", 4
    found = None
    if goodput_bps is not None:
        found = Ceiling(
            started_unix_ns=0, of=key[0], flows=4, seconds=3.0, goodput_bps=goodput_bps, kernel="6.1.0"
        )
    assert host_check.ceiling_check(key, found, rate_bps=rate_bps, factor=1.2).state is state


@pytest.mark.parametrize(
    ("found", "state"),
    [
        (port(), State.RIGHT),
        (port(port_rate_bps=100_000_000), State.WRONG),
        (port(duplex="half"), State.WRONG),
        (port(carrier=Carrier.WIRELESS), State.WRONG),
        (port(port_rate_bps=None), State.UNKNOWN),
        (None, State.UNKNOWN),
    ],
)
def test_a_port_that_is_slower_than_the_line(found: Interface | None, state: State) -> None:
    """The card states 250 Mb/s: a 100 Mb/s port shows 94, a port of unknown rate nobody knows."""
    assert host_check.port_check(handoff(), found).state is state


def test_a_port_that_is_not_there_is_named(tmp_path: Path) -> None:
    """A mistyped `interface` looked like a driver that says little."""
    found = host_check.port_check(handoff(), interface.describe("enp9s9", sysfs=tmp_path))
    assert (found.state, found.found) == (State.WRONG, "this host has no interface enp9s9")


def test_kernel_settings_as_they_come_spoil_nothing() -> None:
    """The kernel's own defaults (ip-sysctl, from memory) carry 100 Mb/s; a gigabit in one flow they do not.

    By hand: twice 1 Gb/s x 20 ms / 8 = 5.0 MB, above the 4.2 MB of tcp_wmem.
    """
    assert kernel() == set()
    assert kernel(rate_bps=1_000_000_000, flows=1) == {"net.ipv4.tcp_wmem"}
    assert kernel(net__ipv4__tcp_sack=0, net__ipv4__tcp_window_scaling=0) == {
        "net.ipv4.tcp_sack",
        "net.ipv4.tcp_window_scaling",
    }
    assert kernel(paced=True) == {"net.core.rmem_max"}
    assert kernel(net__ipv4__tcp_rmem=None) == set()  # unknown is not wrong


@pytest.mark.parametrize(
    ("state", "expected"),
    [
        (ClockState(synchronised=True, error_us=900), State.RIGHT),
        (ClockState(synchronised=True, error_us=60_000), State.WRONG),
        (ClockState(synchronised=False, error_us=None), State.WRONG),
        (ClockState(synchronised=None, error_us=None), State.UNKNOWN),
    ],
)
def test_the_clock(state: ClockState, expected: State) -> None:
    assert host_check.clock_check(state).state is expected


def test_a_year_needs_a_gigabyte(tmp_path: Path) -> None:
    assert host_check.disk_check(tmp_path, 1_000_000_000).state is State.RIGHT
    assert host_check.disk_check(tmp_path, 999_999_999).state is State.WRONG


def test_the_command_measures_once_and_keeps_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a probe that runs it measures this host; asked again, it reads what is on record."""
    file = tmp_path / "site.toml"
    file.write_text(SITE)
    file.chmod(0o600)
    assert linebook.main(["host", "check", str(file), "--json"]) in (0, linebook.EXIT_FAILED)
    printed = capsys.readouterr()
    assert "Measuring this host against itself in 2 flows" in printed.err
    checks = {one["name"]: one for one in json.loads(printed.out)["checks"]}
    assert checks["ceiling of host, 2 flows"]["state"] in ("right", "wrong")
    assert checks["ceiling of endpoint north, 2 flows"]["found"] == "not measured yet"
    with closing(Reader.open(tmp_path / "line.db")) as reader:
        (kept,) = reader.documents(Ceiling)
    assert (kept.of, kept.flows) == (CeilingOf.HOST, 2)
    linebook.main(["host", "check", str(file)])
    printed = capsys.readouterr()
    assert "Measuring" not in printed.err
    assert "; right is 1.2 times the stated rate: 300 Mb/s or more" in printed.out


def test_a_sample_ceiling_says_what_its_port_lets_pass() -> None:
    """10 Gb/s of port carry 94.1 % of payload (RFC 6349 4.1.1), less than the 21.4 Gb/s measured."""
    assert samples.ceiling().carries_bps == pytest.approx(9_414_824_447, abs=1)
