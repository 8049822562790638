"""Writing what a command makes: a file whole or not at all."""

from contextlib import suppress
from pathlib import Path


class OutputError(Exception):
    """What was to be written cannot be; the message says where and why."""


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all; raises OutputError saying where and why."""
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_bytes(content.encode() if isinstance(content, str) else content)
        beside.replace(path)
    except OSError as error:
        with suppress(OSError):
            beside.unlink()
        raise OutputError(
            f"{path}: cannot be written ({error.strerror}); check the folder and its permissions"
        ) from None
