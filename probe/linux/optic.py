"""The light of an interface's optic, as the driver hands out the module's own memory (ETHTOOL_GMODULEEEPROM).

Modules of the SFP kind tell it by SFF-8472: address A0h says in byte 92 whether they measure and how, A2h
holds temperature in bytes 96-97 and power sent and received in 102-105. The layout is from memory, and so are
the ioctl's numbers (linux/ethtool.h). Whoever has no such optic, no such driver, or not the right
(CAP_NET_ADMIN with many drivers) gets None. Modules that leave the calibration to the reader are None too.
Waits for the driver, so an event loop calls it through a thread.
"""

from __future__ import annotations

import array
import fcntl
import socket
import struct
from dataclasses import dataclass

_SIOCETHTOOL = 0x8946
_GMODULEINFO, _GMODULEEEPROM = 0x42, 0x43
_INFO = struct.Struct("=3I8I")  # struct ethtool_modinfo: cmd, type, eeprom_len, reserved
_EEPROM = struct.Struct("=4I")  # struct ethtool_eeprom: cmd, magic, offset, len; data behind it
_SFF_8472 = 0x2  # ETH_MODULE_SFF_8472

MEMORY_BYTES = 512  # A0h and A2h, 256 each
_KIND, _DIAGNOSTICS = 92, 256 + 96
_MEASURES, _CALIBRATED = 0x40, 0x20
_FIGURES = struct.Struct(">h4x2H")  # temperature, (supply, bias), sent, received: A2h 96-105


@dataclass(frozen=True, slots=True, kw_only=True)
class Optic:
    """What the module says; nanowatts and thousandths of a degree Celsius."""

    received_nw: int
    sent_nw: int
    temperature_mc: int


def read(name: str) -> Optic | None:
    """The optic of the interface called `name`; None where none can be read."""
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            info = array.array("B", _INFO.pack(_GMODULEINFO, *(0,) * 10))
            _ask(sock, name, info)
            _, type_, length, *_ = _INFO.unpack(info.tobytes())
            if type_ != _SFF_8472 or length < MEMORY_BYTES:
                return None
            head = _EEPROM.pack(_GMODULEEEPROM, 0, 0, MEMORY_BYTES)
            memory = array.array("B", head + bytes(MEMORY_BYTES))
            _ask(sock, name, memory)
    except (OSError, ValueError):
        return None
    return parse(memory.tobytes()[_EEPROM.size :])


def parse(memory: bytes) -> Optic | None:
    """What A0h and A2h, one behind the other, say; None for a module that measures nothing by itself."""
    if len(memory) < MEMORY_BYTES or memory[_KIND] & (_MEASURES | _CALIBRATED) != _MEASURES | _CALIBRATED:
        return None
    temperature, sent, received = _FIGURES.unpack_from(memory, _DIAGNOSTICS)
    return Optic(
        received_nw=received * 100, sent_nw=sent * 100, temperature_mc=round(temperature * 1000 / 256)
    )


def _ask(sock: socket.socket, name: str, data: array.array[int]) -> None:
    encoded = name.encode()
    if len(encoded) > 15:  # IFNAMSIZ less the zero behind it
        raise ValueError(f"{name} is no interface's name")
    request = struct.pack("16sP16x", encoded, data.buffer_info()[0])
    fcntl.ioctl(sock.fileno(), _SIOCETHTOOL, request)
