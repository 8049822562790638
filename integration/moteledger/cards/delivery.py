"""The card of the delivery, for the contractor: expected against delivered, the verdict, likely causes, next steps."""

from dataclasses import dataclass

from motemodel.estimate import SHARE_NEEDED

from ..engine.assessment import Cause, Caution, Figures, Known, Verdict
from .drawing import Reading, Scale, mark, scale_over, strip
from .figures import Written, per_cent, sentence
from .notes import Cell, Notes
from .occasion import Occasion

_NAMES = {
    "clean_air_delivered_m3h": "Clean air delivered",
    "installed_efficiency": "Efficiency as installed, PM2.5",
    "outdoor_entry_per_h": "Outdoor entry rate",
    "loss_fan_off_per_h": "Loss, fan off",
    "sensor_gain_ratio": "Sensor gain ratio, indoor over outdoor",
}


@dataclass(frozen=True)
class FigureRow:
    """One of the five figures of the house: expected by the survey, found in operation."""

    name: str
    unit: str
    expected: Cell
    found: Cell


@dataclass(frozen=True)
class DeliveryCard:
    """What the card of the delivery shows."""

    lead: str
    verdict: str
    reason: str
    readings: tuple[Reading, ...]
    scale: Scale
    share: Written
    share_reading: Reading
    share_scale: Scale
    causes: tuple[Cause, ...]
    rows: tuple[FigureRow, ...]
    notes: tuple[tuple[int, str], ...]
    cautions: tuple[Caution, ...]


def delivery_card(occasion: Occasion) -> DeliveryCard:
    """The card of the delivery from an assessment."""
    assessment = occasion.assessment
    delivery = assessment.delivery
    expected, found = assessment.expected.clean_air_delivered_m3h, assessment.estimates.clean_air_delivered_m3h
    scale = occasion.scale([each.high for each in (expected, found) if isinstance(each, Known)], "m3/h")
    expected_written, found_written = occasion.figure(expected), occasion.figure(found)
    share = occasion.figure(delivery.share_of_expected, percent=True)
    share_scale = scale_over([1.0, share.interval[1] if share.interval else None])
    notes = Notes()
    return DeliveryCard(
        lead=_lead(delivery.verdict, share),
        verdict={
            Verdict.DELIVERS: "Delivers",
            Verdict.SHORT: "Short",
            Verdict.CANNOT_TELL: "Cannot tell yet",
        }[delivery.verdict],
        reason=sentence(delivery.reason),
        readings=(
            Reading("Expected from the survey", expected_written, strip(expected_written, scale)),
            Reading("Delivered, as measured", found_written, strip(found_written, scale)),
        ),
        scale=scale,
        share=share,
        share_reading=Reading(
            "Share of what was expected",
            share,
            strip(share, share_scale, mark(share_scale.percent(SHARE_NEEDED), f"{per_cent(SHARE_NEEDED)} asked")),
        ),
        share_scale=share_scale,
        causes=delivery.likely_causes,
        rows=tuple(_row(name, assessment.expected, assessment.estimates, notes, occasion) for name in _NAMES),
        notes=notes.texts,
        cautions=tuple(each for each in assessment.cautions if each.applies_to == "delivery"),
    )


def _row(key: str, expected: Figures, found: Figures, notes: Notes, occasion: Occasion) -> FigureRow:
    percent = key == "installed_efficiency"
    expected_written = occasion.figure(getattr(expected, key), percent=percent)
    found_written = occasion.figure(getattr(found, key), percent=percent)
    unit = found_written.first.unit or expected_written.first.unit
    return FigureRow(_NAMES[key], unit, notes.cell(expected_written), notes.cell(found_written))


def _lead(verdict: Verdict, share: Written) -> str:
    percentage = f"{share.first.number}\N{NO-BREAK SPACE}%" if share.value is not None else ""
    if verdict is Verdict.DELIVERS:
        found = f", {percentage} of what was expected" if percentage else ""
        return f"The system delivers the clean air it should{found}."
    if verdict is Verdict.SHORT:
        found = f": {percentage} of what was expected" if percentage else ""
        return f"The system falls short of the clean air it should deliver{found}."
    return "Whether the system delivers the clean air it should cannot be told yet."
