"""deploy/endpoint.nft in the kernel: what an endpoint needs passes, and what it does not is dropped."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest

from tests.links.house import PORT, house
from tests.links.namespaces import ENDPOINT_V4

pytestmark = [pytest.mark.namespace, pytest.mark.few]

FILTER = Path(__file__).parents[2] / "deploy" / "endpoint.nft"
LISTEN = (
    "import socket; s = socket.create_server(('', {port})); print('here', flush=True); s.accept(); input()"
)
CONNECT = "import socket; socket.create_connection(('{address}', {port}), timeout=2)"
MANY = """
import socket
held = 0
try:
    for _ in range(300):
        each = socket.create_connection(("{address}", {port}), timeout=0.5)
        held += 1
        each.close()
except TimeoutError:
    pass
print(held)
"""

HEARD = """
import socket, sys
sock = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
sock.bind(("::", int(sys.argv[1])))
sock.settimeout(3)
print("here", flush=True)
try:
    print(sock.recv(100).decode())
except TimeoutError:
    print("silent")
"""
SEND = """
import socket
for port in (546, 547):
    with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as sock:
        sock.sendto(b"a reply", ("fe80::2", port, 0, socket.if_nametoindex("{device}")))
"""


def test_what_an_endpoint_needs_and_no_more(tmp_path: Path) -> None:
    """Each method gets through; another port, open without the filter, does not; SSH does."""
    with house(tmp_path / "endpoint") as far:
        for port in (8080, 22):
            listening = far.line.start("endpoint", sys.executable, "-c", LISTEN.format(port=port))
            assert listening.stdout is not None
            assert listening.stdout.readline() == "here\n"
        far.line.run("endpoint", "nft", "-f", str(FILTER))
        for port, passes in ((8080, False), (22, True)):
            code = CONNECT.format(address=ENDPOINT_V4, port=port)
            done = far.line.run("probe", sys.executable, "-c", code, check=False)
            assert (done.returncode == 0) is passes, (port, done.stderr)
        train = far.run("train", "--seconds", "2", "--per-second", "50")
        assert (train["lost_up"], train["lost_down"], train["sent"]) == (0, 0, 100)
        assert (
            far.run("rate", "--direction", "both", "--seconds", "3", "--flows", "16")["up"]["goodput_bps"] > 0
        )
        paced = far.run("paced", "--direction", "down", "--offered", "50 Mb/s", "--seconds", "2")
        assert paced["lost"] == 0


def test_one_address_cannot_open_connections_without_end(tmp_path: Path) -> None:
    """100 at once and 20 a second after that; a second later another is let in again."""
    with house(tmp_path / "endpoint") as far:
        far.line.run("endpoint", "nft", "-f", str(FILTER))
        code = MANY.format(address=ENDPOINT_V4, port=PORT)
        opened = int(far.line.run("probe", sys.executable, "-c", code).stdout)
        assert 100 <= opened < 200
        time.sleep(1.5)  # the filter's own clock
        far.line.run("probe", sys.executable, "-c", CONNECT.format(address=ENDPOINT_V4, port=PORT))


def test_a_dhcpv6_server_is_heard(tmp_path: Path) -> None:
    """It answers from an address of the link to port 546 (RFC 8415 section 7.2) what was asked of a group, so
    that no connection is known for it; else an address from there is lost when its time is over."""
    with house(tmp_path / "endpoint") as far:
        line = far.line
        for where, device, address in (
            ("probe", line.probe_device, "fe80::1"),
            ("endpoint", line.endpoint_device, "fe80::2"),
        ):
            line.run(where, "ip", "addr", "add", f"{address}/64", "dev", device, "nodad")
        line.run("endpoint", "nft", "-f", str(FILTER))
        heard = [line.start("endpoint", sys.executable, "-c", HEARD, port) for port in ("546", "547")]
        for one in heard:
            assert one.stdout is not None
            assert one.stdout.readline() == "here\n"
        line.run("probe", sys.executable, "-c", SEND.format(device=line.probe_device))
        assert [one.communicate()[0] for one in heard] == ["a reply\n", "silent\n"]
