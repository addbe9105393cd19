"""Row A15 from its command to its verdict: two handoffs filled at once, with and without a limit they share.

::

    probe --+-- handoff A, 4 Mb/s each way --+-- one device --- endpoint
            +-- handoff B, 8 Mb/s each way --+

Each handoff's limit is a tbf on its own devices; the device's, where it is short, one nftables limit on the
full packets that arrive by either. A contract at layer 2 with two handoffs of one reference.
"""

from __future__ import annotations

import json
import os
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from probe.endpoint import keys
from probe.wire.invitation import write
from tests.links.house import LINEBOOK, PORT, House
from tests.links.namespaces import line

pytestmark = [pytest.mark.namespace, pytest.mark.few, pytest.mark.long]

DEVICE_B, FAR_B = "upb0", "farb0"
FAR = "203.0.113.66"  # RFC 5737
RATES = {"A": 4_000_000, "B": 8_000_000}
SHARED_BPS = 823 * 1518 * 8  # 10 Mb/s at layer 2, in full frames
SHARED = f"""
table ip shared {{
    chain arrivals {{
        type filter hook input priority 0;
        ip daddr {FAR} udp length > 500 limit rate over 823/second burst 20 packets counter drop
    }}
}}
"""
SITE = """
name = "Quillet Lane School of Ceramics"
invented = true
timezone = "UTC+01:00"
[safety]
emergency_calls = "no"
alarms = "no"
medical_devices = "no"
[[handoff]]
name = "A"
interface = "{a}"
[handoff.card]
provider = "Greyfell Circuits"
reference = "GC-40417"
rate_up = "4 Mb/s"
rate_down = "4 Mb/s"
layer = "layer 2"
reach = "97 %"
[[handoff]]
name = "B"
interface = "{b}"
[handoff.card]
provider = "Greyfell Circuits"
reference = "GC-40417"
rate_up = "8 Mb/s"
rate_down = "8 Mb/s"
layer = "layer 2"
reach = "97 %"
[[endpoint]]
name = "north"
invitation = "{invitation}"
"""


@contextmanager
def two_handoffs(folder: Path) -> Iterator[tuple[House, Path]]:
    """The house with its site file, every safety question answered on both handoffs."""
    invitation = write(keys.invite(folder / "endpoint", address=f"{FAR}:{PORT}"))
    with line() as made:
        made.run(
            "probe", "ip", "link", "add", DEVICE_B, "type", "veth",
            "peer", "name", FAR_B, "netns", made.endpoint,
        )  # fmt: skip
        for where, device, last in (("probe", DEVICE_B, 1), ("endpoint", FAR_B, 2)):
            made.run(where, "ip", "address", "add", f"198.51.100.{last}/24", "dev", device)
            made.run(where, "ip", "link", "set", device, "up")
        made.run("endpoint", "ip", "address", "add", f"{FAR}/32", "dev", "lo")
        for metric, via in (("10", "192.0.2.2"), ("20", "198.51.100.2")):
            made.run("probe", "ip", "route", "add", "default", "via", via, "metric", metric)
        for where, device, name in (
            ("probe", made.probe_device, "A"),
            ("endpoint", made.endpoint_device, "A"),
            ("probe", DEVICE_B, "B"),
            ("endpoint", FAR_B, "B"),
        ):
            made.run(where, "ip", "link", "set", "dev", device, "gso_max_segs", "1")
            made.run(
                where, "tc", "qdisc", "replace", "dev", device, "root", "tbf",
                "rate", f"{RATES[name]}bit", "burst", "5000", "limit", str(RATES[name] // 8 // 10),
            )  # fmt: skip
        served = made.start(
            "endpoint", sys.executable, LINEBOOK, "endpoint", "serve", str(folder / "endpoint")
        )
        assert served.stderr is not None
        assert served.stderr.readline(), "the endpoint said nothing before it ended"
        house = House(made, invitation)
        file = folder / "site.toml"
        file.write_text(SITE.format(a=made.probe_device, b=DEVICE_B, invitation=invitation))
        for name in RATES:
            for nth in range(1, 7):
                house.linebook("accept", str(file), "--handoff", name, "--row", f"S{nth}", "--answer", "yes")
        yield house, file


def rows(house: House, file: Path, seconds: int) -> dict[str, dict[str, Any]]:
    """A15 of both sheets after one run of it, which is asked for on one of them."""
    words = ("--row", "A15", "--run", "--seconds", str(seconds))
    told = {"A": house.linebook("accept", str(file), "--handoff", "A", *words)}
    told["B"] = house.linebook("accept", str(file), "--handoff", "B", "--row", "A15")
    return {name: sheet["rows"][0] for name, sheet in told.items()}


def refused(house: House, file: Path) -> dict[str, Any]:
    """The row while the endpoint serves one run at a time: it ends at once, and what was ended says why."""
    words = ("accept", str(file), "--handoff", "A", "--row", "A15", "--run", "--seconds", "60", "--json")
    began = time.monotonic()
    done = house.line.run("probe", sys.executable, LINEBOOK, *words, check=False)
    assert time.monotonic() - began < 30
    assert (done.returncode, "The runs beside it are ended" in done.stderr) == (3, True), done.stderr
    found: dict[str, Any] = json.loads(done.stdout)["rows"][0]
    return found


def shares(row: dict[str, Any]) -> dict[str, float]:
    """Of the committed rate, by direction, as the row's sentence has them."""
    found = re.findall(r"(up|down) [^;]*? of payload\), ([0-9.]+) % of", row["because"], re.I)
    return {way.lower(): float(share) for way, share in found}


def test_both_at_once(tmp_path: Path) -> None:
    """Alone limits each reaches its rate in all four directions; so short a run only fails to miss it. With
    10 Mb/s for both up, A and B carry together what these are of 12, and the row is not met."""
    with two_handoffs(tmp_path) as (house, file):
        alone = refused(house, file)
        assert alone["because"].startswith(
            "No run that counts filled both directions here while one filled B"
        )
        assert any("runs under [endpoint] in its limits.toml" in text for text in alone["cautions"])
        limits = tmp_path / "endpoint" / "limits.toml"
        limits.write_text("[endpoint]\nruns = 2\n")
        os.utime(limits, (1, 1))  # a running endpoint looks whether the file is another one
        fine = rows(house, file, 12)
        for name, row in fine.items():
            assert row["word"] == "undecided", row
            assert shares(row) == pytest.approx({"up": 100.3, "down": 100.3}, abs=1.5), row  # 1514 for 1518
            other = "B" if name == "A" else "A"
            assert f"Meanwhile {other} was full as well" in row["because"]
            assert "It lasted 12 s, and the sheet asks for 15 min" in row["because"]
        house.line.run("endpoint", "nft", "-f", "-", input=SHARED)
        short = rows(house, file, 12)
    assert "not met" in {row["word"] for row in short.values()}, short
    up = sum(shares(row)["up"] / 100 * RATES[name] for name, row in short.items())
    assert up == pytest.approx(SHARED_BPS, rel=0.02), short
    assert all(shares(row)["down"] > 97 for row in short.values()), short
