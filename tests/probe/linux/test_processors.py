"""The host's load, held against the figures of proc(5) and the kernel's own."""

from __future__ import annotations

import os
from pathlib import Path

from probe.linux import processors
from probe.linux.processors import Ticks


def test_the_first_line(tmp_path: Path) -> None:
    """user nice system idle iowait irq softirq steal guest guest_nice: guests stand in user already."""
    stat = tmp_path / "stat"
    stat.write_text("cpu  100 20 30 700 50 1 9 90 40 10\ncpu0 1 2 3 4 5 6 7 8 9 10\n")
    assert processors.read(stat) == Ticks(busy=250, all=1_000)


def test_a_kernel_that_says_something_else(tmp_path: Path) -> None:
    stat = tmp_path / "stat"
    assert processors.read(stat) is None
    stat.write_text("intr 5\n")
    assert processors.read(stat) is None


def test_shares() -> None:
    before = Ticks(busy=100, all=1_000)
    assert processors.busy_ratio(before, Ticks(busy=150, all=1_200)) == 0.25
    assert processors.busy_ratio(before, before) is None
    assert processors.busy_ratio(None, before) is None


def test_of_this_host() -> None:
    """No more ticks than USER_HZ a second for each processor since the start, proc(5)."""
    found = processors.read()
    assert found is not None
    uptime_s = float(Path("/proc/uptime").read_text().split()[0])
    most = uptime_s * os.sysconf("SC_CLK_TCK") * (os.cpu_count() or 1)
    assert 0 < found.busy <= found.all <= most * 1.01 + 100
