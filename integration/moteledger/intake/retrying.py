"""Trying again, ever more seldom: a source that fails is left alone for a while and never stops anything else."""

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from ..settings import SecretError, TlsError
from ..store import StoreError
from .arrivals import Clock, Source

_log = logging.getLogger(__name__)


LONGEST_ASKED_S = 3600.0
"""A server that asks to be left alone for longer is asked again after this: its clock or its words may be wrong."""


_AN_HOUR_US = 3_600_000_000
_MOST_REMEMBERED = 20


class SourceError(Exception):
    """A source does not do what it should; the message says what, and what to do.

    `wait_s` is how long the other side itself asks to be left alone.
    """

    def __init__(self, problem: str, *, wait_s: float = 0.0) -> None:
        self.wait_s = min(max(wait_s, 0.0), LONGEST_ASKED_S)
        super().__init__(problem)


@dataclass(frozen=True)
class Pace:
    """The pause after the first failure and the longest one; each failure in a row doubles it."""

    first_s: float = 1.0
    longest_s: float = 300.0

    def pause_s(self, failures: int, chance: float) -> float:
        """The pause after so many failures in a row; `chance` (0..1) spreads it over its upper half.

        Spread, so that many that lost a server at once do not come back at once.
        """
        whole = min(self.longest_s, self.first_s * 2.0 ** min(failures - 1, 60))
        return whole * (0.5 + 0.5 * chance)


PACE = Pace()


class _News:
    """Tells what the log has not been told yet, so that what comes back every second stands in it once."""

    def __init__(self) -> None:
        self._last_us: dict[str, int] = {}

    def is_new(self, problem: str, now_us: int) -> bool:
        """Whether a problem is another one than those of the last hour."""
        before_us = self._last_us.pop(problem, None)
        self._last_us[problem] = now_us
        if len(self._last_us) > _MOST_REMEMBERED:
            del self._last_us[next(iter(self._last_us))]
        return before_us is None or abs(now_us - before_us) > _AN_HOUR_US


async def keep_trying(
    source: Source,
    attempt: Callable[[], Awaitable[None]],
    clock: Clock,
    *,
    every_s: float = 0.0,
    pace: Pace = PACE,
) -> None:
    """Run `attempt` for ever: `every_s` after it began if it worked, else after a pause that grows.

    A problem is logged when it comes up, and again only after an hour without it.
    """
    loop, news = asyncio.get_running_loop(), _News()

    def told(problem: str, cause: Exception | None = None, least_s: float = 0.0) -> float:
        pause_s = pace.pause_s(source.consecutive_failures + 1, random.random())  # noqa: S311  spreads, hides nothing
        pause_s = max(pause_s, least_s)
        now_us = clock()
        if news.is_new(problem, now_us):
            _log.log(logging.ERROR if cause else logging.WARNING, "%s: %s", source.name, problem, exc_info=cause)
        source.failed(problem, now_us + round(pause_s * 1e6))
        return pause_s

    while True:
        began = loop.time()
        try:
            await attempt()
        except SourceError as error:
            pause_s = told(str(error), least_s=error.wait_s)
        except (SecretError, TlsError, StoreError) as error:
            pause_s = told(str(error))
        except Exception as error:
            pause_s = told(f"failed unexpectedly ({type(error).__name__}); the log says more", error)
        else:
            pause_s = max(0.0, began + every_s - loop.time())
        stop_if_cancelled()
        await asyncio.sleep(pause_s)


def stop_if_cancelled() -> None:
    """Raise CancelledError if this task was cancelled and what it awaited kept that to itself.

    Up to Python 3.11, `asyncio.wait_for` answers with what it waited for when that comes at the moment of the
    cancellation, which is then lost (cpython issue 86296); libraries that we await use it.
    """
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError
