"""The page of a comparison: whole in itself, sound HTML, every figure in its place, nothing by colour alone."""

import re
from collections.abc import Callable
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pytest
from selenium import webdriver

from moteledger.engine import Comparison, compare
from moteledger.engine.assessment import Known
from moteledger.report import render_comparison
from moteledger.report.comparison_curves import STROKES
from moteledger.settings import Candidate, House, Units

VOID = {"meta", "link", "br", "hr", "img", "input", "wbr", "col"}


class Outline(HTMLParser):
    """What a page holds, and whether its elements close in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.crossed: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.crossed.append(tag)


def outline(html: str) -> Outline:
    parsed = Outline()
    parsed.feed(html)
    parsed.close()
    return parsed


def test_its_elements_close_in_order_and_its_names_are_unique_and_known(page: Callable[..., str]) -> None:
    parsed = outline(page())
    assert parsed.crossed == []
    assert parsed.open == []
    ids = [attributes["id"] for _, attributes in parsed.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    for tag, attributes in parsed.tags:
        for name in (attributes.get("aria-labelledby") or "").split():
            assert name in ids, (tag, name)
        target = attributes.get("href") or ""
        if target.startswith("#"):
            assert target[1:] in ids, target


def test_it_stands_alone_and_holds_no_script(page: Callable[..., str]) -> None:
    html = page()
    assert not re.search(r"<script|javascript:|\son\w+=", html)
    assert not re.search(r"(?:src|href)=\"(?!#)", html)
    assert not re.search(r"url\((?!#)", html)
    assert "@import" not in html


def test_every_picture_says_in_words_what_it_shows(page: Callable[..., str], comparison: Comparison) -> None:
    pictures = [
        attributes for tag, attributes in outline(page()).tags if tag == "div" and attributes.get("role") == "img"
    ]
    assert len(pictures) == 5
    for attributes in pictures:
        assert all(entry.name in (attributes["aria-label"] or "") for entry in comparison.fitting)


def test_lines_differ_by_more_than_ink() -> None:
    """WCAG 2.2, 1.4.1: within one ink no two of the twelve strokes share their dashes, and every line has a letter."""
    assert len(STROKES) == 12
    assert len({(stroke.ink, stroke.dashes) for stroke in STROKES}) == 12
    assert {stroke.ink for stroke in STROKES} <= {"ink", "in", "out"}


def test_the_refused_one_is_told_with_figure_and_limit_in_both_systems(page: Callable[..., str]) -> None:
    html = page()
    (refused,) = re.findall(r'<section class="card" id="refused".*?</section>', html, re.DOTALL)
    assert "1-inch MERV 13 in the old slot" in refused
    assert re.search(r"\d{3} cfm per ton \(\d{3} m³/h per ton\), where the limit is 350 cfm per ton", refused)
    assert "Title 24" in refused


@pytest.mark.parametrize("units", list(Units))
def test_the_houses_own_units_come_first(page: Callable[..., str], comparison: Comparison, units: Units) -> None:
    html = page(units)
    (head,) = re.findall(r"<thead role=\"rowgroup\">.*?</thead>", html, re.DOTALL)
    assert ("Airflow, cfm" in head) == (units is Units.INCH_POUND)
    first = comparison.fitting[0]
    assert first.new is not None
    airflow = first.new.airflow_m3h / (1.699011 if units is Units.INCH_POUND else 1.0)
    assert f">{airflow:,.0f}<" in html


def test_figures_of_the_table_are_those_of_the_document(page: Callable[..., str], comparison: Comparison) -> None:
    html = page()
    for entry in comparison.fitting:
        assert entry.outcome is not None
        for figure in (entry.outcome.clean_air_typical_m3h, entry.outcome.cost.yearly, entry.outcome.life.months):
            assert isinstance(figure, Known)
            assert f'<data value="{figure.value}" data-unit="{figure.unit}">' in html


def test_cautions_and_assumptions_are_all_told(page: Callable[..., str], comparison: Comparison) -> None:
    html = page().replace("&#39;", "'")
    for caution in comparison.cautions:
        assert caution.text in html
    for assumption in comparison.conditions.assumptions:
        assert assumption in html


@pytest.fixture(scope="module")
def odd_page(house: House) -> str:
    """One filter without a price, named by somebody who would like more than a name."""
    hostile = "<img src=x onerror=alert(1)>"
    told = Candidate.model_validate(
        {
            "name": hostile,
            "merv": 11,
            "face_area": "4 ft2",
            "rated_drop": [{"airflow": "1200 cfm", "drop": "0.12 in.w.c."}],
            "longest_use": "60 d",
        }
    )
    named = house.model_copy(update={"name": hostile, "filter": None})
    return render_comparison(compare(named, [told]), named, made_on=date(2026, 3, 4))


def test_names_are_text_and_nothing_else(odd_page: str) -> None:
    assert "<img" not in odd_page
    assert "&lt;img" in odd_page


def test_an_unpriced_filter_is_told_as_not_known(odd_page: str) -> None:
    assert "not known" in odd_page
    assert "add price" in odd_page


def test_where_none_fits_the_page_says_so(house: House) -> None:
    tight = Candidate.model_validate(
        {
            "name": "Tight",
            "merv": 16,
            "face_area": "2 ft2",
            "rated_drop": [{"airflow": "1200 cfm", "drop": "1.5 in.w.c."}],
        }
    )
    bare = house.model_copy(update={"filter": None})
    html = render_comparison(compare(bare, [tight]), bare, made_on=date(2026, 3, 4))
    assert "cannot breathe through any" in html
    assert outline(html).crossed == []


def test_it_fits_every_width_and_an_audit_finds_nothing(
    browser: webdriver.Chrome, audit: Callable[..., object], page: Callable[..., str], tmp_path: Path
) -> None:
    """WCAG 2.2, 1.4.10 (reflow): no scrolling in two directions at 320 CSS px. And the rules of axe-core."""
    path = tmp_path / "page.html"
    path.write_text(page(), encoding="utf-8")
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get(path.as_uri())
    for width in (320, 360, 768, 1280):
        size = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        beyond = browser.execute_script(
            """return [...document.querySelectorAll("main *")].filter((element) => {
                 const box = element.getBoundingClientRect();
                 return box.width > 0 && !element.closest(".unseen, .skip, thead, svg")
                   && (box.right > arguments[0] + 1 || box.left < -1);
               }).map((element) => element.outerHTML.slice(0, 80));""",
            width,
        )
        assert beyond == []
    # Schemes differ by their colours alone, which the palette's tests hold everywhere.
    assert audit((320,), ("dark",)) == {}
    assert audit((1280,), ("light",)) == {}
    assert browser.get_log("browser") == []
