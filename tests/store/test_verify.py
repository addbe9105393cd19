"""Whatever is done to a sealed record is found, and the first record that it was done to is named."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from store import chain, verify
from store.clock import Clock
from store.errors import DatabaseMistake, StoreTrouble
from store.records import Record
from store.seal import Claim, End, Key, canonical, fingerprint
from store.writer import Writer
from tests.store import samples, sealed
from tests.store.sealed import DAY_NS, KEY, NOON_NS, tampering

RECORDS = 24  # eight a day
OTHER = Key(Ed25519PrivateKey.from_private_bytes(bytes(32)))


def three_days() -> list[list[Record]]:
    """Of each day six minutes of a train, a run and a stall."""
    return [
        [
            *(samples.span(NOON_NS + day * DAY_NS + nth * samples.MINUTE_NS) for nth in range(6)),
            samples.run(NOON_NS + day * DAY_NS + 7),
            samples.stall(NOON_NS + day * DAY_NS + 8),
        ]
        for day in range(3)
    ]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sealed.make(tmp_path_factory.mktemp("sealed") / "line.db", three_days())


@pytest.fixture
def path(made: Path, tmp_path: Path) -> Path:
    """Three sealed days to do something to."""
    shutil.copy(made, tmp_path / "line.db")
    return tmp_path / "line.db"


def the_finding(path: Path) -> verify.Finding:
    """The first thing found in a database that is not sound."""
    result = verify.database(path)
    assert not result.verified
    return result.findings[0]


def relink(connection: sqlite3.Connection) -> None:
    """Do what somebody does who knows the chain, but has no key: make links and end fit again."""
    end = End()
    for each in list(chain.links(connection)):
        end = end.then(canonical(each.row, end.seq + 1))
        connection.execute(
            f"UPDATE {each.row.table} SET seq = ?, link = ? WHERE seq = ?", (end.seq, end.link, each.seq)
        )
        connection.execute("UPDATE rate_side SET run = ? WHERE run = ?", (end.seq, each.seq))
    connection.execute("UPDATE chain_end SET seq = ?, head = ?", (end.seq, end.head))


class TestSound:
    def test_everything_fits(self, path: Path) -> None:
        result = verify.database(path)
        assert result.findings == []
        assert (result.checked_seq, result.signed_seq, result.provisional) == (RECORDS, RECORDS, 0)
        assert result.complete_day == "2026-05-29"
        assert result.fingerprints == [hashlib.sha256(KEY.public).hexdigest()]
        assert result.heads == 3

    def test_what_is_not_signed_yet_is_provisional(self, tmp_path: Path) -> None:
        path = sealed.make(tmp_path / "line.db", three_days(), stop=False)
        result = verify.database(path)
        assert result.verified
        assert (result.signed_seq, result.provisional) == (16, 8)

    def test_nothing_is_written(self, path: Path) -> None:
        before = {file.name: file.read_bytes() for file in path.parent.iterdir()}
        verify.database(path)
        assert {file.name: file.read_bytes() for file in path.parent.iterdir()} == before

    def test_while_a_probe_writes(self, path: Path, tmp_path: Path) -> None:
        with closing(Writer.open(tmp_path / "live.db", clock=Clock())) as writer:
            for record in samples.EVERY_KIND:
                writer.append(record)
            writer.flush_blocking()
            result = verify.database(tmp_path / "live.db")
            assert result.verified
            assert result.provisional == len(samples.EVERY_KIND)
        assert verify.database(tmp_path / "live.db").provisional == 0

    def test_no_database(self, tmp_path: Path) -> None:
        with pytest.raises(DatabaseMistake, match="not there"):
            verify.database(tmp_path / "line.db")


class TestRecords:
    """By somebody who can write into the database, but knows nothing of the chain."""

    def test_a_changed_one(self, path: Path) -> None:
        with tampering(path) as connection:
            connection.execute("UPDATE rate_side SET goodput_bps = goodput_bps + 1 WHERE run = 15")
        found = the_finding(path)
        assert (found.what, found.seq, found.kind, found.handoff) == ("changed", 15, "rate", "old")
        assert found.started_unix_ns == NOON_NS + DAY_NS + 7

    def test_the_first_of_several_changed(self, path: Path) -> None:
        with tampering(path) as connection:
            connection.execute("UPDATE train SET lost_up = 0 WHERE seq IN (12, 3, 20)")
        assert (the_finding(path).what, the_finding(path).seq) == ("changed", 3)

    @pytest.mark.parametrize("seq", [1, 11, 16, 24])
    def test_one_that_is_gone(self, path: Path, seq: int) -> None:
        with tampering(path) as connection:
            for table in ("train", "stall", "rate_run"):
                connection.execute(f"DELETE FROM {table} WHERE seq = ?", (seq,))
        found = the_finding(path)
        assert (found.what, found.seq) == ("missing", seq)

    def test_one_added_under_a_number_that_is_taken(self, path: Path) -> None:
        with tampering(path) as connection:
            connection.execute(
                "INSERT INTO stall SELECT 12, link, path, 5, 600000, 'up', 'lost', 9, 0 FROM stall LIMIT 1"
            )
        found = the_finding(path)
        assert (found.what, found.seq) in {("added", 12), ("changed", 12)}
        assert found.kind == "stall"

    def test_one_pushed_in_between(self, path: Path) -> None:
        with tampering(path) as connection:
            for seq in range(RECORDS, 11, -1):
                for table in ("train", "stall", "rate_run"):
                    connection.execute(f"UPDATE {table} SET seq = seq + 1 WHERE seq = ?", (seq,))
                connection.execute("UPDATE rate_side SET run = run + 1 WHERE run = ?", (seq,))
            connection.execute(
                "INSERT INTO stall SELECT 12, link, path, 5, 600000, 'up', 'lost', 9, 0 FROM stall LIMIT 1"
            )
        found = the_finding(path)
        assert (found.what, found.seq, found.kind) == ("added", 12, "stall")

    def test_one_added_at_the_end(self, path: Path) -> None:
        with tampering(path) as connection:
            connection.execute(
                "INSERT INTO stall SELECT 25, link, path, 5, 600000, 'up', 'lost', 9, 0 FROM stall LIMIT 1"
            )
        found = the_finding(path)
        assert found.seq == 25

    @pytest.mark.parametrize(("one", "other"), [(2, 3), (2, 21), (23, 24), (7, 15)])
    def test_two_that_changed_places(self, path: Path, one: int, other: int) -> None:
        with tampering(path) as connection:
            for table, column in (
                ("train", "seq"),
                ("stall", "seq"),
                ("rate_run", "seq"),
                ("rate_side", "run"),
            ):
                for was, becomes in ((one, -1), (other, one), (-1, other)):
                    connection.execute(f"UPDATE {table} SET {column} = ? WHERE {column} = ?", (becomes, was))
        found = the_finding(path)
        assert (found.what, found.seq) == ("moved", one)
        assert f"record {other}" in found.why

    def test_contents_that_changed_places_under_their_links(self, path: Path) -> None:
        with tampering(path) as connection:
            links = dict(connection.execute("SELECT seq, link FROM train WHERE seq IN (2, 12)"))
            for was, becomes in ((2, -1), (12, 2), (-1, 12)):
                connection.execute("UPDATE train SET seq = ? WHERE seq = ?", (becomes, was))
            for seq, link in links.items():
                connection.execute("UPDATE train SET link = ? WHERE seq = ?", (link, seq))
        assert (the_finding(path).what, the_finding(path).seq) == ("moved", 2)

    def test_the_last_ones_cut_off(self, path: Path) -> None:
        with tampering(path) as connection:
            for table, column in (
                ("train", "seq"),
                ("stall", "seq"),
                ("rate_run", "seq"),
                ("rate_side", "run"),
            ):
                connection.execute(f"DELETE FROM {table} WHERE {column} > 20")
        found = the_finding(path)
        assert (found.what, found.seq) == ("missing", 21)

    def test_a_name_changed_for_all(self, path: Path) -> None:
        with tampering(path) as connection:
            connection.execute("UPDATE path SET handoff = 'new'")
        assert (the_finding(path).what, the_finding(path).seq) == ("changed", 1)


class TestByOneWhoKnowsTheChain:
    """Links and end were made to fit again; what is missing is the key."""

    def test_a_changed_one_is_found_at_the_next_head(self, path: Path) -> None:
        with tampering(path) as connection:
            connection.execute("UPDATE train SET lost_up = 0 WHERE seq = 11")
            relink(connection)
        found = the_finding(path)
        assert (found.what, found.seq) == ("changed", 9)
        assert "9 to 16" in found.why
        assert verify.database(path).checked_seq == 16

    def test_a_deleted_one(self, path: Path) -> None:
        with tampering(path) as connection:
            connection.execute("DELETE FROM train WHERE seq = 11")
            relink(connection)
        assert the_finding(path).seq == 9

    def test_the_end_cut_off(self, path: Path) -> None:
        with tampering(path) as connection:
            for table, column in (
                ("train", "seq"),
                ("stall", "seq"),
                ("rate_run", "seq"),
                ("rate_side", "run"),
            ):
                connection.execute(f"DELETE FROM {table} WHERE {column} > 20")
            relink(connection)
        found = the_finding(path)
        assert (found.what, found.seq) == ("missing", 21)
        assert "head 3" in found.why

    def test_the_head_cut_off_too_leaves_the_rest_provisional(self, path: Path) -> None:
        with tampering(path) as connection:
            connection.execute("DELETE FROM head WHERE number = 3")
        result = verify.database(path)
        assert (result.verified, result.signed_seq, result.provisional) == (True, 16, 8)

    def test_everything_signed_again_with_another_key(self, path: Path) -> None:
        """Found with the key that was noted elsewhere; without it there is nothing to compare with."""
        sealed.make(path.with_name("forged.db"), three_days(), key=OTHER)
        forged = path.with_name("forged.db")
        assert verify.database(forged).fingerprints != verify.database(path).fingerprints
        for trusted in (KEY.public.hex(), fingerprint(KEY.public)):
            assert verify.database(path, trusted=frozenset({trusted})).verified
            result = verify.database(forged, trusted=frozenset({trusted}))
            assert (result.findings[0].what, result.signed_seq) == ("head", 0)
            assert "another key" in result.findings[0].why

    @pytest.mark.parametrize("noted", [True, False])
    def test_one_head_signed_again_with_another_key(self, path: Path, *, noted: bool) -> None:
        with tampering(path) as connection:
            connection.execute("UPDATE train SET lost_up = 0 WHERE seq = 20")
            relink(connection)
            end = connection.execute("SELECT seq, head FROM chain_end").fetchone()
            (statement,) = connection.execute("SELECT statement FROM head WHERE number = 3").fetchone()
            was = Claim.read(statement.encode())
            values = {name: getattr(was, name) for name in Claim.__slots__} | {
                "head": end[1],
                "key": OTHER.public,
            }
            head = OTHER.sign(Claim(**values))
            connection.execute(
                "UPDATE head SET statement = ?, signature = ? WHERE number = 3",
                (head.statement.decode(), head.signature),
            )
            if noted:
                connection.execute(
                    "INSERT INTO seal_key (public, fingerprint) VALUES (?, ?)",
                    (OTHER.public, fingerprint(OTHER.public)),
                )
        found = the_finding(path)
        assert found.what == "head"
        assert "head 3" in found.why
        assert "another key" in found.why


class TestHeads:
    def test_swapped(self, path: Path) -> None:
        with tampering(path) as connection:
            for was, becomes in ((1, -1), (2, 1), (-1, 2)):
                connection.execute("UPDATE head SET number = ? WHERE number = ?", (becomes, was))
        found = the_finding(path)
        assert (found.what, found.why.startswith("head 1")) == ("head", True)
        assert "moved" in found.why

    @pytest.mark.parametrize("number", [1, 2])
    def test_one_gone(self, path: Path, number: int) -> None:
        with tampering(path) as connection:
            connection.execute("DELETE FROM head WHERE number = ?", (number,))
        found = the_finding(path)
        assert found.what == "head"
        assert "missing" in found.why

    def test_a_changed_statement(self, path: Path) -> None:
        with tampering(path) as connection:
            connection.execute("UPDATE head SET statement = replace(statement, '2026-05-29', '2026-05-30')")
        assert "signature" in the_finding(path).why

    def test_a_signature_of_another_head(self, path: Path) -> None:
        with tampering(path) as connection:
            connection.execute(
                "UPDATE head SET signature = (SELECT signature FROM head WHERE number = 1) WHERE number = 2"
            )
        assert the_finding(path).why.startswith("head 2 of 2026-05-29 does not fit its signature")


class TestThinned:
    """What a rule let go is told, and what is left of it is as safe as the rest."""

    @pytest.fixture
    def thinned(self, path: Path) -> Path:
        """The second day without its histograms, the first without its minutes."""
        thin(path, 1, "UPDATE train SET rtt_us = x'', pdv_up_us = x'', pdv_down_us = x''", "kept 1 day")
        thin(path, 0, "DELETE FROM train", "kept 2 days")
        return path

    def test_is_told_and_the_chain_goes_on(self, thinned: Path) -> None:
        result = verify.database(thinned)
        assert result.findings == []
        assert {(one.first_seq, one.last_seq, one.why) for one in result.thinned} == {
            (9, 16, "kept 1 day"),
            (1, 8, "kept 2 days"),
        }
        assert result.checked_seq == result.signed_seq == RECORDS + 2

    def test_again_in_the_same_day(self, thinned: Path) -> None:
        thin(thinned, 1, "DELETE FROM train", "kept 3 days")
        result = verify.database(thinned)
        assert result.findings == []
        assert (9, 16, "kept 3 days") in {(one.first_seq, one.last_seq, one.why) for one in result.thinned}
        assert len(result.thinned) == 2

    def test_a_rule_that_lets_nothing_go_leaves_no_trace(self, path: Path) -> None:
        thin(path, 1, "DELETE FROM train WHERE sent < 0", "kept")
        assert verify.database(path).thinned == []
        assert verify.database(path).checked_seq == RECORDS

    def test_what_is_left_cannot_be_changed(self, thinned: Path) -> None:
        with tampering(thinned) as connection:
            connection.execute("UPDATE train SET lost_up = 0 WHERE seq = 11")
        found = the_finding(thinned)
        assert (found.what, found.seq, found.kind) == ("changed", 11, "train")

    @pytest.mark.parametrize(("table", "seq"), [("train", 14), ("stall", 16), ("stall", 8)])
    def test_no_more_can_go(self, thinned: Path, table: str, seq: int) -> None:
        with tampering(thinned) as connection:
            connection.execute(f"DELETE FROM {table} WHERE seq = ?", (seq,))
        found = the_finding(thinned)
        assert found.seq in {seq + 1, 1, 9}  # the next one, or the stretch if nothing comes after it
        assert "thin" in found.why

    def test_nothing_can_come_back(self, thinned: Path) -> None:
        with tampering(thinned) as connection:
            connection.execute(
                "INSERT INTO stall SELECT 3, link, path, 5, 600000, 'up', 'lost', 9, 0 FROM stall LIMIT 1"
            )
        assert the_finding(thinned).seq == 3

    def test_a_thinning_that_the_key_does_not_vouch_for_is_none(self, path: Path) -> None:
        """Somebody deletes a minute and writes a `thinned` for it, links and all; the key signs nothing."""
        thin(path, 1, "DELETE FROM train WHERE seq = 11", "not wanted", key=OTHER)
        with tampering(path) as connection:
            connection.execute("DELETE FROM head WHERE number > 3")
            connection.execute("DELETE FROM seal_key WHERE id > 1")
        found = the_finding(path)
        assert (found.what, found.kind, found.seq) == ("added", "thinned", RECORDS + 1)

    def test_what_was_tampered_with_is_not_thinned(self, path: Path) -> None:
        """Or it would be gone for good, and sealed."""
        with tampering(path) as connection:
            connection.execute("UPDATE train SET lost_up = 0 WHERE seq = 11")
        with pytest.raises(StoreTrouble, match="2026-05-29 does not fit its seal"):
            thin(path, 1, "DELETE FROM train", "kept 1 day")
        assert the_finding(path).seq == 11


def thin(path: Path, day: int, sql: str, why: str, *, key: Key = KEY) -> None:
    """Thin one of the days of a database by a statement about its rows."""

    def change(connection: sqlite3.Connection, day: chain.SealedDay) -> None:
        where = f"seq BETWEEN {day.first_seq} AND {day.last_seq}"
        connection.execute(f"{sql} {'AND' if 'WHERE' in sql else 'WHERE'} {where}")

    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        opened = chain.Chain(connection, path, key=key)
        with opened.transaction():
            opened.begin(NOON_NS)
            found = chain.sealed_days(connection)[day]
            opened.thin(found, change=change, why=why, now_ns=NOON_NS + 3 * DAY_NS)


@pytest.fixture(scope="module")
def open_to_all(tmp_path_factory: pytest.TempPathFactory) -> sqlite3.Connection:
    path = tmp_path_factory.mktemp("octets") / "line.db"
    sealed.make(path, [[*samples.EVERY_KIND], [samples.span(5)]])
    connection = sqlite3.connect(path)
    connection.text_factory = chain.exact_text
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    connection.commit()
    return connection


class TestAnyOctet:
    """Ours: any single octet of any stored value of any record, changed to any other, is found."""

    @settings(max_examples=400, deadline=None)
    @given(st.data())
    def test_changed_is_found(self, open_to_all: sqlite3.Connection, data: st.DataObject) -> None:
        connection = open_to_all
        tables = [
            name
            for (name,) in connection.execute(
                "SELECT name FROM sqlite_master AS one WHERE type = 'table' AND (name IN "
                "('path', 'train_setting', 'rate_side') "
                "OR 'link' IN (SELECT name FROM pragma_table_info(one.name)))"
            )
        ]
        table = data.draw(st.sampled_from(tables))
        columns = connection.execute("SELECT name, type FROM pragma_table_info(?)", (table,)).fetchall()
        rows = connection.execute(f"SELECT * FROM {table}").fetchall()
        if not rows:
            return
        row = data.draw(st.sampled_from(rows))
        column = data.draw(st.integers(0, len(columns) - 1))
        value = _with_another_octet(row[column], data)
        where = " AND ".join(f"{name} IS ?" for name, _ in columns)
        try:
            connection.execute("PRAGMA foreign_keys = OFF")
            sql = f"UPDATE {table} SET {columns[column][0]} = {value[0]} WHERE {where}"
            changed = connection.execute(sql, (value[1], *row)).rowcount
            assert changed == 1
            result = verify.check(verify._evidence(connection))
            assert not result.verified, (table, columns[column][0])
        except sqlite3.IntegrityError:
            return  # the number of another row, or a kind of value that the column does not take
        finally:
            connection.rollback()


def _with_another_octet(value: object, data: st.DataObject) -> tuple[str, object]:
    """(SQL, value) of something that differs in one octet of how it is stored; a NULL becomes something."""
    if value is None:
        return "CAST(? AS TEXT)", "0"
    if isinstance(value, bytes | str):
        octets = bytearray(value if isinstance(value, bytes) else value.encode("utf-8", "surrogateescape"))
        if not octets:
            octets = bytearray(b" ")
        else:
            octets[data.draw(st.integers(0, len(octets) - 1))] ^= data.draw(st.integers(1, 255))
        return ("?" if isinstance(value, bytes) else "CAST(? AS TEXT)"), bytes(octets)
    if isinstance(value, float):
        return "?", value + data.draw(st.sampled_from([1.0, -1.0, 2.0**-20]))
    assert isinstance(value, int)
    changed = value ^ data.draw(st.integers(1, 255)) << 8 * data.draw(st.integers(0, 6))
    return "?", changed
