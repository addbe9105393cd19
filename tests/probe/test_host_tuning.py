"""What a host is tuned for: each line against readings made here, the reader against the kernel, the page
against the code."""

from __future__ import annotations

import asyncio
import re
import subprocess
import sys
from pathlib import Path

import pytest

from probe import host_check, host_tuning
from probe.host_tuning import State
from probe.linux import tuning
from probe.linux.tuning import Processors, Sleep
from store import site as sites
from store.clock import Clock
from tests.probe.test_host_check import SITE

PAGE = Path(__file__).parents[2] / "deploy" / "host-tuning.md"


@pytest.mark.parametrize(
    ("governor", "driver", "state"),
    [
        ("performance", "acpi-cpufreq", State.RIGHT),
        ("schedutil", "acpi-cpufreq", State.RIGHT),
        ("powersave", "acpi-cpufreq", State.WRONG),  # the lowest clock, always (admin-guide/pm/cpufreq)
        ("powersave", "intel_pstate", State.RIGHT),  # follows the load (admin-guide/pm/intel_pstate)
    ],
)
def test_a_governor(governor: str, driver: str, state: State) -> None:
    found = Processors(governors=(governor,), drivers=(driver,))
    assert host_tuning.governor_check(found).state is state


def test_a_virtual_machine_has_none() -> None:
    assert host_tuning.governor_check(Processors(governors=(), drivers=())).state is State.RIGHT


@pytest.mark.parametrize(
    ("found", "rate_bps", "state"),
    [
        ({"tso": True, "gso": True, "gro": True}, 10**9, State.RIGHT),
        ({"tso": False, "gso": True, "gro": True}, 10**9, State.WRONG),
        ({"tso": False, "gso": True, "gro": True}, 10**8, State.RIGHT),
        ({}, 10**9, State.UNKNOWN),
    ],
)
def test_offloads(found: dict[str, bool], rate_bps: int, state: State) -> None:
    check = host_tuning.offload_check("eth0", found, rate_bps=rate_bps)
    assert check.state is state
    if state is State.WRONG:
        assert check.change == "ethtool -K eth0 tso on"


@pytest.mark.parametrize(
    ("name", "state"),
    [("fq", State.RIGHT), ("fq_codel", State.RIGHT), ("pfifo_fast", State.WRONG), (None, State.UNKNOWN)],
)
def test_queueing(name: str | None, state: State) -> None:
    assert host_tuning.queue_check(name).state is state


def test_a_backlog_grows_with_the_rate() -> None:
    assert host_tuning.backlog_check(1000, rate_bps=10**9).state is State.RIGHT
    assert host_tuning.backlog_check(1000, rate_bps=1_000_000_001).state is State.WRONG
    assert "netdev_max_backlog=10000," in host_tuning.backlog_check(1, rate_bps=10**10).change


@pytest.mark.parametrize(
    ("can", "masked", "portable", "state"),
    [
        (False, False, True, State.RIGHT),
        (True, True, True, State.RIGHT),
        (True, False, True, State.WRONG),
        (True, False, False, State.UNKNOWN),
    ],
)
def test_sleep(can: bool, masked: bool, portable: bool, state: State) -> None:
    assert host_tuning.sleep_check(Sleep(can=can, masked=masked, portable=portable)).state is state


def test_a_host_is_read_from_its_files(tmp_path: Path) -> None:
    """Files as sysfs has them (ABI/testing/sysfs-devices-system-cpu, sysfs-power)."""
    for cpu, governor in (("cpu0", "powersave"), ("cpu1", "performance")):
        place = tmp_path / "devices/system/cpu" / cpu / "cpufreq"
        place.mkdir(parents=True)
        (place / "scaling_governor").write_text(f"{governor}\n")
        (place / "scaling_driver").write_text("acpi-cpufreq\n")
    for name, said in (("power/state", "freeze mem disk\n"), ("class/dmi/id/chassis_type", "10\n")):
        (tmp_path / name).parent.mkdir(parents=True)
        (tmp_path / name).write_text(said)
    assert tuning.processors(tmp_path) == Processors(
        governors=("performance", "powersave"), drivers=("acpi-cpufreq",)
    )
    masked = tmp_path / "sleep.target"
    assert tuning.sleep(tmp_path, masked) == Sleep(can=True, masked=False, portable=True)
    masked.symlink_to("/dev/null")
    assert tuning.sleep(tmp_path, masked) == Sleep(can=True, masked=True, portable=True)
    assert tuning.sleep(tmp_path / "nothing", masked) == Sleep(can=False, masked=True, portable=False)


@pytest.mark.namespace
def test_offloads_as_they_were_set(tmp_path: Path) -> None:
    """A veth pair in a namespace of its own; read as the kernel was told by ETHTOOL_SGSO and SGRO."""
    script = """
import fcntl, socket, struct, ctypes, sys
sys.path.insert(0, sys.argv[1])
from probe.linux import tuning
sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
def put(command, on):
    value = ctypes.create_string_buffer(struct.pack("=II", command, on))
    fcntl.ioctl(sock.fileno(), 0x8946, struct.pack("16sP16x", b"lbt0", ctypes.addressof(value)))
print(tuning.offloads("lbt0"))
put(0x24, 0)
print(tuning.offloads("lbt0"))
put(0x2C, 0)
print(tuning.offloads("lbt0"), tuning.offloads("nowhere0"))
"""
    make = 'ip link add lbt0 type veth peer name lbt1 && exec "$0" -c "$1" "$2"'
    done = subprocess.run(
        ["unshare", "--net", "sh", "-c", make, sys.executable, script, str(PAGE.parents[1])],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    first, second, third = done.stdout.splitlines()
    assert "'gso': True" in first
    assert "'gso': False" in second
    assert "'gro': False" in third
    assert third.endswith(" {}")


def test_the_page_has_every_line_of_the_check_and_no_other(tmp_path: Path) -> None:
    """The lines that a site with a paced run has on this host, whatever their state."""
    file = tmp_path / "site.toml"
    paced = '[[run]]\nhandoff = "old"\nendpoint = "north"\nmethod = "paced"\noffered = "12 Mb/s"\n'
    file.write_text(f'{SITE}{paced}direction = "up"\nseconds = 10\nevery = "1 h"\n')
    file.chmod(0o600)
    asked = sites.load(file)
    checks = asyncio.run(host_check.run(asked, clock=Clock(), say=lambda said: None))
    lines = re.findall(r"^\| (.*?) \|", PAGE.read_text(), re.MULTILINE)[2:]
    for line in lines:
        assert any(one.name.startswith(line) for one in checks), line
    for one in checks:
        assert any(one.name.startswith(line) for line in lines), one.name
