"""The appendix that bears the leading pages out: the survey, the figures, the test, the courses and the method."""

from collections.abc import Iterator
from datetime import date
from functools import partial

from ..cards.fan import alike
from ..engine.assessment import Known
from .blocks import Block, Chapter, Paragraph, Picture, Points, Subhead, Table
from .causes import cause_named
from .document import ClientReport, Surveyed
from .method import METHOD, SOURCES
from .pictures import course_picture, pressure_picture
from .told import Cell, Line, Run, Teller, line, text_cell

_A = "/assessment"
_FOUND, _EXPECTED = f"{_A}/estimates", f"{_A}/expected"
_FIGURES = {
    "clean_air_delivered_m3h": "Clean air delivered while the fan runs",
    "installed_efficiency": "Efficiency as installed, PM2.5, %",
    "outdoor_entry_per_h": "Entry from outdoors, per hour",
    "loss_fan_off_per_h": "Loss with the fan at rest, per hour",
    "sensor_gain_ratio": "Indoor sensor over outdoor sensor",
}
_LIMITS = {
    "pressure": "Resistance",
    "airflow": "Air left for heating and cooling",
    "efficiency": "Fine particles taken",
    "dust": "Dust held",
    "age": "Time in use",
}
_MOST_EVENTS = 20
_LONG_H = 96.0


class Appendix:
    """Writes the chapters of the appendix of one report."""

    def __init__(self, report: ClientReport, teller: Teller) -> None:
        self.report, self.tell = report, teller

    def chapters(self) -> Iterator[Chapter]:
        """All of them, in order."""
        yield Chapter("house", "The house and what is installed", tuple(self._surveyed()))
        yield Chapter("figures", "The five figures of the house", tuple(self._five()))
        yield Chapter("test", "The fan-off / fan-on test", tuple(self._test()))
        yield Chapter("change", "Before and after", tuple(self._before_after()))
        yield Chapter("course", "Indoors and outdoors", tuple(self._course()))
        yield Chapter("filter", "Pressure and the life of the filter", tuple(self._filter()))
        yield Chapter("fan", "The fan and its energy", tuple(self._fan()))
        yield Chapter("events", "Particles made indoors", tuple(self._events()))
        yield Chapter("method", "Method and sources", self._method())
        yield Chapter("quality", "The readings behind it", tuple(self._quality()))

    def _surveyed(self) -> Iterator[Block]:
        for title, key, facts in (
            ("The house, as surveyed", "house", self.report.house),
            ("The filter assembly", "installed", self.report.installed),
        ):
            if not facts:
                yield Paragraph(line("No filter assembly is described in the survey."))
                continue
            rows = tuple(
                (text_cell(fact.name), (self._fact(f"/{key}/{place}", fact),)) for place, fact in enumerate(facts)
            )
            yield Table(title, ("", "Surveyed"), rows, frozenset({1}), (3, 2))

    def _fact(self, pointer: str, fact: Surveyed) -> Line:
        tell = self.tell
        if fact.unit == "date":
            return line(tell.day(f"{pointer}/value"))
        if isinstance(fact.value, str):
            return line(tell.words(f"{pointer}/value"))
        told = tell.exact(f"{pointer}/value", "" if fact.unit == "1" else fact.unit, percent=fact.unit == "1")
        if fact.at_airflow_m3h is not None:
            told = line(told, " at ", tell.exact(f"{pointer}/at_airflow_m3h", "m3/h"))
        return told

    def _five(self) -> Iterator[Block]:
        tell = self.tell
        yield Paragraph(line(tell.quote(f"{_A}/delivery/reason")))
        rows = []
        for key, name in _FIGURES.items():
            percent = key == "installed_efficiency"
            cells = [
                tell.cell(f"{where}/{key}", percent=percent, unit=key == "clean_air_delivered_m3h")
                for where in (_EXPECTED, _FOUND)
            ]
            rows.append((text_cell(name), *cells))
        yield Table(
            "Expected by the survey, found in operation; below each its range of nine times in ten",
            ("", "Expected", "Found"),
            tuple(rows),
            frozenset({1, 2}),
            (2.4, 2, 2),
        )
        causes = self.report.assessment.delivery.likely_causes
        if causes:
            yield Subhead("Likely causes of the shortfall, the likeliest first")
            yield Points(
                tuple(
                    line(
                        Run(f"{cause_named(cause.cause)}. ", style="strong"),
                        tell.quote(f"{_A}/delivery/likely_causes/{place}/evidence"),
                        " ",
                        tell.quote(f"{_A}/delivery/likely_causes/{place}/next_step"),
                    )
                    for place, cause in enumerate(causes)
                )
            )

    def _test(self) -> Iterator[Block]:
        tell, proof = self.tell, self.report.proof
        if proof is None:
            yield Paragraph(
                line("This record holds no test: no raised level of particles that fell with windows shut.")
            )
            return
        yield Paragraph(line(tell.quote("/proof/delivery/reason")))
        rows = (
            (text_cell("Loss with the fan at rest, per hour"), tell.cell("/proof/loss_fan_off_per_h", unit=False)),
            (text_cell("Loss with the fan running, per hour"), tell.cell("/proof/loss_fan_on_per_h", unit=False)),
            (text_cell("Clean air delivered"), tell.cell("/proof/clean_air_delivered_m3h")),
            (
                text_cell("Efficiency as installed, %"),
                tell.cell("/proof/installed_efficiency", percent=True, unit=False),
            ),
        )
        yield Table("What the test shows", ("", "Found"), rows, frozenset({1}), (3, 2))
        lost = tuple(
            (
                ((tell.moment(f"/proof/decays/{place}/start"),),),
                ((tell.moment(f"/proof/decays/{place}/end"),),),
                text_cell(f"fan {decay.fan}"),
                tell.cell(f"/proof/decays/{place}/loss_per_h", unit=False, beside=True),
            )
            for place, decay in enumerate(proof.decays[:_MOST_EVENTS])
        )
        yield Table("The first decays", ("From", "Until", "", "Loss, per hour"), lost, frozenset({3}), (2, 2, 1, 1.5))
        notes = [f"/proof/missing/{place}" for place in range(len(proof.missing))]
        notes += [f"/proof/remarks/{place}" for place in range(len(proof.remarks))]
        if notes:
            yield Points(tuple(line(tell.quote(note)) for note in notes))

    def _before_after(self) -> Iterator[Block]:
        tell, change = self.tell, self.report.change
        if change is None:
            yield Paragraph(line("No change of the filter lies within this record, so there is no before and after."))
            return
        told = line("Changed on ", tell.day("/change/changed_on"), ": ", tell.words("/change/known_by"), ".")
        yield Paragraph(told)
        sides = [side for side in ("before", "after") if getattr(change, side) is not None]
        if sides:
            rows: list[tuple[Cell, ...]] = [
                (text_cell(name), *(tell.plain(f"/change/{side}/{key}", "ug/m3") for side in sides))
                for name, key in (
                    ("PM2.5 indoors, mean, µg/m³", "indoor_mean_ug_m3"),
                    ("PM2.5 outdoors, mean, µg/m³", "outdoor_mean_ug_m3"),
                )
            ]
            rows += [
                (text_cell(name), *(tell.cell(f"/change/{side}/{key}", percent=percent) for side in sides))
                for name, key, percent in (
                    ("Clean air delivered", "clean_air_delivered_m3h", False),
                    ("Efficiency as installed", "installed_efficiency", True),
                    ("Resistance of the filter", "drop_at_reference_pa", False),
                )
            ]
            heads = ("", *(side.capitalize() for side in sides))
            columns = frozenset(range(1, len(heads)))
            yield Table("Before the change and after it", heads, tuple(rows), columns, (2.4, *(2.0 for _ in sides)))
        for place in range(len(change.remarks)):
            yield Paragraph(line(tell.quote(f"/change/remarks/{place}")))

    def _course(self) -> Iterator[Block]:
        tell, fit = self.tell, self.report.fit
        if len(self.report.course) < 2:
            yield Paragraph(line("There are too few readings to draw."))
            return
        if fit.bias_ug_m3 is not None:
            told = line(
                "Drawn in steps of ",
                tell.exact("/fit/step_min", "min"),
                ". What is left over is ",
                tell.exact("/fit/bias_ug_m3", "ug/m3"),
                " on average and ",
                tell.exact("/fit/typical_ug_m3", "ug/m3"),
                " in size as a rule",
            )
            if fit.explained is not None:
                told = line(told, "; the account explains ", tell.exact("/fit/explained", percent=True))
                told = line(told, " of the ups and downs")
            yield Paragraph(line(told, "."))
        yield Picture(
            "course",
            partial(course_picture, "course", self.report, tell),
            "PM2.5 over the whole record",
            line(
                "PM2.5, µg/m³: outdoors; indoors as measured and, broad, by the account; left over is measured less "
                "reckoned."
            ),
        )
        if self.report.lasted_h > _LONG_H and len(self.report.assessment.trace) > 1:
            yield Picture(
                "detail",
                partial(course_picture, "detail", self.report, tell),
                "PM2.5 over the last two days",
                line("The last two days of the same."),
            )

    def _filter(self) -> Iterator[Block]:
        tell, advice = self.tell, self.report.assessment.filter
        why = tell.quote(f"{_A}/filter/reason")
        due = () if advice.change_on is None else ("Change it around ", tell.day(f"{_A}/filter/change_on"), ". ")
        yield Paragraph(line(*due, why))
        if self.report.filter_drop or self.report.duct_static:
            yield Picture(
                "pressure",
                partial(pressure_picture, self.report, tell),
                "Pressures by days while the fan ran",
                line("Medians of the running hours of each day."),
            )
        rows: list[tuple[Cell, ...]] = [(text_cell("Resistance now"), tell.cell(f"{_A}/filter/drop_at_reference_pa"))]
        if advice.reference_airflow_m3h is not None:
            rows.append((text_cell("at an airflow of"), (tell.exact(f"{_A}/filter/reference_airflow_m3h", "m3/h"),)))
        if advice.drop_limit_pa is not None:
            rows.append(
                (text_cell("Resistance at which it is changed"), (tell.exact(f"{_A}/filter/drop_limit_pa", "Pa"),))
            )
        rows.append((text_cell("Dust taken so far"), tell.cell(f"{_A}/filter/deposited_g")))
        days = (("installed_on", "In place since"), ("change_on", "Change on"), ("cost_best_on", "Cheapest changed on"))
        rows += [
            (text_cell(name), ((tell.day(f"{_A}/filter/{key}"),),))
            for key, name in days
            if getattr(advice, key) is not None
        ]
        yield Table("The filter", ("", ""), tuple(rows), frozenset({1}), (3, 2))
        if advice.limits:
            limits = tuple(self._limit(f"{_A}/filter/limits/{place}") for place in range(len(advice.limits)))
            yield Table("Its limits", ("Limit", "Reached", "Nine times in ten"), limits, frozenset(), (2, 2, 4))

    def _limit(self, pointer: str) -> tuple[Cell, ...]:
        """One limit of the filter: its name, its day and its interval, or why it has none."""
        tell = self.tell
        limit = tell.at(pointer)
        name = text_cell(_LIMITS[limit["reason"]])
        if limit["on"] is None:
            return name, text_cell("no day"), ((tell.quote(f"{pointer}/told"),),)
        earliest, latest = tell.day(f"{pointer}/earliest"), tell.day(f"{pointer}/latest")
        on_in_sight, ends = (
            self.report.assessment.in_sight(date.fromisoformat(limit[key])) for key in ("on", "latest")
        )
        between = line("between ", earliest, " and ", latest) if ends else line(earliest, " or later")
        return name, ((line(tell.day(f"{pointer}/on"), "" if on_in_sight else " or later"),)), (between,)

    def _fan(self) -> Iterator[Block]:
        tell, fan = self.tell, self.report.assessment.fan
        yield Paragraph(line(tell.quote(f"{_A}/fan/reason")))
        yield Paragraph(line("Fan power: ", tell.exact("/energy/power_w", "W"), ", ", tell.words("/energy/basis"), "."))
        place_of = {id(each): place for place, each in enumerate(fan.alternatives)}
        same, *others = alike(fan, fan.alternatives)
        if same:
            names = [tell.words(f"{_A}/fan/alternatives/{place_of[id(each)]}/name") for each in same]
            listed = line(names[0], *(part for name in names[1:] for part in (", ", name)))
            yield Paragraph(line("The plan comes to the same hours as: ", listed, "."))
        rows = tuple(
            (
                tuple(
                    line("or " if row else "", tell.words(f"{_A}/fan/alternatives/{place}/name"))
                    for row, place in enumerate(places)
                ),
                tell.plain(f"{_A}/fan/alternatives/{places[0]}/run_hours", "h", decimals=1),
                tell.cell(f"{_A}/fan/alternatives/{places[0]}/mean_pm25", unit=False),
                tell.cell(f"{_A}/fan/alternatives/{places[0]}/energy_kwh", unit=False),
                tell.cell(f"{_A}/fan/alternatives/{places[0]}/cost", unit=False),
            )
            for places in ([place_of[id(each)] for each in group] for group in ([same, *others] if same else others))
        )
        if rows:
            currency = next((each.cost.unit for each in fan.alternatives if isinstance(each.cost, Known)), "")
            cost = f"Cost, {currency}" if currency else "Cost"
            heads = ("Way of running it", "Hours", "PM2.5, µg/m³", "Energy, kWh", cost)
            yield Table(
                "The two days ahead, by ways of running the fan", heads, rows, frozenset(range(1, 5)), (2, 1, 2, 2, 2)
            )

    def _events(self) -> Iterator[Block]:
        tell, events = self.tell, self.report.assessment.events
        if not events:
            yield Paragraph(line("No event was told apart in this record."))
            return
        yield Paragraph(
            line(
                tell.number("/event_count", decimals=0),
                " events made ",
                tell.exact("/event_emitted_mg", "mg"),
                " of fine dust in all. The largest of them:",
            )
        )
        largest = sorted(range(len(events)), key=lambda place: -(events[place].emitted_mg.value or 0.0))[:_MOST_EVENTS]
        rows = tuple(
            (
                ((tell.moment(f"{_A}/events/{place}/start"),),),
                ((tell.moment(f"{_A}/events/{place}/end"),),),
                tell.cell(f"{_A}/events/{place}/emitted_mg", unit=False, beside=True),
                tell.plain(f"{_A}/events/{place}/peak_ug_m3", "ug/m3", decimals=0),
            )
            for place in sorted(largest)
        )
        heads = ("From", "Until", "Made, mg", "Peak, µg/m³")
        yield Table("Events", heads, rows, frozenset({2, 3}), (2, 2, 1.5, 1))

    @staticmethod
    def _method() -> tuple[Block, ...]:
        sources = Points(tuple(map(line, SOURCES)))
        return (Points(tuple(map(line, METHOD))), Subhead("Sources"), sources)

    def _quality(self) -> Iterator[Block]:
        tell, quality = self.tell, self.report.assessment.data_quality
        rows = tuple(
            (
                ((tell.words(f"{_A}/data_quality/signals/{place}/signal"),),),
                tell.plain(f"{_A}/data_quality/signals/{place}/readings", decimals=0),
                tell.plain(f"{_A}/data_quality/signals/{place}/coverage", percent=True, decimals=0),
                tell.plain(f"{_A}/data_quality/signals/{place}/longest_gap_h", "h", decimals=1),
                tuple(
                    line(tell.quote(f"{_A}/data_quality/signals/{place}/remarks/{each}"))
                    for each in range(len(signal.remarks))
                )
                or ((),),
            )
            for place, signal in enumerate(quality.signals)
        )
        heads = ("Signal", "Readings", "Time covered, %", "Longest gap, h", "Remarks")
        yield Table("Signals", heads, rows, frozenset({1, 2, 3}), (2.2, 1, 1.1, 1.1, 2))
        remarks = [line(tell.quote(f"{_A}/data_quality/remarks/{place}")) for place in range(len(quality.remarks))]
        if quality.missing:
            missing = [
                line(", " if place else "", tell.words(f"{_A}/data_quality/missing/{place}"))
                for place in range(len(quality.missing))
            ]
            remarks.insert(0, line("Not measured: ", *missing, "."))
        if remarks:
            yield Points(tuple(remarks))
