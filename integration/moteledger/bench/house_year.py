"""One house-year at one minute, five size bins, the fan cycling, with its ledger."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.integrate import ode, solve_ivp

from motemodel.balance import Cleaner, Inputs, Series, ledger, solve
from motemodel.bounds import FloatArray

from .row import BenchRow, Plain
from .timing import best_of

STEP_H = 1.0 / 60.0
DAY_STEPS = 24 * 60
YEAR_STEPS = 365 * DAY_STEPS
_START_UG_M3 = 5.0
_BIN_SHARES = np.array([0.05, 0.25, 0.35, 0.15, 0.2])
_PENETRATION = np.array([0.6, 0.85, 0.9, 0.75, 0.5])
_DEPOSITION_PER_H = np.array([0.3, 0.08, 0.1, 0.3, 1.2])
_EFFICIENCY = np.array([0.5, 0.3, 0.5, 0.7, 0.9])
_TOLERANCE = 1e-10
"""Of the integrators; with the step as their first guess it brings them to the rounding of the machine, too."""
_RUNS, _PLAIN_RUNS = 15, 3


@dataclass(frozen=True)
class Drive:
    """What drives an invented house over T steps, all of it changing from minute to minute."""

    outdoor_ug_m3: FloatArray
    infiltration_m3h: FloatArray
    running: FloatArray
    emission_ug_h: FloatArray
    volume_m3: float = 400.0
    airflow_m3h: float = 1800.0

    @staticmethod
    def of(steps: int) -> "Drive":
        """Daily waves and noise, the fan on for ten minutes of each half hour, cooking twice a day."""
        rng = np.random.default_rng(2021)
        minute = np.arange(steps)
        day_wave = np.sin(2.0 * np.pi * minute / DAY_STEPS)
        outdoor = (12.0 + 4.0 * day_wave) * rng.lognormal(0.0, 0.2, steps)
        cooking = np.where(minute % (DAY_STEPS // 2) < 20, 6e5, 0.0)
        return Drive(
            outdoor_ug_m3=np.outer(_BIN_SHARES, outdoor),
            infiltration_m3h=120.0 - 40.0 * day_wave + rng.uniform(0.0, 20.0, steps),
            running=(minute % 30 < 10).astype(np.float64),
            emission_ug_h=np.outer(_BIN_SHARES, cooking),
        )

    @property
    def steps(self) -> int:
        """Number of steps."""
        return self.running.size

    def first(self, steps: int) -> "Drive":
        """The same house over its first steps alone."""
        return replace(
            self,
            outdoor_ug_m3=self.outdoor_ug_m3[:, :steps],
            infiltration_m3h=self.infiltration_m3h[:steps],
            running=self.running[:steps],
            emission_ug_h=self.emission_ug_h[:, :steps],
        )

    def rates(self) -> tuple[FloatArray, FloatArray]:
        """Supply, ug/m3 per h, and loss, 1/h, written out by hand for the integrators, (T, B)."""
        entering_ug_h = _PENETRATION[:, np.newaxis] * self.infiltration_m3h * self.outdoor_ug_m3
        cleaned_m3h = self.airflow_m3h * _EFFICIENCY[:, np.newaxis] * self.running
        loss = (self.infiltration_m3h + cleaned_m3h) / self.volume_m3 + _DEPOSITION_PER_H[:, np.newaxis]
        return ((entering_ug_h + self.emission_ug_h) / self.volume_m3).T.copy(), loss.T.copy()


def house_year(steps: int = YEAR_STEPS, plain_steps: int = DAY_STEPS) -> BenchRow:
    """Time the whole way from arrays to masses: checks of the inputs, exact series, ledger; all in processor time.

    Beside it two integrators that give the same, end and mean of each step, on the first `plain_steps`. Inputs jump at
    every step, so they start anew at each, with the step as their first guess, and try nothing in vain; their way from
    means to masses is not counted. All errors are those of ends and means against `by_power_series`.
    """
    drive = Drive.of(steps)
    timing = best_of(lambda: _account(drive), _RUNS)
    stretch = drive.first(plain_steps)
    reference = by_power_series(stretch)

    def plain(method: str, integrate: Callable[[Drive], FloatArray], aim_times: float | None) -> Plain:
        seconds = best_of(lambda: integrate(stretch), _PLAIN_RUNS).processor_seconds
        scaled_from = f"{stretch.steps / DAY_STEPS:g} d" if stretch.steps < steps else ""
        return Plain(
            method, seconds * steps / stretch.steps, error(integrate(stretch), reference), aim_times, scaled_from
        )

    series, closure = _account(drive)
    ends_and_means = np.array([series.end[:, : stretch.steps], series.mean[:, : stretch.steps]])
    return BenchRow(
        name="house-year",
        work=f"{steps:,} steps of 1 min, {_BIN_SHARES.size} size bins, fan cycling, with ledger, on one core",
        measured=timing.processor_seconds,
        aim=0.060,
        error=error(ends_and_means, reference),
        plain=(
            plain("solve_ivp (DOP853)", by_solve_ivp, 300.0),
            plain("ode (compiled dop853)", by_compiled_stepper, None),
        ),
        note=f"the ledger closes to {closure:.0e}; on the clock {1e3 * timing.clock_seconds:.1f} ms",
    )


def _account(drive: Drive) -> tuple[Series, float]:
    inputs = Inputs(
        drive.volume_m3,
        STEP_H,
        drive.outdoor_ug_m3,
        drive.infiltration_m3h,
        _PENETRATION,
        _DEPOSITION_PER_H,
        drive.emission_ug_h,
        cleaners=(Cleaner("filter", drive.airflow_m3h, _EFFICIENCY, drive.running),),
    )
    series = solve(inputs, _START_UG_M3)
    return series, ledger(inputs, series).closure


def error(answer: FloatArray, reference: FloatArray) -> float:
    """Largest deviation as a share of the largest value of the reference."""
    return float(np.abs(answer - reference).max() / np.abs(reference).max())


def by_solve_ivp(drive: Drive) -> FloatArray:
    """Ends and means, (2, B, T), by `solve_ivp`, step after step."""

    def advance(state: FloatArray, gain: FloatArray, rate: FloatArray) -> FloatArray:
        def slope(_: float, now: FloatArray) -> FloatArray:
            return _slope(_, now, gain, rate)

        answer = solve_ivp(
            slope, (0.0, STEP_H), state, method="DOP853", rtol=_TOLERANCE, atol=_TOLERANCE, first_step=STEP_H
        )
        return np.asarray(answer.y[:, -1])

    return _step_by_step(drive, advance)


def by_compiled_stepper(drive: Drive) -> FloatArray:
    """Ends and means, (2, B, T), by the compiled dop853 of `scipy.integrate.ode`, step after step."""
    stepper = ode(_slope).set_integrator("dop853", rtol=_TOLERANCE, atol=_TOLERANCE, first_step=STEP_H)

    def advance(state: FloatArray, gain: FloatArray, rate: FloatArray) -> FloatArray:
        stepper.set_f_params(gain, rate).set_initial_value(state, 0.0)
        return np.array(stepper.integrate(STEP_H))

    return _step_by_step(drive, advance)


def _slope(_: float, state: FloatArray, gain: FloatArray, rate: FloatArray) -> FloatArray:
    """Change of the concentrations and of their integrals, which give the means."""
    level = state[: gain.size]
    return np.concatenate((gain - rate * level, level))


def _step_by_step(drive: Drive, advance: Callable[[FloatArray, FloatArray, FloatArray], FloatArray]) -> FloatArray:
    supply, loss = drive.rates()
    steps, bins = supply.shape
    answer = np.empty((2, bins, steps))
    state = np.full(2 * bins, _START_UG_M3)
    for step in range(steps):
        state[bins:] = 0.0
        state = advance(state, supply[step], loss[step])
        answer[0, :, step] = state[:bins]
        answer[1, :, step] = state[bins:] / STEP_H
    return answer


def by_power_series(drive: Drive) -> FloatArray:
    """Ends and means, (2, B, T), by the power series of the equation in extended precision: the tight reference.

    C(t) = sum of c_n t^n with c_1 = b - lambda c_0 and c_(n+1) = -lambda c_n/(n + 1), until nothing is added.
    """
    supply, loss = (rates.astype(np.longdouble) for rates in drive.rates())
    steps, bins = supply.shape
    answer = np.empty((2, bins, steps))
    level = np.full(bins, _START_UG_M3, dtype=np.longdouble)
    hours = np.longdouble(STEP_H)
    for step in range(steps):
        term = (supply[step] - loss[step] * level) * hours
        end, mean, order = level + term, level + term / 2, 1
        while (np.abs(term) > 1e-21 * np.abs(end)).any():
            order += 1
            term = -loss[step] * hours * term / order
            end, mean = end + term, mean + term / (order + 1)
        level = end
        answer[0, :, step], answer[1, :, step] = end, mean
    return answer
