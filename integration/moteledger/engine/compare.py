"""Candidates for the filter compared on one surveyed house: what each delivers, for how long, at what cost, or why not.

Every candidate is run through its life in this house at the fan's typical runtime, and again in a cleaner and a dustier
house, which gives its life an interval. A candidate is refused where the system could not breathe through it when new.
"""

import math
from collections.abc import Callable, Sequence
from string import ascii_uppercase

import numpy as np

from motemodel.airside import RATED_STATIC_PA, NoOperatingPointError
from motemodel.bounds import FloatArray
from motemodel.plan import PM25_BINS

from ..settings import Candidate, House
from .assessment import Caution, Figure, Known
from .cautions import Circumstances, cautions_for
from .comparison import BlowerCurve, Comparison, Conditions, CurvePoint, Entry, Outcome, Ranking, Stage
from .figures import figure
from .fitted import Fitted, least_airflow_m3h
from .lifetime import Day, ordinary_day, outcome, smoke_day
from .system import ComparisonError, System, surveyed_system

IN_PLACE_MARK = "0"
_BLOWER_POINTS = 61
_SEALED_DUCT = Caution(
    code="remote_cabinet",
    applies_to="filter",
    text="The round duct and the cabinet at its end are under suction: where they leak in a garage, attic or crawl "
    "space they draw that air, exhaust fumes included, into the house. Have them sealed, insulated and tested.",
)


def compare(house: House, candidates: Sequence[Candidate], ranked_by: Ranking = Ranking.CLEAN_AIR) -> Comparison:
    """Compare candidates on a house, the fitting ones ranked.

    Raises ComparisonError, naming the key, the value and the fix, where the survey does not say enough.
    """
    try:
        system = surveyed_system(house)
        ordinary, smoke = ordinary_day(system), smoke_day(system)
        in_place = _in_place(system, ordinary, smoke)
    except ComparisonError as error:
        raise ComparisonError(f"house file: {error}") from None
    except ValueError as error:
        raise ComparisonError(f"house file: the survey does not hold together: {error}") from None
    entries = []
    for place, (candidate, mark) in enumerate(zip(candidates, ascii_uppercase, strict=False)):
        try:
            entries.append(_entry(system, candidate, mark, ordinary, smoke))
        except ValueError as error:
            raise ComparisonError(f"candidates.{place} ({candidate.name}): {error}") from None
    ranked = sorted((entry for entry in entries if entry.outcome is not None), key=_order(ranked_by))
    return Comparison(
        house=house.name,
        ranked_by=ranked_by,
        currency=house.tariff.currency,
        entries=(
            *(entry.model_copy(update={"rank": place + 1}) for place, entry in enumerate(ranked)),
            *(entry for entry in entries if entry.outcome is None),
        ),
        in_place=in_place,
        blower=_blower_curve(system),
        conditions=_conditions(system, ordinary, smoke),
        cautions=_cautions(house, candidates, entries),
    )


def _entry(system: System, candidate: Candidate, mark: str, ordinary: Day, smoke: Day) -> Entry:
    fitted = Fitted.candidate(system, candidate)
    try:
        point = fitted.operating_point()
    except NoOperatingPointError:
        return Entry(
            mark=mark,
            name=candidate.name,
            rank=None,
            refusals=(fitted.stalled(),),
            warnings=(),
            remarks=(),
            system_curve=fitted.system_curve(),
            new=None,
            cooling_capacity_left=None,
            outcome=None,
        )
    refusals, warnings = fitted.findings(point)
    new = fitted.stage(point, 0.0, _air(system, ordinary))
    result = None if refusals else outcome(fitted, ordinary, smoke, candidate.parallel, candidate.assembly_price)
    return Entry(
        mark=mark,
        name=candidate.name,
        rank=None,
        refusals=refusals,
        warnings=warnings,
        remarks=_remarks(fitted, new, result),
        system_curve=fitted.system_curve(),
        new=new,
        cooling_capacity_left=fitted.cooling_capacity_left(point.airflow_m3h),
        outcome=result,
    )


def _in_place(system: System, ordinary: Day, smoke: Day) -> Entry | None:
    """The filter of the survey when new, for comparison: never refused, since it is there; its limits are warned of."""
    fitted = Fitted.in_place(system)
    if fitted is None:
        return None
    point = fitted.operating_point()
    refusals, warnings = fitted.findings(point)
    new = fitted.stage(point, 0.0, _air(system, ordinary))
    result = outcome(fitted, ordinary, smoke)
    return Entry(
        mark=IN_PLACE_MARK,
        name="The filter in place, new",
        rank=None,
        refusals=(),
        warnings=(*refusals, *warnings),
        remarks=_remarks(fitted, new, result),
        system_curve=fitted.system_curve(),
        new=new,
        cooling_capacity_left=None,
        outcome=result,
    )


def _remarks(fitted: Fitted, new: Stage, result: Outcome | None) -> tuple[str, ...]:
    remarks = []
    rated, least = fitted.settings.merv, new.merv[0]
    if rated is not None and least < rated and fitted.settings.gaps:
        share = 100.0 * fitted.gap_share(new.airflow_m3h)
        remarks.append(
            f"{share:.2g} % of the air goes round the filter through its gaps: the media are MERV {rated}, "
            f"the assembly only surely meets {_merv(least)}."
        )
    if result is not None and fitted.settings.charged and isinstance(new.pm25_efficiency, Known):
        end = result.end.pm25_efficiency
        kept = f"{100.0 * end.value:.0f} % of PM2.5 in one pass" if isinstance(end, Known) else "less"
        remarks.append(
            f"Charged media: as particles load them the assembly fades from {100.0 * new.pm25_efficiency.value:.0f} to "
            f"{kept} by the end of its life ({_merv(least)} new, {_merv(result.end.merv[0])} then)."
        )
    if result is not None and result.life.ended_by not in ("age", "pressure", "efficiency"):
        remarks.append("The system, not the filter, ends its life: a stronger blower or freer ducts would use it up.")
    return tuple(remarks)


def _merv(merv: int) -> str:
    return f"MERV {merv}" if merv else "less than MERV 5"


def _air(system: System, ordinary: Day) -> FloatArray:
    return ordinary.indoors(system.household)


def _order(ranked_by: Ranking) -> Callable[[Entry], float]:
    """The smaller the better; what is not known comes last."""

    def order(entry: Entry) -> float:
        if entry.outcome is None:
            return math.inf
        told: tuple[Figure, float] = {
            Ranking.CLEAN_AIR: (entry.outcome.clean_air_typical_m3h, -1.0),
            Ranking.COST: (entry.outcome.cost.yearly, 1.0),
            Ranking.LIFE: (entry.outcome.life.months, -1.0),
            Ranking.ORDINARY_DAY: (entry.outcome.indoor.ordinary_typical, 1.0),
            Ranking.SMOKE_DAY: (entry.outcome.indoor.smoke_always_on, 1.0),
        }[ranked_by]
        result, sign = told
        return sign * result.value if isinstance(result, Known) else math.inf

    return order


def _blower_curve(system: System) -> BlowerCurve:
    static = np.linspace(*system.blower.static_range_pa, _BLOWER_POINTS)
    return BlowerCurve(
        name=system.blower.family.value,
        points=tuple(
            CurvePoint(airflow_m3h=float(airflow), pressure_pa=float(pressure))
            for airflow, pressure in zip(system.blower.airflow_m3h(static), static, strict=True)
        ),
        surveyed=CurvePoint(airflow_m3h=system.airflow_m3h, pressure_pa=system.external_static_pa),
    )


def _conditions(system: System, ordinary: Day, smoke: Day) -> Conditions:
    outdoors, rated = system.house.outdoors, system.house.air_handler.rated_static
    unfiltered = (float(day.indoors(system.household)[:PM25_BINS].sum()) for day in (ordinary, smoke))
    ordinary_unfiltered, smoke_unfiltered = unfiltered
    return Conditions(
        fan_runtime=figure(system.runtime, "1"),
        ordinary_outdoor_ug_m3=outdoors.ordinary_pm25,
        smoke_outdoor_ug_m3=outdoors.smoke_pm25,
        ordinary_unfiltered_ug_m3=ordinary_unfiltered,
        smoke_unfiltered_ug_m3=smoke_unfiltered,
        target_ug_m3=system.house.targets.pm25,
        least_airflow_m3h=least_airflow_m3h(system),
        most_static_pa=RATED_STATIC_PA if rated is None else rated,
        most_static_is_rated=rated is not None,
        assumptions=system.assumptions,
    )


def _cautions(house: House, candidates: Sequence[Candidate], entries: Sequence[Entry]) -> tuple[Caution, ...]:
    starved = any(
        finding.rule in ("airflow_per_ton", "temperature_rise", "blower_range")
        for entry in entries
        for finding in entry.refusals
    ) or any(entry.outcome is not None and entry.outcome.life.ended_by == "airflow" for entry in entries)
    cooled = house.air_handler.cooling_capacity is not None or house.air_handler.coil is not None
    usual = cautions_for(
        Circumstances(house=house, cooling_recently=cooled, fan_to_run=True, poor_air=True, low_airflow=starved)
    )
    return (*usual, _SEALED_DUCT) if any(candidate.duct for candidate in candidates) else usual
