"""The two pages that a client reads: what was found, where the fine dust went and what to do."""

from collections.abc import Iterator
from functools import partial

from ..engine.assessment import Verdict
from .blocks import Block, Chapter, Lead, Paragraph, Picture, Points, Signatures, Subhead, Table
from .causes import cause_named
from .document import ClientReport
from .pictures import account_picture, delivery_picture
from .told import Cell, Line, Run, Teller, line, text_cell

_A = "/assessment"
_FOUND, _EXPECTED = f"{_A}/estimates", f"{_A}/expected"


class LeadingPart:
    """Writes the leading chapters of one report."""

    def __init__(self, report: ClientReport, teller: Teller) -> None:
        self.report, self.tell = report, teller

    def chapters(self) -> Iterator[Chapter]:
        """All of them, in order."""
        yield Chapter("in-short", "In short", tuple(self._in_short()))
        yield Chapter("account", "Where the fine dust went", tuple(self._account()))
        yield Chapter("to-do", "What to do", tuple(self._to_do()))
        yield Chapter("signatures", "Handed over", (self._signatures(),))

    def _in_short(self) -> Iterator[Block]:
        tell, delivery = self.tell, self.report.assessment.delivery
        found, expected = f"{_FOUND}/clean_air_delivered_m3h", f"{_EXPECTED}/clean_air_delivered_m3h"
        yield Lead(
            line(
                {
                    Verdict.DELIVERS: "Your system cleans the air as well as it should.",
                    Verdict.SHORT: "Your system cleans less air than it should.",
                    Verdict.CANNOT_TELL: "Whether your system cleans the air as well as it should cannot be told yet.",
                }[delivery.verdict]
            )
        )
        if tell.known(found):
            told = line(
                "While its fan runs, it gives the rooms ",
                tell.about(found),
                " of clean air; the true figure lies within ",
                tell.range(found),
                ", nine times in ten.",
            )
        else:
            told = line("How much clean air it gives the rooms is not known yet; the appendix says why.")
        if tell.known(expected):
            told = line(told, " A system like this one should give ", tell.about(expected), ".")
        share = f"{_A}/delivery/share_of_expected"
        if tell.known(share):
            told = line(told, " That is ", tell.about(share, percent=True), " of what is to be expected.")
        yield Paragraph(told)
        yield Picture(
            "delivery",
            partial(delivery_picture, self.report, tell),
            "Clean air expected and delivered, each with its range",
            line("Hatched: the range that holds the true figure nine times in ten."),
        )

    def _account(self) -> Iterator[Block]:
        tell, report = self.tell, self.report
        if report.filtered_share is None:
            yield Lead(line("Nothing is booked for this time: no fine dust was measured."))
            return
        yield Lead(
            line(
                "Of all the fine dust that came in or was made indoors, ",
                tell.exact("/filtered_share", percent=True),
                " was filtered out of the air.",
            )
        )
        yield Picture(
            "account",
            partial(account_picture, report),
            "Two bars of one length: what came in and was made, and what took it out",
            (),
        )
        ledger, into, out = f"{_A}/ledger", [], []
        into += [("From outdoors", f"{ledger}/entered_mg"), ("Made indoors", f"{ledger}/generated_mg")]
        out += [
            ("Filtered out", f"{ledger}/filtered_mg"),
            ("Settled on surfaces", f"{ledger}/settled_mg"),
            ("Left with the air", f"{ledger}/carried_out_mg"),
        ]
        into.append(("", ""))
        rows: list[tuple[Cell, ...]] = [
            (text_cell(left), self._mass(at), text_cell(right), self._mass(to))
            for (left, at), (right, to) in zip(into, out, strict=True)
        ]
        change = line("More in the air at the end (less, where negative)")
        rows.append((text_cell(""), ((),), (change,), self._mass(f"{ledger}/stored_mg")))
        rows.append((text_cell("Total"), self._mass("/came_in_mg"), text_cell("Total"), self._mass("/went_out_mg")))
        yield Table(
            "The account, in milligrams", ("In", "mg", "Out", "mg"), tuple(rows), frozenset({1, 3}), (3, 1.2, 3, 1.2), 1
        )

    def _mass(self, pointer: str) -> Cell:
        return ((self.tell.number(pointer, "mg", decimals=0, style="figure"),),) if pointer else ((),)

    def _to_do(self) -> Iterator[Block]:
        tell, assessment = self.tell, self.report.assessment
        items: list[Line] = []
        for place, cause in enumerate(assessment.delivery.likely_causes):
            at = f"{_A}/delivery/likely_causes/{place}"
            items.append(line(Run(f"{cause_named(cause.cause)}: ", style="strong"), tell.quote(f"{at}/next_step")))
        if assessment.filter.change_on is not None:
            told = line(Run("Filter: ", style="strong"), "change it around ", tell.day(f"{_A}/filter/change_on"))
            between = assessment.filter.change_between
            if between is not None:
                low, high = tell.day(f"{_A}/filter/change_between/0"), tell.day(f"{_A}/filter/change_between/1")
                ends = (
                    ("falls between ", low, " and ", high)
                    if assessment.in_sight(between[1])
                    else ("is ", low, " or later")
                )
                told = line(told, "; nine times in ten the day ", *ends)
            if assessment.filter.order_by is not None:
                told = line(told, ". Order one by ", tell.day(f"{_A}/filter/order_by"))
            items.append(line(told, "."))
        else:
            why = " when it is due cannot be told yet; the appendix says what is missing."
            items.append(line(Run("Filter:", style="strong"), why))
        told = line(
            Run("Fan: ", style="strong"),
            "over the two days after this report the best plan runs it for ",
            tell.exact(f"{_A}/fan/run_hours", "h"),
        )
        if tell.known(f"{_A}/fan/mean_pm25"):
            told = line(
                told, " and brings the air indoors to about ", tell.about(f"{_A}/fan/mean_pm25"), " of fine dust"
            )
        items.append(line(told, "; ", tell.exact(f"{_A}/fan/target_ug_m3", "ug/m3"), " is wished for."))
        items.append(line(Run("Cost: ", style="strong"), self._cost()))
        yield Points(tuple(items))
        yield Subhead("Mind this as well")
        yield Points(
            tuple(line(tell.quote(f"{_A}/cautions/{place}/text")) for place in range(len(assessment.cautions)))
        )

    def _cost(self) -> Line:
        tell = self.tell
        told = line("in the ", tell.exact("/lasted_h", "h"), " of this record the fan ran for ")
        told = line(told, tell.exact("/energy/fan_hours", "h"))
        if tell.known("/energy/energy_kwh"):
            told = line(told, " and used ", tell.about("/energy/energy_kwh"))
        if tell.known("/energy/cost"):
            told = line(told, ", which cost ", tell.about("/energy/cost"))
        return line(told, ".")

    @staticmethod
    def _signatures() -> Signatures:
        return Signatures((("For the contractor", "Date"), ("For the client", "Date")))
