"""A progress bar on a terminal, and none in a pipe."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

_WIDTH = 30


@contextmanager
def progress_bar(task: str) -> Iterator[Callable[[float], None]]:
    """A function that is told the share done (0..1) and shows it on standard error while that is a terminal."""
    if not sys.stderr.isatty():
        yield lambda share: None
        return
    shown = -1

    def show(share: float) -> None:
        nonlocal shown
        filled = round(_WIDTH * min(max(share, 0.0), 1.0))
        if filled != shown:
            shown = filled
            sys.stderr.write(f"\r{task} [{'=' * filled}{' ' * (_WIDTH - filled)}] {100 * filled // _WIDTH:3d} %")
            sys.stderr.flush()

    try:
        yield show
    finally:
        sys.stderr.write("\r\033[K")
        sys.stderr.flush()
