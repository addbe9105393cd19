"""What this host says of the interface that a measurement leaves by.

Kind, rate and duplex come from sysfs (`/sys/class/net`, Linux's ABI documents), counters from
`/proc/net/dev`, the way out from the kernel's own routing decision (rtnetlink, RTM_GETROUTE).
Whatever the host does not say is None, never a guess: a virtual interface has no port rate even
where the kernel prints one. Everything here reads small files or waits for the kernel, so an event
loop calls it through a thread.
"""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import struct
from dataclasses import dataclass
from pathlib import Path

from probe.reach import Binding
from store.records import Carrier
from store.traffic import Reading

SYSFS = Path("/sys/class/net")
DEV = Path("/proc/self/net/dev")
BOOT = Path("/proc/sys/kernel/random/boot_id")

_ETHERNET_HEADER_BYTES = 14  # counted by an interface's byte counters; the FCS mostly is not
_TYPE_ETHERNET, _TYPE_LOOPBACK = 1, 772  # ARPHRD_*, linux/if_arp.h
_TYPES_TUNNEL = {768, 769, 776, 778, 823, 65534}  # ipip, ip6ip6, sit, gre, ip6gre, none (tun and alike)
_KINDS_TUNNEL = {"wireguard", "vxlan", "geneve", "gretap", "ip6gretap"}  # DEVTYPE or driver kind
_KINDS_WIRELESS = {"wlan", "wwan"}

_DISCARD_PORT = 9  # RFC 863; nothing is sent, connecting UDP only asks for a route
_RTM_NEWROUTE, _RTM_GETROUTE, _NLM_F_REQUEST = 24, 26, 1
_RTA_DST, _RTA_SRC, _RTA_OIF = 1, 2, 4
_HEADER = struct.Struct("=IHHII")  # struct nlmsghdr
_ROUTE = struct.Struct("=8BI")  # struct rtmsg
_ATTRIBUTE = struct.Struct("=HH")  # struct rtattr


@dataclass(frozen=True, slots=True, kw_only=True)
class Interface:
    """An interface as it stands now. `port_rate_bps` and `duplex` are what a real port negotiated."""

    name: str
    carrier: Carrier
    port_rate_bps: int | None
    duplex: str | None
    mtu_bytes: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Counters:
    """An interface's counters since it came up, bytes as IP packets; `errors` with drops, both ways.

    `frame_errors` are those without drops. None for what the kernel does not count here.
    """

    received_bytes: int
    sent_bytes: int
    errors: int
    frame_errors: int
    carrier_changes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WayOut:
    """Which interface and source address the kernel uses towards a destination."""

    interface: str
    source: str


def describe(name: str, *, sysfs: Path = SYSFS) -> Interface:
    """The interface called `name`; all unknown when there is none."""
    where = sysfs / name
    port = _port_of(where)
    rate = int(_text(port / "speed") or -1) if port else -1
    duplex = _text(port / "duplex") if port else None
    return Interface(
        name=name,
        carrier=_carrier(where),
        port_rate_bps=rate * 1_000_000 if 0 < rate < 2**31 - 1 else None,
        duplex=duplex if duplex in ("full", "half") else None,
        mtu_bytes=int(_text(where / "mtu") or 0) or None,
    )


def counters(name: str, *, dev: Path = DEV, sysfs: Path = SYSFS) -> Counters | None:
    """The counters of `name`, None when there is no such interface."""
    found = _figures(name, dev)
    if found is None:
        return None
    header_bytes, changes = _header_bytes(name, sysfs), _text(sysfs / name / "carrier_changes")
    return Counters(
        received_bytes=max(0, found[0] - header_bytes * found[1]),
        sent_bytes=max(0, found[8] - header_bytes * found[9]),
        errors=found[2] + found[3] + found[10] + found[11],
        frame_errors=found[2] + found[10],
        carrier_changes=int(changes) if changes else None,
    )


def reading(
    name: str, *, unix_ns: int, dev: Path = DEV, sysfs: Path = SYSFS, boot: Path = BOOT
) -> Reading | None:
    """The byte and packet counters of `name` as they are; None when there is no such interface."""
    found = _figures(name, dev)
    if found is None:
        return None
    return Reading(
        unix_ns=unix_ns,
        boot=(_text(boot) or "")[:8],
        interface=name,
        index=int(_text(sysfs / name / "ifindex") or 0),
        header_bytes=_header_bytes(name, sysfs),
        sent_bytes=found[8],
        sent_packets=found[9],
        received_bytes=found[0],
        received_packets=found[1],
    )


def _figures(name: str, dev: Path) -> list[int] | None:
    """The columns of an interface in /proc/net/dev, eight received and eight sent."""
    for line in (_text(dev) or "").splitlines():
        found, _, figures = line.partition(":")
        if found.strip() == name and figures:
            return [int(word) for word in figures.split()]
    return None


def _header_bytes(name: str, sysfs: Path) -> int:
    """What an interface counts of each packet beside the IP packet."""
    return _ETHERNET_HEADER_BYTES if _text(sysfs / name / "type") == str(_TYPE_ETHERNET) else 0


def way_out(destination: str, *, binding: Binding) -> WayOut | None:
    """How a packet to `destination` (numeric) leaves under `binding`; None when there is no route."""
    version = ipaddress.ip_address(destination).version
    family = socket.AF_INET6 if version == 6 else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sock:
            binding.apply(sock)
            sock.connect((destination, _DISCARD_PORT))
            source = str(sock.getsockname()[0])
        interface = binding.device() or _routed_interface(family, destination, source)
    except OSError:
        return None
    return WayOut(interface=interface, source=source) if interface else None


def _carrier(where: Path) -> Carrier:
    kind, type_ = _kind(where), int(_text(where / "type") or -1)
    if type_ == _TYPE_LOOPBACK:
        return Carrier.LOOPBACK
    if (where / "phy80211").exists() or (where / "wireless").exists() or kind in _KINDS_WIRELESS:
        return Carrier.WIRELESS
    if (where / "tun_flags").exists() or type_ in _TYPES_TUNNEL or kind in _KINDS_TUNNEL:
        return Carrier.TUNNEL
    if (where / "device").exists():
        return Carrier.WIRED if type_ == _TYPE_ETHERNET else Carrier.UNKNOWN
    below = {_carrier(lower) for lower in _lowers(where)}
    for worst in (Carrier.TUNNEL, Carrier.WIRELESS, Carrier.UNKNOWN, Carrier.WIRED):
        if worst in below:
            return worst
    return Carrier.UNKNOWN  # such as a container's end of a pair: what lies beyond does not show here


def _port_of(where: Path) -> Path | None:
    """The real port below: itself, or through VLANs and bridges over exactly one; None otherwise."""
    if (where / "device").exists():
        return where
    lowers = _lowers(where)
    return _port_of(lowers[0]) if len(lowers) == 1 else None


def _lowers(where: Path) -> list[Path]:
    """The interfaces that `where` stands on; a pair's other end, which points back, is none."""
    found = [where.parent / link.name.removeprefix("lower_") for link in where.glob("lower_*")]
    return [lower for lower in found if not (lower / f"lower_{where.name}").exists()]


def _kind(where: Path) -> str | None:
    for line in (_text(where / "uevent") or "").splitlines():
        if line.startswith("DEVTYPE="):
            return line.removeprefix("DEVTYPE=")
    return None


def _text(path: Path) -> str | None:
    """A small file without surrounding space; None when it is not there or will not be read (EINVAL)."""
    with contextlib.suppress(OSError):
        return path.read_text().strip()
    return None


def _routed_interface(family: int, destination: str, source: str) -> str | None:
    """Ask the kernel which interface it would use, as rtnetlink(7) lays the question out."""
    packed = [socket.inet_pton(family, address.split("%", 1)[0]) for address in (destination, source)]
    body = _ROUTE.pack(family, len(packed[0]) * 8, len(packed[1]) * 8, 0, 0, 0, 0, 0, 0)
    for kind, value in zip((_RTA_DST, _RTA_SRC), packed, strict=True):
        body += _ATTRIBUTE.pack(_ATTRIBUTE.size + len(value), kind) + value
    question = _HEADER.pack(_HEADER.size + len(body), _RTM_GETROUTE, _NLM_F_REQUEST, 1, 0) + body
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, 0) as sock:  # 0: NETLINK_ROUTE
        sock.settimeout(1)
        sock.sendto(question, (0, 0))
        answer = sock.recv(8192)
    if _HEADER.unpack_from(answer)[1] != _RTM_NEWROUTE:
        return None
    place = _HEADER.size + _ROUTE.size
    while place + _ATTRIBUTE.size <= len(answer):
        length, kind = _ATTRIBUTE.unpack_from(answer, place)
        if kind == _RTA_OIF:
            return socket.if_indextoname(struct.unpack_from("=I", answer, place + _ATTRIBUTE.size)[0])
        place += (max(length, _ATTRIBUTE.size) + 3) & ~3
    return None
