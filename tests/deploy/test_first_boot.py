"""deploy/endpoint-first-boot: a rented machine that nobody touches is an endpoint after its first boot.

Held against what a stranger on the same network sees: which ports answer (RFC 9293, section 3.5.2: a port
that nothing filters and nobody listens on answers a SYN with a reset), what ICMP says, and whether the
invitation from the console measures the line to it.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator

import pytest

from tests.deploy.debian import ROOT
from tests.deploy.rented import ARCHIVE, FIRST_BOOT_S, MACHINE, Rented, rented
from tests.lacking import lacking

PROGRAMS = {
    "qemu-system-x86_64": "qemu-system-x86",
    "ssh": "openssh-client",
    "git": "git",
    "mkfs.ext4": "e2fsprogs",
}
INVITATION = re.compile(rf"linebook://{re.escape(MACHINE)}\S*")
PORTS = """
import asyncio, sys

async def look(address, port, at_once):
    async with at_once:
        try:
            _, writer = await asyncio.wait_for(asyncio.open_connection(address, port), 3)
        except ConnectionRefusedError:
            return "refused"
        except (TimeoutError, OSError):
            return "silent"
        writer.close()
        return "open"

async def main():
    address, first, last = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    at_once = asyncio.Semaphore(800)
    found = await asyncio.gather(*(look(address, port, at_once) for port in range(first, last + 1)))
    print([(port, what) for port, what in enumerate(found, first) if what != "silent"])

asyncio.run(main())
"""
ECHO = """
import socket, sys
sock = socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP)
sock.settimeout(5)
sock.sendto(bytes.fromhex("0800 f7ff 0000 0000"), (sys.argv[1], 0))  # an echo request, RFC 792
print(sock.recv(2048)[20])  # the type of what comes back: 0 is an echo reply
"""
DATAGRAM = """
import socket, sys
sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
sock.settimeout(3)
sock.connect((sys.argv[1], int(sys.argv[2])))
sock.send(b"?" * 152)
try:
    print("answered", len(sock.recv(2048)))
except ConnectionRefusedError:
    print("refused")
except TimeoutError:
    print("silent")
"""

pytestmark = [pytest.mark.long, pytest.mark.image]


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rented]:
    """After its first boot, to which nobody put a hand."""
    for program, package in PROGRAMS.items():
        if shutil.which(program) is None:
            lacking(f"needs {program}: apt-get install {package}")
    text = (ROOT / "deploy/endpoint-first-boot").read_text()
    user_data = re.sub(r"^SOURCE=\S+", f"SOURCE=git://{ARCHIVE}/linebook.git", text, flags=re.MULTILINE)
    assert user_data != text
    with rented(tmp_path_factory.mktemp("rented"), user_data) as made:
        made.await_console(lambda said: "cloud-init" in said and "finished at" in said, FIRST_BOOT_S)
        yield made


@pytest.fixture(scope="module")
def invitation(machine: Rented) -> str:
    """As its holder reads it on the console."""
    found = INVITATION.findall(machine.said())
    assert len(found) == 1, machine.said()[-5000:]
    return str(found[0])


def measured(machine: Rented, invitation: str, *words: str) -> dict[str, object]:
    """What a probe outside has to say of a run."""
    command = [sys.executable, ROOT / "linebook.py", "run", *words, "--endpoint", invitation, "--json"]
    done = machine.from_outside(*command, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return dict(json.loads(done.stdout))


def test_cloud_init_took_the_file_and_the_unit_runs(machine: Rented, invitation: str) -> None:
    said = machine.inside(
        "cloud-init status; systemctl is-active linebook-endpoint; "
        "systemctl is-enabled linebook-endpoint nftables; "
        "stat -c %a.%U /root/linebook-invitation; cat /root/linebook-invitation; "
        "sysctl -n net.core.rmem_max net.core.wmem_max net.core.netdev_max_backlog; "
        "systemctl --failed --no-legend"
    )
    wanted = ["status: done", "active", "enabled", "enabled", "600.root", invitation]
    assert said.split("\n") == [*wanted, "33554432", "33554432", "5000", ""]


def test_just_its_ports_answer(machine: Rented, invitation: str) -> None:
    """All of TCP; of UDP those beside its own, where no answer could come but ICMP's that nobody is there."""
    ports = machine.from_outside(sys.executable, "-c", PORTS, MACHINE, "1", "65535", timeout_s=900).stdout
    assert ports.strip() == "[(22, 'open'), (47862, 'open'), (47863, 'open')]"
    for port in (53, 123, 5353, 47861, 47862, 47863, 47864):
        said = machine.from_outside(sys.executable, "-c", DATAGRAM, MACHINE, str(port)).stdout
        assert (port, said) == (port, "silent\n")
    assert machine.from_outside(sys.executable, "-c", ECHO, MACHINE).stdout == "0\n"


def test_the_filter_is_what_keeps_the_others_silent(machine: Rented, invitation: str) -> None:
    """Without it the same ports answer that nobody is there."""
    machine.inside("nft delete table inet linebook_endpoint")
    try:
        ports = machine.from_outside(sys.executable, "-c", PORTS, MACHINE, "47861", "47864").stdout
        datagram = machine.from_outside(sys.executable, "-c", DATAGRAM, MACHINE, "47861").stdout
    finally:
        machine.inside("systemctl reload nftables")
    assert ports.strip() == "[(47861, 'refused'), (47862, 'open'), (47863, 'open'), (47864, 'refused')]"
    assert datagram == "refused\n"


def test_a_probe_outside_measures_with_the_invitation(machine: Rented, invitation: str) -> None:
    train = measured(machine, invitation, "train", "--seconds", "5")
    assert (train["kind"], train["sent"], train["received"]) == ("train", 100, 100), train
    rate = measured(machine, invitation, "rate", "--seconds", "5")
    print(train, rate)
    assert rate["kind"] == "rate", rate


def test_a_second_boot_changes_nothing(machine: Rented, invitation: str) -> None:
    """The same key, no second invitation, and the endpoint answers by itself."""
    kept = "find /var/lib/linebook-endpoint /root/linebook-invitation -type f | sort | xargs sha256sum"
    keys = f"{kept}; cat /proc/sys/kernel/random/boot_id"
    *before, first = machine.inside(keys).splitlines()
    read = len(machine.said())
    with pytest.raises(subprocess.CalledProcessError):
        machine.inside("reboot; sleep 60")
    said = machine.await_console(lambda said: "finished at" in said[read:], FIRST_BOOT_S / 4)
    *after, second = machine.inside(keys).splitlines()
    assert first != second
    assert before == after
    assert INVITATION.findall(said[read:]) == []
    assert measured(machine, invitation, "train", "--seconds", "2")["received"] == 40


def test_to_run_it_again_changes_nothing(machine: Rented, invitation: str) -> None:
    """As a hoster does that gives the machine another instance's name, or its holder by hand."""
    said = machine.inside("sh /var/lib/cloud/instance/user-data.txt 2>&1; cat /root/linebook-invitation")
    assert said.splitlines() == [
        "This machine is an endpoint already; its invitation is in /root/linebook-invitation.",
        invitation,
    ]
