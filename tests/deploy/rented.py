"""A rented machine as a hoster hands it over: a kernel, disk, console and SSH key of its own, and cloud-init.

    outside (a network namespace)  <== tap ==>  the machine, in QEMU

A Debian of debootstrap with its cloud kernel and its cloud-init, whose data source is a NoCloud seed on its
disk. The processor is emulated, so that it is the same everywhere and needs nothing of the host; it is some
ten times slower than one. What the machine fetches at its first boot, it fetches from outside: packages of
Debian's archive and wheels over HTTP, the source over git. There is no way from there to anywhere else.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.deploy.debian import RELEASE, put_packages, put_source, put_wheels, run

OUTSIDE, MACHINE, ARCHIVE = "203.0.113.1", "203.0.113.10", "198.51.100.1"  # RFC 5737
FIRST_BOOT_S = 2400  # an emulated processor installs it in some ten minutes
BASE = "systemd,systemd-sysv,dbus,udev,iproute2,sudo,initramfs-tools"
HANDED_OVER = ["linux-image-cloud-amd64", "cloud-init", "netplan.io", "openssh-server"]
FETCHED = ["ca-certificates", "git", "iproute2", "nftables", "procps", "python3", "python3-venv"]
CLOUD = """datasource_list: [NoCloud, None]
apt: {preserve_sources_list: true}
locale: false
"""
PIP = f"""[global]
no-index = true
find-links = http://{ARCHIVE}:8000/wheels/
trusted-host = {ARCHIVE}
"""
NETWORK = f"""version: 2
ethernets:
  card:
    match: {{name: "e*"}}
    addresses: [{MACHINE}/24]
    routes: [{{to: "0.0.0.0/0", via: {OUTSIDE}}}]
"""


class Rented:
    """The machine and what is outside it. `close` removes both."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.console = folder / "console"
        self.outside = f"lb-out-{os.getpid()}"
        self._started: list[subprocess.Popen[bytes]] = []
        self._tap = f"lbt{os.getpid()}"

    def make(self, user_data: str) -> None:
        """Its disk, as the hoster writes it, with `user_data` beside it in the seed."""
        image, served = self.folder / "debian", self.folder / "served"
        served.mkdir()
        run("debootstrap", "--variant=minbase", f"--include={BASE}", RELEASE, image)
        fetch = ["apt-get", "install", "-y", "-qq", "--no-install-recommends", *HANDED_OVER]
        run("chroot", image, "apt-get", "update", "-qq")
        run("chroot", image, *fetch, env=os.environ | {"DEBIAN_FRONTEND": "noninteractive"})
        run("chroot", image, "apt-get", "clean")
        put_packages(image, served / "packages", FETCHED)
        put_wheels(served / "wheels")
        put_source(self.folder / "linebook.git")
        for words in (["init", "-q"], ["add", "-A"], ["commit", "-q", "-m", "As published"]):
            author = ["-c", "user.name=Example", "-c", "user.email=example@example.net"]
            run("git", *author, *words, cwd=self.folder / "linebook.git")
        run("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", self.folder / "key")
        (image / "etc/apt/sources.list").write_text(f"deb [trusted=yes] http://{ARCHIVE}:8000/packages ./\n")
        (image / "etc/cloud/cloud.cfg.d/90_hoster.cfg").write_text(CLOUD)
        (image / "etc/pip.conf").write_text(PIP)
        seed = image / "var/lib/cloud/seed/nocloud"
        seed.mkdir(parents=True)
        public = (self.folder / "key.pub").read_text().strip()
        (seed / "meta-data").write_text(
            f'instance-id: first\nlocal-hostname: rented\npublic-keys: ["{public}"]\n'
        )
        (seed / "user-data").write_text(user_data)
        (seed / "network-config").write_text(NETWORK)
        shutil.move(next(image.glob("boot/vmlinuz-*")), self.folder / "kernel")
        shutil.move(next(image.glob("boot/initrd.img-*")), self.folder / "initrd")
        run("mkfs.ext4", "-q", "-F", "-d", image, self.folder / "disk", "8G")
        shutil.rmtree(image)

    def start(self) -> None:
        """The outside, and the machine switched on."""
        run("ip", "netns", "add", self.outside)
        for words in (
            ["link", "set", "lo", "up"],
            ["addr", "add", f"{ARCHIVE}/32", "dev", "lo"],
            ["tuntap", "add", "dev", self._tap, "mode", "tap"],
            ["addr", "add", f"{OUTSIDE}/24", "dev", self._tap],
            ["link", "set", self._tap, "up"],
        ):
            run("ip", "-n", self.outside, *words)
        served = str(self.folder / "served")
        self._begin(sys.executable, "-m", "http.server", "8000", "--bind", ARCHIVE, "--directory", served)
        self._begin(
            *("git", "daemon", "--export-all", "--reuseaddr"),
            *(f"--base-path={self.folder}", f"--listen={ARCHIVE}"),
        )
        self._begin(
            *("qemu-system-x86_64", "-accel", "tcg,thread=multi", "-cpu", "max", "-smp", "2", "-m", "1536"),
            *("-display", "none", "-monitor", "none", "-serial", f"file:{self.console}"),
            *("-kernel", self.folder / "kernel", "-initrd", self.folder / "initrd"),
            *("-append", "root=/dev/vda rw console=ttyS0"),
            *("-drive", f"file={self.folder / 'disk'},format=raw,if=virtio,cache=unsafe"),
            *("-netdev", f"tap,id=card,ifname={self._tap},script=no,downscript=no"),
            *("-device", "virtio-net-pci,netdev=card,mac=02:00:00:00:00:10"),
        )

    def _begin(self, *command: str | Path) -> None:
        words = ["ip", "netns", "exec", self.outside, *command]
        with (self.folder / "outside.log").open("ab") as log:
            self._started.append(
                subprocess.Popen(
                    words, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True
                )
            )

    def from_outside(
        self, *command: str | Path, check: bool = True, timeout_s: float = 300
    ) -> subprocess.CompletedProcess[str]:
        """A command on a machine of somebody else's."""
        words = ["ip", "netns", "exec", self.outside, *command]
        return subprocess.run(words, capture_output=True, text=True, check=check, timeout=timeout_s)

    def inside(self, script: str) -> str:
        """What a shell of root in the machine says to `script`, over SSH as its holder does it."""
        login = [
            "-i",
            self.folder / "key",
            "-o",
            "StrictHostKeyChecking=no",
            "-o",
            "UserKnownHostsFile=/dev/null",
        ]
        done = self.from_outside("ssh", "-q", *login, f"debian@{MACHINE}", "sudo", "sh", "-c", f"'{script}'")
        return done.stdout

    def said(self) -> str:
        """All of its console so far."""
        return self.console.read_text(errors="replace") if self.console.exists() else ""

    def await_console(self, true: Callable[[str], bool], timeout_s: float) -> str:
        """The console once that is `true` of it."""
        ends = time.monotonic() + timeout_s
        while not true(said := self.said()):
            assert time.monotonic() < ends, said[-5000:]
            time.sleep(1)
        return said

    def close(self) -> None:
        for process in reversed(self._started):
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        subprocess.run(["ip", "netns", "delete", self.outside], check=False)


@contextlib.contextmanager
def rented(folder: Path, user_data: str) -> Iterator[Rented]:
    """One, made, switched on, and gone at the end."""
    machine = Rented(folder)
    machine.make(user_data)
    try:
        machine.start()
        yield machine
    finally:
        machine.close()
