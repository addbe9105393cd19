"""The limits file: it documents its defaults, and every mistake in it is named with the near match."""

from __future__ import annotations

import tomllib
from dataclasses import asdict
from pathlib import Path

import pytest

from probe.endpoint import limits
from probe.endpoint.limits import Limits
from store.errors import SiteMistake, UserMistake


def uncommented(text: str) -> str:
    """The template with every setting taken out of its comment."""
    return "\n".join(line.removeprefix("# ") if " = " in line else line for line in text.splitlines())


def test_the_template_changes_nothing() -> None:
    assert limits.parse(limits.template(), file="limits.toml") == Limits()


def test_the_template_shows_every_default() -> None:
    """Uncommented, a plain TOML reader finds every limit with its default."""
    tables = tomllib.loads(uncommented(limits.template()).replace("# [caller.probe]", "[caller.probe]"))
    example = tables["caller"].pop("probe")
    assert tables["endpoint"] | tables["caller"] | {"own": {}} == asdict(Limits())
    assert example.keys() <= tables["caller"].keys()


def test_a_caller_may_have_its_own() -> None:
    """What is not said for it is as for everybody."""
    text = "[endpoint]\nruns = 2\n[caller]\nflows = 4\n[caller.studio]\nbytes_per_month = 5\n"
    found = limits.parse(text, file="limits.toml")
    studio = found.of("studio")
    assert (studio.flows, studio.bytes_per_month, studio.runs) == (4, 5, 2)
    assert (found.of("probe").flows, found.of("probe").bytes_per_month) == (4, 2_000_000_000_000)


@pytest.mark.parametrize(
    ("text", "key", "line"),
    [
        ("[caller]\nflows = 3\n[caller.studio]\nflows = 0\n", "caller.studio.flows", 4),
        ("[caller.studio]\nruns = 1\n", "caller.studio.runs", 2),
        ("[caller.studio]\nflow = 1\n", "caller.studio.flow", 2),
    ],
)
def test_a_mistake_in_a_callers_own_is_named(text: str, key: str, line: int) -> None:
    with pytest.raises(SiteMistake) as caught:
        limits.parse(text, file="limits.toml")
    assert f"{key}" in str(caught.value)
    assert f"line {line}" in str(caught.value) or f":{line}" in str(caught.value)


def test_a_value_is_taken() -> None:
    found = limits.parse("[caller]\nbytes_per_month = 50_000_000_000\n", file="limits.toml")
    assert found == Limits(bytes_per_month=50_000_000_000)


def test_no_file_grants_the_defaults(tmp_path: Path) -> None:
    assert limits.load(tmp_path / "limits.toml") == Limits()


@pytest.mark.parametrize(
    ("text", "key", "line", "why"),
    [
        ("[caller]\nflow = 3", "caller.flow", 2, "did you mean 'flows'?"),
        ("[caler]\nflows = 3", "caler", 1, "did you mean 'caller'?"),
        ("[caller]\n\nruns = 2", "caller.runs", 3, "it belongs under [endpoint]"),
        ("[caller]\nzzz = 2", "caller.zzz", 2, "known are trains, per_second"),
        (
            '[caller]\nflows = "3"',
            "caller.flows",
            2,
            "expected a whole number from 1 up and below 2**63, such",
        ),
        (
            "[caller]\nbytes_per_month = 10_000_000_000_000_000_000",
            "caller.bytes_per_month",
            2,
            "below 2**63",
        ),
        ("[caller]\nflows = true", "caller.flows", 2, "expected a whole number"),
        ("[caller]\nflows = 2.5", "caller.flows", 2, "expected a whole number"),
        ("[caller]\nflows = 0", "caller.flows", 2, "expected a whole number from 1 up"),
        ("[endpoint]\nruns = -1", "endpoint.runs", 2, "expected a whole number from 1 up"),
        ("endpoint = 1", "endpoint", 1, "expected a table, written [endpoint]"),
        ("flows = 3", "flows", 1, "unknown key"),
    ],
)
def test_a_mistake_is_named(text: str, key: str, line: int, why: str) -> None:
    with pytest.raises(SiteMistake) as caught:
        limits.parse(text, file="limits.toml")
    assert (caught.value.key, caught.value.line) == (key, line)
    assert why in caught.value.why
    assert str(caught.value).startswith(f"limits.toml, line {line}: {key}: ")


def test_not_toml() -> None:
    with pytest.raises(SiteMistake, match=r"limits\.toml: this is not TOML: .*line 1"):
        limits.parse("flows 3", file="limits.toml")


def test_not_text(tmp_path: Path) -> None:
    path = tmp_path / "limits.toml"
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(UserMistake, match="it is not UTF-8 text"):
        limits.load(path)
