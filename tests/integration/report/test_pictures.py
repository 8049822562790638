"""The documents' pictures: every numeral in them is the scale of an axis or a figure of the document, drawn true."""

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from xml.etree.ElementTree import Element, fromstring

import numpy as np
import pytest

from moteledger.engine import Comparison
from moteledger.engine.assessment import NotKnown
from moteledger.report import ClientReport, render_comparison
from moteledger.settings import Clock, House, Units

NUMBER = re.compile(r"\N{MINUS SIGN}?\d[\d,]*(?:\.\d+)?")
# Words with numerals that name what is measured and say nothing of a house.
NAMES = re.compile(r"PM2\.5")
# NIST SP 811 (2008), appendix B: how many of the SI unit make one of the inch-pound one.
M3H_PER_CFM, PA_PER_INCH_WATER = 1.699011, 249.0889
SVG = "{http://www.w3.org/2000/svg}"
Nest = tuple[Element, ...]


def at(document: Any, pointer: str) -> Any:
    """RFC 6901, for keys without ~ and /."""
    for part in pointer.split("/")[1:]:
        document = document[int(part)] if isinstance(document, list) else document[part]
    return document


def walk(element: Element, above: Nest = ()) -> Iterator[tuple[Element, Nest]]:
    yield element, above
    for child in element:
        yield from walk(child, (*above, element))


def numbers(text: str) -> list[float]:
    return [float(each.replace("\N{MINUS SIGN}", "-").replace(",", "")) for each in NUMBER.findall(text)]


def decimals(text: str) -> list[int]:
    return [len(each.partition(".")[2]) for each in NUMBER.findall(text)]


@dataclass
class Picture:
    """One SVG: its lettered scales by field and direction, its told figures, its drawn figures."""

    scales: dict[tuple[int, str], list[tuple[float, str]]]
    told: list[tuple[str, str]]
    drawn: list[tuple[str, int, list[tuple[float, float]]]]
    loose: list[str]


def points(path: str) -> list[tuple[float, float]]:
    flat = [float(each) for each in re.findall(r"-?\d+(?:\.\d+)?(?:e-?\d+)?", path)]
    return list(zip(flat[::2], flat[1::2], strict=True))


def read(svg: str) -> Picture:
    picture = Picture({}, [], [], [])
    # The namespace of links is declared by the plotting library in its own prologue.
    for element, above in walk(fromstring(svg)):
        nest = (*above, element)
        field = id(above[2]) if len(above) > 2 else 0
        source = next((each.get("data-from") for each in reversed(nest) if each.get("data-from")), None)
        axis = next((each for each in nest if each.get("data-axis")), None)
        if element.tag == f"{SVG}text":
            text = "".join(element.itertext())
            if axis is not None:
                (mark,) = {(use.get("x"), use.get("y")) for use in axis.iter(f"{SVG}use")}
                direction = axis.get("data-axis") or ""
                place = float(mark[0 if direction == "x" else 1] or "nan")
                picture.scales.setdefault((field, direction), []).append((place, text))
            elif source is not None:
                picture.told.append((source, text))
            elif NUMBER.search(NAMES.sub("", text)):
                picture.loose.append(text)
        elif element.tag == f"{SVG}path" and source is not None and element.get("d"):
            picture.drawn.append((source, field, points(element.get("d") or "")))
    return picture


def pictures(html: str) -> list[Picture]:
    return [
        read(svg) for svg in re.findall(r"<svg .*?</svg>", html, re.DOTALL) if "data-axis" in svg or "data-from" in svg
    ]


def ruler(scale: list[tuple[float, str]]) -> Callable[[float], float]:
    """From places to values by a scale of numbers, which must be even: the label is a straight line of the place."""
    places, values = np.array([place for place, _ in scale]), np.array([numbers(text)[0] for _, text in scale])
    slope, start = np.polyfit(places, values, 1)
    slack = 0.5 * 10.0 ** -max(count for _, text in scale for count in decimals(text)) + 1e-9
    assert np.abs(start + slope * places - values).max() <= slack, scale
    return lambda place: float(start + slope * place)


def check_scales(picture: Picture) -> int:
    """Scales of numbers are even; returns how many there were."""
    count = 0
    for scale in picture.scales.values():
        if all(NUMBER.fullmatch(text) for _, text in scale) and len(scale) > 2:
            ruler(scale)
            count += 1
    return count


def check_told(picture: Picture, document: Any, units: Units) -> int:
    """What a picture tells of the document stands there, in the house's units; returns how many numbers it told."""
    count = 0
    for source, text in picture.told:
        there = at(document, source)
        if isinstance(there, str):
            assert there in text
            continue
        per = 1.0
        if units is Units.INCH_POUND:
            per = {"_pa": PA_PER_INCH_WATER, "m3h": M3H_PER_CFM}.get(source[-3:], 1.0)
        expected = [there["value"], there["low"], there["high"]] if isinstance(there, dict) else [there]
        if expected[0] is None:
            assert text == "not known"
            continue
        found = numbers(text)
        if isinstance(there, dict):
            assert len(found) in (1, 3), text
        for number, count_of, value in zip(found, decimals(text), expected, strict=False):
            assert abs(number - value / per) <= 0.5000001 * 10.0**-count_of, (source, text, value)
            count += 1
    return count


@dataclass(frozen=True)
class Drawn:
    """The report's pictures for a house, and how that house writes."""

    units: Units
    clock: Clock
    pictures: list[Picture]


@pytest.fixture(scope="module")
def drawn(report_page: Callable[[Units, Clock], str]) -> list[Drawn]:
    """Each system of units once, each clock once."""
    ways = ((Units.INCH_POUND, Clock.H24), (Units.SI, Clock.H12))
    return [Drawn(units, style, pictures(report_page(units, style))) for units, style in ways]


def test_every_numeral_in_the_reports_pictures_is_a_scale_or_a_figure_of_its_json(
    report: ClientReport, drawn: list[Drawn]
) -> None:
    document = json.loads(report.model_dump_json())
    for each in drawn:
        # Five pictures, each for a page and for a phone.
        assert len(each.pictures) == 10
        assert sum(len(picture.scales) for picture in each.pictures) >= 16
        assert sum(check_scales(picture) for picture in each.pictures) >= 10
        for picture in each.pictures:
            assert picture.loose == []
            check_told(picture, document, each.units)


@pytest.mark.parametrize("units", list(Units))
def test_every_numeral_in_a_comparisons_pictures_is_a_scale_or_a_figure_of_its_json(
    page: Callable[..., str], comparison: Comparison, units: Units
) -> None:
    document = json.loads(comparison.model_dump_json())
    found = pictures(page(units))
    assert len(found) == 10
    told = sum(check_told(picture, document, units) for picture in found)
    assert told > 150
    for picture in found:
        assert picture.loose == []
        assert check_scales(picture) > 0


def test_the_key_of_the_costs_names_all_that_is_drawn_though_the_first_of_them_has_no_price(
    page: Callable[..., str], comparison: Comparison, house: House
) -> None:
    first, *others = comparison.entries
    assert first.outcome is not None
    unknown = NotKnown(reason="no price is given")
    cost = first.outcome.cost.model_copy(update={"media": unknown, "yearly": unknown})
    unpriced = first.model_copy(update={"outcome": first.outcome.model_copy(update={"cost": cost})})
    mixed = comparison.model_copy(update={"entries": (unpriced, *others)})
    drawn = render_comparison(mixed, house, made_on=date(2026, 3, 4))
    for named in ("filters or media", "fan energy in the hours of the thermostat", "range of the sum"):
        assert drawn.count(f">{named}<") == page().count(f">{named}<") == 2


def test_a_wrong_numeral_in_a_picture_would_be_found(page: Callable[..., str], comparison: Comparison) -> None:
    document = json.loads(comparison.model_dump_json())
    document["conditions"]["most_static_pa"] *= 1.02
    with pytest.raises(AssertionError):
        for picture in pictures(page()):
            check_told(picture, document, Units.INCH_POUND)
    with pytest.raises(AssertionError):
        ruler([(0.0, "0"), (10.0, "100"), (20.0, "210")])


def test_bars_ranges_and_lines_are_as_long_and_as_high_as_their_figures(
    report: ClientReport, drawn: list[Drawn]
) -> None:
    """By each axis's own scale: places are turned back into values and held against the document."""
    document, found = json.loads(report.model_dump_json()), drawn[0].pictures
    checked = set()
    for picture in found:
        for source, field, path in picture.drawn:
            across, down = [x for x, _ in path], [y for _, y in path]
            if source.endswith("clean_air_delivered_m3h/value"):
                value = ruler(picture.scales[field, "x"])(across[0]) * M3H_PER_CFM
                assert value == pytest.approx(at(document, source), rel=2e-3)
            elif source.endswith("clean_air_delivered_m3h"):
                low, high = (ruler(picture.scales[field, "x"])(end) * M3H_PER_CFM for end in (min(across), max(across)))
                assert [low, high] == pytest.approx(
                    [at(document, f"{source}/{end}") for end in ("low", "high")], rel=2e-3
                )
            elif source == "/assessment/filter/drop_limit_pa":
                value = ruler(picture.scales[field, "y"])(down[0]) * PA_PER_INCH_WATER
                assert value == pytest.approx(at(document, source), rel=2e-2)
            elif source.startswith(("/course/", "/assessment/trace/")):
                column, key = source.rsplit("/", 1)
                highest = max(each[key] for each in at(document, column) if each[key] is not None)
                assert ruler(picture.scales[field, "y"])(min(down)) == pytest.approx(highest, rel=2e-2, abs=1.0)
            else:
                continue
            checked.add(source)
    assert len(checked) == 4 + 1 + 6
    masses = {
        source: max(x for x, _ in path) - min(x for x, _ in path)
        for picture in found
        for source, _, path in picture.drawn
        if source.startswith("/assessment/ledger/")
    }
    whole = masses["/assessment/ledger/entered_mg"] + masses["/assessment/ledger/generated_mg"]
    for source, length in masses.items():
        assert length / whole == pytest.approx(at(document, source) / document["came_in_mg"], abs=2e-3)


def test_bars_of_a_comparison_are_as_long_as_their_figures(page: Callable[..., str], comparison: Comparison) -> None:
    """Lives, air indoors and costs: places turned back into values by each field's own scale."""
    document, checked = json.loads(comparison.model_dump_json()), set()
    for picture in pictures(page()):
        for source, field, path in picture.drawn:
            scale = picture.scales.get((field, "x"))
            found = at(document, source.removesuffix("/value"))
            if scale is None or len(scale) < 2 or not isinstance(found, dict) or found.get("value") is None:
                continue
            across = [ruler(scale)(x) for x, _ in path]
            slack = 4e-3 * max(numbers(text)[0] for _, text in scale)
            if source.endswith("/value"):
                assert across == pytest.approx([found["value"]] * len(across), abs=slack), source
            elif "/cost/" in source:
                assert max(across) - min(across) == pytest.approx(found["value"], abs=slack), source
            else:
                assert [min(across), max(across)] == pytest.approx([found["low"], found["high"]], abs=slack), source
            checked.add(source)
    lived = [entry for entry in (*document["entries"], document["in_place"]) if entry["outcome"] is not None]
    # A range and a tick for the life and for four figures of the air; media and energy in the bar of the cost.
    assert len(checked) == len(lived) * (2 * (1 + 4) + 2)


def test_times_on_an_axis_are_written_as_the_house_writes_them(
    report: ClientReport, drawn: list[Drawn], demo_house: House
) -> None:
    """Every label is a midnight of the record by its day, or an hour of the day on the house's clock."""
    first, last = (each.time.astimezone(demo_house.zone).date() for each in (report.course[0], report.course[-1]))
    # Days are drawn from midnight on, so that the day before the first reading may be lettered.
    days = {f"{day.day} {day:%b}" for n in range(-1, 30) if (day := first + timedelta(days=n)) <= last}
    hours = {Clock.H24: {f"{hour:02d}:00" for hour in range(24)}}
    hours[Clock.H12] = {f"{hour % 12 or 12}:00\N{NO-BREAK SPACE}{'am' if hour < 12 else 'pm'}" for hour in range(24)}
    for each in drawn:
        lettered = {
            text
            for picture in each.pictures
            for (_, direction), scale in picture.scales.items()
            for _, text in scale
            if direction == "x" and not NUMBER.fullmatch(text)
        }
        assert lettered & days
        assert lettered & hours[each.clock]
        assert lettered <= days | hours[each.clock]
