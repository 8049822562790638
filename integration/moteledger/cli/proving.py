"""The fan-off / fan-on test as text for a terminal: the plan step by step, what is shown, and a line while live."""

from collections.abc import Iterator
from textwrap import wrap

from ..cards.figures import clock, day_name, per_cent
from ..engine import Proof, ProofGuide
from ..engine.assessment import Caution
from ..settings import House
from .summary import text_of

_WIDTH = 110


def guide_text(guide: ProofGuide, house: House) -> str:
    """The plan of the test, one string of several lines."""
    return "\n".join(_guide_lines(guide, house))


def proof_text(proof: Proof, house: House) -> str:
    """What the test shows, one string of several lines."""
    return "\n".join(_proof_lines(proof, house))


def live_line(proof: Proof, house: House) -> str:
    """Where the test stands, on one line."""
    level = "no indoor level" if proof.indoor_pm25_now is None else f"{proof.indoor_pm25_now:.0f} µg/m³"
    fan = "fan not known" if proof.fan_now is None else f"fan {proof.fan_now}"
    counts = ", ".join(
        f"{sum(decay.fan == state for decay in proof.decays)} with the fan {state}" for state in ("off", "on")
    )
    if proof.enough:
        told = f"enough: clean air delivered {text_of(proof.clean_air_delivered_m3h, house.units)}"
    else:
        width = "" if proof.half_width is None else f"known to ±{per_cent(proof.half_width)}; "
        told = f"{width}missing: {'; '.join(proof.missing)}"
    return f"{clock(proof.period.end, house.zone)}  {level}, {fan}; decays: {counts}; {told}"


def _guide_lines(guide: ProofGuide, house: House) -> Iterator[str]:
    units = house.units
    yield f"{guide.house}: fan-off / fan-on test"
    yield ""
    yield f"Expected clean air delivered: {text_of(guide.expected_clean_air_delivered_m3h, units)}"
    yield f"Expected loss, fan off: {text_of(guide.expected_loss_fan_off_per_h, units)}"
    yield (
        f"Wanted: the clean air delivered to ±{per_cent(guide.wanted_half_width)}, 9 times in 10. "
        + (
            f"This plan should come to ±{per_cent(guide.half_width)}."
            if guide.half_width is not None
            else "This plan is not likely to come near it."
        )
    )
    if guide.one_test_from_ug_m3 is not None:
        yield f"One pass should do from {guide.one_test_from_ug_m3:.0f} µg/m³ on, with a peak for each stretch."
    for remark in guide.remarks:
        yield from wrap(f"Note: {remark}", _WIDTH)
    yield ""
    for number, step in enumerate(guide.steps, start=1):
        length = "" if step.minutes is None else f"{step.minutes} min"
        yield from wrap(step.text, _WIDTH, initial_indent=f"{number:>2}. {length:>7}  ", subsequent_indent=" " * 13)
    yield ""
    yield from _cautions(guide.cautions)


def _proof_lines(proof: Proof, house: House) -> Iterator[str]:
    units, zone = house.units, house.zone
    start, end = proof.period.start.astimezone(zone), proof.period.end.astimezone(zone)
    yield f"{proof.house}: {day_name(start.date())} {clock(start, zone)} to {day_name(end.date())} {clock(end, zone)}"
    yield f"(local time, {proof.period.time_zone}; intervals hold the true value 9 times in 10)"
    yield ""
    yield "Decays:" if proof.decays else "Decays: none that can be used"
    for decay in proof.decays:
        begin = decay.start.astimezone(zone)
        yield (
            f"  {day_name(begin.date())} {clock(begin, zone)} to {clock(decay.end, zone)}, fan {decay.fan}: "
            f"loss {text_of(decay.loss_per_h, units)}"
        )
    yield ""
    rows = (
        ("loss, fan off", proof.loss_fan_off_per_h, proof.expected_loss_fan_off_per_h),
        ("loss, fan on", proof.loss_fan_on_per_h, None),
        ("clean air delivered", proof.clean_air_delivered_m3h, proof.expected_clean_air_delivered_m3h),
        ("as-installed efficiency", proof.installed_efficiency, proof.expected_installed_efficiency),
    )
    for name, found, expected in rows:
        percent = name == "as-installed efficiency"
        yield f"  {name:<24}{text_of(found, units, percent=percent)}"
        if expected is not None:
            yield f"  {'  expected':<24}{text_of(expected, units, percent=percent)}"
    yield ""
    yield f"Delivery: {proof.delivery.verdict.value.replace('_', ' ')}. {proof.delivery.reason}"
    for cause in proof.delivery.likely_causes:
        yield f"  likely cause: {cause.cause}: {cause.evidence} Next: {cause.next_step}"
    yield ""
    if proof.enough:
        yield "The test is enough."
    else:
        yield f"Not enough yet (±{per_cent(proof.wanted_half_width)} is wanted). What is missing:"
        yield from (f"  {what}" for what in proof.missing)
    yield from (f"Note: {remark}" for remark in proof.remarks)
    yield ""
    yield from _cautions(proof.cautions)


def _cautions(cautions: tuple[Caution, ...]) -> Iterator[str]:
    yield "Cautions:"
    yield from (f"  {caution.text}" for caution in cautions)
