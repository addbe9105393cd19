"""What a port's links make of events: looks made up, and a sysfs tree of a real port's form."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from probe.linux import link
from probe.linux.link import Link
from probe.ports import Port
from store.events import Event, EventKind
from store.records import Owner

S = 10**9
UP = Link(
    name="eth1",
    there=True,
    set_up=True,
    carrier=True,
    lost=0,
    back=1,
    port_rate_bps=1_000_000_000,
    duplex="full",
)
DOWN = replace(UP, carrier=False, lost=1, port_rate_bps=None, duplex=None)


def looks(*links: Link, port: Port | None = None) -> list[Event]:
    """The events of looks that lie a second apart."""
    port = port or Port(handoff="A")
    return [
        event
        for nth, each in enumerate(links)
        for event in port.look(each, unix_ns=1_000 * S + nth * S, monotonic_ns=nth * S)
    ]


def kinds(events: list[Event]) -> list[str]:
    return [str(event.what) for event in events]


def test_nothing_is_told_of_a_port_that_stays_as_it_is() -> None:
    assert looks(*[UP] * 5) == []


def test_carrier_lost_and_back_with_its_length() -> None:
    lost, back = looks(UP, DOWN, DOWN, DOWN, replace(UP, lost=1, back=2))
    assert (lost.what, lost.owner, lost.says) == (
        EventKind.CARRIER_LOST,
        Owner.UNKNOWN,
        "no carrier on port eth1",
    )
    assert (back.what, back.seconds, back.says) == (
        EventKind.CARRIER_BACK,
        3.0,
        "carrier back on port eth1 after 3.0 s",
    )


def test_a_port_that_somebody_took_down_is_the_houses() -> None:
    lost, back = looks(UP, replace(DOWN, set_up=False), replace(UP, lost=1, back=2))
    assert (lost.owner, back.owner) == (Owner.HOUSE, Owner.HOUSE)
    assert lost.says == "port eth1 was taken down on this host"


def test_an_interface_that_is_gone() -> None:
    gone = replace(DOWN, there=False, set_up=False, lost=None, back=None)
    (lost,) = looks(UP, gone, gone)
    assert (lost.owner, lost.says) == (Owner.HOUSE, "this host has no interface eth1")


def test_a_carrier_that_fell_between_two_looks_is_told_from_the_kernels_count() -> None:
    found = looks(UP, replace(UP, lost=1, back=2))
    assert kinds(found) == ["carrier lost", "carrier back"]
    assert found[1].seconds is None


def test_another_rate_is_an_event_with_both() -> None:
    (found,) = looks(UP, replace(UP, port_rate_bps=100_000_000))
    assert (found.what, found.owner) == (EventKind.PORT, Owner.HOUSE)
    assert (found.before, found.after) == ("1 Gb/s full duplex", "100 Mb/s full duplex")
    assert found.says == "port eth1 runs at 100 Mb/s full duplex, before at 1 Gb/s full duplex"


def test_another_duplex_alone_is_one_too() -> None:
    (found,) = looks(UP, replace(UP, duplex="half"))
    assert (found.before, found.after) == ("1 Gb/s full duplex", "1 Gb/s half duplex")


def test_a_rate_that_is_not_known_without_a_carrier_is_no_change() -> None:
    """A pulled lead reads as an unknown rate (EINVAL or -1); what comes back is compared with before."""
    back = replace(UP, lost=1, back=2)
    assert kinds(looks(UP, DOWN, back)) == ["carrier lost", "carrier back"]
    slower = replace(back, port_rate_bps=100_000_000)
    assert kinds(looks(UP, DOWN, slower)) == ["carrier lost", "carrier back", "port"]


def test_a_port_without_carrier_at_the_start_is_told() -> None:
    assert kinds(looks(DOWN)) == ["carrier lost"]


def test_one_lost_before_a_restart_is_not_told_again_and_ends_without_a_length() -> None:
    (lost,) = looks(DOWN)
    found = looks(DOWN, UP, port=Port(handoff="A", lost=lost))
    assert kinds(found) == ["carrier back"]
    assert (found[0].seconds, found[0].says) == (None, "carrier back on port eth1")


def tree(folder: Path, **files: str) -> Path:
    """A sysfs with eth1 as a real port has it (Linux, Documentation/ABI/testing/sysfs-class-net)."""
    port = folder / "eth1"
    (port / "device").mkdir(parents=True)
    for name, text in files.items():
        (port / name).write_text(f"{text}\n")
    return folder


def test_reads_what_the_kernel_says_of_a_port(tmp_path: Path) -> None:
    where = tree(
        tmp_path,
        type="1",
        flags="0x1003",
        carrier="1",
        carrier_up_count="3",
        carrier_down_count="2",
        speed="2500",
        duplex="full",
    )
    assert link.read("eth1", sysfs=where) == Link(
        name="eth1",
        there=True,
        set_up=True,
        carrier=True,
        lost=2,
        back=3,
        port_rate_bps=2_500_000_000,
        duplex="full",
    )


def test_a_port_that_is_down_says_nothing_of_its_carrier(tmp_path: Path) -> None:
    found = link.read("eth1", sysfs=tree(tmp_path, type="1", flags="0x1002", speed="-1", duplex="unknown"))
    assert (found.there, found.set_up, found.carrier) == (True, False, False)
    assert (found.lost, found.port_rate_bps, found.duplex) == (None, None, None)


def test_no_such_interface(tmp_path: Path) -> None:
    assert link.read("eth1", sysfs=tmp_path).there is False
