"""What the report says and in which order: two pages that a client reads, then the appendix that bears them out."""

from ..settings import House
from .appendix import Appendix
from .blocks import Contents
from .document import ClientReport
from .leading_part import LeadingPart
from .told import Teller, line

_A = "/assessment"


def contents(report: ClientReport, house: House) -> Contents:
    """Compose the report for a house."""
    teller = Teller(report.model_dump(mode="json"), house.units, house.zone, house.clock)
    return Contents(
        title=line(teller.words(f"{_A}/house")),
        about=line(
            "The air in this house from ",
            teller.moment(f"{_A}/period/start"),
            " to ",
            teller.moment(f"{_A}/period/end"),
            ". Report of ",
            teller.day("/made_on"),
            ".",
        ),
        leading=tuple(LeadingPart(report, teller).chapters()),
        appendix=tuple(Appendix(report, teller).chapters()),
    )
