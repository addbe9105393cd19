"""Two endpoints on 127.0.0.1 that test each other, and what a probe's run then says of the line."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest

import linebook
from probe import standing
from probe.endpoint import crossing
from probe.endpoint.crossing import Cross
from probe.endpoint.reflector import Reflector
from probe.methods import rate
from probe.wire import invitation
from store.clock import Clock
from store.errors import UserMistake
from store.records import Direction, RateRun, Standing
from tests.probe.endpoint.far import Far, far_end

S = 10**9


def cross(*, lost: int = 0, sent: int = 100, at_s: float = 0) -> Cross:
    return Cross(name="south", started_unix_ns=round(at_s * S), sent=sent, lost_up=lost)


@pytest.mark.parametrize(
    ("found", "busy_ratio", "now_s", "says"),
    [
        (cross(), 0.1, 60, None),
        (cross(lost=1), 0.1, 60, None),  # one may be chance
        (cross(lost=2), 0.1, 60, "its cross-test with south lost 2 of 100 packets"),
        (cross(lost=2, sent=1000), 0.1, 60, None),
        (cross(lost=50), 0.1, 901, None),  # too old to say anything of now
        (cross(lost=50, at_s=100), 0.1, 60, None),  # the clock was set
        (cross(sent=0), 0.1, 60, None),  # none was made: the other one may be off
        (cross(), 0.95, 60, "its processors were 95 % busy"),
        (cross(), None, 60, None),
    ],
)
def test_what_speaks_against_an_endpoint(
    found: Cross, busy_ratio: float | None, now_s: float, says: str | None
) -> None:
    assert crossing.unwell([found], busy_ratio=busy_ratio, now_unix_ns=round(now_s * S)) == says


def _names(directory: Path, far: Far) -> None:
    """Have the endpoint in `directory` know another one."""
    where = far.reaches["b"].invitation
    path = directory / crossing.OTHERS
    path.write_text(f'[other]\nsouth = "{invitation.write(where)}"\n')
    path.chmod(0o600)


async def _hello(far: Far) -> str | None:
    async with far.control() as control:
        found = await control.hello()
        assert hasattr(found, "unwell"), found
        return found.unwell


@pytest.mark.asyncio
async def test_a_sick_endpoint_is_told_from_the_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A round without loss says nothing. When every fifth is dropped, runs against this one are excluded.

    The dropping is the test's own: it stands before the reflector and counts packets.
    """
    monkeypatch.setattr(crossing, "SECONDS", 1.0)
    async with far_end(tmp_path / "north") as north, far_end(tmp_path / "south") as south:
        await asyncio.to_thread(_names, tmp_path / "north", south)
        tests = north.endpoint._crosses
        await tests.test_all()
        (found,) = await asyncio.to_thread(crossing.load, tmp_path / "north")
        assert (found.sent, found.lost, found.failed) == (20, 0, None)
        assert await _hello(north) is None

        seen = {"packets": 0}
        reflect = Reflector.reflect

        def forgetful(self: Reflector, *words: object, **more: object) -> object:
            seen["packets"] += 1
            return None if seen["packets"] % 5 == 0 else reflect(self, *words, **more)  # type: ignore[arg-type]

        monkeypatch.setattr(Reflector, "reflect", forgetful)
        await tests.test_all()
        assert await _hello(north) == "its cross-test with south lost 4 of 20 packets"
        assert await _hello(south) is None  # it has no others, so it does not look after itself
        monkeypatch.setattr(Reflector, "reflect", reflect)

        plan = rate.RatePlan(direction=Direction.UP, flows=1, seconds=2.5, idle_s=0.2)
        run = await rate.run(plan, north.reaches["a"], Clock())
        assert isinstance(run, RateRun), run
        assert "endpoint_unwell" in run.reasons
        assert run.standing is not Standing.VALID
        assert run.circumstances.endpoint_unwell == "its cross-test with south lost 4 of 20 packets"
        assert standing.by_way(run.circumstances) == ("endpoint_unwell",)


@pytest.mark.asyncio
async def test_on_demand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the command, beside a running endpoint, which takes the result over from the folder."""
    monkeypatch.setattr(crossing, "SECONDS", 0.5)
    async with far_end(tmp_path / "north") as north, far_end(tmp_path / "south") as south:
        words = ["endpoint", "cross", str(tmp_path / "north"), "--json"]
        assert await asyncio.to_thread(linebook.main, words) == 2
        assert "names no other endpoint" in capsys.readouterr().err
        await asyncio.to_thread(_names, tmp_path / "north", south)
        assert await asyncio.to_thread(linebook.main, words) == 0
        found = json.loads(capsys.readouterr().out)
        assert (found["kind"], found["unwell"], found["crosses"][0]["sent"]) == ("crosses", None, 10)
        assert found["crosses"][0]["rtt_p50_us"] > 0
        north.time.move(seconds=6)
        await north.endpoint._crosses.look_after(idle=False)
        assert [one.name for one in north.endpoint._crosses._crosses] == ["south"]
    assert await asyncio.to_thread(linebook.main, words) == 3
    assert json.loads(capsys.readouterr().out)["crosses"][0]["failed"].startswith("nothing listens at")


@pytest.mark.parametrize(
    ("text", "mode", "says"),
    [
        ("[other\n", 0o600, "not TOML"),
        ("[others]\n", 0o600, "expected one table"),
        ('[other]\nsouth = "linebook://x"\n', 0o600, "south: invitation"),
        ("[other]\nsouth = 3\n", 0o600, "south: invitation"),
        ("[other]\n", 0o644, "open to every account"),
    ],
)
def test_mistakes_in_the_list_of_others(tmp_path: Path, text: str, mode: int, says: str) -> None:
    path = tmp_path / crossing.OTHERS
    path.write_text(text)
    path.chmod(mode)
    with pytest.raises(UserMistake, match=says):
        crossing.others(tmp_path)
