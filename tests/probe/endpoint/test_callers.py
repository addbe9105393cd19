"""Several callers of a running endpoint on 127.0.0.1: new keys, none any more, allowances of their own.

Everything is done by the commands that a person types, beside the endpoint and without a restart.
"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest

import linebook
from probe.control import Control
from probe.wire import invitation
from probe.wire.control import RunGrant, RunRequest, TrainGrant, TrainRequest
from store.clock import Clock
from store.records import Failed
from tests.probe.endpoint.far import Far, far_end, reach
from tests.probe.endpoint.test_service import answered, is_

TRAIN = TrainRequest(per_second=20, packet_bytes=112)
RUN = RunRequest(direction="up", flows=1, seconds=60)


async def typed(*words: object) -> int:
    return await asyncio.to_thread(linebook.main, ["endpoint", *map(str, words)])


async def rotated(far: Far, capsys: pytest.CaptureFixture[str], *words: object) -> Control:
    """The control of caller a by the invitation that `endpoint rotate` prints."""
    assert (
        await typed("rotate", far.directory, "--address", "127.0.0.1", "--name", "a", *words, "--json") == 0
    )
    found = invitation.parse(json.loads(capsys.readouterr().out)["invitation"])
    return Control(reach(found, port=far.endpoint.doors.port), clock=Clock())


@pytest.mark.asyncio
async def test_a_rotated_key_leaves_when_its_time_is_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Until then both are admitted and nothing is interrupted; then what the older one opened ends."""
    async with far_end(tmp_path / "endpoint") as far, far.control() as old:
        before = is_(TrainGrant, await old.open_train(TRAIN))
        async with await rotated(far, capsys, "--hours", "2") as new, far.control("b") as other:
            beside = is_(TrainGrant, await other.open_train(TRAIN))
            await far.endpoint.look_after()
            assert not isinstance(await old.hello(), Failed)
            after = is_(TrainGrant, await new.open_train(TRAIN))
            run = is_(RunGrant, await new.open_run(RUN))
            assert await answered(far, before)
            far.time.move(seconds=2 * 3600 + 1)
            for grant in (before, after, beside):
                assert await answered(far, grant, 1)  # they were not silent all the time
            await new.hello()
            await far.endpoint.look_after()
            assert "does not admit" in is_(Failed, await old.hello()).why
            assert not await answered(far, before, 2)
            assert await answered(far, after, 2)
            assert await answered(far, beside, 2)
            assert far.endpoint._runs[run.run].ended_ns is None


@pytest.mark.asyncio
async def test_rotation_without_a_while(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --hours 0 the older key is out at once: it may be in the wrong hands."""
    async with far_end(tmp_path / "endpoint") as far, far.control() as old:
        train = is_(TrainGrant, await old.open_train(TRAIN))
        async with await rotated(far, capsys, "--hours", "0") as new:
            await far.endpoint.look_after()
            assert "does not admit" in is_(Failed, await old.hello()).why
            assert not await answered(far, train)
            assert not isinstance(await new.hello(), Failed)


@pytest.mark.asyncio
async def test_a_revoked_caller_loses_what_it_has_under_way(tmp_path: Path) -> None:
    """On a running endpoint, by the command; others notice nothing. A damaged limits file is no shelter."""
    async with far_end(tmp_path / "endpoint") as far, far.control("a") as mine, far.control("b") as theirs:
        train = is_(TrainGrant, await mine.open_train(TRAIN))
        run = is_(RunGrant, await mine.open_run(RUN))
        other = is_(TrainGrant, await theirs.open_train(TRAIN))
        await asyncio.to_thread((far.directory / "limits.toml").write_text, "[caller\n")
        assert await typed("revoke", far.directory, "--name", "a") == 0
        await far.endpoint.look_after()
        assert "does not admit" in is_(Failed, await mine.hello()).why
        assert "does not admit" in is_(Failed, await mine.open_train(TRAIN)).why
        assert not await answered(far, train)
        report = await far.endpoint._flows.finished(run.run, timeout_s=5)
        assert report.why == "the caller was revoked"
        assert await answered(far, other)
        assert not isinstance(await theirs.hello(), Failed)


@pytest.mark.asyncio
async def test_allowances_of_their_own_take_effect_without_a_restart(tmp_path: Path) -> None:
    """What is granted afterwards is; what is under way stays. Neither caller counts against the other's."""
    async with far_end(tmp_path / "endpoint") as far, far.control("a") as small, far.control("b") as large:
        train = is_(TrainGrant, await small.open_train(TRAIN))
        limits = "[caller.a]\nper_second = 5\nbytes_per_month = 1000\ntrains = 1\n"
        await asyncio.to_thread((far.directory / "limits.toml").write_text, limits)
        await far.endpoint.look_after()
        assert await answered(far, train)
        assert "at most 5 packets a second" in is_(Failed, await small.open_train(TRAIN)).why
        slow = TrainRequest(per_second=5, packet_bytes=112)
        assert "at most 1 train at a time" in is_(Failed, await small.open_train(slow)).why
        is_(TrainGrant, await large.open_train(TRAIN))
        for control, left in ((small, 1000), (large, 2_000_000_000_000)):
            hello = await control.hello()
            assert not isinstance(hello, Failed)
            assert hello.bytes_left == left
        far.endpoint._ledger.book("a", 1000, month="2026-01")  # another month's
        run = is_(RunGrant, await small.open_run(RUN))
        await small.end_run(run.run)


def test_who_is_invited(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As JSON and as sentences: allowances, what is used, an older key, and limits of nobody."""
    directory = tmp_path / "endpoint"
    for name in ("studio", "attic"):
        assert (
            linebook.main(
                ["endpoint", "invite", str(directory), "--address", "far.example.net", "--name", name]
            )
            == 0
        )
    words = ["--address", "far.example.net", "--name", "studio", "--hours", "1"]
    assert linebook.main(["endpoint", "rotate", str(directory), *words]) == 0
    (directory / "limits.toml").write_text("[caller.studio]\nflows = 3\n[caller.cellar]\nflows = 2\n")
    capsys.readouterr()
    assert linebook.main(["endpoint", "callers", str(directory), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [one["name"] for one in found["callers"]] == ["attic", "studio"]
    assert [one["flows"] for one in found["callers"]] == [16, 3]
    assert [one["older_key_until"] is None for one in found["callers"]] == [True, False]
    assert found["limits_of_nobody"] == ["cellar"]
    assert linebook.main(["endpoint", "callers", str(directory)]) == 0
    said = capsys.readouterr()
    assert "studio: 0 bytes of 2 TB used in " in said.out
    assert "its older key counts until" in said.out
    assert "cellar, whom nobody has invited" in said.err
    assert linebook.main(["endpoint", "revoke", str(directory), "--name", "nobody"]) == 2
    assert "it has attic, studio" in capsys.readouterr().err
