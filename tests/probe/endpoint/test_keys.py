"""The endpoint's directory: private, whole, and without a single key in it."""

from __future__ import annotations

import hashlib
import json
import os
import ssl
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from probe.endpoint import keys
from probe.endpoint.limits import Limits
from probe.wire.invitation import DEFAULT_PORT, secret_text
from store.errors import SiteMistake, UserMistake


@pytest.fixture
def directory(tmp_path: Path) -> Path:
    return tmp_path / "far" / "endpoint"


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_everything_is_private(directory: Path) -> None:
    """Directory 0700, files 0600, whatever the umask says."""
    before = os.umask(0)
    try:
        keys.invite(directory, address="192.0.2.10")
    finally:
        os.umask(before)
    assert mode(directory) == 0o700
    assert {path.name: mode(path) for path in directory.iterdir()} == {
        "identity.pem": 0o600,
        "callers.json": 0o600,
        "limits.toml": 0o600,
    }


def test_the_certificate(directory: Path) -> None:
    """ECDSA P-256, self-signed, its SHA-256 the pin, without end (RFC 5280 section 4.1.2.5)."""
    invitation = keys.invite(directory, address="192.0.2.10")
    pem = (directory / "identity.pem").read_bytes()
    certificate = x509.load_pem_x509_certificate(pem)
    public, private = certificate.public_key(), serialization.load_pem_private_key(pem, password=None)
    assert isinstance(public, ec.EllipticCurvePublicKey)
    assert isinstance(public.curve, ec.SECP256R1)
    assert private.public_key() == public
    certificate.verify_directly_issued_by(certificate)
    assert f"{certificate.not_valid_after_utc:%Y%m%d%H%M%SZ}" == "99991231235959Z"
    assert hashlib.sha256(certificate.public_bytes(serialization.Encoding.DER)).digest() == invitation.pin


def test_no_key_is_kept(directory: Path) -> None:
    """Only the SHA-256 of a key is in the directory, in no encoding the key itself."""
    key = keys.invite(directory, address="192.0.2.10").key
    kept = b"".join(path.read_bytes() for path in directory.iterdir())
    assert hashlib.sha256(key).hexdigest().encode() in kept
    assert not any(form in kept for form in (key, key.hex().encode(), secret_text(key).encode()))


def test_the_address(directory: Path) -> None:
    """The invitation says what the caller needs; the directory remembers the port."""
    invitation = keys.invite(directory, address="north.example.net:4000")
    assert (invitation.host, invitation.port, invitation.flow_port) == ("north.example.net", 4000, 4001)
    loaded = keys.load(directory)
    assert (loaded.port, loaded.flow_port, loaded.limits) == (4000, 4001, Limits())


def test_without_a_port(directory: Path) -> None:
    """The first invitation takes the default port, a later one the port that the endpoint has."""
    assert keys.invite(directory, address="192.0.2.10").port == DEFAULT_PORT
    other = directory.with_name("other")
    keys.invite(other, address="192.0.2.10:4000")
    assert keys.invite(other, address="2001:db8::10", name="second").port == 4000


def test_another_port(directory: Path) -> None:
    """A later invitation cannot move the endpoint away from its earlier callers."""
    keys.invite(directory, address="192.0.2.10:4000")
    with pytest.raises(UserMistake, match="this endpoint has port 4000 by its earlier invitations"):
        keys.invite(directory, address="192.0.2.10:5000", name="second")


def test_another_name_adds_a_caller(directory: Path) -> None:
    first = keys.invite(directory, address="192.0.2.10")
    second = keys.invite(directory, address="192.0.2.10", name="second")
    assert first.pin == second.pin
    digests = {name: hashlib.sha256(i.key).digest() for name, i in (("probe", first), ("second", second))}
    assert keys.load(directory).callers.current == digests


def test_the_same_name_replaces_its_key(directory: Path) -> None:
    first = keys.invite(directory, address="192.0.2.10")
    before = keys.version_of(directory)
    again = keys.invite(directory, address="192.0.2.10")
    assert first.key != again.key
    assert keys.callers_of(directory).current == {"probe": hashlib.sha256(again.key).digest()}
    assert keys.version_of(directory) != before


def test_limits_are_written_once(directory: Path) -> None:
    keys.invite(directory, address="192.0.2.10")
    (directory / "limits.toml").write_text("[caller]\nflows = 2\n")
    keys.invite(directory, address="192.0.2.10", name="second")
    assert keys.load(directory).limits == Limits(flows=2)


def test_wrong_limits_are_named(directory: Path) -> None:
    keys.invite(directory, address="192.0.2.10")
    (directory / "limits.toml").write_text("[caller]\nflow = 2\n")
    with pytest.raises(SiteMistake, match="did you mean 'flows'"):
        keys.load(directory)


@pytest.mark.parametrize("name", ["", ".x", "a b", "a/b", "x" * 65, "é"])
def test_a_caller_name(directory: Path, name: str) -> None:
    with pytest.raises(UserMistake, match="caller name"):
        keys.invite(directory, address="192.0.2.10", name=name)
    assert not directory.exists()


def test_a_wrong_address_makes_nothing(directory: Path) -> None:
    with pytest.raises(UserMistake, match="expected HOST or HOST:PORT"):
        keys.invite(directory, address="192.0.2.10:x")
    assert not directory.exists()


def test_no_directory(directory: Path) -> None:
    with pytest.raises(UserMistake, match="there is no such directory; `linebook endpoint invite"):
        keys.load(directory)


@pytest.mark.parametrize("name", ["identity.pem", "callers.json"])
def test_half_a_directory(directory: Path, name: str) -> None:
    """What is missing is named."""
    keys.invite(directory, address="192.0.2.10")
    (directory / name).unlink()
    with pytest.raises(UserMistake, match=f"{name} is missing"):
        keys.load(directory)


def test_an_identity_is_never_made_twice(directory: Path) -> None:
    """A new certificate under old invitations would lock every caller out."""
    keys.invite(directory, address="192.0.2.10")
    (directory / "identity.pem").unlink()
    with pytest.raises(UserMistake, match="the invitations given out pin it"):
        keys.invite(directory, address="192.0.2.10", name="second")


def test_an_interrupted_first_invitation_is_taken_up(directory: Path) -> None:
    """With an identity and no callers yet, the next invitation goes on from there."""
    pin = keys.invite(directory, address="192.0.2.10").pin
    (directory / "callers.json").unlink()
    assert keys.invite(directory, address="192.0.2.10:4000").pin == pin


@pytest.mark.parametrize(
    "content",
    [
        "",
        "[]",
        "null",
        "{}",
        '{"format": 1}',
        '{"format": 1, "port": "x", "callers": {}}',
        '{"format": 1, "port": 70000, "callers": {}}',
        '{"format": 1, "port": 4000, "callers": []}',
        '{"format": 1, "port": 4000, "callers": {"probe": "zz"}}',
        '{"format": 1, "port": 4000, "callers": {"probe": "00"}}',
        '{"format": 1, "port": 4000, "callers": {"probe": 5}}',
        "[" * 100_000,
    ],
)
def test_damaged_callers(directory: Path, content: str) -> None:
    keys.invite(directory, address="192.0.2.10")
    (directory / "callers.json").write_text(content)
    with pytest.raises(UserMistake, match=r"callers\.json: it is damaged"):
        keys.load(directory)


def test_newer_callers(directory: Path) -> None:
    keys.invite(directory, address="192.0.2.10")
    (directory / "callers.json").write_text(json.dumps({"format": 2}))
    with pytest.raises(UserMistake, match="newer Linebook"):
        keys.load(directory)


@pytest.mark.parametrize(
    "content", [b"", b"\xff", b"-----BEGIN CERTIFICATE-----\nx\n-----END CERTIFICATE-----\n"]
)
def test_damaged_identity(directory: Path, content: bytes) -> None:
    keys.invite(directory, address="192.0.2.10")
    (directory / "identity.pem").write_bytes(content)
    with pytest.raises(UserMistake, match=r"identity\.pem: it is damaged"):
        keys.tls_context(keys.load(directory))
    with pytest.raises(UserMistake, match=r"identity\.pem: it is damaged"):
        keys.invite(directory, address="192.0.2.10")


def test_only_tls_1_3(directory: Path) -> None:
    keys.invite(directory, address="192.0.2.10")
    assert keys.tls_context(keys.load(directory)).minimum_version is ssl.TLSVersion.TLSv1_3


def test_a_file_is_no_directory(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_text("")
    with pytest.raises(UserMistake, match="this is a file"):
        keys.invite(path, address="192.0.2.10")
    with pytest.raises(UserMistake, match="no such directory"):
        keys.load(path)


def test_a_directory_of_somebody_else(tmp_path: Path) -> None:
    """Other people's files are left alone, and so is the mode of their directory."""
    (tmp_path / "letter.txt").write_text("")
    tmp_path.chmod(0o755)
    with pytest.raises(UserMistake, match="it holds other files and no endpoint"):
        keys.invite(tmp_path, address="192.0.2.10")
    assert mode(tmp_path) == 0o755


def test_a_place_that_cannot_be_written() -> None:
    with pytest.raises(UserMistake, match="/proc/"):
        keys.invite(Path("/proc/endpoint"), address="192.0.2.10")


def test_an_older_key_stays_for_a_while(directory: Path) -> None:
    first = keys.invite(directory, address="192.0.2.10")
    second = keys.invite(directory, address="192.0.2.10", known=True, older_until_unix_ns=1000)
    found = keys.callers_of(directory)
    assert found.current == {"probe": hashlib.sha256(second.key).digest()}
    assert found.still(now_unix_ns=999) == {"probe": hashlib.sha256(first.key).digest()}
    assert found.still(now_unix_ns=1000) == {}
    third = keys.invite(directory, address="192.0.2.10")
    assert keys.callers_of(directory).still(now_unix_ns=0) == {}
    assert third.pin == first.pin


def test_a_revoked_caller_is_gone_with_its_older_key(directory: Path) -> None:
    keys.invite(directory, address="192.0.2.10", name="studio")
    keys.invite(directory, address="192.0.2.10", name="probe")
    keys.invite(directory, address="192.0.2.10", name="studio", older_until_unix_ns=2**62)
    keys.revoke(directory, name="studio")
    found = keys.callers_of(directory)
    assert (set(found.current), found.leaving) == ({"probe"}, {})
    for again in (
        lambda: keys.revoke(directory, name="studio"),
        lambda: keys.invite(directory, address="192.0.2.10", name="studio", known=True),
    ):
        with pytest.raises(UserMistake, match=r"--name 'studio': .* it has probe"):
            again()


def test_what_an_older_version_wrote_is_read(directory: Path) -> None:
    """Before there were older keys, callers.json had none of them."""
    keys.invite(directory, address="192.0.2.10")
    path = directory / "callers.json"
    found = json.loads(path.read_text())
    del found["older"]
    path.write_text(json.dumps(found))
    assert keys.callers_of(directory).leaving == {}


_MANY = """
import sys
from pathlib import Path
from probe.endpoint import keys
directory, who = Path(sys.argv[1]), sys.argv[2]
print("ready", flush=True)
sys.stdin.readline()
for number in range(20):
    name = f"{who}-{number}"
    keys.invite(directory, address="192.0.2.10", name=name)
    if number % 4 == 3:
        keys.invite(directory, address="192.0.2.10", name=name, known=True, older_until_unix_ns=2**62)
    if number % 4 == 1:
        keys.revoke(directory, name=name)
"""


def test_two_who_change_the_callers_at_once_undo_nothing_of_each_other(directory: Path) -> None:
    """Two processes, from the first invitation on, which makes the directory."""
    house = Path(__file__).parents[3]
    words = [sys.executable, "-c", _MANY, str(directory)]
    pipe = subprocess.PIPE
    both = [
        subprocess.Popen([*words, who], cwd=house, stdin=pipe, stdout=pipe, stderr=pipe, text=True)
        for who in ("left", "right")
    ]
    for one in both:
        assert one.stdout is not None
        assert one.stdout.readline() == "ready\n"
    for one in both:
        assert one.stdin is not None
        one.stdin.write("\n")
        one.stdin.flush()
    said = [one.communicate(timeout=60) for one in both]
    assert [("", ""), ("", "")] == said
    callers = keys.callers_of(directory)
    expected = {f"{who}-{number}" for who in ("left", "right") for number in range(20) if number % 4 != 1}
    assert expected == set(callers.current)
    assert {name for name in expected if int(name.split("-")[1]) % 4 == 3} == set(callers.leaving)
