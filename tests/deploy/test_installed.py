"""deploy/: units that a service manager takes, and a Debian with Linebook from installing it to its removal.

The image is made by debootstrap and booted with its own systemd in namespaces of its own (systemd-nspawn),
with no network but its loopback; wheels are fetched beforehand.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.deploy.debian import RELEASE, ROOT, put_source, put_wheels, run

DEPLOY = ROOT / "deploy"
UNITS = sorted(DEPLOY.glob("*.service"))
PACKAGES = "systemd,systemd-sysv,dbus,python3,python3-venv,iproute2,nftables"
EXAM = """
[Unit]
After=multi-user.target
[Service]
Type=oneshot
ExecStart=/bin/sh /exam.sh
StandardOutput=file:/root/log
StandardError=file:/root/log
[Install]
WantedBy=multi-user.target
"""


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What exam.sh saw in the image."""
    image = tmp_path_factory.mktemp("image") / "debian"
    source, wheels = image / "source", image / "wheels"
    run("debootstrap", "--variant=minbase", f"--include={PACKAGES}", RELEASE, image)
    put_source(source)
    put_wheels(wheels)
    shutil.copy(Path(__file__).with_name("exam.sh"), image)
    (image / "etc/systemd/system/exam.service").write_text(EXAM)
    run("systemctl", f"--root={image}", "enable", "exam.service")
    subprocess.run(
        ["systemd-nspawn", "-q", "-b", "-D", image, "--register=no", "--keep-unit", "--private-network"],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        timeout=900,
    )
    log = (image / "root/log").read_text()
    print(log)
    lines = (image / "root/seen").read_text().splitlines()
    found = dict([*line.split(" ", 1), ""][:2] for line in lines)
    assert "end" in found, log
    return found


CASES = {
    "installed": "0",
    "installed_twice": "2",
    "probe": "active",
    "dashboard": "active",
    "kind": "notify 1min",
    "account": "linebook",
    "capabilities": "0000000000000000 ",
    "page": "200",
    "train": "0",
    "record_mode": "linebook 640",
    "restarted": "0",
    "after_hanging": "active",
    "mistaken": "0 2",
    "upgraded": "0",
    "upgraded_to": "linebook 0.1.1",
    "upgraded_probe": "active",
    "upgraded_unit": "A later one",
    "backups": "1",
    "both_kept": "2",
    "rolled_back": "0",
    "rolled_back_to": "linebook 0.1.0",
    "rolled_back_probe": "active",
    "rolled_back_unit": "Linebook probe",
    "rolled_back_twice": "2",
    "failing": "3",
    "failing_to": "linebook 0.1.0",
    "failing_probe": "active",
    "not_installable": "2",
    "not_installable_to": "linebook 0.1.0",
    "releases": "1",
    "from_newer": "0",
    "from_newer_probe": "active",
    "aside": "1",
    "verified": "0",
    "removed": "0",
    "left": "0 1",
    "upgrade_without": "2",
    "endpoint_installed": "0",
    "filter_twice": "0",
    "endpoint": "active",
    "endpoint_account": "linebook-endpoint",
    "endpoint_run": "0",
    "endpoint_keys": "linebook-endpoint 700",
    "endpoint_again": "0",
    "endpoint_new_line": "1",
    "endpoint_older_line": "0",
    "endpoint_revoked_by_root": "3",
    "endpoint_after_root": "active",
    "endpoint_removed": "0",
    "endpoint_left": "0 0",
}


@pytest.mark.long
@pytest.mark.image
@pytest.mark.parametrize("what", CASES)
def test_in_a_booted_debian(seen: dict[str, str], what: str) -> None:
    assert seen[what] == CASES[what]


@pytest.mark.long
@pytest.mark.image
@pytest.mark.parametrize("role", ["probe", "dashboard", "endpoint"])
def test_what_runs_exposes_little(seen: dict[str, str], role: str) -> None:
    """As the running service manager counts it, of 10."""
    print(role, seen[f"exposed_{role}"])
    assert 0 < float(seen[f"exposed_{role}"]) <= 2.0


@pytest.mark.manager
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_a_unit_exposes_little(unit: Path, tmp_path: Path) -> None:
    """By systemd's own count, of 10; what it does not know of a unit, it says on standard error."""
    text = unit.read_text().replace("/opt/linebook/current/bin/linebook", "/bin/true")
    copy = tmp_path / unit.name
    copy.write_text(text)
    known = run("systemd-analyze", "verify", "--man=no", copy)
    assert (known.stdout, known.stderr) == ("", "")
    said = run("systemd-analyze", "security", "--offline=true", "--no-pager", copy).stdout
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", said)
    assert found is not None, said
    assert float(found[1]) <= 2.0
    assert ("User=root" in text, "AmbientCapabilities=\n" in text) == (False, True)
