"""What a fan-off / fan-on test still lacks, in the words in which it is asked for."""

from dataclasses import dataclass
from math import ceil, hypot, log, sqrt

import numpy as np
from numpy.typing import NDArray

from motemodel.estimate import Decay, DecayTest, Estimate, HouseRecord, Unknown, by_weather_per_h, combined
from motemodel.plan import ProofConditions, SensorNoise, narrowed_by, start_needed

_EVEN_SHARE = sqrt(0.5)
_STILL_GOING_STEPS = 3
_SHORTEST_DECAY_H = 1.0 / 3.0
_LONGEST_WAIT_H = 3.0
_USED_UP_SHARE = 0.15
_MOST_DECAYS = 12
_MOST_BY_ENTRY = 0.9
_HIGHEST_START_UG_M3 = 150.0
"""Nobody is asked to bring a home to more than this (common practice, no source)."""


@dataclass(frozen=True)
class Missing:
    """What would make a test enough, in words."""

    record: HouseRecord
    found: DecayTest
    conditions: ProofConditions
    wanted: float

    def told(self) -> tuple[str, ...]:
        """Each thing that is missing, the most telling first; at least one."""
        fan = self.record.fan
        if not np.isfinite(fan).any():
            return (
                "nothing tells when the fan runs: record fan.running, fan.runtime or the heating and cooling calls",
            )
        losses = {False: self.found.loss_fan_off_per_h, True: self.found.loss_fan_on_per_h}
        lacking = tuple(self._first_decay(on) for on in (False, True) if isinstance(losses[on], Unknown))
        if lacking:
            return lacking
        return self._narrower()

    def _first_decay(self, on: bool) -> str:
        state = "on" if on else "off"
        steady = self.record.fan > 0.98 if on else self.record.fan < 0.02
        if not steady.any():
            how = (
                "set the thermostat's fan switch to on"
                if on
                else "set its switch to automatic, with no heat or cooling"
            )
            never = "never runs" if on else "never rests"
            return f"the fan {never} for a whole step in these readings: {how} for the fan-{state} part of the test"
        highest = np.nanmax(np.where(steady, self.record.indoor, np.nan)) if self._known(steady) else np.nan
        wanted = self._start()
        if not np.isfinite(highest):
            return (
                f"no decay with the fan {state} yet: the indoor sensor told nothing while it was {state}, windows shut"
            )
        if highest < 0.5 * wanted:
            return (
                f"no decay with the fan {state} yet: start level too low ({highest:.0f} µg/m³ at most; about "
                f"{wanted:.0f} µg/m³ would do)"
            )
        return f"no decay with the fan {state} yet: let the air clear for half an hour or more with the fan {state}"

    def _known(self, steady: NDArray[np.bool_]) -> bool:
        return bool(np.isfinite(self.record.indoor[steady]).any())

    def _start(self) -> float:
        needed = start_needed(
            self.conditions, SensorNoise(interval_h=min(self.record.step_h, 0.25)), wanted=self.wanted
        )
        return 100.0 if needed is None else needed

    def _narrower(self) -> tuple[str, ...]:
        delivered, volume_m3 = self.found.clean_air_delivered_m3h, self.record.volume_m3
        if not isinstance(delivered, Estimate) or delivered.low <= 0.0:
            return (
                "what the fan clears does not stand out yet: check that the filter is in place and the fan blows, then "
                f"let another peak of about {self._start():.0f} µg/m³ clear with the fan off, and one with the fan on",
            )
        allowed, half_width = (each / volume_m3 for each in (self.wanted * delivered.value, delivered.half_width))
        noise = {on: self._by_itself(on) for on in (False, True)}
        shared = sqrt(max(half_width**2 - noise[False] ** 2 - noise[True] ** 2, 0.0))
        if shared > _MOST_BY_ENTRY * allowed:
            return (self._higher(max(noise, key=self._by_entry)),)
        left = sqrt(allowed**2 - shared**2)
        return tuple(
            self._more(on, noise[on], self._share(left, noise[not on]))
            for on in sorted(noise, key=lambda on: -noise[on])
            if noise[on] > self._share(left, noise[not on])
        )

    def _decays(self, on: bool) -> list[Decay]:
        return [decay for decay in self.found.decays if decay.fan_on == on]

    def _by_itself(self, on: bool) -> float:
        """What noise and the weather of its hour leave open in one loss, 1/h; they are each decay's own."""
        answer = combined([decay.own_loss_per_h for decay in self._decays(on)])
        return hypot(answer.half_width, self._by_weather(on)) if isinstance(answer, Estimate) else np.inf

    def _by_weather(self, on: bool) -> float:
        off = self.found.loss_fan_off_per_h
        return by_weather_per_h(off.value, len(self._decays(on))) if isinstance(off, Estimate) else 0.0

    def _by_entry(self, on: bool) -> float:
        """How far doubt in what enters moves one loss, 1/h; it moves both alike, so only the difference counts."""
        return max(abs(decay.by_entry_per_h) for decay in self._decays(on))

    @staticmethod
    def _share(allowed: float, other: float) -> float:
        """What one half of the test may leave open where the other leaves `other`: the rest, or its even share."""
        even = allowed * _EVEN_SHARE
        return sqrt(allowed**2 - other**2) if other < even else even

    def _more(self, on: bool, noise: float, allowed: float) -> str:
        """What narrows the noise of one half of the test: more time where the decay goes on, more decays or a level."""
        state, decays = "on" if on else "off", self._decays(on)
        # A longer decay tells no more of other hours' weather than a short one.
        weather = self._by_weather(on)
        ratio = sqrt((noise**2 - weather**2) / (allowed**2 - weather**2)) if allowed > weather else np.inf
        waits_h = self._wait_h(decays[-1], ratio)
        if len(decays) == 1 and waits_h is not None:
            return f"another {5 * ceil(12.0 * waits_h)} minutes with the fan {state}"
        single = noise / narrowed_by(len(decays))
        counts = range(len(decays) + 1, _MOST_DECAYS)
        enough = next((count for count in counts if single * narrowed_by(count) <= allowed), None)
        if enough is None:
            return self._higher(on)
        more = enough - len(decays)
        return f"{more} more decay{'s' if more > 1 else ''} with the fan {state}, from the same level or higher"

    def _higher(self, on: bool) -> str:
        """Time and repeats do not help against doubt in what enters from outdoors; a higher level or cleaner air do."""
        began = float(np.nanmax(self.record.indoor[[self._step_of(decay) for decay in self._decays(on)]]))
        level = max(self._start(), 1.5 * began)
        higher = f"from a higher level, about {level:.0f} µg/m³, or " if level <= _HIGHEST_START_UG_M3 else ""
        return f"decays with the fan {'on' if on else 'off'} {higher}on a day of cleaner outdoor air"

    def _step_of(self, decay: Decay) -> int:
        step = round((decay.start_h - self.record.start_h) / self.record.step_h)
        return min(max(step, 0), self.record.count - 1)

    def _wait_h(self, last: Decay, ratio: float) -> float | None:
        """How much longer the decay that is going on must last, h; None if none is, or if it will have died away.

        The slope of n even readings has a variance that falls with the cube of their span.
        """
        end_h = self.record.start_h + self.record.count * self.record.step_h
        if end_h - last.end_h > _STILL_GOING_STEPS * self.record.step_h:
            return None
        lasted = last.end_h - last.start_h
        more = max(lasted, _SHORTEST_DECAY_H) * (ratio ** (2.0 / 3.0) - 1.0)
        usable = -log(_USED_UP_SHARE) / max(last.loss_per_h.value, 0.01) - lasted
        return more if more <= min(usable, _LONGEST_WAIT_H) else None
