"""`moteledger backup` and `moteledger check --store`: looking after the file in which the readings are kept."""

from pathlib import Path

from ..store import StoreError, back_up, problems_of
from .progress import progress_bar

_MB = 1e6


def backup_text(source: Path, target: Path, *, overwrite: bool) -> str:
    """Back the store up and say what was written; raises StoreError."""
    with progress_bar("copying") as progress:
        size = back_up(source, target, overwrite=overwrite, progress=progress)
    return f"{target}: a verified backup of {source}, {size / _MB:.1f} MB."


def store_text(path: Path) -> str:
    """That a store is sound; raises StoreError listing what is wrong with another one."""
    problems = problems_of(path)
    if problems:
        raise StoreError(path, f"is not sound: {'; '.join(problems)}. Stop the service and put a backup in its place")
    return f"{path}: sound, {path.stat().st_size / _MB:.1f} MB."
