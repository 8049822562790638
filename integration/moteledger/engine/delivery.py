"""Expected against delivered clean air: the verdict and, for a shortfall, its likely causes."""

from dataclasses import replace

import numpy as np

from motemodel.estimate import (
    Answer,
    Estimate,
    Evidence,
    Identification,
    Unknown,
    bypass_share,
    clean_drop,
    judge,
    quotient,
)
from motemodel.estimate import Cause as ModelCause
from motemodel.filters import drop_pa, pm25_efficiency

from ..settings import House
from .assessment import Cause, Delivery, FilterAdvice, NotKnown, Verdict
from .figures import figure
from .grid import GriddedHouse
from .survey import Survey, assembly, conditioned_curve, efficiency_curve

_STEADY_ON = 0.95
_AIRFLOW_UNCERTAINTY = 0.07
"""Of a measured airflow, as the survey takes it (common practice, no source)."""
_LEAST_RUNNING_H = 0.5


def delivery(
    house: House,
    identification: Identification,
    expected: Survey,
    filter_: FilterAdvice,
    grid: GriddedHouse,
) -> Delivery:
    """Judge what was delivered by what the survey leads one to expect, with what else is known as evidence."""
    delivered = identification.clean_air_delivered_m3h
    evidence = replace(
        evidence_of(house, filter_, grid),
        bypass=bypass(house, delivered, expected, filter_, grid),
        fan_extra_entry_per_h=identification.fan_extra_entry_per_h,
        sensor_gain_ratio=identification.sensor_gain_ratio,
    )
    return verdict_on(delivered, expected.clean_air_delivered_m3h, evidence)


def verdict_on(delivered: Answer, due: Answer, evidence: Evidence) -> Delivery:
    """Clean air delivered against what is due, both m3/h, however the delivery was found."""
    if isinstance(due, Estimate) and due.low <= 0.0:
        why = (
            "a filter of this rating is not bound to take out any PM2.5, so there is nothing to compare with; "
            "rate it by E1, E2 and E3, or fit one of MERV 8 or more"
        )
        return Delivery(verdict=Verdict.CANNOT_TELL, reason=why, share_of_expected=NotKnown(reason=why))
    judged = judge(delivered, due, evidence)
    return Delivery(
        verdict=Verdict(judged.verdict.value),
        reason=judged.reason,
        share_of_expected=figure(judged.share_of_expected, "1"),
        bypass=None if judged.bypass is None else figure(judged.bypass, "1"),
        likely_causes=tuple(map(_cause, judged.likely_causes)),
    )


def _cause(cause: ModelCause) -> Cause:
    return Cause(cause=cause.kind.value, evidence=cause.evidence, next_step=cause.next_step)


def airflow_measured(grid: GriddedHouse) -> Estimate | None:
    """The usual airflow while the fan runs, m3/h, where a signal tells of it for half an hour or more in all."""
    airflow = grid.values("duct.airflow")
    if airflow is None:
        return None
    running = airflow[(grid.fan > _STEADY_ON) & np.isfinite(airflow)]
    if running.size * grid.grid.step_h < _LEAST_RUNNING_H:
        return None
    usual = float(np.median(running))
    if usual <= 0.0:
        return None
    return Estimate(usual, usual * (1.0 - _AIRFLOW_UNCERTAINTY), usual * (1.0 + _AIRFLOW_UNCERTAINTY))


def bypass(
    house: House, delivered: Answer, expected: Survey, filter_: FilterAdvice, grid: GriddedHouse
) -> Answer | None:
    """The share of air that slips past the filter beyond the surveyed gaps, by delivery and drop; None without a drop.

    Both are expected at the airflow that was measured all along or else surveyed, and share its doubt.
    """
    settings, reference, new = house.filter, filter_.reference_airflow_m3h, filter_.drop_when_new_pa
    fitted = None if settings is None else assembly(settings)
    if settings is None or fitted is None or reference is None or new is None:
        return None
    answers = (
        Unknown(new.reason) if isinstance(new, NotKnown) else Estimate(new.value, new.low, new.high),
        delivered,
        airflow_measured(grid) or expected.airflow_m3h,
        expected.installed_efficiency,
    )
    known = [answer for answer in answers if isinstance(answer, Estimate)]
    if len(known) < len(answers):
        return next(answer for answer in answers if isinstance(answer, Unknown))
    drop, clean_air, airflow, caught = known
    if caught.value <= 0.0:
        return Unknown("a filter that takes nothing out tells nothing of a bypass", "fit one of MERV 8 or more")
    rated = min((point.airflow for point in settings.rated_drop), key=lambda each: abs(np.log(reference / each)))
    return bypass_share(
        quotient(clean_air, caught.scaled(airflow.value)),
        quotient(drop, clean_drop(float(drop_pa(fitted, reference)), reference / rated)),
        airflow.scaled(1.0 / airflow.value),
    )


def evidence_of(house: House, filter_: FilterAdvice, grid: GriddedHouse) -> Evidence:
    """What survey, pressures and measured airflow tell of the assembly beside the air it delivers."""
    now = grid.moment(grid.grid.end_h)
    settings, reference = house.filter, filter_.reference_airflow_m3h
    fitted = None if settings is None else assembly(settings)
    drop = filter_.drop_at_reference_pa
    installed = None if settings is None else settings.installed
    conditioned = None
    if settings is not None and settings.charged and (new := pm25_efficiency(efficiency_curve(settings))) > 0.0:
        conditioned = pm25_efficiency(conditioned_curve(settings)) / new
    return Evidence(
        airflow_m3h=airflow_measured(grid),
        design_airflow_m3h=house.air_handler.airflow,
        drop_pa=None if isinstance(drop, NotKnown) else Estimate(drop.value, drop.low, drop.high),
        expected_drop_pa=None if fitted is None or reference is None else float(drop_pa(fitted, reference)),
        final_drop_pa=filter_.drop_limit_pa,
        charged=settings is not None and settings.charged,
        conditioned_share=conditioned,
        used_days=None if installed is None else float((now.astimezone(house.zone).date() - installed).days),
    )
