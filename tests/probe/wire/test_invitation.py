"""Invitations: what is written is read again, what is none is refused, and no refusal gives the key away."""

from __future__ import annotations

import contextlib
import ipaddress
from urllib.parse import urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.wire.invitation import (
    DEFAULT_PORT,
    Invitation,
    parse,
    parse_address,
    read_secret,
    secret_text,
    write,
)
from store.errors import InvitationMistake

KEY, PIN = bytes(range(32)), bytes(range(32, 64))
ONE = Invitation(host="north.example.net", port=5000, flow_port=5001, key=KEY, pin=PIN)

labels = st.from_regex(r"[a-z0-9]([a-z0-9-]{0,20}[a-z0-9])?", fullmatch=True)
hosts = st.one_of(
    st.lists(labels, min_size=1, max_size=4).map(".".join),
    st.ip_addresses(v=4).map(str),
    st.ip_addresses(v=6).map(str),
)
ports = st.integers(1, 65534)
secrets_ = st.binary(min_size=32, max_size=32)
invitations = st.builds(
    Invitation, host=hosts, port=ports, flow_port=st.integers(1, 65535), key=secrets_, pin=secrets_
)


@given(invitations)
def test_round_trip(invitation: Invitation) -> None:
    """Parsing undoes writing."""
    assert parse(write(invitation)) == invitation


@given(invitations)
def test_it_is_one_uri(invitation: Invitation) -> None:
    """The line is a URI (RFC 3986) for the standard library too: no white space, host and port in place."""
    line = write(invitation)
    parts = urlsplit(line)
    assert line.split() == [line]
    assert (parts.scheme, parts.hostname, parts.port) == ("linebook", invitation.host, invitation.port)


def test_flows_are_named_only_when_elsewhere() -> None:
    """The flow port is the next one unless the line says otherwise."""
    assert "flows" not in write(ONE)
    assert parse(write(ONE)).flow_port == ONE.port + 1


@given(st.text())
def test_any_text(text: str) -> None:
    """Any text is read or refused; nothing else comes out."""
    with contextlib.suppress(InvitationMistake):
        parse(text)


@st.composite
def mangled(draw: st.DrawFn) -> str:
    """A line that held the key and went through a bad copy."""
    line = write(ONE)
    start = draw(st.integers(0, len(line)))
    end = draw(st.integers(start, len(line)))
    return draw(
        st.sampled_from(
            [
                line[:start] + line[end:],
                line[start:],
                line[:start] + draw(st.text(max_size=3)) + line[start:],
                line.replace("key=", draw(st.sampled_from(["", "ky=", "flows=", "key=x", "pin="]))),
                line.replace(
                    "linebook://", "linebook://" + secret_text(KEY) + draw(st.sampled_from("@:/_."))
                ),
                secret_text(KEY),
                f"linebook://{secret_text(KEY)}/",
                f"linebook://{secret_text(KEY)}_/",
                f"linebook://h:{secret_text(KEY)}/",
            ]
        )
    )


@given(mangled())
def test_a_refusal_keeps_the_key(text: str) -> None:
    """However the line was mangled, the sentence repeats no part of the key, in any case."""
    key, said = secret_text(KEY).lower(), ""
    try:
        parse(text)
    except InvitationMistake as mistake:
        said = mistake.sentence.lower()
    assert not any(key[at : at + 8] in said for at in range(len(key) - 8))


def test_repr_hides_the_secrets() -> None:
    assert str(KEY) not in repr(ONE)
    assert str(PIN) not in repr(ONE)


@pytest.mark.parametrize(
    "line",
    [
        "",
        "north.example.net",
        write(ONE).replace("linebook", "https"),
        write(ONE).replace("v=1", "v=2"),
        write(ONE).replace("v=1&", ""),
        write(ONE).replace(":5000", ":0"),
        write(ONE).replace(":5000", ":65535"),  # leaves no next port for flows
        write(ONE).replace(":5000", ":99999"),
        write(ONE).replace("north.example.net", "north_.example.net"),
        write(ONE) + "&v=1",
        write(ONE) + "&more=1",
        write(ONE)[:-1],  # the pin is a character short
    ],
)
def test_refused(line: str) -> None:
    with pytest.raises(InvitationMistake):
        parse(line)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("north.example.net", ("north.example.net", DEFAULT_PORT)),
        ("north.example.net:4000", ("north.example.net", 4000)),
        ("192.0.2.10", ("192.0.2.10", DEFAULT_PORT)),
        ("192.0.2.10:4000", ("192.0.2.10", 4000)),
        ("2001:db8::10", ("2001:db8::10", DEFAULT_PORT)),  # RFC 4291 form without brackets: all address
        ("[2001:db8::10]:4000", ("2001:db8::10", 4000)),  # RFC 3986 section 3.2.2
        ("[2001:db8::10]", ("2001:db8::10", DEFAULT_PORT)),
    ],
)
def test_address(text: str, expected: tuple[str, int]) -> None:
    assert parse_address(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "",
        ":4000",
        "h:0",
        "h:65535",
        "h:x",
        "h h",
        "h/x",
        "h?x",
        "u@h",
        "h#f",
        "[::1",
        "-h",
        "h..x",
        "2001:db8::g",
    ],
)
def test_no_address(text: str) -> None:
    with pytest.raises(InvitationMistake, match="expected HOST or HOST:PORT"):
        parse_address(text)


def test_an_invitation_for_an_address_is_not_repeated() -> None:
    """Pasted into the wrong option, the key still does not show."""
    with pytest.raises(InvitationMistake) as caught:
        parse_address(write(ONE))
    assert secret_text(KEY) not in str(caught.value)


@given(st.text(max_size=60))
def test_any_address(text: str) -> None:
    """Any text is an address or refused; an address is one that the standard library takes as well."""
    try:
        host, port = parse_address(text)
    except InvitationMistake:
        return
    assert 1 <= port <= 65534
    if ":" in host:
        assert ipaddress.ip_address(host).version == 6


@pytest.mark.parametrize(
    ("secret", "text"),
    [  # RFC 4648 section 10, padding left out; the last one from its table 2 (62 is -, 63 is _)
        (b"f", "Zg"),
        (b"fo", "Zm8"),
        (b"foo", "Zm9v"),
        (b"foob", "Zm9vYg"),
        (b"fooba", "Zm9vYmE"),
        (b"foobar", "Zm9vYmFy"),
        (b"\xfb\xff", "-_8"),
    ],
)
def test_secret_text(secret: bytes, text: str) -> None:
    assert secret_text(secret) == text
    assert read_secret(text, len(secret)) == secret
    assert read_secret(text, len(secret) + 1) is None
