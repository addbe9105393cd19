"""Both images built by their Containerfile with buildah, and what runs in them: nobody, who writes nowhere.

A builder without a daemon, its own storage and no registry: the base that the file names is stood in for by a
Debian of debootstrap whose Python is of the same version, so what is shown is that every step of the file
works. The packages come from where pip finds them on this machine. The services of the compose file are run
by an OCI runtime as the file says (composed.py), in a network namespace that stands in for the host's.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import yaml

from tests.deploy.composed import Service, may_limit
from tests.lacking import lacking

ROOT = Path(__file__).parents[2]
BASE = "docker.io/library/python:3.13-slim-bookworm"
AUTHORITIES = "/etc/ssl/certs/ca-certificates.crt"  # this machine's own may be among them


class Builder:
    """buildah with everything that it keeps in one folder."""

    def __init__(self, folder: Path) -> None:
        self._words = ["buildah", "--root", f"{folder}/root", "--runroot", f"{folder}/run"]
        self._words += ["--storage-driver", "vfs"]
        self._env = os.environ | {"TMPDIR": str(folder)}

    def run(self, *words: str | Path, check: bool = True) -> str:
        done = subprocess.run(
            [*self._words, *words], capture_output=True, text=True, check=False, timeout=900, env=self._env
        )
        assert not check or done.returncode == 0, done.stderr[-3000:]
        return done.stdout + done.stderr


@pytest.fixture(scope="module")
def builder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Builder]:
    """With both images."""
    if shutil.which("buildah") is None or shutil.which("debootstrap") is None or os.geteuid() != 0:
        lacking("needs root, buildah and debootstrap")
    folder = tmp_path_factory.mktemp("containers")
    rootfs, source, made = folder / "rootfs", folder / "source", Builder(folder)
    packages = "--include=python3,python3-venv,ca-certificates"
    subprocess.run(
        ["debootstrap", "--variant=minbase", packages, "trixie", rootfs], capture_output=True, check=True
    )
    (rootfs / "usr/local/bin/python").symlink_to("/usr/bin/python3")
    (folder / "Base").write_text("FROM scratch\nCOPY rootfs /\n")
    made.run("bud", "--isolation", "chroot", "-f", folder / "Base", "-t", BASE, folder)
    source.mkdir()
    for name in ("linebook.py", "pyproject.toml", "constraints.txt", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source)
    for name in ("commands", "probe", "store", "dashboard", "deploy"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    file = source / "deploy/container/Containerfile"
    for role in ("probe", "endpoint"):
        made.run(
            *("bud", "--isolation", "chroot", "--network", "host", "--pull-never", "--layers"),
            *("-v", f"{AUTHORITIES}:{AUTHORITIES}:ro", "--ignorefile", f"{file}.dockerignore"),
            *("-f", file, "--target", role, "-t", f"linebook-{role}", source),
        )
    yield made
    shutil.rmtree(folder, ignore_errors=True)


@pytest.mark.long
@pytest.mark.image
@pytest.mark.parametrize("role", ["probe", "endpoint"])
def test_an_image_holds_the_program_for_nobody(builder: Builder, role: str) -> None:
    name = builder.run("from", "--pull-never", f"localhost/linebook-{role}").strip()
    asked = "id -u; linebook --version; touch /x; touch /opt/linebook/x; python -c 'import dashboard, probe'"
    said = builder.run("run", "--isolation", "chroot", name, "--", "sh", "-c", asked)
    config = builder.run("inspect", "--format", "{{.OCIv1.Config.User}} {{.OCIv1.Config.Entrypoint}}", name)
    assert config.strip() == "65534:65534 [linebook]"
    assert said.splitlines()[0] == "65534"
    assert said.count("Permission denied") == 2


@pytest.mark.long
@pytest.mark.image
def test_an_endpoint_answers_from_its_image(builder: Builder, tmp_path: Path) -> None:
    name = builder.run("from", "--pull-never", "localhost/linebook-endpoint").strip()
    os.chown(tmp_path, 65534, 65534)
    place = "/var/lib/linebook-endpoint"
    asked = (
        f"linebook endpoint invite {place} --address 127.0.0.1:47990 && "
        f"timeout 10 linebook endpoint serve {place} --listen 127.0.0.1"
    )
    volume = ("-v", f"{tmp_path}:{place}")
    said = builder.run(
        "run",
        "--isolation",
        "chroot",
        "--network",
        "host",
        *volume,
        name,
        "--",
        "sh",
        "-c",
        asked,
        check=False,
    )
    assert "linebook://127.0.0.1:47990/" in said
    assert "The endpoint answers on 127.0.0.1: port 47990" in said


SITE = """
name = "Containers (invented)"
invented = true
timezone = "UTC"
database = "/var/lib/linebook/linebook.db"
secrets = "secrets.toml"
[[handoff]]
name = "A"
interface = "lo"
[[endpoint]]
name = "far"
where = "outside"
[[train]]
handoff = "A"
endpoint = "far"
per_second = 20
"""
PAGE = "import urllib.request as u; print(u.urlopen('http://127.0.0.1:8470/').status)"
NOBODY = {"Uid": "65534", "CapPrm": "0000000000000000", "CapEff": "0000000000000000", "NoNewPrivs": "1"}


def await_true(true: Callable[[], bool], *, within_s: float = 120) -> bool:
    ends = time.monotonic() + within_s
    while not (found := true()) and time.monotonic() < ends:
        time.sleep(0.5)
    return found


@pytest.fixture(scope="module")
def services(builder: Builder, tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Service]]:
    """Those of the compose file, not yet running, with the folders that it tells one to make."""
    if shutil.which("crun") is None:
        lacking("needs an OCI runtime: apt-get install crun")
    folder, netns = tmp_path_factory.mktemp("composed"), f"lb-c-{os.getpid()}"
    for name in ("site", "record", "endpoint"):
        (folder / name).mkdir(mode=0o750)
        os.chown(folder / name, 65534, 65534)
    said = yaml.safe_load((ROOT / "deploy/container/compose.yaml").read_text())["services"]
    made = {}
    for name, service in said.items():
        image = builder.run("from", "--pull-never", f"localhost/{service['image']}").strip()
        root = Path(builder.run("mount", image).strip())
        config = json.loads(builder.run("inspect", image))["OCIv1"]["config"]
        made[name] = Service(name, service, folder=folder, root=root, config=config, netns=netns)
    subprocess.run(["ip", "netns", "add", netns], check=True)
    subprocess.run(["ip", "-n", netns, "link", "set", "lo", "up"], check=True)
    yield made
    for service in made.values():
        service.end()
    subprocess.run(["ip", "netns", "delete", netns], check=False)


@pytest.mark.long
@pytest.mark.image
def test_the_services_of_the_compose_file_measure(services: dict[str, Service]) -> None:
    """An endpoint, a probe whose train is under way, its page; none may do more than the file says."""
    endpoint, probe, pages = services["endpoint"], services["probe"], services["dashboard"]
    place = "/var/lib/linebook-endpoint"
    invited = endpoint.run("endpoint", "invite", place, "--address", "127.0.0.1")
    assert invited.returncode == 0, invited.stderr
    site = probe.folder / "site"
    (site / "site.toml").write_text(SITE)
    (site / "secrets.toml").write_text(f'[invitation]\nfar = "{invited.stdout.strip()}"\n')
    os.chown(site / "secrets.toml", 65534, 65534)
    (site / "secrets.toml").chmod(0o640)
    for service in (endpoint, probe, pages):
        service.start()
    under_way = ("linebook", "status", "/etc/linebook/site.toml")
    assert await_true(lambda: "1 of 1 train is under way" in probe.inside(*under_way).stdout), probe.told()
    assert await_true(lambda: pages.inside("python", "-c", PAGE).stdout == "200\n"), pages.told()
    for service in (endpoint, probe, pages):
        status = dict(
            re.findall(r"^(\w+):\t(\w+)", service.inside("cat", "/proc/1/status").stdout, re.MULTILINE)
        )
        assert {key: status[key] for key in NOBODY} == NOBODY, service.name
        tried = service.inside("sh", "-c", "touch /tmp/x && echo yes; touch /x /opt/linebook/x /root/x")
        assert tried.stdout == "yes\n"
        assert tried.stderr.count("Read-only file system") >= 2, tried.stderr
        version = service.inside("python", "--version").stdout
        assert version.startswith("Python 3.13."), version
    assert "Read-only file system" in probe.inside("sh", "-c", "touch /etc/linebook/x").stderr
    limits = endpoint.inside("cat", "/proc/1/limits").stdout
    assert re.search(r"Max open files +4096 +4096 ", limits), limits
    assert [service.stop() for service in (pages, probe, endpoint)] == [0, 0, 0]
    if not may_limit("rtprio", 1):
        lacking("all else holds; for the priority of a container's answers, root needs CAP_SYS_RESOURCE")
    assert re.search(r"Max realtime priority +1 +1 ", limits), limits
    assert "comes before ordinary work=True" in endpoint.told()
