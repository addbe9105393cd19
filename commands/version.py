"""Which version of Linebook this is."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as version_of


def version() -> str:
    """As the installed package says, or "unknown" in a plain checkout that nobody installed."""
    try:
        return version_of("linebook")
    except PackageNotFoundError:
        return "unknown"
