"""Following the service of a house: its readings over HTTP on this machine, asked for again and again.

Bounded on every side: what `asked_service` bounds, a number of readings held, and a number of hours followed.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from urllib.parse import urlencode

import numpy as np
from pydantic import BaseModel, FiniteFloat

from ..cards.figures import clock
from ..engine import AssessmentError, Proof, prove
from ..intake import moments_us, text_of
from ..settings import House
from ..signals import Kind, signal_named
from ..store import Series, to_us
from .asked_service import AskedService, AskingError
from .proving import live_line

POLL_EVERY_S = 10.0
FOLLOW_AT_MOST_H = 12.0
LOOK_BACK_H = 12.0
_PAGE_H = 2.0
"""A sensor that tells every second has 7200 readings in this time; the service gives 10,000 at once."""
_LARGEST_ANSWER = 4_000_000
_MOST_FAILURES = 30
_US_PER_H = 3_600_000_000
_AHEAD_US = 60_000_000
SIGNALS_OF_THE_TEST = (
    "indoor.pm25",
    "outdoor.pm25",
    "indoor.humidity",
    "outdoor.humidity",
    "indoor.temperature",
    "outdoor.temperature",
    "outdoor.wind_speed",
    "fan.running",
    "fan.runtime",
    "fan.runtime_total",
    "cooling.running",
    "heating.running",
    "window.open",
)


@dataclass
class Follower:
    """The readings of a service as far as they are known; `update` asks for what has come since."""

    service: AskedService
    series: dict[str, Series] = field(default_factory=dict)

    def update(self, now: datetime) -> None:
        """Ask for the newest readings of every signal of the test, and let go of those too old to matter.

        Raises AskingError where the service does not answer, or not as such a service does.
        """
        for name in SIGNALS_OF_THE_TEST:
            oldest_us = to_us(now) - round(_look_back_h(name) * _US_PER_H)
            known = self.series.get(name)
            from_us = oldest_us if known is None or not len(known) else max(int(known.time_us[-1]) + 1, oldest_us)
            parts = [] if known is None else [known]
            end_us = to_us(now) + _AHEAD_US
            while from_us < end_us:
                until_us = min(from_us + round(_PAGE_H * _US_PER_H), end_us)
                parts.append(self._page(name, from_us, until_us))
                from_us = until_us
            self.series[name] = _joined(parts, oldest_us)

    def _page(self, name: str, from_us: int, until_us: int) -> Series:
        query = urlencode({"signal": name, "from": text_of(from_us), "to": text_of(until_us)})
        body = self.service.get(f"/v1/readings?{query}", _LARGEST_ANSWER)
        try:
            told = _Page.model_validate_json(body)
            times, values = moments_us(told.time), np.array(told.value, dtype=np.float64)
            if times.size != values.size or not (np.diff(times) > 0).all():
                raise ValueError
        except ValueError:
            raise self.service.strange("/v1/readings") from None
        return Series(times, values)


def follow(follower: Follower, house: House, tell: Callable[[str], None], *, wanted: float) -> Proof | None:
    """Ask, evaluate and tell a line, again and again, until it is enough or half a day is over; the last evaluation.

    Raises AskingError where the service does not answer at first, or for minutes on end later.
    """
    proof, failures = None, -1
    ends = time.monotonic() + FOLLOW_AT_MOST_H * 3600.0
    while time.monotonic() < ends:
        now = datetime.now(UTC)
        try:
            follower.update(now)
            failures = 0
            proof = prove(
                house, {name: series for name, series in follower.series.items() if len(series)}, wanted=wanted
            )
            tell(live_line(proof, house))
            if proof.enough:
                break
        except AssessmentError as error:
            tell(f"{clock(now, house.zone)}  waiting for readings: {error}")
        except AskingError as error:
            if failures < 0 or failures >= _MOST_FAILURES:
                raise
            failures += 1
            tell(f"{clock(now, house.zone)}  {error}; asking again")
        time.sleep(POLL_EVERY_S)
    return proof


class _Page(BaseModel):
    """What is used of an answer of `/v1/readings`."""

    time: list[str]
    value: list[FiniteFloat]


def _look_back_h(name: str) -> float:
    signal = signal_named(name)
    return LOOK_BACK_H if signal.kind is Kind.LEVEL else max(LOOK_BACK_H, signal.hold_h)


def _joined(parts: list[Series], oldest_us: int) -> Series:
    times, values = (np.concatenate([getattr(part, name) for part in parts]) for name in ("time_us", "value"))
    kept = times >= oldest_us
    return Series(times[kept], values[kept])
