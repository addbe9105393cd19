"""Control messages: what is encoded is decoded again, and any other JSON is refused with its reason."""

from __future__ import annotations

import contextlib
import dataclasses
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.wire import control
from store.errors import BadMessage

KINDS = [
    control.Hello,
    control.TrainRequest,
    control.TrainGrant,
    control.TrainCounts,
    control.RunRequest,
    control.RunGrant,
    control.RunReport,
    control.ReceiverReport,
    control.SenderReport,
    control.Stopped,
    control.Refusal,
]
finite = st.floats(allow_nan=False, allow_infinity=False)
printable = st.text().map(lambda text: "".join(filter(str.isprintable, text)))
st.register_type_strategy(str, printable)
st.register_type_strategy(float, finite)  # JSON (RFC 8259 section 6) has no other numbers
st.register_type_strategy(int, st.integers(-(1 << 63), (1 << 63) - 1))
ports, secrets = st.integers(1, 65_535), st.binary(min_size=32, max_size=32)
addresses = st.none() | st.ip_addresses().map(str)
CAN_BE: dict[str, st.SearchStrategy[Any]] = {  # by the field's name
    **dict.fromkeys(("ssid", "port"), ports),
    "key": secrets,
    **dict.fromkeys(("up_tokens", "down_tokens"), st.lists(secrets, max_size=3).map(tuple)),
    "run": st.from_regex("[0-9a-z]{1,40}", fullmatch=True),
    "ip_version": st.sampled_from((4, 6)),
    "address": addresses,
    "your_address": st.ip_addresses().map(str),
}


def made(kind: type[Any]) -> st.SearchStrategy[Any]:
    """A message of a kind, each field of a value that it can have."""
    return st.builds(kind, **{f.name: CAN_BE[f.name] for f in dataclasses.fields(kind) if f.name in CAN_BE})


for _kind in KINDS:
    st.register_type_strategy(_kind, made(_kind))
messages: st.SearchStrategy[Any] = st.sampled_from(KINDS).flatmap(made)
any_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
)


@given(messages)
def test_round_trip(message: Any) -> None:
    """Through JSON text (RFC 8259, without NaN) and back, a message is the same."""
    text = json.dumps(control.encode(message), allow_nan=False)
    assert control.decode(type(message), json.loads(text)) == message


@given(st.sampled_from(KINDS), any_json)
def test_any_json(kind: type[Any], data: object) -> None:
    """Any JSON is a message or refused; nothing else comes out."""
    with contextlib.suppress(BadMessage):
        assert isinstance(control.decode(kind, data), kind)


@given(messages, st.data())
def test_any_field_replaced(message: Any, data: st.DataObject) -> None:
    """A message with one field of any other JSON is a message or refused."""
    encoded = control.encode(message)
    encoded[data.draw(st.sampled_from(sorted(encoded)))] = data.draw(any_json)
    with contextlib.suppress(BadMessage):
        assert isinstance(control.decode(type(message), encoded), type(message))


@given(messages, st.data())
def test_a_missing_field_is_named(message: Any, data: st.DataObject) -> None:
    """Without a field that may not be null, the refusal says which one."""
    needed = [f.name for f in dataclasses.fields(message) if "None" not in str(f.type)]
    encoded = control.encode(message)
    missing = data.draw(st.sampled_from(needed))
    del encoded[missing]
    with pytest.raises(BadMessage, match=rf"{type(message).__name__}\.{missing} is missing"):
        control.decode(type(message), encoded)


def test_unknown_fields_are_ignored() -> None:
    """A newer end may say more."""
    found = control.decode(control.Stopped, {"runs": 1, "trains": 2, "more": [None]})
    assert found == control.Stopped(runs=1, trains=2)


@pytest.mark.parametrize("value", [True, "1", None, 1.0, [1], {}])
def test_an_integer_is_only_an_integer(value: object) -> None:
    with pytest.raises(BadMessage, match=r"Stopped\.runs is not int"):
        control.decode(control.Stopped, {"runs": value, "trains": 0})


@pytest.mark.parametrize("value", [1 << 63, -(1 << 63) - 1, 10**400])
def test_an_integer_is_one_that_a_record_can_hold(value: int) -> None:
    """Of an endpoint that counts beyond that, nothing of the run would be on record."""
    with pytest.raises(BadMessage, match=r"Stopped\.runs does not fit into 64 bits"):
        control.decode(control.Stopped, {"runs": value, "trains": 0})


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 10**400, True, "1", None])
def test_a_rate_is_a_finite_number(value: object) -> None:
    with pytest.raises(BadMessage, match=r"TrainRequest\.per_second is not a finite number"):
        control.decode(control.TrainRequest, {"per_second": value, "packet_bytes": 128})


@pytest.mark.parametrize(
    ("kind", "field", "value"),
    [
        *((control.TrainGrant, "ssid", value) for value in (-1, 0, 1 << 16)),
        *((control.TrainGrant, "port", value) for value in (-1, 0, 70_000)),
        *((control.TrainGrant, "key", value) for value in ("", "AAAA")),
        *((control.TrainGrant, "your_address", value) for value in ("", "../stop", "x" * 70)),
        *((control.TrainCounts, "received", value) for value in (1 << 63, -(10**30))),
        (control.RunGrant, "run", "../stop"),
        (control.RunGrant, "up_tokens", [""]),
        (control.SenderReport, "ip_version", 0),
    ],
)
@given(data=st.data())
@settings(max_examples=3)
def test_what_no_far_end_can_mean(kind: type[Any], field: str, value: object, data: st.DataObject) -> None:
    """Of the right type, and no port, SSID, secret, address or integer that a socket or a database takes: an
    endpoint that says so is refused and ends no probe."""
    encoded = control.encode(data.draw(made(kind))) | {field: value}
    with pytest.raises(BadMessage, match=rf"{kind.__name__}\.{field}"):
        control.decode(kind, encoded)


@pytest.mark.parametrize("text", ["x", "é", "AA=A", 5, None])
def test_bytes_are_base64(text: object) -> None:
    with pytest.raises(BadMessage, match=r"TrainGrant\.key is not base64"):
        control.decode(control.TrainGrant, {"ssid": 1, "key": text, "port": 1})


def test_paths_share_a_version() -> None:
    """Every path begins with the protocol's version, so that a next one can stand beside it."""
    assert all(path.startswith(f"/v{control.PROTOCOL}/") for path in control.PATHS.values())


@pytest.mark.parametrize("text", ["a\nERROR forged", "\x1b[2J", "\u202eb", "\0"])
def test_text_can_be_printed(text: str) -> None:
    """Neither a caller nor an endpoint puts lines into the other's log, or moves its terminal's cursor."""
    with pytest.raises(BadMessage, match=r"Refusal\.why has characters that cannot be printed"):
        control.decode(control.Refusal, {"code": "busy", "why": text})
