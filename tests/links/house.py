"""The program itself on a line of known truth: an endpoint in one namespace, commands in the other."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from probe.endpoint import keys
from probe.wire.invitation import write
from tests.links.namespaces import ENDPOINT_V4, ENDPOINT_V6, Line, line

LINEBOOK = str(Path(__file__).parents[2] / "linebook.py")
PORT = 47_862


class House:
    """A line with an endpoint at its far end and the invitation that opens it."""

    def __init__(self, made: Line, invitation: str) -> None:
        self.line = made
        self.invitation = invitation

    def linebook(self, *words: str, timeout_s: float = 120) -> dict[str, Any]:
        """Run a command with ``--json`` in the probe's namespace; its object. Fails on any other exit."""
        done = self.line.run(
            "probe", sys.executable, LINEBOOK, *words, "--json", check=False, timeout_s=timeout_s
        )
        assert done.returncode == 0, (done.returncode, done.stdout, done.stderr)
        found: dict[str, Any] = json.loads(done.stdout)
        return found

    def run(self, method: str, *words: str, timeout_s: float = 120) -> dict[str, Any]:
        """``linebook run METHOD`` against this endpoint."""
        return self.linebook("run", method, "--endpoint", self.invitation, *words, timeout_s=timeout_s)


@contextmanager
def house(directory: Path, *, ip_version: int = 4) -> Iterator[House]:
    """A line with a served endpoint; everything is gone afterwards."""
    address = f"{ENDPOINT_V4}:{PORT}" if ip_version == 4 else f"[{ENDPOINT_V6}]:{PORT}"
    invitation = write(keys.invite(directory, address=address))
    with line() as made:
        served = made.start("endpoint", sys.executable, LINEBOOK, "endpoint", "serve", str(directory))
        assert served.stderr is not None
        assert served.stderr.readline(), "the endpoint said nothing before it ended"
        yield House(made, invitation)
