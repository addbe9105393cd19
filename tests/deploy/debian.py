"""What a Debian made for a test is filled with: this program's source, the wheels that it needs, packages.

Fetched from where debootstrap and pip of this machine find them, before anything boots.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
RELEASE = "bookworm"


def run(*command: str | Path, **more: object) -> subprocess.CompletedProcess[str]:
    """A command that has to succeed; what it said stands in the failure."""
    done = subprocess.run(command, **{"capture_output": True, "text": True, "timeout": 900, **more})  # type: ignore[call-overload]
    assert done.returncode == 0, f"{command}: {done.stdout[-2000:]} {done.stderr[-3000:]}"
    return done  # type: ignore[no-any-return]


def put_source(folder: Path) -> None:
    """What a clone of the repository has and an installation needs."""
    folder.mkdir()
    for name in ("linebook.py", "pyproject.toml", "constraints.txt", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, folder)
    for name in ("commands", "probe", "store", "dashboard", "deploy"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))


def put_wheels(folder: Path) -> None:
    """Everything that pip takes to install it with Debian's Python 3.11."""
    target = ["--python-version", "3.11", "--only-binary=:all:", "--dest", folder]
    wanted = [line.strip().strip('",') for line in _dependencies()]
    pip = [sys.executable, "-m", "pip", "download", "-q", *target]
    run(*pip, "-c", ROOT / "constraints.txt", *wanted)
    run(*pip, "hatchling")


def put_packages(image: Path, folder: Path, names: list[str]) -> None:
    """An archive of those packages that `image` lacks for `names`, such as apt reads over HTTP."""
    folder.mkdir()
    fetch = ["apt-get", "install", "--download-only", "-y", "-qq", "--no-install-recommends"]
    run("chroot", image, *fetch, *names)
    for package in sorted((image / "var/cache/apt/archives").glob("*.deb")):
        package.rename(folder / package.name)
    index = "".join(_index_entry(package) for package in sorted(folder.glob("*.deb")))
    (folder / "Packages").write_text(index)


def _index_entry(package: Path) -> str:
    fields = run("dpkg-deb", "-f", package).stdout
    digest = hashlib.sha256(package.read_bytes()).hexdigest()
    return f"{fields}Filename: ./{package.name}\nSize: {package.stat().st_size}\nSHA256: {digest}\n\n"


def _dependencies() -> list[str]:
    text = (ROOT / "pyproject.toml").read_text()
    block = text.split("dependencies = [", 1)[1].split("]", 1)[0]
    return [line.split("#")[0] for line in block.strip().splitlines()]
