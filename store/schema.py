"""The database's tables as numbered steps, and who may open such a database.

A released step is never edited; a change is a new step, which sets `user_version` to its number.
Records are append-only: triggers refuse UPDATE and DELETE. All tables are strict. A table with the columns
`seq` and `link` holds records of the chain (`store.seal`): the record's number, unique in all of them, and
the first octets of the chain's head after it.

The file is SQLite in WAL mode with synchronous FULL. What SQLite promises with that: each transaction is
whole or not there at all; once COMMIT has returned, the write-ahead log was synced, so a killed process and
a power cut alike lose nothing that was acknowledged, as long as the drive keeps what it said it wrote. What
was not committed yet is lost; the log is replayed at the next opening. Imports errors only; the step that
chains old records loads what it needs.

::

    path           a handoff and an endpoint, so that rows need not repeat their names
    train_setting  what is alike in all minutes of a train, likewise
    train_around   what else was true in a train's minute, alike in many, likewise
    rate_run       a rate run; rate_side holds each measured direction
    train          a span of a train, histograms packed (histogram.Histogram.pack)
    stall          a silence of a train
    trouble        what could not be measured: kind failed, skipped or gap
    opening        windows as they opened and closed
    campaign       a question and the moments of the runs that answer it
    document       records that are kept whole, as canonical JSON (store.documents)
    correction     what is to be read otherwise in an older record
    thinned        which stretch of the chain was thinned, and its heads from before
    head           the signed heads of the chain; seal_key the public keys that signed them,
                   time_stamp the RFC 3161 tokens of them
    chain_end      one row, which changes: where the chain has come to
    rolled         the minutes of trains in sums by ten minutes to days: derived, so it changes
    rollup         one row, which changes: the time zone of the sums, and until when they stay
    alive          one row, which changes: when the probe last said that it runs
    under_way      the runs that are running; rows come and go
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from sqlite_utils import Database, Migrations

from store.errors import DatabaseMistake

APPLICATION_ID = 0x4C42_4F4B  # "LBOK" in the file's header says whose file it is
STEPS = Migrations("linebook")
LOG_BYTES = 64 << 20  # what the log keeps of the disk once a large change, sums made anew say, is in the file

_RECORD_TABLES = ("path", "rate_run", "rate_side", "train", "stall", "trouble")


@STEPS()
def m001_records(db: Database) -> None:
    """Everything that is measured, and why not."""
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute("PRAGMA user_version = 1")
    db.execute(
        """
        CREATE TABLE path (
            id INTEGER PRIMARY KEY,
            handoff TEXT NOT NULL,
            endpoint TEXT NOT NULL,
            UNIQUE (handoff, endpoint)
        ) STRICT
        """
    )
    db.execute(
        """
        CREATE TABLE rate_run (
            id INTEGER PRIMARY KEY,
            path INTEGER NOT NULL REFERENCES path (id),
            started_unix_ns INTEGER NOT NULL,
            seconds REAL NOT NULL,
            direction TEXT NOT NULL,
            flows INTEGER NOT NULL,
            rtt_idle_us TEXT,
            rtt_loaded_us TEXT,
            timestamps TEXT NOT NULL,
            spent_bytes INTEGER NOT NULL,
            standing TEXT NOT NULL,
            reasons TEXT NOT NULL,
            circumstances TEXT NOT NULL
        ) STRICT
        """
    )
    db.execute(
        """
        CREATE TABLE rate_side (
            run INTEGER NOT NULL REFERENCES rate_run (id),
            direction TEXT NOT NULL,
            goodput_bps INTEGER NOT NULL,
            ip_bps INTEGER NOT NULL,
            ethernet_bps INTEGER NOT NULL,
            wire_bps INTEGER NOT NULL,
            lowest_second_bps INTEGER NOT NULL,
            bins BLOB NOT NULL,
            steady_from_ms INTEGER NOT NULL,
            steady_to_ms INTEGER NOT NULL,
            received_bytes INTEGER NOT NULL,
            mss_bytes INTEGER NOT NULL,
            ip_version INTEGER NOT NULL,
            tcp_timestamps INTEGER NOT NULL,
            sent_bytes INTEGER NOT NULL,
            retransmitted_bytes INTEGER NOT NULL,
            retransmitted_ratio REAL NOT NULL,
            limited_by TEXT NOT NULL,
            congestion TEXT NOT NULL,
            tcp_rtt_us INTEGER,
            busy_ratio REAL,
            window_limited_ratio REAL,
            buffer_limited_ratio REAL,
            PRIMARY KEY (run, direction)
        ) STRICT, WITHOUT ROWID
        """
    )
    # Kept in the order of path and time, so that a month of one path is read in one stretch; `nth`
    # tells apart what a clock set back would make equal.
    db.execute(
        """
        CREATE TABLE train (
            path INTEGER NOT NULL REFERENCES path (id),
            started_unix_ns INTEGER NOT NULL,
            nth INTEGER NOT NULL,
            seconds REAL NOT NULL,
            per_second REAL NOT NULL,
            packet_bytes INTEGER NOT NULL,
            waiting_s REAL NOT NULL,
            sent INTEGER NOT NULL,
            received INTEGER NOT NULL,
            lost_up INTEGER NOT NULL,
            lost_down INTEGER NOT NULL,
            lost_unattributed INTEGER NOT NULL,
            held_up INTEGER NOT NULL,
            held_down INTEGER NOT NULL,
            duplicated_up INTEGER NOT NULL,
            duplicated_down INTEGER NOT NULL,
            reordered_up INTEGER NOT NULL,
            reordered_down INTEGER NOT NULL,
            blips INTEGER NOT NULL,
            rtt_us BLOB NOT NULL,
            pdv_up_us BLOB NOT NULL,
            pdv_down_us BLOB NOT NULL,
            jitter_up_ns INTEGER,
            jitter_down_ns INTEGER,
            kernel_stamps INTEGER NOT NULL,
            reasons TEXT NOT NULL,
            PRIMARY KEY (path, started_unix_ns, nth)
        ) STRICT, WITHOUT ROWID
        """
    )
    db.execute(
        """
        CREATE TABLE stall (
            id INTEGER PRIMARY KEY,
            path INTEGER NOT NULL REFERENCES path (id),
            started_unix_ns INTEGER NOT NULL,
            duration_us INTEGER NOT NULL,
            direction TEXT NOT NULL,
            how TEXT NOT NULL,
            lost INTEGER NOT NULL,
            held INTEGER NOT NULL
        ) STRICT
        """
    )
    db.execute(
        """
        CREATE TABLE trouble (
            id INTEGER PRIMARY KEY,
            kind TEXT NOT NULL,
            path INTEGER NOT NULL REFERENCES path (id),
            started_unix_ns INTEGER NOT NULL,
            ended_unix_ns INTEGER,
            what TEXT,
            why TEXT NOT NULL,
            whose TEXT
        ) STRICT
        """
    )
    db.execute("CREATE TABLE alive (id INTEGER PRIMARY KEY CHECK (id = 1), unix_ns INTEGER NOT NULL) STRICT")
    for table in ("rate_run", "stall", "trouble"):
        db.execute(f"CREATE INDEX {table}_started ON {table} (started_unix_ns)")
    for table in _RECORD_TABLES:
        for change in ("UPDATE", "DELETE"):
            db.execute(
                f"""
                CREATE TRIGGER {table}_refuses_{change.lower()} BEFORE {change} ON {table}
                BEGIN SELECT RAISE(ABORT, 'records are only ever added'); END
                """
            )


_REMADE = ("rate_run", "rate_side", "train", "stall", "trouble")
_NEVER_CHANGED = (*_REMADE, "train_setting", "correction", "thinned", "head", "seal_key", "time_stamp")
_SEALED_TABLES = (
    *(f"ALTER TABLE {table} RENAME TO {table}_unsealed" for table in _REMADE),
    """
    CREATE TABLE rate_run (
        seq INTEGER PRIMARY KEY,
        link BLOB NOT NULL,
        path INTEGER NOT NULL REFERENCES path (id),
        started_unix_ns INTEGER NOT NULL,
        seconds REAL NOT NULL,
        direction TEXT NOT NULL,
        flows INTEGER NOT NULL,
        rtt_idle_us TEXT,
        rtt_loaded_us TEXT,
        timestamps TEXT NOT NULL,
        spent_bytes INTEGER NOT NULL,
        standing TEXT NOT NULL,
        reasons TEXT NOT NULL,
        circumstances TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE rate_side (
        run INTEGER NOT NULL REFERENCES rate_run (seq),
        direction TEXT NOT NULL,
        goodput_bps INTEGER NOT NULL,
        ip_bps INTEGER NOT NULL,
        ethernet_bps INTEGER NOT NULL,
        wire_bps INTEGER NOT NULL,
        lowest_second_bps INTEGER NOT NULL,
        bins BLOB NOT NULL,
        steady_from_ms INTEGER NOT NULL,
        steady_to_ms INTEGER NOT NULL,
        received_bytes INTEGER NOT NULL,
        mss_bytes INTEGER NOT NULL,
        ip_version INTEGER NOT NULL,
        tcp_timestamps INTEGER NOT NULL,
        sent_bytes INTEGER NOT NULL,
        retransmitted_bytes INTEGER NOT NULL,
        retransmitted_ratio REAL NOT NULL,
        limited_by TEXT NOT NULL,
        congestion TEXT NOT NULL,
        tcp_rtt_us INTEGER,
        busy_ratio REAL,
        window_limited_ratio REAL,
        buffer_limited_ratio REAL,
        PRIMARY KEY (run, direction)
    ) STRICT, WITHOUT ROWID
    """,
    # Six bytes a minute less than the same columns in every row: what the seal takes is paid by that.
    """
    CREATE TABLE train_setting (
        id INTEGER PRIMARY KEY,
        per_second REAL NOT NULL,
        packet_bytes INTEGER NOT NULL,
        waiting_s REAL NOT NULL,
        kernel_stamps INTEGER NOT NULL,
        UNIQUE (per_second, packet_bytes, waiting_s, kernel_stamps)
    ) STRICT
    """,
    # In the order of path and time, so that a month of one path is read in one stretch; `seq` tells apart
    # what a clock set back would make equal.
    """
    CREATE TABLE train (
        path INTEGER NOT NULL REFERENCES path (id),
        started_unix_ns INTEGER NOT NULL,
        seq INTEGER NOT NULL,
        link BLOB NOT NULL,
        setting INTEGER NOT NULL REFERENCES train_setting (id),
        seconds REAL NOT NULL,
        sent INTEGER NOT NULL,
        received INTEGER NOT NULL,
        lost_up INTEGER NOT NULL,
        lost_down INTEGER NOT NULL,
        lost_unattributed INTEGER NOT NULL,
        held_up INTEGER NOT NULL,
        held_down INTEGER NOT NULL,
        duplicated_up INTEGER NOT NULL,
        duplicated_down INTEGER NOT NULL,
        reordered_up INTEGER NOT NULL,
        reordered_down INTEGER NOT NULL,
        blips INTEGER NOT NULL,
        rtt_us BLOB NOT NULL,
        pdv_up_us BLOB NOT NULL,
        pdv_down_us BLOB NOT NULL,
        jitter_up_ns INTEGER,
        jitter_down_ns INTEGER,
        reasons TEXT NOT NULL,
        PRIMARY KEY (path, started_unix_ns, seq)
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE stall (
        seq INTEGER PRIMARY KEY,
        link BLOB NOT NULL,
        path INTEGER NOT NULL REFERENCES path (id),
        started_unix_ns INTEGER NOT NULL,
        duration_us INTEGER NOT NULL,
        direction TEXT NOT NULL,
        how TEXT NOT NULL,
        lost INTEGER NOT NULL,
        held INTEGER NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE trouble (
        seq INTEGER PRIMARY KEY,
        link BLOB NOT NULL,
        kind TEXT NOT NULL,
        path INTEGER NOT NULL REFERENCES path (id),
        started_unix_ns INTEGER NOT NULL,
        ended_unix_ns INTEGER,
        what TEXT,
        why TEXT NOT NULL,
        whose TEXT
    ) STRICT
    """,
    """
    CREATE TABLE correction (
        seq INTEGER PRIMARY KEY,
        link BLOB NOT NULL,
        path INTEGER NOT NULL REFERENCES path (id),
        corrects_seq INTEGER NOT NULL,
        written_unix_ns INTEGER NOT NULL,
        what TEXT NOT NULL,
        why TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE thinned (
        seq INTEGER PRIMARY KEY,
        link BLOB NOT NULL,
        path INTEGER NOT NULL REFERENCES path (id),
        first_seq INTEGER NOT NULL,
        last_seq INTEGER NOT NULL,
        thinned_unix_ns INTEGER NOT NULL,
        before BLOB NOT NULL,
        after BLOB NOT NULL,
        remainder BLOB NOT NULL,
        why TEXT NOT NULL
    ) STRICT
    """,
    "CREATE TABLE head (number INTEGER PRIMARY KEY, statement TEXT NOT NULL, signature BLOB NOT NULL) STRICT",
    """
    CREATE TABLE seal_key (
        id INTEGER PRIMARY KEY,
        public BLOB NOT NULL UNIQUE,
        fingerprint TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE time_stamp (
        head INTEGER PRIMARY KEY REFERENCES head (number),
        token BLOB NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE chain_end (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        seq INTEGER NOT NULL,
        head BLOB NOT NULL,
        day TEXT NOT NULL,
        before_seal INTEGER NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE under_way (
        id INTEGER PRIMARY KEY,
        what TEXT NOT NULL,
        handoff TEXT NOT NULL,
        endpoint TEXT NOT NULL,
        started_unix_ns INTEGER NOT NULL
    ) STRICT
    """,
)


@STEPS()
def m002_seal(db: Database) -> None:
    """Every record gets its number in one chain (store.seal); what was there before is chained now."""
    from store import sealing_step

    db.execute("PRAGMA user_version = 2")
    for statement in _SEALED_TABLES:
        db.execute(statement)
    sealing_step.chain(db.conn)
    for table in ("rate_run", "stall", "trouble"):
        db.execute(f"CREATE INDEX {table}_started ON {table} (started_unix_ns)")
    for table in _NEVER_CHANGED:
        refuse_changes(db.conn, table)


@STEPS()
def m003_windows(db: Database) -> None:
    """Windows as they opened and closed; kind says which of the two a row is."""
    db.execute("PRAGMA user_version = 3")
    db.execute(
        """
        CREATE TABLE opening (
            seq INTEGER PRIMARY KEY,
            link BLOB NOT NULL,
            path INTEGER NOT NULL REFERENCES path (id),
            kind TEXT NOT NULL,
            started_unix_ns INTEGER NOT NULL,
            window TEXT NOT NULL,
            name TEXT NOT NULL,
            opener TEXT NOT NULL,
            why TEXT NOT NULL,
            ends_unix_ns INTEGER,
            reference TEXT,
            opened_unix_ns INTEGER
        ) STRICT
        """
    )
    db.execute("CREATE INDEX opening_started ON opening (started_unix_ns)")
    refuse_changes(db.conn, "opening")


@STEPS()
def m004_campaigns(db: Database) -> None:
    """Questions fixed in advance; and what a failed run may have moved, for the test allowance."""
    db.execute("PRAGMA user_version = 4")
    db.execute("ALTER TABLE trouble ADD COLUMN spent_bytes INTEGER")
    db.execute(
        """
        CREATE TABLE campaign (
            seq INTEGER PRIMARY KEY,
            link BLOB NOT NULL,
            path INTEGER NOT NULL REFERENCES path (id),
            name TEXT NOT NULL,
            question TEXT NOT NULL,
            started_unix_ns INTEGER NOT NULL,
            direction TEXT NOT NULL,
            seconds REAL NOT NULL,
            flows INTEGER NOT NULL,
            every_s INTEGER NOT NULL,
            hours TEXT NOT NULL,
            first_day TEXT NOT NULL,
            last_day TEXT,
            count INTEGER,
            timezone TEXT NOT NULL,
            seed TEXT NOT NULL,
            planned TEXT NOT NULL
        ) STRICT
        """
    )
    db.execute("CREATE INDEX campaign_started ON campaign (started_unix_ns)")
    refuse_changes(db.conn, "campaign")


@STEPS()
def m005_rollup(db: Database) -> None:
    """Sums of the minutes, made by the next writer, which knows the site's clock (store.rollup)."""
    db.execute("PRAGMA user_version = 5")
    db.execute(
        """
        CREATE TABLE rolled (
            path INTEGER NOT NULL REFERENCES path (id),
            length TEXT NOT NULL,
            started_unix_ns INTEGER NOT NULL,
            ended_unix_ns INTEGER NOT NULL,
            spans INTEGER NOT NULL,
            left_out INTEGER NOT NULL,
            seconds REAL NOT NULL,
            sent INTEGER NOT NULL,
            received INTEGER NOT NULL,
            lost_up INTEGER NOT NULL,
            lost_down INTEGER NOT NULL,
            lost_unattributed INTEGER NOT NULL,
            held_up INTEGER NOT NULL,
            held_down INTEGER NOT NULL,
            duplicated_up INTEGER NOT NULL,
            duplicated_down INTEGER NOT NULL,
            reordered_up INTEGER NOT NULL,
            reordered_down INTEGER NOT NULL,
            blips INTEGER NOT NULL,
            jitter_up_ns INTEGER,
            jitter_down_ns INTEGER,
            stalls INTEGER NOT NULL,
            stalled_us INTEGER NOT NULL,
            longest_stall_us INTEGER NOT NULL,
            stalls_lost INTEGER NOT NULL,
            stalls_held INTEGER NOT NULL,
            excluded TEXT NOT NULL,
            delays TEXT NOT NULL,
            rtt_us BLOB NOT NULL,
            pdv_up_us BLOB NOT NULL,
            pdv_down_us BLOB NOT NULL,
            PRIMARY KEY (path, length, started_unix_ns)
        ) STRICT, WITHOUT ROWID
        """
    )
    db.execute(
        """
        CREATE TABLE rollup (
            id INTEGER PRIMARY KEY CHECK (id = 1),
            timezone TEXT NOT NULL,
            kept_until_ns INTEGER NOT NULL,
            tens_from_ns INTEGER NOT NULL
        ) STRICT
        """
    )


@STEPS()
def m006_documents(db: Database) -> None:
    """Records that are kept whole; a new kind of them needs no table of its own."""
    db.execute("PRAGMA user_version = 6")
    db.execute(
        """
        CREATE TABLE document (
            seq INTEGER PRIMARY KEY,
            link BLOB NOT NULL,
            path INTEGER NOT NULL REFERENCES path (id),
            kind TEXT NOT NULL,
            started_unix_ns INTEGER NOT NULL,
            body TEXT NOT NULL
        ) STRICT
        """
    )
    db.execute("CREATE INDEX document_started ON document (kind, started_unix_ns)")
    refuse_changes(db.conn, "document")


@STEPS()
def m007_light_runs(db: Database) -> None:
    """What a light run asked for at most, as payload; NULL for a full run, whose digest stays as it was."""
    db.execute("PRAGMA user_version = 7")
    for column in ("at_most_up_goodput_bps", "at_most_down_goodput_bps"):
        db.execute(f"ALTER TABLE rate_run ADD COLUMN {column} INTEGER")


@STEPS()
def m008_train_around(db: Database) -> None:
    """What else was true in a train's minute; NULL in older ones, whose digest stays as it was."""
    db.execute("PRAGMA user_version = 8")
    db.execute(
        """
        CREATE TABLE train_around (
            id INTEGER PRIMARY KEY,
            circumstances TEXT NOT NULL UNIQUE
        ) STRICT
        """
    )
    db.execute("ALTER TABLE train ADD COLUMN around INTEGER REFERENCES train_around (id)")
    refuse_changes(db.conn, "train_around")


def refuse_changes(connection: sqlite3.Connection, table: str) -> None:
    """Make `table` one that is only ever added to."""
    for change in ("UPDATE", "DELETE"):
        connection.execute(
            f"""
            CREATE TRIGGER {table}_refuses_{change.lower()} BEFORE {change} ON {table}
            BEGIN SELECT RAISE(ABORT, 'records are only ever added'); END
            """
        )


def allow_changes(connection: sqlite3.Connection, table: str) -> None:
    """Undo `refuse_changes`; for thinning, which does both within one transaction."""
    for change in ("update", "delete"):
        connection.execute(f"DROP TRIGGER {table}_refuses_{change}")


def prepare(connection: sqlite3.Connection, path: Path, *, steps: Migrations = STEPS) -> None:
    """Make the open file a database of this version: create it, or take the steps it lacks.

    Before a step on a database that holds something, a copy is put beside it, named after the
    first step taken. Raises DatabaseMistake for a newer or foreign file and leaves that unchanged.
    """
    found = _version(connection, path, steps)
    db = Database(connection, execute_plugins=False)
    pending = steps.pending(db)
    if pending and found:
        _copy(connection, path.with_name(f"{path.name}.before-{pending[0].name}"))
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA journal_size_limit = {LOG_BYTES}")
    steps.apply(db)


def check_readable(connection: sqlite3.Connection, path: Path, *, steps: Migrations = STEPS) -> None:
    """Raises DatabaseMistake unless the file is a database of exactly this version."""
    found = _version(connection, path, steps)
    if not found:
        raise DatabaseMistake(f"{path} is empty; start the probe, which makes a database of it")
    if found < _newest(steps):
        raise DatabaseMistake(
            f"{path} was written by an older Linebook; start the probe once, which brings it up to date"
        )


def _version(connection: sqlite3.Connection, path: Path, steps: Migrations) -> int:
    """The number of the last step taken, 0 for an empty file. Raises DatabaseMistake unless it is ours."""
    try:
        (found_id,) = connection.execute("PRAGMA application_id").fetchone()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        (objects,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.DatabaseError as error:
        raise unreadable(error, path) from None
    if not objects and not found_id:
        return 0
    if found_id != APPLICATION_ID:
        raise DatabaseMistake(
            f"{path} is an SQLite file, but not a database of Linebook's; name another file"
        )
    if version > _newest(steps):
        raise DatabaseMistake(
            f"{path} was written by a newer Linebook (its tables are of version {version}, this one knows "
            f"{_newest(steps)}); use that Linebook, or an older copy"
        )
    return int(version)


def _newest(steps: Migrations) -> int:
    """The number of the last step there is."""
    with closing(sqlite3.connect(":memory:")) as nothing:
        return len(steps.pending(Database(nothing, execute_plugins=False)))


def is_damage(error: sqlite3.Error) -> bool:
    """Whether it is the file's structure that is wrong, and not what was asked or who asked."""
    return getattr(error, "sqlite_errorname", "").startswith("SQLITE_CORRUPT")


def unreadable(error: sqlite3.Error, path: Path | str) -> DatabaseMistake:
    """Why the database at `path` cannot be read, and the way out."""
    name = getattr(error, "sqlite_errorname", "")  # errors of the module itself have none
    if is_damage(error):
        return DatabaseMistake(f"{path} is damaged ({error}); `linebook salvage` copies what can be read")
    if name == "SQLITE_NOTADB":
        return DatabaseMistake(f"{path} is no database; name one of Linebook's")
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN")):
        return DatabaseMistake(
            f"{path} cannot be read by this account just now ({error}); start the probe, which lets others "
            "read, or read with the account that the file belongs to"
        )
    return DatabaseMistake(f"{path} cannot be read: {error}")


def _copy(connection: sqlite3.Connection, to: Path) -> None:
    """Put a whole copy at `to`, or none."""
    part = to.with_name(f"{to.name}.part")
    with closing(sqlite3.connect(part)) as copy:
        connection.backup(copy)
    part.replace(to)
