"""The days of claims in force: on them every packet of a train is kept. Follows the site file.

Imports thinning, which spares the same days.
"""

from __future__ import annotations

from store import thinning
from store.site import Site
from store.thinning import Spared


class Claims:
    """What the site file that is in force claims."""

    def __init__(self) -> None:
        self._spared: tuple[Spared, ...] = ()

    def follow(self, site: Site) -> None:
        """Go by this site file from now on."""
        self._spared = thinning.spared(site)

    def hold(self, handoff: str, unix_ns: int) -> bool:
        """Whether a claim has this moment of a handoff."""
        return any(one.holds(handoff, unix_ns) for one in self._spared)
