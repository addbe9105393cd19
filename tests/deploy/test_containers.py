"""Both images built by their Containerfile with buildah, and what runs in them: nobody, who writes nowhere.

A builder without a daemon, its own storage and no registry: the base that the file names is stood in for by a
Debian of debootstrap with a Python, so what is shown is that every step of the file works. The packages come
from where pip finds them on this machine.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

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
        ["debootstrap", "--variant=minbase", packages, "bookworm", rootfs], capture_output=True, check=True
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
