"""A comparison as text for a terminal of 100 columns: the ranking, the refusals, the cautions."""

from collections.abc import Iterator
from textwrap import wrap

from ..engine.assessment import Figure, Known
from ..engine.comparison import Comparison, Entry
from ..report import RANKED_BY, plain, quoted, unit_of
from ..settings import House, Units

COLUMNS = 100
_NAME = 27
_HEAD = (
    ("", "", _NAME + 5),
    ("airflow", "{m3/h}", 7),
    ("static", "{Pa}", 9),
    ("fan", "W", 5),
    ("MERV as", "installed", 10),
    ("clean air", "{m3/h}", 11),
    ("PM2.5 in", "day/smoke", 10),
    ("lasts", "months", 7),
    ("a year", "{money}", 8),
)


def comparison_table(comparison: Comparison, house: House) -> str:
    """The whole comparison, one string of several lines."""
    return "\n".join(_lines(comparison, house))


def _lines(comparison: Comparison, house: House) -> Iterator[str]:
    units, conditions = house.units, comparison.conditions
    yield f"{comparison.house}: filter assemblies compared, {RANKED_BY[comparison.ranked_by]}"
    yield ""
    yield from _head(units, comparison.currency)
    for entry in comparison.fitting:
        yield from _row(entry, units)
    if comparison.in_place is not None:
        yield from _row(comparison.in_place, units)
    yield ""
    yield from _wrapped(
        f"Upper line: new, clean air with the fan always on, PM2.5 (ug/m3) on a day of "
        f"{conditions.ordinary_outdoor_ug_m3:g} outdoors by the thermostat's hours and on a smoke day of "
        f"{conditions.smoke_outdoor_ug_m3:g} with the fan always on, the best estimate. Lower line: at the end of the "
        "filter's life, clean air by the thermostat's hours alone, and the range that holds nine houses in ten."
    )
    if comparison.refused:
        yield ""
        yield "Refused: this system cannot breathe through"
    for entry in comparison.refused:
        yield f"  {entry.mark} {entry.name}"
        for finding in entry.refusals:
            value, limit = (quoted(each, finding.unit, units) for each in (finding.value, finding.limit))
            told = f"{finding.name}: {value}, where the limit is {limit} ({finding.basis}); {finding.consequence}."
            yield from _wrapped(told, "    ")
    noted = [entry for entry in (*comparison.entries, comparison.in_place) if entry and _notes(entry, units)]
    if noted:
        yield ""
        yield "To know:"
    for entry in noted:
        for note in _notes(entry, units):
            yield from _wrapped(f"{entry.mark} {note}", "  ")
    yield ""
    yield "Taken for this house:"
    for assumption in conditions.assumptions:
        yield from _wrapped(assumption, "  ")
    yield ""
    yield "Cautions:"
    for caution in comparison.cautions:
        yield from _wrapped(caution.text, "  ")


def _head(units: Units, currency: str) -> Iterator[str]:
    for line in (0, 1):
        cells = []
        for *texts, width in _HEAD:
            text = str(texts[line])
            if text == "{money}":
                text = currency
            elif text.startswith("{"):
                text = unit_of(text.strip("{}"), units)
            cells.append(f"{text:>{width}}")
        yield "".join(cells).rstrip()
    yield "-" * sum(width for _, _, width in _HEAD)


def _row(entry: Entry, units: Units) -> Iterator[str]:
    """Two lines: new and best estimate above, end of life and range below."""
    if entry.new is None or entry.outcome is None:
        return
    outcome, new, end = entry.outcome, entry.new, entry.outcome.end
    rank = f"{entry.rank}." if entry.rank else ""
    names = wrap(entry.name, _NAME) or [""]
    indoor, cost = outcome.indoor, outcome.cost
    first = (
        plain(new.airflow_m3h, "m3/h", units),
        plain(new.external_static_pa, "Pa", units),
        plain(new.fan_power_w, "W", units),
        _merv(new.merv),
        _value(outcome.clean_air_always_on_m3h, units),
        f"{_value(indoor.ordinary_typical, units)}/{_value(indoor.smoke_always_on, units)}",
        _value(outcome.life.months, units),
        _value(cost.yearly, units),
    )
    second = (
        plain(end.airflow_m3h, "m3/h", units),
        plain(end.external_static_pa, "Pa", units),
        plain(end.fan_power_w, "W", units),
        _merv(end.merv),
        _value(outcome.clean_air_typical_m3h, units),
        "",
        _range(outcome.life.months),
        _range(cost.yearly),
    )
    yield _cells(f"{rank:<3}{entry.mark} {names[0]:<{_NAME}}", first)
    yield _cells(f"     {names[1] if len(names) > 1 else '':<{_NAME}}", second)
    for rest in names[2:]:
        yield f"     {rest}"


def _cells(name: str, cells: tuple[str, ...]) -> str:
    widths = [width for _, _, width in _HEAD[1:]]
    return (name + "".join(f"{cell:>{width}}" for cell, width in zip(cells, widths, strict=True))).rstrip()


def _value(figure: Figure, units: Units) -> str:
    if not isinstance(figure, Known):
        return "?"
    value = figure.value
    if figure.unit in ("m3/h", "Pa"):
        return plain(value, figure.unit, units)
    return f"{value:,.0f}" if value >= 10.0 else f"{value:.1f}"


def _range(figure: Figure) -> str:
    if not isinstance(figure, Known) or figure.low == figure.high:
        return ""
    low, high = (f"{each:.0f}" if each >= 10.0 else f"{each:.1g}" for each in (figure.low, figure.high))
    return f"{low}-{high}"


def _merv(merv: tuple[int, int]) -> str:
    low, high = ("<5" if each == 0 else str(each) for each in merv)
    return low if low == high else f"{low}-{high}"


def _notes(entry: Entry, units: Units) -> list[str]:
    notes = []
    if entry.outcome is not None:
        notes.append(f"is changed when {entry.outcome.life.reason}.")
        once = entry.outcome.cost.assembly_once
        if once is not None:
            notes[-1] = notes[-1][:-1] + f"; cabinet and fitting cost {once:,.0f} once."
    for finding in entry.warnings:
        value, limit = (quoted(each, finding.unit, units) for each in (finding.value, finding.limit))
        notes.append(f"{finding.name}: {value}, above {limit}, {finding.basis}.")
    if entry.cooling_capacity_left is not None:
        notes.append(f"leaves {100.0 * entry.cooling_capacity_left:.0f} % of today's cooling capacity.")
    return [*notes, *entry.remarks]


def _wrapped(text: str, indent: str = "") -> list[str]:
    return wrap(text, COLUMNS, initial_indent=indent, subsequent_indent=indent + ("  " if indent else ""))
