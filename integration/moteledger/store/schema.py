"""The store's file: its tables, how an older one is brought up to date, and what is said of a file that is no store."""

import sqlite3
from pathlib import Path

APPLICATION_ID = 0x4D6F7465
LOCK_PATIENCE_S = 5.0

# One entry per schema version, oldest first; an entry is never changed once released, a new one is added.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        "CREATE TABLE signal (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
        """CREATE TABLE reading (
            signal INTEGER NOT NULL REFERENCES signal (id),
            time INTEGER NOT NULL,
            value REAL NOT NULL,
            PRIMARY KEY (signal, time)
        ) STRICT, WITHOUT ROWID""",
        """CREATE TABLE snapshot (
            kind TEXT NOT NULL,
            time INTEGER NOT NULL,
            document TEXT NOT NULL,
            PRIMARY KEY (kind, time)
        ) STRICT, WITHOUT ROWID""",
        f"PRAGMA application_id = {APPLICATION_ID}",
    ),
    (
        """CREATE TABLE token (
            id TEXT PRIMARY KEY,
            digest BLOB NOT NULL,
            label TEXT NOT NULL,
            scopes TEXT NOT NULL,
            created INTEGER NOT NULL,
            expires INTEGER,
            revoked INTEGER,
            used INTEGER,
            browsers_left INTEGER
        ) STRICT""",
        """CREATE TABLE browser (
            id TEXT PRIMARY KEY,
            token TEXT NOT NULL REFERENCES token (id),
            digest BLOB NOT NULL,
            created INTEGER NOT NULL
        ) STRICT""",
    ),
    (
        """CREATE TABLE hourly (
            signal INTEGER NOT NULL REFERENCES signal (id),
            start INTEGER NOT NULL,
            count INTEGER NOT NULL,
            total REAL NOT NULL,
            low REAL NOT NULL,
            high REAL NOT NULL,
            first_time INTEGER NOT NULL,
            first_value REAL NOT NULL,
            last_time INTEGER NOT NULL,
            last_value REAL NOT NULL,
            held REAL NOT NULL,
            thinned INTEGER NOT NULL,
            PRIMARY KEY (signal, start)
        ) STRICT, WITHOUT ROWID""",
        "CREATE INDEX hourly_with_readings ON hourly (start) WHERE thinned = 0",
        """CREATE TABLE stale (
            signal INTEGER NOT NULL REFERENCES signal (id),
            start INTEGER NOT NULL,
            PRIMARY KEY (signal, start)
        ) STRICT, WITHOUT ROWID""",
        # The remainder of a negative number is negative here; an hour starts at or before each of its readings.
        """INSERT INTO stale SELECT DISTINCT signal, time - (time % 3600000000 + 3600000000) % 3600000000
            FROM reading""",
    ),
)


class StoreError(Exception):
    """The store cannot be opened, read or written; the message names the file, what is wrong and what to do."""

    def __init__(self, path: Path, problem: str) -> None:
        self.path = path
        self.problem = problem
        super().__init__(f"{path}: {problem}")


def open_store_file(path: Path, lock_patience_s: float = LOCK_PATIENCE_S) -> sqlite3.Connection:
    """Open (or create) the store at `path` for writing, brought up to the present schema; raises StoreError.

    A file that is not a store is left as it was found.
    """
    if path.is_dir():
        raise StoreError(path, "is a folder; name a file in it")
    if not path.parent.is_dir():
        raise StoreError(path, f"the folder {path.parent} does not exist; create it")
    connection = connect(path, lock_patience_s)
    try:
        _refuse_other_files(connection, path)
        if connection.execute("PRAGMA journal_mode = WAL").fetchone() != ("wal",):
            raise StoreError(path, "its disk does not allow write-ahead logging; keep the store on a local disk")
        # The defaults of SQLite in WAL mode may lose the last commits at a power cut; an acknowledged reading must not.
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        _migrate(connection)
    except sqlite3.Error as error:
        connection.close()
        raise StoreError(path, explain(error)) from error
    except StoreError:
        connection.close()
        raise
    return connection


def connect(path: Path, lock_patience_s: float = LOCK_PATIENCE_S) -> sqlite3.Connection:
    """A connection that leaves transactions to its user and may be handed from thread to thread; raises StoreError."""
    try:
        return sqlite3.connect(path, timeout=lock_patience_s, isolation_level=None, check_same_thread=False)
    except sqlite3.Error as error:
        raise StoreError(path, explain(error)) from error


def explain(error: sqlite3.Error) -> str:
    """What an error of the database means for the person who runs the store, and what to do."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    advice = {
        sqlite3.SQLITE_NOTADB: "is not a store (no SQLite file); choose another file",
        sqlite3.SQLITE_BUSY: "is locked by another program; stop that program or choose another file",
        sqlite3.SQLITE_LOCKED: "is locked by another program; stop that program or choose another file",
        sqlite3.SQLITE_READONLY: "may not be written; check the permissions of the file and of its folder",
        sqlite3.SQLITE_PERM: "may not be written; check the permissions of the file and of its folder",
        sqlite3.SQLITE_CANTOPEN: "cannot be opened or created; check the path and the permissions of its folder",
        sqlite3.SQLITE_FULL: "its disk is full; free some space, nothing was kept of what is not acknowledged",
        sqlite3.SQLITE_IOERR: f"its disk does not read or write ({error}); check the disk and the space left on it",
        sqlite3.SQLITE_CORRUPT: f"is damaged ({error}); restore a backup",
    }
    return advice.get(code, f"the database says: {error}")


def _refuse_other_files(connection: sqlite3.Connection, path: Path) -> None:
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if owner != APPLICATION_ID and (owner or version or tables):
        raise StoreError(path, "is a database of another program; choose another file")
    if version > len(MIGRATIONS):
        raise StoreError(
            path,
            f"was written by a newer version (schema {version}, this one knows {len(MIGRATIONS)}); upgrade moteledger",
        )


def _migrate(connection: sqlite3.Connection) -> None:
    """Apply what is missing in one transaction, so that a migration is done or not begun."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        for statements in MIGRATIONS[version:]:
            for statement in statements:
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {max(version, len(MIGRATIONS))}")
        connection.execute("COMMIT")
    except sqlite3.Error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
