"""An assessment as text for a terminal: the account first, then what to do, then the figures behind it."""

from collections.abc import Iterator
from datetime import date

from motemodel.units import Quantity, from_inside

from ..cards.figures import Written, clock, day_name, sentence, written
from ..engine.assessment import Assessment, Figure, Figures
from ..settings import House, Units

_NAMES = {
    "outdoor_entry_per_h": "outdoor entry",
    "loss_fan_off_per_h": "loss, fan off",
    "clean_air_delivered_m3h": "clean air delivered",
    "installed_efficiency": "as-installed efficiency",
    "sensor_gain_ratio": "sensor gain ratio",
}


def text_of(figure: Figure, units: Units, *, percent: bool = False) -> str:
    """A figure with its 90 % interval and unit, the house's system first and the other in brackets; or its reason."""
    shown: Written = written(figure, units, percent=percent)
    if shown.value is None:
        return f"not known: {shown.reason}"
    first = f"{shown.first.number} ({shown.first.low} to {shown.first.high}) {shown.first.unit}".rstrip()
    return f"{first}  [{shown.other.number} {shown.other.unit}]" if shown.other else first


def volume_text(house: House) -> str:
    """The volume of a house in its own system of units, the other in brackets."""
    cubic_metres = f"{house.house.volume_m3:,.0f} m³"
    cubic_feet = f"{from_inside(house.house.volume_m3, 'ft3', Quantity.VOLUME):,.0f} ft³"
    first, other = (cubic_feet, cubic_metres) if house.units is Units.INCH_POUND else (cubic_metres, cubic_feet)
    return f"{first} ({other})"


def summary(assessment: Assessment, house: House) -> str:
    """The whole summary, one string of several lines."""
    return "\n".join(_lines(assessment, house))


def _lines(assessment: Assessment, house: House) -> Iterator[str]:
    units, zone = house.units, house.zone
    period = assessment.period
    start, end = period.start.astimezone(zone), period.end.astimezone(zone)
    first, last = (f"{day_name(moment.date())} {clock(moment, zone)}" for moment in (start, end))
    yield f"{assessment.house}: {first} to {last}"
    yield f"(local time, {period.time_zone}; steps of {period.step_s:g} s; intervals hold the true value 9 times in 10)"
    yield ""
    yield assessment.air.sentence
    yield ""
    yield from _account(assessment)
    yield ""
    yield f"Fan now: {assessment.fan.action_now}. {assessment.fan.reason}"
    yield f"  forecast: {assessment.fan.forecast_basis}"
    longest = max((len(alternative.name) for alternative in assessment.fan.alternatives), default=0)
    for alternative in assessment.fan.alternatives:
        yield (
            f"  {alternative.name:<{longest}} {alternative.run_hours:5.1f} h"
            f"   energy {text_of(alternative.energy_kwh, units)}"
            f"   mean PM2.5 {text_of(alternative.mean_pm25, units)}"
        )
    yield ""
    change = assessment.filter
    due = f"change on {_day(assessment, change.change_on)}" if change.change_on else ""
    between = f", {_between(assessment, *change.change_between)}. " if change.change_between else ""
    yield f"Filter: {due}{between}{sentence(change.reason)}"
    for limit in change.limits:
        between = _between(assessment, limit.earliest, limit.latest) if limit.earliest and limit.latest else ""
        day = "no day" if limit.on is None else f"{_day(assessment, limit.on)}, {between}"
        yield f"  limit by {limit.reason}: {day}. {limit.told}"
    yield f"  drop at reference airflow: {text_of(change.drop_at_reference_pa, units)}"
    yield f"  dust taken: {text_of(change.deposited_g, units)}"
    yield ""
    yield f"Delivery: {assessment.delivery.verdict.value.replace('_', ' ')}. {sentence(assessment.delivery.reason)}"
    yield from _figures("estimated", assessment.estimates, units)
    yield from _figures("expected from the survey", assessment.expected, units)
    for cause in assessment.delivery.likely_causes:
        yield f"  likely cause: {cause.cause}: {cause.evidence} Next: {cause.next_step}"
    if assessment.events:
        yield ""
        yield "Particles made indoors:"
    for event in assessment.events:
        moment = event.start.astimezone(zone)
        yield (
            f"  {day_name(moment.date())} {clock(moment, zone)} to {clock(event.end, zone)}: "
            f"{text_of(event.emitted_mg, units)}, peak {event.peak_ug_m3:.0f} µg/m³"
        )
    yield ""
    yield "Data:"
    for signal in assessment.data_quality.signals:
        remarks = "; ".join(signal.remarks) or "good"
        yield f"  {signal.signal}: {signal.readings} readings, {signal.coverage:.0%} of the period; {remarks}"
    for remark in assessment.data_quality.remarks:
        yield f"  {remark}"
    yield ""
    yield "Cautions:"
    for caution in assessment.cautions:
        yield f"  {caution.text}"


def _account(assessment: Assessment) -> Iterator[str]:
    ledger = assessment.ledger
    came = (("entered from outdoors", ledger.entered_mg), ("made indoors", ledger.generated_mg))
    went = (
        ("filtered", ledger.filtered_mg),
        ("settled", ledger.settled_mg),
        ("carried out", ledger.carried_out_mg),
        ("still in the air", ledger.stored_mg),
    )
    yield f"{'IN, mg PM2.5':<34}{'OUT, mg PM2.5':<34}"
    for row in range(len(went)):
        left = f"{came[row][0]:<22}{came[row][1]:>9,.0f}" if row < len(came) else ""
        yield f"{left:<34}{went[row][0]:<22}{went[row][1]:>9,.0f}"
    total_in = sum(mass for _, mass in came)
    total_out = sum(mass for _, mass in went)
    yield f"{'total':<22}{total_in:>9,.0f}   {'total':<22}{total_out:>9,.0f}   closes to {ledger.closure:.1e}"
    yield f"({ledger.basis})"


def _figures(title: str, figures: Figures, units: Units) -> Iterator[str]:
    yield f"  {title}"
    for key, name in _NAMES.items():
        yield f"    {name:<24}{text_of(getattr(figures, key), units, percent=key == 'installed_efficiency')}"


def _day(assessment: Assessment, day: date) -> str:
    return str(day) if assessment.in_sight(day) else f"{day} or later"


def _between(assessment: Assessment, earliest: date, latest: date) -> str:
    """The interval of a day; one whose end is not in sight has none."""
    return f"between {earliest} and {latest}" if assessment.in_sight(latest) else f"{earliest} or later"
