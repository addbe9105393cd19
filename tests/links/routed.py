"""A routed line of known truth: a house, two routers of its provider, two endpoints outside.

::

    probe --+
            +-- router -- hop1 -- hop2 --+-- north
    lan ----+                            +-- south

Seven network namespaces. The house's switch is a bridge in the router, so that probe and house endpoint
(lan) meet before it routes. The routers are the kernel's and send ICMP time exceeded themselves, at its own
limits (net.ipv4.icmp_ratelimit: six at once, then one a second to the same address). Everything goes in
both IP versions. Faults are nftables drops, random or whole, and a token bucket that is all but shut: each
is planted on one device and so in one direction, and nftables counts what it dropped. Needs root, ip, tc
and nft; `Routed.close` removes everything it made.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import subprocess
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

PLACES = ("probe", "lan", "router", "hop1", "hop2", "north", "south")
# RFC 5737 and RFC 3849 addresses; a place has as many as it has links
LINKS = {  # (place, place): their IPv4 addresses and prefix, their IPv6 network
    ("probe", "router"): ("192.0.2.130", "192.0.2.190", 26, "2001:db8:5"),
    ("lan", "router"): ("192.0.2.131", None, 26, "2001:db8:5"),
    ("router", "hop1"): ("198.51.100.42", "198.51.100.41", 29, "2001:db8:a0"),
    ("hop1", "hop2"): ("203.0.113.1", "203.0.113.2", 30, "2001:db8:a1"),
    ("hop2", "north"): ("203.0.113.65", "203.0.113.66", 28, "2001:db8:e1"),
    ("hop2", "south"): ("203.0.113.129", "203.0.113.130", 28, "2001:db8:e2"),
}
ADDRESSES = {"probe": "192.0.2.130", "lan": "192.0.2.131", "north": "203.0.113.66", "south": "203.0.113.130"}
ADDRESSES_V6 = {
    "probe": "2001:db8:5::130",
    "lan": "2001:db8:5::131",
    "north": "2001:db8:e1::66",
    "south": "2001:db8:e2::130",
}
HOPS = ("192.0.2.190", "198.51.100.41", "203.0.113.2")  # who answers at TTL 1, 2, 3
HOPS_V6 = ("2001:db8:5::190", "2001:db8:a0::41", "2001:db8:a1::2")

_SETTLED_S = 5.0
# Of a token bucket. Shut, it still lets one small packet pass at once, and one each 14 s.
_OPEN_BPS, _OPEN_BURST_BYTES = 10_000_000_000, 1_000_000
_SHUT_BPS, _SHUT_BURST_BYTES = 100, 300
_numbers = itertools.count()


@dataclass
class Routed:
    """The seven namespaces. A device is named by where it is and whom it leads to: ``("hop1", "hop2")``."""

    tag: str
    loss: int = 150  # per mille, of what a test plants
    processes: list[subprocess.Popen[str]] = field(default_factory=list)

    def run(
        self, where: str, *command: str, timeout_s: float = 120, check: bool = True, **options: Any
    ) -> subprocess.CompletedProcess[str]:
        """Run a command at a place and wait for it."""
        return subprocess.run(
            self._inside(where, command),
            text=True,
            capture_output=True,
            timeout=timeout_s,
            check=check,
            **options,
        )

    def start(self, where: str, *command: str, **options: Any) -> subprocess.Popen[str]:
        """Start a command at a place; `close` ends it."""
        process = subprocess.Popen(
            self._inside(where, command), text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options
        )
        self.processes.append(process)
        return process

    def drop(self, where: str, towards: str, per_mille: int) -> None:
        """Drop this share of what leaves `where` for `towards`, on arrival there; 0 ends it."""
        rules = f"table netdev truth {{}}\ndelete table netdev {_table(where)}\n" if per_mille == 0 else ""
        if per_mille:
            device = self.device(towards, where)
            chance = "" if per_mille >= 1000 else f"numgen random mod 1000 < {per_mille}"
            rules = f"""
                table netdev {_table(where)} {{
                    chain arrivals {{
                        type filter hook ingress device "{device}" priority 0;
                        icmpv6 type {{ nd-neighbor-solicit, nd-neighbor-advert }} accept
                        meta protocol {{ ip, ip6 }} {chance} counter drop comment "dropped"
                    }}
                }}"""
        self.run(towards, "nft", "-f", "-", input=rules)

    def dropped(self, where: str, towards: str) -> int:
        """Packets that `drop` has taken there so far."""
        listed = self.run(towards, "nft", "-j", "list", "table", "netdev", _table(where))
        for item in json.loads(listed.stdout)["nftables"]:
            rule = item.get("rule", {})
            if rule.get("comment") == "dropped":
                return next(part["counter"]["packets"] for part in rule["expr"] if "counter" in part)
        raise LookupError(where)

    def shut(self, where: str, towards: str, *, shut: bool) -> None:
        """Let nothing leave `where` for `towards` until it is opened again; small packets leave then."""
        device, burst_bytes = self.device(where, towards), _SHUT_BURST_BYTES if shut else _OPEN_BURST_BYTES
        self.run(
            where, "tc", "qdisc", "replace", "dev", device, "root", "handle", "1:", "tbf",
            "rate", f"{_SHUT_BPS if shut else _OPEN_BPS}bit", "burst", str(burst_bytes),
            "limit", "10000000",
        )  # fmt: skip

    def limit_answers(self, where: str, *, every_ms: int) -> None:
        """Let a router send ICMP errors to one address only so often (after six at once)."""
        self.run(where, "sysctl", "-qw", f"net.ipv4.icmp_ratelimit={every_ms}")
        self.run(where, "sysctl", "-qw", f"net.ipv6.icmp.ratelimit={every_ms * 4}")  # a quarter, for a /64

    def silence(self, where: str) -> None:
        """Have a router send no ICMP time exceeded at all."""
        rules = """
            table inet mute {
                chain out {
                    type filter hook output priority 0;
                    icmp type time-exceeded drop
                    icmpv6 type time-exceeded drop
                }
            }"""
        self.run(where, "nft", "-f", "-", input=rules)

    def device(self, where: str, towards: str) -> str:
        """The name of a place's device."""
        return f"{where}-{towards}"

    def close(self) -> None:
        """End every process that was started here and remove the namespaces."""
        for process in self.processes:
            if process.poll() is None:
                process.terminate()
        for process in self.processes:
            try:
                process.communicate(timeout=5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.communicate()
        for place in PLACES:
            subprocess.run(["ip", "netns", "del", self.name(place)], check=False, capture_output=True)

    def name(self, place: str) -> str:
        """Of its namespace."""
        return f"lb-{self.tag}-{place}"

    def _inside(self, where: str, command: Sequence[str]) -> list[str]:
        return ["ip", "netns", "exec", self.name(where), *command]


@contextlib.contextmanager
def routed() -> Iterator[Routed]:
    """A fresh line without a fault; gone afterwards."""
    made = Routed(f"{os.getpid()}-{next(_numbers)}")
    try:
        _build(made)
        yield made
    finally:
        made.close()


def _table(where: str) -> str:
    return f"from_{where}"


def _build(made: Routed) -> None:
    lines = [f"netns add {made.name(place)}" for place in PLACES]
    _ip(*lines)
    for place in PLACES:  # addresses are usable at once
        made.run(place, "sysctl", "-qw", "net.ipv6.conf.default.accept_dad=0")
    lines = [
        f"link add {made.device(one, other)} netns {made.name(one)} type veth "
        f"peer name {made.device(other, one)} netns {made.name(other)}"
        for one, other in LINKS
    ]
    _ip(*lines)
    for place in PLACES:
        _ip(*_set_up(made, place), inside=made.name(place))
        if place in ("router", "hop1", "hop2"):
            made.run(place, "sysctl", "-qw", "net.ipv4.ip_forward=1", "net.ipv6.conf.all.forwarding=1")
    deadline = time.monotonic() + _SETTLED_S
    while "router-probe" not in _forwarding(made) or "router-lan" not in _forwarding(made):
        assert time.monotonic() < deadline, "the bridge's ports do not come up"
        time.sleep(0.02)


def _forwarding(made: Routed) -> set[str]:
    """Ports of the house's switch that pass frames; the kernel looks at new ones once a second."""
    shown = made.run("router", "bridge", "-json", "link", "show")
    return {one["ifname"] for one in json.loads(shown.stdout) if one["state"] == "forwarding"}


def _set_up(made: Routed, place: str) -> Iterator[str]:
    """The commands of ip that give a place its addresses and routes."""
    yield "link set lo up"
    if place == "router":
        yield "link add house type bridge"
        yield from (f"link set router-{one} master house up" for one in ("probe", "lan"))
        yield "link set house up"
    for (one, other), (address, its_address, prefix, network) in LINKS.items():
        for here, there, own in ((one, other, address), (other, one, its_address)):
            if here != place or own is None:
                continue
            device = "house" if (here, there) == ("router", "probe") else made.device(here, there)
            yield f"address add {own}/{prefix} dev {device}"
            yield f"address add {network}::{own.rpartition('.')[2]}/64 dev {device} nodad"
            yield f"link set {device} up"
    via = {"probe": ("router", "probe"), "lan": ("router", "probe"), "router": ("hop1", "router")}
    via |= {"hop1": ("hop2", "hop1"), "north": ("hop2", "north"), "south": ("hop2", "south")}
    if place in via:
        yield from (f"route add default via {gateway}" for gateway in _addresses(*via[place]))
    back = {"hop1": ("router", "hop1"), "hop2": ("hop1", "hop2")}
    if place in back:
        v4, v6 = _addresses(*back[place])
        yield f"route add 192.0.2.128/26 via {v4}"
        yield f"route add 2001:db8:5::/64 via {v6}"
    if place == "hop2":
        yield f"route add 198.51.100.40/29 via {v4}"
        yield f"route add 2001:db8:a0::/64 via {v6}"


def _addresses(place: str, towards: str) -> tuple[str, str]:
    """Both addresses of a place on its link to another."""
    for (one, other), (address, its_address, _prefix, network) in LINKS.items():
        for here, there, own in ((one, other, address), (other, one, its_address)):
            if (here, there) == (place, towards) and own is not None:
                return own, f"{network}::{own.rpartition('.')[2]}"
    raise LookupError(f"{place} has no address towards {towards}")


def _ip(*lines: str, inside: str | None = None) -> None:
    """Let ip run these commands, one process for all."""
    where = ["-n", inside] if inside else []
    subprocess.run(
        ["ip", *where, "-batch", "-"], input="\n".join(lines), check=True, capture_output=True, text=True
    )
