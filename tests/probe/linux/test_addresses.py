"""Which interface holds an address, held against the `ip` program."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from probe.linux import addresses
from tests.links.namespaces import line

ROOT = Path(__file__).parents[3]
ASK = """
import json, sys
from probe.linux import addresses
print(json.dumps([addresses.holder(each) for each in sys.argv[1:]]))
"""


def test_loopback() -> None:
    assert addresses.holder("127.0.0.1") == "lo"


def test_an_address_that_is_nobody_s_here() -> None:
    """RFC 5737 and RFC 3849: for documentation, on no host."""
    assert addresses.holder("198.51.100.77") is None
    assert addresses.holder("2001:db8::77") is None


@pytest.mark.namespace
def test_against_the_ip_program() -> None:
    """Every address that `ip address` shows is held by the interface it shows it for."""
    with line() as made:
        shown = json.loads(made.run("probe", "ip", "-j", "address", "show").stdout)
        held = {one["local"]: link["ifname"] for link in shown for one in link["addr_info"]}
        asked = made.run("probe", sys.executable, "-c", ASK, *held, cwd=ROOT)
    assert dict(zip(held, json.loads(asked.stdout), strict=True)) == held
    assert {":" in address for address in held} == {True, False}
