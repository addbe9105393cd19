"""Files beside a database and an endpoint's keys: whole or not at all, and their folder's account's."""

from __future__ import annotations

import os
from contextlib import closing
from pathlib import Path

import pytest

from dashboard import logins
from dashboard.logins import Role
from probe.endpoint import keys
from store import salvage
from store.clock import Clock
from store.new_file import write_private
from store.writer import Writer
from tests.lacking import lacking

SERVICE = 65_534  # an account that is not root's: nobody, in Debian's base-passwd


def test_writing_replaces_whole_files(tmp_path: Path) -> None:
    """A write that fails leaves the old file and nothing beside it."""
    path = tmp_path / "ledger.json"
    write_private(path, "old")
    with pytest.raises(UnicodeEncodeError):
        write_private(path, "new \ud800")
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["ledger.json"]


@pytest.fixture
def of_a_service(tmp_path: Path) -> Path:
    """A folder of another account's, as a service has its state."""
    if os.geteuid() != 0:
        lacking("needs root, who alone makes files in the folders of others")
    os.chown(tmp_path, SERVICE, SERVICE)
    return tmp_path


def test_what_root_writes_in_a_services_folder_is_the_services(of_a_service: Path) -> None:
    """Else the service could not read it: a key that was revoked would go on to be admitted."""
    endpoint = of_a_service / "endpoint"
    endpoint.mkdir(mode=0o700)
    os.chown(endpoint, SERVICE, SERVICE)
    keys.invite(endpoint, address="192.0.2.10")
    keys.invite(endpoint, address="192.0.2.10", name="studio")
    keys.revoke(endpoint, name="studio")
    database = of_a_service / "line.db"
    Writer.open(database, clock=Clock()).close()
    salvage.salvage(database, of_a_service / "saved.db")
    login, _ = logins.for_program("collector")
    assert login.role is Role.PROGRAM
    logins.save(logins.path_of(database), [login])
    made = [path for path in of_a_service.rglob("*") if path.is_file()]
    assert {"callers.json", "identity.pem", "limits.toml", "line.db", "line.db.key", "line.db.lock"} <= {
        path.name for path in made
    }
    assert {(path.name, path.stat().st_uid) for path in made} == {(path.name, SERVICE) for path in made}


def test_what_root_opens_for_writing_stays_the_services(of_a_service: Path) -> None:
    """SQLite gives the files of its log to the database's owner (unixOpen in its os_unix.c, from memory)."""
    database = of_a_service / "line.db"
    with closing(Writer.open(database, clock=Clock())):
        assert {path.stat().st_uid for path in of_a_service.iterdir()} == {SERVICE}
