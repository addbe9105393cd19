"""What an optic's memory says. Its layout is that of SFF-8472, from memory; no optic is at hand."""

from __future__ import annotations

import struct

import pytest

from probe.linux import optic
from probe.linux.optic import MEMORY_BYTES, Optic


def memory(*, kind: int = 0x60, temperature: int = 0x2980, sent: int = 5012, received: int = 2089) -> bytes:
    """A0h and A2h of a module; temperature in 1/256 degree, power in tenths of a microwatt."""
    made = bytearray(MEMORY_BYTES)
    made[92] = kind
    struct.pack_into(">hHHHH", made, 256 + 96, temperature, 33_000, 3000, sent, received)
    return bytes(made)


def test_figures() -> None:
    """0x2980 / 256 is 41.5 degrees; 0.2089 mW is -6.8 dBm."""
    assert optic.parse(memory()) == Optic(received_nw=208_900, sent_nw=501_200, temperature_mc=41_500)


def test_below_zero() -> None:
    found = optic.parse(memory(temperature=-256))
    assert found is not None
    assert found.temperature_mc == -1000


@pytest.mark.parametrize("kind", [0x00, 0x40, 0x50, 0x20])
def test_a_module_that_does_not_measure_by_itself_says_nothing(kind: int) -> None:
    """Bit 6: it measures; bit 5: in calibrated figures; bit 4: the reader would have to calibrate."""
    assert optic.parse(memory(kind=kind)) is None


def test_too_little_memory() -> None:
    assert optic.parse(memory()[:-1]) is None


@pytest.mark.parametrize("name", ["lo", "no-such-port", "a-name-that-is-far-too-long"])
def test_an_interface_without_an_optic(name: str) -> None:
    assert optic.read(name) is None
