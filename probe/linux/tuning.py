"""How this host is set up where that bears on timing and rate: governors, offloads, sleep.

Reads sysfs (kernel's admin-guide/pm/cpufreq, ABI sysfs-class-net, sysfs-power) and asks the driver with
ETHTOOL_GTSO, GGSO and GGRO (linux/ethtool.h), which need no privileges. Changes nothing.
"""

from __future__ import annotations

import fcntl
import os
import socket
import struct
from dataclasses import dataclass
from pathlib import Path

SYS = Path("/sys")
_SIOCETHTOOL = 0x8946
_OFFLOADS = {"tso": 0x1E, "gso": 0x23, "gro": 0x2B}
_PORTABLE = {
    8,
    9,
    10,
    14,
    30,
    31,
    32,
}  # chassis types of SMBIOS 3.2.0, 7.4.1: laptops, tablets and their like
_MASKED = Path("/etc/systemd/system/sleep.target")


@dataclass(frozen=True, slots=True, kw_only=True)
class Processors:
    """What chooses the processors' clock: governors and drivers of cpufreq, empty where nothing does."""

    governors: tuple[str, ...]
    drivers: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sleep:
    """Whether the kernel can suspend, the service manager is kept from it, and it is a portable computer."""

    can: bool
    masked: bool
    portable: bool


def processors(sys: Path = SYS) -> Processors:
    """Of all processors, each name once."""
    place = sys / "devices/system/cpu"
    return Processors(governors=_names(place, "scaling_governor"), drivers=_names(place, "scaling_driver"))


def sleep(sys: Path = SYS, masked: Path = _MASKED) -> Sleep:
    """How this host stands to sleeping."""
    states = (_text(sys / "power/state") or "").split()
    chassis = _text(sys / "class/dmi/id/chassis_type") or ""
    return Sleep(
        can=bool({"mem", "standby", "disk", "freeze"} & set(states)),
        masked=masked.is_symlink() and os.readlink(masked) == "/dev/null",
        portable=chassis.isdecimal() and int(chassis) in _PORTABLE,
    )


def offloads(interface: str) -> dict[str, bool]:
    """Which of tso, gso and gro are on; those that the driver does not tell are left out."""
    found = {}
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for name, command in _OFFLOADS.items():
            value = bytearray(struct.pack("=II", command, 0))
            try:
                found[name] = _asked(sock, interface, value)
            except OSError:
                continue
    return found


def _asked(sock: socket.socket, interface: str, value: bytearray) -> bool:
    """The answer stands in the second number of `value`, to which struct ifreq points."""
    import ctypes  # only this command needs it

    buffer = (ctypes.c_char * len(value)).from_buffer(value)
    request = struct.pack("16sP16x", interface.encode()[:15], ctypes.addressof(buffer))
    fcntl.ioctl(sock.fileno(), _SIOCETHTOOL, request)
    on: int = struct.unpack("=II", bytes(buffer.raw))[1]
    return on != 0


def _names(place: Path, file: str) -> tuple[str, ...]:
    found = {_text(path) for path in place.glob(f"cpu[0-9]*/cpufreq/{file}")}
    return tuple(sorted(name for name in found if name))


def _text(path: Path) -> str | None:
    try:
        return path.read_text().strip()
    except OSError:
        return None
