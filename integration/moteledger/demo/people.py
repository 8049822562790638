"""The people of the simulated house: when they cook, open the windows and let the fan circulate.

Every local day is drawn from the seed and the day's own number, so it is the same whenever and however it is reached.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

TICK_S = 10
TICKS_PER_HOUR = 3600 // TICK_S
TICKS_PER_DAY = 24 * TICKS_PER_HOUR

Span = tuple[int, int]


@dataclass(frozen=True)
class Meal:
    """Cooking from tick `start` to tick `end` (not included), giving off `emission_ug_h` of PM2.5."""

    start: int
    end: int
    emission_ug_h: float

    @property
    def emitted_mg(self) -> float:
        """PM2.5 given off by the whole meal, mg."""
        return self.emission_ug_h * (self.end - self.start) / TICKS_PER_HOUR / 1000.0


@dataclass(frozen=True)
class Day:
    """What happens in one local day; all spans in ticks of 10 s since 1970 UTC, the end not included."""

    meals: tuple[Meal, ...]
    windows_open: tuple[Span, ...]
    circulation: tuple[Span, ...]


# Breakfast, lunch, dinner: likelihood, earliest and latest start (local h), shortest and longest (min); invented.
_MEALS = ((0.55, 6.8, 8.2, 8, 18), (0.30, 11.7, 13.0, 10, 25), (0.85, 17.6, 19.4, 15, 40))
_WINDOW_LIKELIHOOD = 0.3


@lru_cache(maxsize=512)
def day(seed: int, first_tick: int) -> Day:
    """The local day that begins at `first_tick`.

    Cooking gives off 1 mg/min of PM2.5 as the middle, log-normally spread: between the stove and frying figures of He
    et al. (2004), from memory. Windows are opened for 8 to 25 minutes on about every third day.
    """
    random = np.random.default_rng([seed, 4, first_tick // TICKS_PER_DAY + 1_000_000])

    def at(hour: float) -> int:
        return first_tick + round(hour * TICKS_PER_HOUR)

    meals = []
    for likelihood, earliest, latest, shortest, longest in _MEALS:
        happens, start, minutes, strength = random.random(), random.random(), random.random(), random.normal()
        begin = earliest + (latest - earliest) * start
        length_h = (shortest + (longest - shortest) * minutes) / 60.0
        if happens < likelihood:
            meals.append(Meal(at(begin), at(begin + length_h), 60_000.0 * float(np.exp(0.6 * strength))))
    opened, hour, minutes = random.random(), 8.0 + 10.0 * random.random(), 8.0 + 17.0 * random.random()
    windows = ((at(hour), at(hour + minutes / 60.0)),) if opened < _WINDOW_LIKELIHOOD else ()
    evening = (at(18.0 + random.random()), at(20.5 + random.random()))
    noon = (at(11.5 + random.random()), at(13.5 + random.random()))
    circulation = (noon, evening) if random.random() < 0.4 else (evening,)
    return Day(tuple(meals), windows, circulation)
