"""The comparison as a page for the client: who fits, who does not and why, and the pictures with their figures."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from operator import attrgetter

from ..cards.figures import Written, full_day, in_column, number, written
from ..engine.assessment import Figure, Known
from ..engine.comparison import Comparison, Entry, Finding, LifePoint, Outcome, Ranking
from ..settings import House, Units
from .amounts import Quoted, plain, quoted, unit_of
from .comparison_bars import Bill, Day, Row, costs_picture, indoors_picture, lives_picture
from .comparison_curves import Shown, course_picture, curves_picture, shown_of
from .drawing import Draw
from .templating import document_templates, style_of

RANKED_BY = {
    Ranking.CLEAN_AIR: "most clean air first",
    Ranking.COST: "least yearly cost first",
    Ranking.LIFE: "longest life first",
    Ranking.ORDINARY_DAY: "cleanest ordinary day first",
    Ranking.SMOKE_DAY: "cleanest smoke day first",
}
_FIRST_BY = {
    Ranking.CLEAN_AIR: "First by clean air",
    Ranking.COST: "First by cost",
    Ranking.LIFE: "First by life",
    Ranking.ORDINARY_DAY: "First by the air of an ordinary day",
    Ranking.SMOKE_DAY: "First by the air of a smoke day",
}


@dataclass(frozen=True)
class Told:
    """A picture and what it shows in words."""

    draw: Draw
    described: str


def render_comparison(comparison: Comparison, house: House, *, made_on: date) -> str:
    """The whole page, one HTML document with its style and pictures inside."""
    return (
        document_templates()
        .get_template("comparison.html")
        .render(
            comparison=comparison,
            house=house,
            view=_View(comparison, house),
            style=style_of("report.css"),
            day=full_day(made_on),
        )
    )


@dataclass(frozen=True)
class _View:
    """What the template asks for."""

    comparison: Comparison
    house: House

    @property
    def system(self) -> Units:
        """The house's system of units."""
        return self.house.units

    @property
    def shown(self) -> tuple[Entry, ...]:
        """The filter in place, if surveyed, and all candidates."""
        return tuple(each.entry for each in shown_of(self.comparison))

    @property
    def lived(self) -> tuple[Entry, ...]:
        """Those of them with a life: the fitting ones and the filter in place."""
        return tuple(entry for entry in self.shown if entry.outcome is not None)

    @property
    def ranked_by(self) -> str:
        """The order in words."""
        return RANKED_BY[self.comparison.ranked_by]

    def quoted(self, value: float, unit: str) -> Quoted:
        """An amount in both systems."""
        return quoted(value, unit, self.system)

    def plain(self, value: float, unit: str) -> str:
        """A bare number in the house's system."""
        return plain(value, unit, self.system)

    def unit(self, unit: str) -> str:
        """A unit in the house's system."""
        return unit_of(unit, self.system)

    def written(self, figure: Figure, *, percent: bool = False) -> Written:
        """A figure with its interval."""
        return written(figure, self.system, percent=percent)

    def money(self, figure: Figure) -> Written:
        """An amount of money in whole units of the currency."""
        return in_column(written(figure, self.system), 0)

    def life(self, figure: Figure) -> Written:
        """Months, to the tenth below ten."""
        long = isinstance(figure, Known) and figure.value >= 10.0
        return in_column(written(figure, self.system), 0 if long else 1)

    def merv(self, merv: tuple[int, int]) -> str:
        """The MERV of an assembly, its least and most where they differ."""
        low, high = ("below 5" if each == 0 else str(each) for each in merv)
        return low if low == high else f"{low}–{high}"  # noqa: RUF001

    def finding(self, finding: Finding) -> str:
        """A limit overstepped, in one sentence with the figure and the limit."""
        value, limit = (
            quoted(finding.value, finding.unit, self.system),
            quoted(finding.limit, finding.unit, self.system),
        )
        return f"{finding.name[0].upper()}{finding.name[1:]}: {value}, where the limit is {limit}."

    @property
    def lead(self) -> str:
        """What the comparison comes to, in one or two sentences."""
        fitting, refused = self.comparison.fitting, self.comparison.refused
        count = len(self.comparison.entries)
        if not fitting or fitting[0].outcome is None:
            return "This system cannot breathe through any of the candidates."
        letters = " and ".join(entry.mark for entry in refused)
        left = f"; it cannot breathe through {letters}" if refused else ""
        counted = f"Of {count} candidates {len(fitting)} suit this system{left}. " if refused else ""
        return f"{counted}{_FIRST_BY[self.comparison.ranked_by]}: {fitting[0].name}{self._worth(fitting[0].outcome)}."

    def _worth(self, outcome: Outcome) -> str:
        """What the first one does, as the end of a sentence."""
        clean, smoke = outcome.clean_air_always_on_m3h, outcome.indoor.smoke_always_on
        outdoors = number(self.comparison.conditions.smoke_outdoor_ug_m3)
        told = f", with {self.quoted(clean.value, 'm3/h').first} of clean air" if isinstance(clean, Known) else ""
        if isinstance(smoke, Known):
            indoors = number(smoke.value, 0 if smoke.value >= 10.0 else 1)
            told += f" and, the fan always on, {indoors} µg/m³ indoors on a smoke day of {outdoors} outdoors"
        return told

    @property
    def curves(self) -> Told:
        """Where blower and systems meet."""
        said = " ".join(f"{each.entry.name}: {self.crossing(each.entry)}." for each in shown_of(self.comparison))
        return Told(
            partial(curves_picture, self.comparison, self.system),
            f"External static pressure against airflow: the curve of the blower and the systems that cross it. {said}",
        )

    def crossing(self, entry: Entry) -> str:
        """Where a system crosses the blower's curve, new and at the end of the filter's life, in words."""
        if entry.new is None:
            return "no crossing: the blower's curve ends first"
        new = entry.new
        told = f"{self.quoted(new.airflow_m3h, 'm3/h').first} at {self.quoted(new.external_static_pa, 'Pa').first}"
        if entry.outcome is None:
            return f"{told}, refused"
        end = entry.outcome.end
        return (
            f"{told} new, {self.quoted(end.airflow_m3h, 'm3/h').first} at "
            f"{self.quoted(end.external_static_pa, 'Pa').first} at its end"
        )

    @property
    def course(self) -> Told:
        """Clean air over each filter's life."""
        said = []
        for entry in self.lived:
            assert entry.outcome is not None
            start, end = (self.quoted(point.clean_air_m3h, "m3/h").first for point in _ends(entry.outcome.course))
            said.append(f"{entry.name}: from {start} to {end}.")
        return Told(
            partial(course_picture, self.comparison, self.system),
            f"Clean air delivered while the fan runs, from a new filter to its change. {' '.join(said)}",
        )

    @property
    def lives(self) -> Told:
        """How long each lasts, months."""
        rows = [self._row(shown, "life/months", self.life) for shown in self._lived]
        return Told(partial(lives_picture, rows), f"How long each lasts, months. {_said(rows)}")

    @property
    def indoors(self) -> Told:
        """Indoor PM2.5 of both kinds of day, the fan by the thermostat and always on."""
        conditions = self.comparison.conditions
        outdoors = {"ordinary": conditions.ordinary_outdoor_ug_m3, "smoke": conditions.smoke_outdoor_ug_m3}
        days, said = [], []
        for day, outdoor in outdoors.items():
            pairs = tuple(
                (
                    self._row(shown, f"indoor/{day}_typical", self.written),
                    self._row(shown, f"indoor/{day}_always_on", self.written),
                )
                for shown in self._lived
            )
            days.append(
                Day(
                    f"{_DAYS[day]}, outdoors {self.plain(outdoor, '')} µg/m³", pairs, f"/conditions/{day}_outdoor_ug_m3"
                )
            )
            for name, rows in zip(("by the thermostat", "always on"), zip(*pairs, strict=True), strict=True):
                said.append(f"{_DAYS[day]}, the fan {name}: {_said(rows)}")
        return Told(
            partial(indoors_picture, days, conditions.target_ug_m3),
            f"PM2.5 indoors, µg/m³, against the target. {' '.join(said)}",
        )

    @property
    def costs(self) -> Told:
        """The yearly cost, media and fan energy in one bar."""
        bills = [
            Bill(
                self._row(shown, "cost/yearly", self.money),
                self._row(shown, "cost/media", self.money),
                self._row(shown, "cost/fan_energy", self.money),
            )
            for shown in self._lived
        ]
        return Told(
            partial(costs_picture, bills, self.comparison.currency),
            f"The cost of a year, {self.comparison.currency}. {_said([bill.yearly for bill in bills])}",
        )

    @property
    def _lived(self) -> list[Shown]:
        return [each for each in shown_of(self.comparison) if each.entry.outcome is not None]

    @staticmethod
    def _row(shown: Shown, path: str, write: Callable[[Figure], Written]) -> Row:
        figure: Figure = attrgetter(path.replace("/", "."))(shown.entry.outcome)
        return Row(shown.name, figure, write(figure), f"{shown.source}/outcome/{path}")


_DAYS = {"ordinary": "An ordinary day", "smoke": "A smoke day"}


def _ends(course: Sequence[LifePoint]) -> tuple[LifePoint, LifePoint]:
    return course[0], course[-1]


def _said(rows: Sequence[Row]) -> str:
    """The figures of a picture as words."""
    said = []
    for row in rows:
        first = row.written.first
        told = "not known" if row.written.value is None else first.number
        if first.low and first.low != first.high:
            told += f", between {first.low} and {first.high}"
        said.append(f"{row.name}: {told}")
    return f"{'; '.join(said)}." if said else ""
