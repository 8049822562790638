"""Old readings into the store: a recording of any length, checked whole first, gone on with once interrupted."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from hashlib import sha256
from itertools import islice, repeat
from pathlib import Path

from ..signals import signal_named
from ..store import Reading, Store
from ..store.backfills import Backfill, find_backfill, keep_backfill
from .accept import accept
from .blocks import RecordingError
from .columns import Chunk
from .moments import refuse_wrong_clock, text_of
from .recording import recording_chunks

_LAYOUT = b"chunks 1"
"""Changed whenever the same file would be cut into other chunks, so that old marks are not taken for new ones."""

_BATCH = 50_000
_CHECKING_SHARE = 0.4
_PIECE = 1 << 20


def backfill(path: Path, store: Store, now_us: int, progress: Callable[[float], None] | None = None) -> Backfill:
    """Bring a recording in and say what became of its readings, counted over all attempts.

    The whole recording is checked before its first reading is kept. A recording is known by its content: one that was
    interrupted, however rudely, goes on where it was, and one that is in already is left alone; no reading is ever
    doubled. Raises RecordingError for a recording that is unusable, StoreError if the store fails.
    """
    tell = progress or (lambda share: None)
    digest = _digest(path)
    state = find_backfill(store, digest)
    if state is not None and state.finished:
        return state
    if state is None:
        _check(path, now_us, lambda share: tell(_CHECKING_SHARE * share))
        state = Backfill(digest)
        keep_backfill(store, state)
    chunks = recording_chunks(path, lambda share: tell(_CHECKING_SHARE + (1.0 - _CHECKING_SHARE) * share))
    for batch in _batches(islice(chunks, state.chunks, None)):
        readings = [reading for chunk in batch for reading in _readings(chunk)]
        appended = accept(store, readings)
        # The mark follows the readings: a kill in between repeats this batch, which changes nothing.
        state = replace(
            state,
            chunks=state.chunks + len(batch),
            readings=state.readings + len(readings),
            appended=state.appended.and_also(appended),
        )
        keep_backfill(store, state)
    state = replace(state, finished=True)
    keep_backfill(store, state)
    return state


def _digest(path: Path) -> str:
    if path.exists() and not path.is_file() and not path.is_dir():
        raise RecordingError(path, "is no file; a backfill reads its recording more than once, save it to a file")
    digest = sha256(_LAYOUT)
    try:
        with path.open("rb") as file:
            while piece := file.read(_PIECE):
                digest.update(piece)
    except FileNotFoundError:
        raise RecordingError(path, "no such file; check the path") from None
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error.strerror or error}); check the file") from None
    return digest.hexdigest()


def _check(path: Path, now_us: int, progress: Callable[[float], None]) -> None:
    empty = True
    for chunk in recording_chunks(path, progress):
        if len(chunk.time_us):
            empty = False
            last_us = int(chunk.time_us.max())
            try:
                refuse_wrong_clock(last_us, now_us, signal_named(chunk.signal).forecast_h)
            except ValueError as error:
                raise RecordingError(path, f"{chunk.signal} at {text_of(last_us)} {error}") from None
    if empty:
        raise RecordingError(path, "holds a header but no reading; add rows")


def _batches(chunks: Iterator[Chunk]) -> Iterator[list[Chunk]]:
    batch: list[Chunk] = []
    size = 0
    for chunk in chunks:
        batch.append(chunk)
        size += len(chunk.time_us)
        if size >= _BATCH:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


def _readings(chunk: Chunk) -> Iterator[Reading]:
    return map(Reading, chunk.time_us.tolist(), repeat(chunk.signal), chunk.value.tolist())
