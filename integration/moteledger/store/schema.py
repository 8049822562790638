"""The store's file: its tables, how an older one is brought up to date, and what is said of a file that is no store."""

import sqlite3
from pathlib import Path

APPLICATION_ID = 0x4D6F7465
LOCK_PATIENCE_S = 5.0
WAY_OUT = "stop the service, put the file aside and a backup in its place; moteledger check --store says what is hurt"

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
    (
        """CREATE TABLE backfill (
            digest TEXT PRIMARY KEY,
            chunks INTEGER NOT NULL,
            readings INTEGER NOT NULL,
            new INTEGER NOT NULL,
            repeated INTEGER NOT NULL,
            differing INTEGER NOT NULL,
            too_late INTEGER NOT NULL,
            finished INTEGER NOT NULL
        ) STRICT, WITHOUT ROWID""",
    ),
    (
        """CREATE TABLE outbox (
            time INTEGER NOT NULL,
            signal INTEGER NOT NULL,
            value REAL NOT NULL,
            PRIMARY KEY (time, signal)
        ) STRICT, WITHOUT ROWID""",
        """CREATE TABLE put_aside (
            time INTEGER NOT NULL,
            signal INTEGER NOT NULL,
            value REAL NOT NULL,
            reason TEXT NOT NULL,
            PRIMARY KEY (time, signal)
        ) STRICT, WITHOUT ROWID""",
        "CREATE TABLE forwarding (one INTEGER PRIMARY KEY CHECK (one = 1), settled INTEGER NOT NULL) STRICT",
    ),
    (
        """CREATE TABLE dead_letter (
            webhook TEXT NOT NULL,
            event TEXT NOT NULL,
            happened INTEGER NOT NULL,
            document TEXT NOT NULL,
            status INTEGER NOT NULL,
            refused INTEGER NOT NULL,
            again INTEGER NOT NULL,
            PRIMARY KEY (webhook, event, happened)
        ) STRICT, WITHOUT ROWID""",
        # They were snapshots that named their message; without what it told they could not be sent again.
        """INSERT OR IGNORE INTO dead_letter
            SELECT json_extract(letter.document, '$.webhook'), told.event, told.time, told.document,
                json_extract(letter.document, '$.status'), letter.time, 0
            FROM snapshot AS letter
            JOIN (
                SELECT CASE kind WHEN 'fan_decision' THEN 'fan' ELSE kind END AS event, time, document FROM snapshot
                WHERE kind IN ('alarm', 'fan_decision')
            ) AS told ON json_extract(letter.document, '$.id') = told.event || '-' || told.time
            WHERE letter.kind = 'dead-letter'""",
        "DELETE FROM snapshot WHERE kind = 'dead-letter'",
    ),
)

_OF_THE_DISK = frozenset(
    {
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_CORRUPT,
        sqlite3.SQLITE_NOTADB,
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
    }
)


class StoreError(Exception):
    """The store cannot be opened, read or written; the message names the file, what is wrong and what to do.

    `disk_is_full` tells the failure that ends by itself once somebody makes room.
    """

    def __init__(self, path: Path, problem: str, *, disk_is_full: bool = False) -> None:
        self.path = path
        self.disk_is_full = disk_is_full
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
        refuse_other_files(connection, path)
        if connection.execute("PRAGMA journal_mode = WAL").fetchone() != ("wal",):
            raise StoreError(path, "its disk does not allow write-ahead logging; keep the store on a local disk")
        # The defaults of SQLite in WAL mode may lose the last commits at a power cut; an acknowledged reading must not.
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        _migrate(connection)
        _probe(connection, path)
    except sqlite3.Error as error:
        connection.close()
        raise StoreError(path, explain(error)) from error
    except OSError as error:
        # Taken away while it was opened.
        connection.close()
        raise StoreError(path, f"cannot be found ({error.strerror}); check the disk") from error
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
        sqlite3.SQLITE_CORRUPT: f"is damaged ({error}); {WAY_OUT}",
    }
    return advice.get(code, f"the database says: {error}")


def is_full(error: sqlite3.Error) -> bool:
    """Whether an error of the database says that its disk has no room left."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL


def hinders_writing(error: sqlite3.Error) -> bool:
    """Whether an error of the database speaks of the disk, the file or its lock, and not of what was asked."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in _OF_THE_DISK


def version_of(connection: sqlite3.Connection) -> int:
    """How many migrations the file has seen."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def refuse_other_files(connection: sqlite3.Connection, path: Path) -> None:
    """Raise StoreError for a database of another program, of a newer version or with a schema that is no text."""
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    version = version_of(connection)
    try:
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except UnicodeDecodeError:
        # SQLite quotes the name that is hurt, and the library cannot read the quotation.
        raise StoreError(path, f"is damaged (its schema is no text); {WAY_OUT}") from None
    if owner != APPLICATION_ID and (owner or version or tables):
        raise StoreError(path, "is a database of another program; choose another file")
    if version > len(MIGRATIONS):
        raise StoreError(
            path,
            f"was written by a newer version (schema {version}, this one knows {len(MIGRATIONS)}); upgrade moteledger",
        )


def _probe(connection: sqlite3.Connection, path: Path) -> None:
    """A look that costs milliseconds at any size: is the file as long as it says, can every table be read at its ends.

    What hides in the middle is found by `problems_of`, or when it is read.
    """
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    (page_bytes,) = connection.execute("PRAGMA page_size").fetchone()
    log = path.with_name(f"{path.name}-wal")
    # With a log beside it the file may be shorter: its end is still in the log.
    if not (log.exists() and log.stat().st_size) and path.stat().st_size < pages * page_bytes:
        raise StoreError(path, f"is damaged (shorter than it says); {WAY_OUT}")
    tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    for table in tables:
        connection.execute(f'SELECT * FROM "{table}" LIMIT 1').fetchone()  # noqa: S608  a name from the schema itself
    for signal, _ in connection.execute("SELECT id, name FROM signal").fetchall():
        for order in ("", "DESC"):
            connection.execute(
                f"SELECT value FROM reading WHERE signal = ? ORDER BY time {order} LIMIT 1",  # noqa: S608  either
                (signal,),
            ).fetchone()


def _migrate(connection: sqlite3.Connection) -> None:
    """Apply what is missing in one transaction, so that a migration is done or not begun.

    A file that is up to date is not written to: a service must be able to start on a full disk.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = version_of(connection)
        if version >= len(MIGRATIONS):
            connection.execute("ROLLBACK")
            return
        for statements in MIGRATIONS[version:]:
            for statement in statements:
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        connection.execute("COMMIT")
    except sqlite3.Error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
