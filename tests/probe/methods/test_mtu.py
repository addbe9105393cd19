"""The path MTU method against a real endpoint on loopback; limits that are known stand in tests/links."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from probe.control import Control
from probe.methods import mtu
from probe.reach import Binding
from probe.wire.control import TrainGrant, TrainRequest
from store.clock import Clock
from store.path_mtu import Beyond, PathMtu
from store.records import Failed
from tests.probe.endpoint.far import far_end


@pytest.mark.asyncio
async def test_loopback_carries_all_that_an_endpoint_reflects(tmp_path: Path) -> None:
    """9000 bytes, the largest that an endpoint grants, at the first try of that size."""
    async with far_end(tmp_path / "endpoint") as far:
        found = await mtu.run(far.reaches["a"], Clock())
    assert isinstance(found, PathMtu)
    (one,) = found.found
    assert (one.ip_version, one.up_bytes, one.down_bytes) == (4, 9_000, 9_000)
    assert (one.beyond, one.probes) == (Beyond.ENDPOINT, 2)
    assert found.spent_bytes == 2 * (1200 + 9000 - 2 * 28 + 2 * 112)  # and a small one beside each
    assert found.circumstances.egress_address == "127.0.0.1"


@pytest.mark.asyncio
async def test_an_endpoint_from_before_says_nothing_of_the_way_down(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would cut its replies, so that they came back came by pieces."""
    asked = Control.open_train

    async def older(self: Control, request: TrainRequest) -> TrainGrant | Failed:
        grant = await asked(self, replace(request, whole=None))
        return grant if isinstance(grant, Failed) else replace(grant, whole=None)

    monkeypatch.setattr(Control, "open_train", older)
    async with far_end(tmp_path / "endpoint") as far:
        found = await mtu.run(far.reaches["a"], Clock())
    assert isinstance(found, PathMtu)
    assert (found.found[0].up_bytes, found.found[0].down_bytes) == (9_000, None)


@pytest.mark.asyncio
async def test_what_cannot_be_sent(tmp_path: Path) -> None:
    async with far_end(tmp_path / "endpoint") as far:
        where = replace(far.reaches["a"], binding=Binding(interface="none0"))
        found = await mtu.run(where, Clock())
    assert isinstance(found, Failed)
    assert found.what == "run mtu"
