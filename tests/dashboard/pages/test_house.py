"""The house's own ways on the Circuit page and in the command: G8 as a reader meets it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

import linebook
from store import site as sites
from store.errors import SiteMistake
from store.house import Cable, HouseHop, HousePath
from store.site import Site
from tests.dashboard.conftest import client_of
from tests.dashboard.reading import read

SITE = """
name = "House"
invented = true
timezone = "UTC"
[[handoff]]
name = "B"
[handoff.card]
rate_up = "1.4 Gb/s"
rate_down = "1.4 Gb/s"
layer = "layer 2"
tags = [830]
[[endpoint]]
name = "north"
invitation = "linebook://192.0.2.1:9/?v=1&key={key}&pin={key}"
[[house]]
name = "studio 2"
handoffs = ["B"]
[[house.hop]]
from = "handoff B"
to = "router"
port_rate = "10 Gb/s"
cable = "fibre"
[[house.hop]]
from = "switch"
to = "studio 2"
port_rate = "1 Gb/s"
cable = "Cat 5e"
length = "62 m"
""".replace("{key}", "A" * 43)


def written(folder: Path, text: str) -> Path:
    file = folder / "site.toml"
    file.touch(mode=0o600)
    file.write_text(text)
    return file


def test_the_command_without_any_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """941 of the 1332 that the contract comes to; the weakest hop by name, the cheapest cure first."""
    file = written(tmp_path, SITE)
    assert linebook.main(["house", str(file)]) == 0
    text = capsys.readouterr().out
    assert text.startswith(
        "studio 2 by handoff B: the weakest hop, switch to studio 2 (1 Gb/s over Cat 5e, 62 m), shows 941 "
        "Mb/s of payload at best, less than the 1332 Mb/s that the contract comes to."
    )
    assert "1. The Cat 5e that is there, 62 m, carries 2.50 Gb/s" in text
    assert text.rstrip().endswith("never look into a fibre or an optic.")
    assert linebook.main(["house", str(file), "--json"]) == 0
    (path,) = json.loads(capsys.readouterr().out)["paths"]
    assert (path["weakest"], path["limits"], path["best_bps"]) == ("switch to studio 2", True, 941_482_445)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('cable = "Cat 5e"', 'cable = "Cat 5f"', 'house[1].hop[2].cable: "Cat 5f" is none of'),
        ('port_rate = "1 Gb/s"', 'port_rate = "1.2 Gb/s"', "is no rate of a wired port"),
        ('length = "62 m"', "length = 62", "house[1].hop[2].length: 62 has no unit"),
        ('handoffs = ["B"]', 'handoffs = ["C"]', 'house[1].handoffs: there is no handoff "C"'),
        ('length = "62 m"', 'most = "100 Mb/s"', "house[1].hop[2].most: is below port_rate"),
        ('from = "switch"', 'form = "switch"', 'house[1].hop[2].form: unknown key; did you mean "from"?'),
    ],
)
def test_mistakes_in_the_site_file(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    with pytest.raises(SiteMistake) as caught:
        sites.load(written(tmp_path, SITE.replace(old, new)))
    assert sentence in str(caught.value)


@pytest.mark.asyncio
async def test_the_circuit_page_has_it(site: Site) -> None:
    """A section of its own with the weakest hop, every hop and the caution; none without a way."""
    hop = HouseHop(from_="switch", to="studio 2", port_rate_bps=10_000_000, cable=Cable.CAT_5E, length_m=62)
    path = HousePath(name="studio 2", handoffs=("old",), hops=(hop,))
    async with client_of(replace(site, house=(path,))) as client:
        async with client.get("/circuit/old") as response:
            page = read(await response.text())
        async with client.get("/circuit/old.json") as response:
            found = (await response.json())["house"]
        async with client.get("/circuit/A") as response:
            other = await response.text()
    section = next(one for one in page.all("section") if one.attributes.get("aria-labelledby") == "house")
    assert "switch to studio 2" in section.text
    assert "never look into a fibre" in section.text
    assert found[0]["weakest"] == "switch to studio 2"
    assert "Your own ports and cables" not in other
