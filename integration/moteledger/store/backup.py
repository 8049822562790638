"""A copy of the store while it is in use: one consistent moment of it, verified, whole or not there at all."""

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path

from .schema import StoreError, connect, explain, refuse_other_files

_PAGES_AT_ONCE = 2000


def back_up(
    source: Path, target: Path, *, overwrite: bool = False, progress: Callable[[float], None] | None = None
) -> int:
    """Copy the store at `source` to the new file `target` and return its size in bytes.

    The copy is of the moment at which it began, whatever comes in meanwhile. `progress` is told the share done. Raises
    StoreError when there is no store, when `target` exists and is not to be overwritten, when the disk fails, and when
    the copy does not pass the check of its integrity; `target` is then as it was.
    """
    if not source.is_file():
        raise StoreError(source, "no such file; give the store that is to be backed up")
    if target.exists():
        if target.samefile(source):
            raise StoreError(target, "is the store itself; give another file for the backup")
        if not overwrite:
            raise StoreError(target, "exists already; choose another file or add --overwrite")
    if not target.parent.is_dir():
        raise StoreError(target, f"the folder {target.parent} does not exist; create it")
    beside = target.with_name(f".{target.name}.part")
    try:
        with suppress(FileNotFoundError):
            beside.unlink()
        _copy(source, beside, progress)
        _verify(beside)
        size = _on_disk(beside)
        if not overwrite:
            # Claims the name, or fails because somebody else took it meanwhile.
            target.open("x").close()
        beside.replace(target)
    except FileExistsError:
        raise StoreError(target, "exists already; choose another file or add --overwrite") from None
    except OSError as error:
        raise StoreError(target, f"cannot be written ({error.strerror}); check the disk and its permissions") from error
    finally:
        with suppress(OSError):
            beside.unlink()
    return size


def _copy(source: Path, beside: Path, progress: Callable[[float], None] | None) -> None:
    def tell(_: int, remaining: int, total: int) -> None:
        if progress is not None:
            progress(1.0 - remaining / max(total, 1))

    with closing(connect(source)) as reading:
        try:
            refuse_other_files(reading, source)
            # One reading transaction round it all: without it each commit of the service would start the copy anew.
            reading.execute("BEGIN")
            reading.execute("SELECT count(*) FROM sqlite_schema").fetchone()
            with closing(connect(beside)) as writing:
                reading.backup(writing, pages=_PAGES_AT_ONCE, progress=tell)
                # A backup is one file: without this mark it would ask for a write-ahead log beside it.
                writing.execute("PRAGMA journal_mode = DELETE")
        except sqlite3.Error as error:
            raise StoreError(source, f"cannot be copied: {explain(error)}") from error


def _verify(beside: Path) -> None:
    with closing(connect(beside)) as copy:
        try:
            told = copy.execute("PRAGMA integrity_check(1)").fetchone()[0]
        except sqlite3.Error as error:
            told = explain(error)
    if told != "ok":
        raise StoreError(beside, f"the copy is damaged ({told}); check the store with moteledger check --store")


def _on_disk(path: Path) -> int:
    with path.open("rb") as copied:
        os.fsync(copied.fileno())
        return copied.seek(0, os.SEEK_END)
