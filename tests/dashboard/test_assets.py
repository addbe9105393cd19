"""Static files and the addresses they are kept under."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

from dashboard.assets import OWN, find_assets


def test_every_own_file_is_there() -> None:
    """A file that lies in static/ is served; nothing else is, but plotly's script."""
    assert find_assets().keys() == {path.name for path in OWN.iterdir()} | {"plotly.min.js"}


def test_plotly_is_the_small_bundle_of_the_version_that_figures_are_made_for() -> None:
    """Its licence stands beside it, and its version is that of the script in the installed package."""
    ours = find_assets()["plotly.min.js"].path
    theirs = Path(str(files("plotly"))) / "package_data" / "plotly.min.js"
    version = re.compile(r"plotly\.js (?:\(basic - minified\) )?(v[\d.]+)")
    found = [version.search(path.read_text()[:200]) for path in (ours, theirs)]
    assert found[0]
    assert found[1]
    assert found[0][1] == found[1][1]
    assert ours.stat().st_size < theirs.stat().st_size / 4
    assert "MIT" in ours.with_name("LICENSE-plotly").read_text()


def test_styles_that_plotly_brings_are_claimed() -> None:
    """Each id that the page claims is looked for by the script before it adds a style element."""
    plotly = find_assets()["plotly.min.js"]
    text = plotly.path.read_text()
    assert plotly.style_ids
    assert all(f'document.getElementById("{found}")' in text for found in plotly.style_ids)


def test_own_files_load_nothing_from_elsewhere() -> None:
    """No address of another host stands in a script or a style sheet of ours, but the name space of SVG."""
    for path in OWN.iterdir():
        text = path.read_text().replace("http://www.w3.org/2000/svg", "")
        assert "http" not in text, path
        assert "//" not in text.replace("// ", ""), path


def test_templates_hold_no_script_and_no_style() -> None:
    """The content security policy forbids both, so neither may creep in."""
    for path in (Path(OWN).parent / "templates").iterdir():
        text = path.read_text()
        assert "style=" not in text, path
        assert "<style" not in text, path
        assert " on" + "click" not in text, path
        assert "<script>" not in text, path
