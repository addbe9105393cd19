"""deploy/: scripts that a shell takes, containers that run as nobody."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
SCRIPTS = ("manage", "endpoint-first-boot")


@pytest.mark.parametrize("name", SCRIPTS)
def test_a_script_is_one(name: str) -> None:
    script = DEPLOY / name
    assert script.stat().st_mode & 0o111
    assert subprocess.run(["sh", "-n", script], check=False).returncode == 0


def test_who_is_not_root_is_told_so() -> None:
    """One sentence and exit code 2, whatever is asked."""
    drop = ["setpriv", "--reuid=65534", "--clear-groups"] if os.geteuid() == 0 else []
    done = subprocess.run(
        [*drop, "sh", DEPLOY / "manage", "upgrade"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (
        2,
        "deploy/manage: this is for root: sudo deploy/manage upgrade\n",
    )


def test_containers_run_as_nobody_and_write_nowhere_else() -> None:
    """Every stage that runs has an account by number; services are without root, capabilities and writing."""
    containerfile = (DEPLOY / "container" / "Containerfile").read_text()
    assert re.findall(r"^USER (.*)$", containerfile, re.MULTILINE) == ["65534:65534"]
    for stage in ("probe", "endpoint"):
        assert f"FROM base AS {stage}" in containerfile
    compose = (DEPLOY / "container" / "compose.yaml").read_text()
    services = re.split(r"^  (?=\w+:$)", compose, flags=re.MULTILINE)[1:]
    assert [text.split(":")[0] for text in services] == ["probe", "dashboard", "endpoint"]
    for text in services:
        for wanted in ('user: "65534:65534"', "read_only: true", "cap_drop: [ALL]", "no-new-privileges:true"):
            assert wanted in text, text
