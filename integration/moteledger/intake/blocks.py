"""The text of a recording, plain or gzip, in numbered blocks of whole lines; memory does not grow with the file."""

import gzip
import io
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple, TextIO

from .moments import shown

_BLOCK_CHARACTERS = 1 << 18
_LONGEST_LINE = 1 << 20
_LONGEST_PROBLEM = 440
_GZIP_MAGIC = b"\x1f\x8b"
_FOREIGN_MAGIC = {
    b"\xff\xfe": "is UTF-16 text; save it as UTF-8",
    b"\xfe\xff": "is UTF-16 text; save it as UTF-8",
    b"PK": "is a ZIP archive or a spreadsheet; unpack it or save the sheet as CSV",
}


class RecordingError(ValueError):
    """A recording is unusable; the message is one line with file, line, column, value and fix.

    `line` counts from 1 and is None for what concerns the whole file; `bad_rows` is how many rows are unusable, counted
    up to a limit, and 0 where rows were not reached.
    """

    def __init__(
        self, path: Path, problem: str, *, line: int | None = None, column: str | None = None, bad_rows: int = 0
    ) -> None:
        self.path = path
        self.problem = problem
        self.line = line
        self.column = column
        self.bad_rows = bad_rows
        place = f"{path}" + (f", line {line}" if line else "") + (f", column {shown(column)}" if column else "")
        super().__init__(f"{place}: {problem[:_LONGEST_PROBLEM]}")


class Block(NamedTuple):
    """Whole lines of text, joined by newlines without a final one; `first_line` is the number of the first."""

    first_line: int
    text: str


def blocks(path: Path, progress: Callable[[float], None] | None = None) -> Iterator[Block]:
    """The lines of the file in order; `progress` is told the share of the file read so far, if its size is known.

    Raises RecordingError for a file that is missing, unreadable, empty, not UTF-8, a damaged or truncated gzip, or has
    a line longer than a million characters.
    """
    with _reading(path):
        try:
            with path.open("rb") as file:
                size = path.stat().st_size if path.is_file() else 0
                text = io.TextIOWrapper(_unpacked(file, path), encoding="utf-8-sig", newline="")
                for block in _whole_lines(text, path):
                    if progress is not None and size:
                        progress(min(file.tell() / size, 1.0))
                    yield block
        except UnicodeDecodeError:
            raise _not_utf8(path) from None


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Tell what goes wrong with a file while it is read as a RecordingError."""
    try:
        yield
    except FileNotFoundError:
        raise RecordingError(path, "no such file; check the path") from None
    except IsADirectoryError:
        raise RecordingError(path, "is a folder; name a recording in it") from None
    except EOFError:
        raise RecordingError(path, "the gzip file is cut short; copy it again") from None
    except (gzip.BadGzipFile, zlib.error) as error:
        raise RecordingError(path, f"the gzip file is damaged ({error}); copy it again") from None
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error.strerror or error}); check the file") from None


def _unpacked(file: io.BufferedReader, path: Path) -> io.BufferedReader | gzip.GzipFile:
    start = file.peek(2)[:2]
    if not start:
        raise RecordingError(path, "is empty; a recording starts with a line that names its columns")
    if start == _GZIP_MAGIC:
        return gzip.GzipFile(fileobj=file, mode="rb")
    if start in _FOREIGN_MAGIC:
        raise RecordingError(path, _FOREIGN_MAGIC[start])
    return file


def _whole_lines(text: TextIO, path: Path) -> Iterator[Block]:
    line = 1
    rest = ""
    while more := text.read(_BLOCK_CHARACTERS):
        rest += more
        end = rest.rfind("\n")
        if end < 0:
            if len(rest) > _LONGEST_LINE:
                raise RecordingError(path, "is longer than a million characters; this is no recording", line=line)
            continue
        block = rest[:end].replace("\r\n", "\n").removesuffix("\r")
        rest = rest[end + 1 :]
        yield Block(line, block)
        line += block.count("\n") + 1
    if rest:
        yield Block(line, rest.removesuffix("\r"))


def _not_utf8(path: Path) -> RecordingError:
    """Read the file again (if it can be), line by line, to say where it stops being UTF-8."""
    if not path.is_file():
        return RecordingError(path, "is not UTF-8; save it as UTF-8 text")
    with path.open("rb") as file:
        for number, line in enumerate(_unpacked(file, path), start=1):
            try:
                line.decode("utf-8")
            except UnicodeDecodeError as error:
                bad = line[error.start : error.start + 1].hex()
                where = f"byte 0x{bad} at position {error.start + 1}"
                return RecordingError(path, f"{where} is not UTF-8; save the file as UTF-8 text", line=number)
    return RecordingError(path, "is not UTF-8; save the file as UTF-8 text")
