"""The report for a client: every number on page and PDF is the one in its JSON, whatever is known."""

import io
import json
import re
from collections import Counter
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from math import inf
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pypdf
import pytest
from selenium import webdriver

from moteledger.cards import STATIC_FILES
from moteledger.cards.figures import full_day
from moteledger.engine.assessment import Assessment, Figures, FilterLimit, NotKnown, Verdict
from moteledger.engine.filter_limits import day_of
from moteledger.engine.on_record import OnRecord
from moteledger.report import ClientReport, client_report, render_report_html, render_report_pdf
from moteledger.report.drawing import PALETTE
from moteledger.report.method import METHOD, SOURCES
from moteledger.settings import House, Units
from moteledger.store import Series, to_us

END = datetime(2026, 3, 4, 18, 0, tzinfo=UTC)
NUMERAL = re.compile(r"\d")
# NIST SP 811 (2008), appendix B: how many of the SI unit make one of each; a per cent is a hundredth.
PER_PRINTED = {
    "cfm": 1.699011,
    "tons": 3.516853,
    "in.": 25.4,
    "in. w.c.": 249.0889,
    "ft": 0.3048,
    "ft²": 0.09290304,
    "ft³": 0.02831685,
    "%": 0.01,
}
# Words with numerals that say nothing of a house: names of what is measured and of size ranges, and of a pressure.
NAMES = re.compile(r"PM2\.5|PM10|\bE[123]\b|Leakage at 50 Pa")
VOID = {"meta", "link", "br", "hr", "img", "input", "wbr", "col"}


@pytest.fixture(scope="module")
def pages(report_page: Callable[..., str]) -> dict[Units, str]:
    """The page in either system of units."""
    return {units: report_page(units) for units in Units}


@pytest.fixture(scope="module")
def pdfs(report: ClientReport, demo_house: House) -> dict[Units, pypdf.PdfReader]:
    """The PDF in either system of units."""
    houses = {units: demo_house.model_copy(update={"units": units}) for units in Units}
    return {units: pypdf.PdfReader(io.BytesIO(render_report_pdf(report, house))) for units, house in houses.items()}


class Texts(HTMLParser):
    """Every text of the body with the attributes of the nearest element that names its source, and its ancestors."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[tuple[str, dict[str, str | None]]] = []
        self.told: list[tuple[str, dict[str, str | None] | None, tuple[str, ...]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.open.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop()[0] == tag

    def handle_data(self, data: str) -> None:
        tags = tuple(tag for tag, _ in self.open)
        if "body" in tags and data.strip():
            source = next((each for _, each in reversed(self.open) if "data-from" in each), None)
            self.told.append((data, source, tags))


def texts(html: str) -> list[tuple[str, dict[str, str | None] | None, tuple[str, ...]]]:
    parsed = Texts()
    parsed.feed(html)
    parsed.close()
    return parsed.told


def at(document: Any, pointer: str) -> Any:
    """RFC 6901, for keys without ~ and /."""
    for part in pointer.split("/")[1:]:
        document = document[int(part)] if isinstance(document, list) else document[part]
    return document


def check_number(text: str, value: float, unit: str) -> None:
    """A printed number is the value in the printed unit, rounded to the digits printed."""
    plain = text.replace("\N{MINUS SIGN}", "-").replace(",", "")
    power = re.fullmatch(r"(-?[\d.]+) × 10([⁻⁰¹²³⁴⁵⁶⁷⁸⁹]+)", plain)  # noqa: RUF001
    if power:
        exponent = int(power[2].translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")))
        plain = f"{power[1]}e{exponent}"
    printed, expected = float(plain), value / PER_PRINTED.get(unit, 1.0)
    decimals = len(plain.split("e")[0].partition(".")[2])
    ten = float(plain.partition("e")[2] or 0)
    # Three digits are enough for numbers without an interval; their last zeros are left out.
    slack = max(0.5000001 * 10.0 ** (ten - decimals), 0.0)
    assert abs(printed - expected) <= slack + 2e-6 * abs(expected), (text, expected, unit)


def check_all(html: str, document: Any, zone: ZoneInfo) -> int:
    """Follow every numeral of a page back to its document; returns how many were numbers."""
    followed = 0
    for text, source, tags in texts(html):
        if source is None:
            if "svg" in tags or text.strip() in (*METHOD, *SOURCES):
                continue
            assert not NUMERAL.search(NAMES.sub("", text)), text
            continue
        value, kind = at(document, source["data-from"] or ""), source["data-as"]
        if kind == "quote":
            assert value.strip().rstrip(".") in (text.rstrip("."), text[0].lower() + text[1:].rstrip(".")), text
        elif kind == "day":
            assert text == f"{(day := date.fromisoformat(value)).day} {day:%b %Y}"
        elif kind == "moment":
            local = datetime.fromisoformat(value).astimezone(zone)
            assert text == f"{local.day} {local:%b %Y, %H:%M}"
        else:
            check_number(text, value, kind or "")
            followed += 1
    return followed


@pytest.mark.parametrize("units", list(Units))
def test_every_number_on_the_page_is_the_one_in_its_json(
    report: ClientReport, demo_house: House, pages: dict[Units, str], units: Units
) -> None:
    document = json.loads(report.model_dump_json())
    assert check_all(pages[units], document, demo_house.zone) > 150


def test_each_column_of_the_account_comes_to_its_total(report: ClientReport) -> None:
    """Conservation of mass: what is left in the air, more or less than before, makes the sides equal."""
    ledger = report.assessment.ledger
    assert report.came_in_mg == pytest.approx(ledger.entered_mg + ledger.generated_mg)
    assert report.went_out_mg == pytest.approx(report.came_in_mg, rel=1e-9)


def test_a_wrong_number_would_be_found(report: ClientReport, demo_house: House, pages: dict[Units, str]) -> None:
    """The check can fail: one figure of the document moved by a hundredth is noticed."""
    document = json.loads(report.model_dump_json())
    document["assessment"]["estimates"]["clean_air_delivered_m3h"]["value"] *= 1.01
    with pytest.raises(AssertionError):
        check_all(pages[demo_house.units], document, demo_house.zone)


@pytest.mark.parametrize("units", list(Units))
def test_the_pdf_tells_the_same_numbers_in_text_that_can_be_selected(
    pages: dict[Units, str], pdfs: dict[Units, pypdf.PdfReader], units: Units
) -> None:
    printed = " ".join(page.extract_text() for page in pdfs[units].pages)
    in_pdf = Counter(re.findall(r"\d+", printed))
    in_page = Counter(
        numeral for text, _, tags in texts(pages[units]) if "svg" not in tags for numeral in re.findall(r"\d+", text)
    )
    assert not in_page - in_pdf


def test_the_pdf_is_tagged_has_its_language_and_carries_its_fonts(pdfs: dict[Units, pypdf.PdfReader]) -> None:
    """PDF/UA-1 (ISO 14289-1): marked content, a structure tree, the language; ISO 32000-1, 9.9: fonts embedded."""
    pdf = pdfs[Units.INCH_POUND]
    root = pdf.trailer["/Root"].get_object()
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    for page in pdf.pages:
        for font in page["/Resources"]["/Font"].values():
            descriptor = font["/DescendantFonts"][0].get_object()["/FontDescriptor"]
            assert {"/FontFile2", "/FontFile3"} & set(descriptor)


def test_two_pages_lead_and_the_paper_is_that_of_the_house(pdfs: dict[Units, pypdf.PdfReader]) -> None:
    """ISO 216: A4 is 210 mm by 297 mm; ANSI/ASME Y14.1: Letter is 8.5 in by 11 in."""
    for units, (width, height) in {Units.SI: (595.3, 841.9), Units.INCH_POUND: (612.0, 792.0)}.items():
        pdf = pdfs[units]
        box = pdf.pages[0].mediabox
        assert (float(box.width), float(box.height)) == pytest.approx((width, height), abs=0.2)
        assert "Appendix" in pdf.pages[2].extract_text()
        assert "For the client" in pdf.pages[1].extract_text()


def test_no_page_of_the_appendix_but_the_last_stands_half_empty(pdfs: dict[Units, pypdf.PdfReader]) -> None:
    """How far down the words of each page reach; the foot of the page is left out."""
    for pdf in pdfs.values():
        for page in pdf.pages[2:-1]:
            heights: list[float] = []

            def note(text: str, place: Any, *_: Any, heights: list[float] = heights) -> None:
                if text.strip():
                    heights.append(place[5])

            page.extract_text(visitor_text=note)
            height = float(page.mediabox.height)
            lowest = min(each for each in heights if each > 0.06 * height)
            assert lowest < 0.5 * height


def test_with_nothing_known_the_reasons_are_told(report: ClientReport, demo_house: House) -> None:
    why = NotKnown(reason="the fan never rested; let it rest for a night")
    nothing = Figures(**dict.fromkeys(Figures.model_fields, why))
    assessment = report.assessment.model_copy(
        update={
            "estimates": nothing,
            "expected": nothing,
            "delivery": report.assessment.delivery.model_copy(
                update={"verdict": Verdict.CANNOT_TELL, "share_of_expected": why, "likely_causes": ()}
            ),
            "filter": report.assessment.filter.model_copy(
                update={"drop_at_reference_pa": why, "change_on": None, "change_between": None, "drop_limit_pa": None}
            ),
            "fan": report.assessment.fan.model_copy(
                update={"alternatives": (), "schedule": (), "mean_pm25": why, "energy_kwh": why}
            ),
            "events": (),
            "trace": (),
        }
    )
    bare = report.model_copy(
        update={
            "assessment": Assessment.model_validate(assessment.model_dump()),
            "proof": None,
            "change": None,
            "course": (),
            "filter_drop": (),
            "duct_static": (),
            "installed": (),
            "filtered_share": None,
            "energy": report.energy.model_copy(update={"energy_kwh": why, "cost": why}),
        }
    )
    html = render_report_html(bare, demo_house)
    assert "The fan never rested; let it rest for a night." in html
    check_all(html, json.loads(bare.model_dump_json()), demo_house.zone)
    assert render_report_pdf(bare, demo_house).startswith(b"%PDF")


def test_a_day_on_which_a_change_was_recorded_parts_the_report_and_is_told_as_recorded(
    demo_house: House, demo_readings: Callable[[float], dict[str, Series]]
) -> None:
    on = date(2026, 3, 3)
    report = client_report(demo_house, OnRecord(demo_readings(6.0), changed_on=on), made_on=date(2026, 3, 5))
    assert report.assessment.filter.installed_on == on
    assert report.change is not None
    assert (report.change.changed_on, report.change.known_by) == (on, "as recorded")


def test_an_hour_and_a_little_is_enough_for_a_report(
    demo_house: House, demo_readings: Callable[[float], dict[str, Series]]
) -> None:
    short = client_report(demo_house, OnRecord(demo_readings(0.125)), made_on=date(2026, 3, 5))
    html = render_report_html(short, demo_house)
    check_all(html, json.loads(short.model_dump_json()), demo_house.zone)
    assert render_report_pdf(short, demo_house).startswith(b"%PDF")


def test_a_year_of_hours_makes_a_report_of_ordinary_size(demo_house: House) -> None:
    hours = np.arange(8760)
    end_us = to_us(END)
    time_us = end_us - (8760 - hours) * 3_600_000_000
    outdoor = 20.0 + 15.0 * np.sin(hours / 50.0)
    fan = (hours % 5 < 2).astype(float)
    year = {
        "outdoor.pm25": Series(time_us, outdoor),
        "indoor.pm25": Series(time_us, np.round(outdoor * np.where(fan > 0.5, 0.3, 0.5), 1)),
        "fan.running": Series(time_us, fan),
    }
    long = client_report(demo_house, OnRecord(year), made_on=date(2026, 3, 5))
    assert len(long.course) <= 1344
    html = render_report_html(long, demo_house)
    check_all(html, json.loads(long.model_dump_json()), demo_house.zone)
    assert len(html) < 1_500_000


def test_a_filter_s_day_with_no_end_in_sight_is_told_as_open(report: ClientReport, demo_house: House) -> None:
    assessment = report.assessment
    today = assessment.period.end.astimezone(demo_house.zone).date()
    soon, never = today + timedelta(days=90), day_of(inf, today)
    limits = (
        FilterLimit(reason="pressure", on=soon, earliest=today, latest=never, told="By then its resistance is high."),
        FilterLimit(reason="dust", on=never, earliest=soon, latest=never, told="By then it is full."),
    )
    fields = {"change_on": soon, "change_between": (today, never), "order_by": soon, "limits": limits}
    open_ = assessment.model_copy(update={"filter": assessment.filter.model_copy(update=fields)})
    page = render_report_html(report.model_copy(update={"assessment": open_}), demo_house)
    text = "".join(part for part, _, _ in texts(page)).replace("\u00a0", " ")
    assert f"the day is {full_day(today)} or later. Order one by" in text
    assert text.count(f"{full_day(never)}") == text.count(f"{full_day(never)} or later") == 1


def test_words_of_a_house_are_text_and_nothing_else(report: ClientReport, demo_house: House) -> None:
    hostile = '<img src=x onerror=alert(1)> #panic("x") $x$ *b* _i_ \\ `raw`'
    without_courses = {"course": (), "filter_drop": (), "duct_static": ()}
    assessment = report.assessment.model_copy(update={"house": hostile, "trace": ()})
    named = report.model_copy(update={"assessment": assessment, **without_courses})
    house = demo_house.model_copy(update={"name": hostile})
    html = render_report_html(named, house)
    assert "<img" not in html
    assert not re.search(r"<script|javascript:|\son\w+=\"", html)
    printed = pypdf.PdfReader(io.BytesIO(render_report_pdf(named, house))).pages[0].extract_text()
    assert '#panic("x")' in printed.replace("“", '"').replace("”", '"')
    assert "*b* _i_" in printed


def test_pictures_are_inked_in_the_palette_and_follow_the_reader(pages: dict[Units, str]) -> None:
    assert set(PALETTE) == {
        "ink",
        "ink-soft",
        "rule",
        "rule-strong",
        "margin",
        "in",
        "out",
        "paper",
        "alert",
        "reckoned",
    }
    assert PALETTE["ink"] in STATIC_FILES["cards.css"].content.decode()
    html = pages[Units.SI]
    drawn = "".join(re.findall(r"<svg.*?</svg>", html, re.DOTALL))
    assert "var(--ink)" in drawn
    assert not set(PALETTE.values()) & set(re.findall(r"#[0-9a-f]{6}", drawn))
    ids = re.findall(r'\sid="([^"]+)"', html)
    assert len(ids) == len(set(ids))


def test_the_page_fits_every_width_and_an_audit_finds_nothing(
    browser: webdriver.Chrome, audit: Callable[..., object], pages: dict[Units, str], tmp_path: Path
) -> None:
    """The rules of axe-core; WCAG 2.2, 1.4.10: no scrolling in two directions at 320 CSS px."""
    path = tmp_path / "report.html"
    path.write_text(pages[Units.INCH_POUND], encoding="utf-8")
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get(path.as_uri())
    # Schemes differ by their colours alone, which the palette's tests hold everywhere.
    assert audit((320,), ("light",)) == {}
    assert audit((1280,), ("dark",)) == {}
    assert browser.get_log("browser") == []
