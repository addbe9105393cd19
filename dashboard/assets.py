"""Static files under addresses that name their content.

A file's address carries a hash of its bytes, so a browser may keep it for ever and never shows an
old one with a new page. plotly.js is served out of the installed plotly package, without
importing that package. Bottom of dashboard: imports nothing of the project.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType

OWN = Path(__file__).with_name("static")
TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
KEPT = "public, max-age=31536000, immutable"  # a year is for ever in practice; RFC 8246 explains immutable
# how bundled style sheets look for themselves: by the SHA-256 of their text, before they add themselves
_STYLE_ID = re.compile(rb'getElementById\("([0-9a-f]{64})"\)')
_DIGEST_CHARACTERS = 16  # 64 bits tell versions of a file apart; nobody attacks themselves


@dataclass(frozen=True, slots=True, kw_only=True)
class Asset:
    """One static file.

    `style_ids` are ids of style elements that a script would add unless the page has them already.
    The content security policy forbids such elements, so the page claims their ids.
    """

    name: str
    path: Path
    digest: str
    style_ids: tuple[str, ...] = ()

    @property
    def url(self) -> str:
        return f"/static/{self.digest}/{self.name}"

    @property
    def content_type(self) -> str:
        return TYPES[self.path.suffix]


@cache
def find_assets() -> Mapping[str, Asset]:
    """Every static file by its name, as they are at the first call, which reads them: off the event loop."""
    paths = [path for path in sorted(OWN.iterdir()) if path.suffix in TYPES]
    found = [_asset(path) for path in [*paths, _plotly_js()]]
    return MappingProxyType({asset.name: asset for asset in found})


def _asset(path: Path) -> Asset:
    content = path.read_bytes()
    ids = (
        dict.fromkeys(found.decode() for found in _STYLE_ID.findall(content)) if path.suffix == ".js" else ()
    )
    digest = hashlib.sha256(content).hexdigest()[:_DIGEST_CHARACTERS]
    return Asset(name=path.name, path=path, digest=digest, style_ids=tuple(ids))


def _plotly_js() -> Path:
    """The smallest bundle that draws what our figures hold: lines, points and bars."""
    return Path(__file__).with_name("vendored") / "plotly.min.js"
