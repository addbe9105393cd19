"""`[[house]]` of a site file: the house's own way from a handoff to a room. Imports house and toml_table."""

from __future__ import annotations

from typing import Any

from store.house import Cable, HouseHop, HousePath
from store.quantities import length_m, rate_bps
from store.toml_table import Reader, Table, list_of, name_among, refuse_twins, text, word_of

_PORTS_BPS = {  # what a wired port settles to (IEEE 802.3), and how a person writes it
    10_000_000: "10 Mb/s",
    100_000_000: "100 Mb/s",
    1_000_000_000: "1 Gb/s",
    2_500_000_000: "2.5 Gb/s",
    5_000_000_000: "5 Gb/s",
    10_000_000_000: "10 Gb/s",
    25_000_000_000: "25 Gb/s",
}


def paths(top: Table, handoffs: set[str]) -> tuple[HousePath, ...]:
    """Every way that the file describes. Raises SiteMistake that names the key."""
    tables = top.tables("house")
    found = tuple(_path(table, handoffs) for table in tables)
    refuse_twins(tables)
    return found


def _path(table: Table, handoffs: set[str]) -> HousePath:
    table.only("name", "handoffs", "hop")
    name = table.need("name", text, 'a name such as "studio 2"')
    served = table.need("handoffs", list_of(name_among("handoff", handoffs)), 'names such as ["A"]')
    hops = table.tables("hop")
    if not hops:
        table.refuse("hop", "missing; expected at least one [[house.hop]]")
    return HousePath(name=name, handoffs=served, hops=tuple(_hop(each) for each in hops))


def _hop(table: Table) -> HouseHop:
    table.only("from", "to", "port_rate", "most", "cable", "length", "carries", "interface")
    cable = table.need("cable", word_of(Cable), '"Cat 5e", "Cat 6", "fibre", "wireless" or "unknown"')
    port: Reader[int] = rate_bps if cable is Cable.WIRELESS else _port
    hop = HouseHop(
        from_=table.need("from", text, 'a device such as "router"'),
        to=table.need("to", text, 'a device such as "switch"'),
        port_rate_bps=table.need("port_rate", port, 'the rate to which both ports settled, such as "1 Gb/s"'),
        cable=cable,
        length_m=table.maybe("length", length_m),
        most_bps=table.maybe("most", port),
        carries_bps=table.maybe("carries", rate_bps),
        interface=table.maybe("interface", text),
    )
    if hop.most_bps is not None and hop.most_bps < hop.port_rate_bps:
        table.refuse("most", "is below port_rate, which both ports do already")
    return hop


def _port(value: Any) -> int:
    found = rate_bps(value)
    if found not in _PORTS_BPS:
        raise ValueError(f"is no rate of a wired port; expected one of {', '.join(_PORTS_BPS.values())}")
    return found
