"""The comparison as a page for the client: who fits, who does not and why, and four pictures with their figures."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from importlib.resources import files
from itertools import pairwise

from ..cards import STATIC_FILES
from ..cards.drawing import Mark, Scale, Strip, scale_over, strip
from ..cards.figures import Written, full_day, in_column, number, written
from ..cards.templating import templates_of
from ..engine.assessment import Figure, Known
from ..engine.comparison import Comparison, Entry, Finding, Outcome, Ranking
from ..settings import House, Units
from .amounts import Quoted, per_printed, plain, quoted, unit_of
from .drawing import Frame, Point, spaced, ticks_across, ticks_down

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
_STYLES = 12
_TAG_GAP_PX = 17.0
_ROOM_ABOVE, _ROOM_BELOW, _ROOM_LEFT, _ROOM_RIGHT = 1.08, 0.9, 0.96, 1.01

_templates = templates_of("moteledger.report", "moteledger.cards")


@dataclass(frozen=True)
class Spot:
    """A place in a drawing: per cent across, pixels down."""

    x: float
    y: float


@dataclass(frozen=True)
class Line:
    """One candidate's line: how it is inked, its path, and how far down its tag stands and its own end is, pixels."""

    mark: str
    name: str
    style: int
    path: str
    tag: float
    foot: float
    new: Spot | None = None
    end: Spot | None = None
    refused: bool = False
    note: str = ""


@dataclass(frozen=True)
class Plot:
    """A framed drawing of lines with its scales."""

    frame: Frame
    lines: tuple[Line, ...]
    across: tuple[Mark, ...]
    down: tuple[Mark, ...]
    blower: str = ""
    least_airflow: Mark | None = None
    most_static: Mark | None = None


@dataclass(frozen=True)
class Bar:
    """A figure of one candidate on a scale shared by all."""

    mark: str
    name: str
    figure: Written
    strip: Strip | None
    parts: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True)
class Bars:
    """Figures of all candidates on one scale."""

    scale: Scale
    bars: tuple[Bar, ...]


@dataclass(frozen=True)
class Days:
    """Indoor PM2.5 of all candidates on one kind of day: by the thermostat's hours, and with the fan always on."""

    scale: Scale
    pairs: tuple[tuple[Bar, Bar], ...]
    outdoors: float
    unfiltered: float
    unfiltered_at: float
    target_at: float


def render_comparison(comparison: Comparison, house: House, *, made_on: date) -> str:
    """The whole page, one HTML document with its style and pictures inside."""
    view = _View(comparison, house)
    style = STATIC_FILES["cards.css"].content.decode() + (files(__package__) / "static" / "report.css").read_text(
        "utf-8"
    )
    return _templates.get_template("comparison.html").render(
        comparison=comparison, house=house, view=view, style=style, day=full_day(made_on)
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
        first = () if self.comparison.in_place is None else (self.comparison.in_place,)
        return (*self.comparison.entries, *first)

    @property
    def lived(self) -> tuple[Entry, ...]:
        """Those of them with a life: the fitting ones and the filter in place."""
        return tuple(entry for entry in self.shown if entry.outcome is not None)

    @property
    def ranked_by(self) -> str:
        """The order in words."""
        return RANKED_BY[self.comparison.ranked_by]

    def style(self, entry: Entry) -> int:
        """The ink of a candidate's line: 0 is the filter in place."""
        return 0 if not entry.mark.isalpha() else (ord(entry.mark) - ord("A")) % _STYLES + 1

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
    def curves(self) -> Plot:
        """Pressure against airflow: the blower's curve, and every system's crossing it."""
        conditions, blower = self.comparison.conditions, self.comparison.blower
        stages = [stage for entry in self.shown for stage in (entry.new, entry.outcome and entry.outcome.end) if stage]
        floor, curve = conditions.least_airflow_m3h, [(point.airflow_m3h, point.pressure_pa) for point in blower.points]
        airflows = [stage.airflow_m3h for stage in stages] or [blower.surveyed.airflow_m3h]
        left = _ROOM_LEFT * min([*airflows, floor or airflows[0]])
        curves = {
            entry.mark: [(point.airflow_m3h, point.pressure_pa) for point in entry.system_curve] for entry in self.shown
        }
        starts = [_height_at(points, left) for points in curves.values()]
        statics = [stage.external_static_pa for stage in stages] or [blower.surveyed.pressure_pa]
        bottom, top = _ROOM_BELOW * min(starts), _ROOM_ABOVE * max([*statics, *starts, conditions.most_static_pa])
        right = _ROOM_RIGHT * max([*airflows, *(airflow for airflow, static in curve if bottom <= static <= top)])
        frame = Frame(left, right, bottom, top, height=320, above=8)
        feet = [frame.down(start) for start in starts]
        tags = spaced(feet, _TAG_GAP_PX, frame.above + 6.0, frame.above + frame.height - 4.0)
        lines = tuple(
            Line(
                mark=entry.mark,
                name=entry.name,
                style=self.style(entry),
                path=frame.path(curves[entry.mark]),
                tag=tag,
                foot=foot,
                new=_spot(frame, entry.new),
                end=None if entry.outcome is None else _spot(frame, entry.outcome.end),
                refused=bool(entry.refusals),
                note=self._crossing(entry),
            )
            for entry, foot, tag in zip(self.shown, feet, tags, strict=True)
        )
        return Plot(
            frame=frame,
            lines=lines,
            across=ticks_across(frame, per_printed("m3/h", self.system)),
            down=ticks_down(frame, per_printed("Pa", self.system)),
            blower=frame.path(curve[::-1]),
            least_airflow=None if floor is None else Mark(frame.across(floor), self.quoted(floor, "m3/h").first),
            most_static=Mark(frame.down(conditions.most_static_pa), self.quoted(conditions.most_static_pa, "Pa").first),
        )

    def _crossing(self, entry: Entry) -> str:
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
    def course(self) -> Plot:
        """Clean air delivered while the fan runs over the share of each filter's life that has passed."""
        courses = {
            entry.mark: [(point.day, point.clean_air_m3h) for point in entry.outcome.course]
            for entry in self.lived
            if entry.outcome
        }
        per = per_printed("m3/h", self.system)
        top = _ROOM_ABOVE * max([clean for course in courses.values() for _, clean in course], default=1.0)
        frame = Frame(0.0, 1.0, 0.0, top, height=240, above=12)
        shares: dict[str, list[Point]] = {
            name: [(day / max(course[-1][0], 1e-9), clean) for day, clean in course] for name, course in courses.items()
        }
        feet = [frame.down(shares[entry.mark][-1][1]) for entry in self.lived]
        tags = spaced(feet, _TAG_GAP_PX, frame.above + 4.0, frame.above + frame.height - 4.0)
        lines = tuple(
            Line(
                mark=entry.mark,
                name=entry.name,
                style=self.style(entry),
                path=frame.path(shares[entry.mark]),
                tag=tag,
                foot=foot,
                note=self._lasting(entry),
            )
            for entry, foot, tag in zip(self.lived, feet, tags, strict=True)
        )
        return Plot(frame, lines, (), ticks_down(frame, per))

    def _lasting(self, entry: Entry) -> str:
        if entry.outcome is None or not isinstance(entry.outcome.life.months, Known):
            return ""
        return months(entry.outcome.life.months.value)

    @property
    def lives(self) -> Bars:
        """How long each lasts, months."""
        figures = [(entry, entry.outcome.life.months) for entry in self.lived if entry.outcome]
        scale = scale_over([each.high for _, each in figures if isinstance(each, Known)], 1.0, "months")
        return Bars(
            scale,
            tuple(
                Bar(entry.mark, entry.name, shown := self.life(each), strip(shown, scale)) for entry, each in figures
            ),
        )

    def indoors(self, day: str) -> Days:
        """Indoor PM2.5 of one kind of day ("ordinary", "smoke"), the fan by the thermostat and always on."""
        pairs = [
            (entry, getattr(entry.outcome.indoor, f"{day}_typical"), getattr(entry.outcome.indoor, f"{day}_always_on"))
            for entry in self.lived
            if entry.outcome is not None
        ]
        conditions = self.comparison.conditions
        limit, unfiltered = conditions.target_ug_m3, getattr(conditions, f"{day}_unfiltered_ug_m3")
        known = [figure.high for _, *both in pairs for figure in both if isinstance(figure, Known)]
        scale = scale_over([*known, limit, unfiltered], 1.0, "µg/m³")
        line = Mark(scale.percent(limit), "")

        def bar(entry: Entry, figure: Figure) -> Bar:
            shown = self.written(figure)
            return Bar(entry.mark, entry.name, shown, strip(shown, scale, line))

        return Days(
            scale,
            tuple((bar(entry, typical), bar(entry, always)) for entry, typical, always in pairs),
            getattr(conditions, f"{day}_outdoor_ug_m3"),
            unfiltered,
            scale.percent(unfiltered),
            scale.percent(limit),
        )

    @property
    def costs(self) -> Bars:
        """The yearly cost, media and fan energy side by side on one bar."""
        figures = [(entry, entry.outcome.cost.yearly) for entry in self.lived if entry.outcome]
        scale = scale_over([each.high for _, each in figures if isinstance(each, Known)], 1.0, self.comparison.currency)
        bars = []
        for entry, yearly in figures:
            assert entry.outcome is not None
            parts: list[tuple[str, float, float]] = []
            start = 0.0
            for name, part in (("media", entry.outcome.cost.media), ("energy", entry.outcome.cost.fan_energy)):
                if isinstance(part, Known):
                    end = scale.percent(start + part.value)
                    parts.append((name, scale.percent(start), round(end - scale.percent(start), 2)))
                    start += part.value
            shown = self.money(yearly)
            bars.append(Bar(entry.mark, entry.name, shown, strip(shown, scale), tuple(parts)))
        return Bars(scale, tuple(bars))


def months(value: float) -> str:
    """A life in words: weeks below two months, months, years from three on."""
    if value < 2.0:
        return f"{number(max(value * 365.25 / 84.0, 0.0), 0)} weeks"
    return f"{number(value, 0)} months"


def _spot(frame: Frame, stage: object) -> Spot | None:
    airflow, static = getattr(stage, "airflow_m3h", None), getattr(stage, "external_static_pa", None)
    return None if airflow is None or static is None else Spot(frame.across(airflow), frame.down(static))


def _height_at(points: Sequence[Point], across: float) -> float:
    """How high a line is at a place, or its last height."""
    for (x0, y0), (x1, y1) in pairwise(points):
        if x0 <= across <= x1:
            return y0 + (y1 - y0) * (across - x0) / (x1 - x0)
    return points[-1][1]
