"""Every card tells the document's own numbers in plain words, whatever the document holds, and nothing else."""

import html
import re
from collections.abc import Iterator
from datetime import timedelta
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moteledger.cards import CARDS, STATIC_FILES, render_card, render_fragment, render_page
from moteledger.cards.air import INDEX_COLOURS

VOID = {"meta", "link", "br", "img", "hr", "input", "wbr", "col"}
SVG_EMPTY = {"rect", "line", "path", "circle"}


class Outline(HTMLParser):
    """A document's elements, ids, references, data elements and texts; raises where tags do not nest."""

    def __init__(self, markup: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.data: list[tuple[float, str, str]] = []
        self.feed(markup)
        self.close()
        assert self.open == [], f"left open: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"<{tag}> repeats an attribute"
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in SVG_EMPTY, f"<{tag}/> is not closed in HTML"
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag, f"</{tag}> closes another element"

    def handle_data(self, data: str) -> None:
        self.text.append(data)
        if self.open and self.open[-1] == "data":
            attributes = self.elements[-1][1]
            self.data.append((float(attributes["value"] or ""), attributes["data-unit"] or "", data))

    def all(self, name: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.elements if tag == name]

    @property
    def ids(self) -> list[str]:
        return [attributes["id"] or "" for _, attributes in self.elements if "id" in attributes]

    @property
    def words(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.text))


def page(case: Any) -> str:
    return render_page(case.assessment, case.house, now=case.now, banner=case.banner, beside=case.beside)


def card(name: str, case: Any) -> Outline:
    return Outline(render_card(name, case.assessment, case.house, now=case.now, banner=case.banner, beside=case.beside))


def numbers_in(value: Any) -> Iterator[float]:
    if isinstance(value, dict):
        for each in value.values():
            yield from numbers_in(each)
    elif isinstance(value, (list, tuple)):
        for each in value:
            yield from numbers_in(each)
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        yield float(value)


def test_every_page_is_well_formed_and_its_references_meet(case: Any) -> None:
    outline = Outline(page(case))
    assert len(outline.ids) == len(set(outline.ids))
    for _, attributes in outline.elements:
        for name in ("aria-labelledby", "aria-describedby"):
            assert set((attributes.get(name) or "").split()) <= set(outline.ids)
        for name in ("href", "fill"):
            found = re.fullmatch(r"#(.+)|url\(#(.+)\)", attributes.get(name) or "")
            if found and name == "href":
                assert found[1] in outline.ids
            elif found and found[2]:
                assert found[2] in outline.ids


def test_every_card_stands_alone_and_is_led_by_a_sentence(case: Any) -> None:
    for name in CARDS:
        outline = card(name, case)
        assert outline.all("html") == [{"lang": "en"}]
        assert len(outline.all("h1")) == len(outline.all("article")) == len(outline.all("h2")) == 1
        fragment = render_fragment(name, case.assessment, case.house, now=case.now)
        lead = re.search(r'<p class="lead">(.*?)</p>', fragment, re.DOTALL)
        assert lead is not None
        assert html.unescape(lead[1]).rstrip()[-1] in ".!?…"


def test_no_page_holds_inline_script_inline_style_or_a_foreign_address(case: Any) -> None:
    markup = page(case)
    outline = Outline(markup)
    assert outline.all("script") == [{"src": "/static/cards.js", "defer": None}]
    assert outline.all("style") == []
    assert outline.all("img") == []
    for _, attributes in outline.elements:
        assert "style" not in attributes
        assert not any(name.startswith("on") for name in attributes)
        for name in ("src", "href"):
            assert re.match(r"/static/[\w.]+$|#", attributes.get(name) or "#")


def test_markup_in_the_document_is_shown_as_text(cases: dict[str, Any]) -> None:
    hostile = cases["hostile"]
    assert hostile.banner in Outline(page(hostile)).words
    for name in set(CARDS) - {"trace"}:
        outline = card(name, hostile)
        assert "<script>alert(1)</script>" in outline.words
        assert "{{7*7}}" in outline.words
        assert len(outline.all("script")) == 1


@settings(max_examples=25, deadline=None)
@given(text=st.text(min_size=1, max_size=60))
def test_no_text_can_change_the_shape_of_a_card(cases: dict[str, Any], text: str) -> None:
    case = cases["typical"]
    air = case.assessment.air.model_copy(update={"sentence": text, "category": text})
    assessment = case.assessment.model_copy(update={"air": air})
    shape = [tag for tag, _ in Outline(render_fragment("air", case.assessment, case.house, now=case.now)).elements]
    changed = [tag for tag, _ in Outline(render_fragment("air", assessment, case.house, now=case.now)).elements]
    without_swatch = [tag for tag in shape if tag not in {"svg", "rect"}]
    assert [tag for tag in changed if tag not in {"svg", "rect"}] == without_swatch


@pytest.mark.parametrize("system", ["typical", "inch-pound"])
def test_the_numbers_on_the_page_are_the_numbers_of_the_document(cases: dict[str, Any], system: str) -> None:
    """Only sums of the two sides, the cost of the advised energy and the running hours of the trace are worked out."""
    case = cases[system]
    ledger = case.assessment.ledger
    worked_out = {
        ledger.entered_mg + ledger.generated_mg,
        ledger.filtered_mg + ledger.settled_mg + ledger.carried_out_mg + ledger.stored_mg,
        case.assessment.fan.energy_kwh.value * case.house.tariff.per_kwh,
    }
    worked_out |= {round(watched.points[-1][1], 1) for watched in case.beside.watched}
    known = set(numbers_in(case.assessment.model_dump())) | worked_out
    shown = Outline(page(case)).data
    assert len(shown) > 60
    for value, unit, text in shown:
        if unit == "h" and value not in known:
            running = [point.fan_fraction for point in case.assessment.trace[:-1]]
            assert value == pytest.approx(sum(running) / 6.0)
            continue
        assert any(value == pytest.approx(each, rel=1e-12) for each in known), (value, unit, text)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("air", {(8.24, "8.2"), (12.6, "12.6"), (41.3, "41"), (8.9, "8.9"), (49.0, "49")}),
        ("filter", {(72.0, "72"), (41.0, "41"), (112.0, "112"), (1835.0, "1,835")}),
        ("fan", {(11.2, "11.2"), (12.45, "12.4"), (4.11, "4.1"), (36.0, "36"), (17.9, "17.9"), (15.0, "15")}),
        ("delivery", {(742.0, "742"), (498.0, "498"), (0.67, "67"), (0.41, "41"), (0.312, "0.31"), (1.08, "1.08")}),
        ("account", {(883.5, "883"), (207.9, "208"), (639.1, "639"), (218.2, "218"), (1091.4, "1,091")}),
    ],
)
def test_each_card_shows_the_figures_it_is_for(
    name: str, expected: set[tuple[float, str]], cases: dict[str, Any]
) -> None:
    shown = {(round(value, 6), text) for value, _, text in card(name, cases["typical"]).data}
    missing = expected - shown
    assert missing == set(), shown


def test_an_inch_pound_house_is_spoken_to_in_its_system_first(cases: dict[str, Any]) -> None:
    """742 m3/h / 1.699011 = 437 cfm; 72 Pa / 249.0889 = 0.289 in. w.c. (NIST SP 811, appendix B)."""
    assert (742.0, "m3/h", "437") in card("delivery", cases["inch-pound"]).data
    words = card("filter", cases["inch-pound"]).words
    assert "0.289 in. w.c." in words
    assert "72 Pa" in words
    assert words.index("0.289") < words.index("72 Pa")


def test_intervals_are_told_and_drawn_beside_every_estimate(cases: dict[str, Any]) -> None:
    outline = card("air", cases["typical"])
    for told in ("6.1 to 10.3", "11.0 to 14.2", "37 to 46"):
        assert told in outline.words
    ranges = [attributes for attributes in outline.all("rect") if attributes.get("class") == "range-hatch"]
    assert len(ranges) == 3
    # 41.3 (37.0 to 45.9) on a scale from 0 to 50: from 74 % of the width, 17.8 % wide.
    assert (ranges[2]["x"], ranges[2]["width"]) == ("74.0%", "17.8%")


def test_what_is_not_known_is_told_as_its_reason_and_never_as_a_number(cases: dict[str, Any]) -> None:
    for name in ("air", "fan", "filter", "delivery"):
        outline = card(name, cases["unknown"])
        assert "The fan never rested in this period, so nothing could be told apart." in outline.words
        assert [value for value, _, _ in outline.data if value not in {15.0, 0.0}] == []
        assert [attributes for attributes in outline.all("rect") if attributes.get("class") == "range-hatch"] == []
    assert "cannot be told yet" in card("filter", cases["unknown"]).words
    assert "No trace has been recorded yet." in card("trace", cases["unknown"]).words


def test_stale_figures_say_how_old_they_are_and_withdraw_the_advice(cases: dict[str, Any]) -> None:
    for name in CARDS:
        assert "Not current: the last reading came 3 h 20 min ago, at 11:15." in card(name, cases["stale"]).words
        assert "Not current" not in card(name, cases["typical"]).words
    fan = card("fan", cases["stale"]).words
    assert "Leave the fan to its thermostat" in fan
    assert "Let the fan run" not in fan
    assert "How the air is now is not known." in card("air", cases["stale"]).words


def test_the_age_that_counts_as_stale_is_the_caller_s_choice(typical: Any) -> None:
    later = typical.now + timedelta(minutes=50)
    patient = render_fragment("air", typical.assessment, typical.house, now=later, stale_after_min=60.0)
    assert "Not current" not in patient
    assert "Not current" in render_fragment("air", typical.assessment, typical.house, now=later)


def test_advice_past_its_time_is_withdrawn_even_when_readings_are_fresh(typical: Any) -> None:
    late = typical.assessment.fan.valid_until + timedelta(minutes=1)
    text = render_fragment("fan", typical.assessment, typical.house, now=late, stale_after_min=600.0)
    assert "Leave the fan to its thermostat" in text


def test_a_reading_from_the_future_is_called_one(cases: dict[str, Any]) -> None:
    assert "in the future" in card("air", cases["from the future"]).words


def test_before_the_first_reading_every_card_says_what_it_waits_for(cases: dict[str, Any]) -> None:
    for name, waiting in CARDS.items():
        words = card(name, cases["nothing yet"]).words
        assert "Nothing is written here yet." in words
        assert waiting.waits_for in words
        assert not re.search(r"\d+(\.\d+)? ?(µg|mg|m³|Pa|%)", words)


def test_the_banner_stands_above_page_and_card(cases: dict[str, Any]) -> None:
    case = cases["typical"]
    for markup in (page(case), render_card("air", case.assessment, case.house, now=case.now, banner=case.banner)):
        assert markup.index(case.banner) < markup.index("<h1")
    assert "banner" not in render_page(case.assessment, case.house, now=case.now)


def test_cautions_stand_on_the_card_of_the_advice_they_belong_to(cases: dict[str, Any]) -> None:
    assessment = cases["typical"].assessment
    for caution in assessment.cautions:
        told = {name for name in CARDS if caution.text in card(name, cases["typical"]).words}
        assert told == {caution.applies_to}
    assert assessment.cautions[0].text in card("fan", cases["stale"]).words


def test_index_colours_stand_only_beside_the_name_of_the_index(cases: dict[str, Any]) -> None:
    for name in CARDS:
        markup = render_fragment(name, cases["typical"].assessment, cases["typical"].house, now=cases["typical"].now)
        coloured = [colour for colour in INDEX_COLOURS.values() if colour in markup]
        assert coloured == ([INDEX_COLOURS["Good"]] if name == "air" else [])
    words = card("air", cases["typical"]).words
    assert "Good, 49 on the U.S. Air Quality Index for PM2.5" in words


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"action_now": "run"}, "Let the fan run until 14:32."),
        ({"action_now": "rest", "schedule": ()}, "Let the fan rest now."),
        ({"action_now": "leave"}, "Leave the fan to its thermostat."),
    ],
)
def test_the_fan_s_card_says_what_to_do_and_until_when(typical: Any, change: dict[str, Any], said: str) -> None:
    """The run under way ends 3.2 h after 10:20 UTC, at 13:32 UTC, which is 14:32 in a zone one hour ahead."""
    fan = typical.assessment.fan.model_copy(update=change)
    assessment = typical.assessment.model_copy(update={"fan": fan})
    assert said in Outline(render_fragment("fan", assessment, typical.house, now=typical.now)).words


def test_the_two_sides_of_the_account_balance(cases: dict[str, Any]) -> None:
    shown = card("account", cases["typical"])
    totals = [value for value, _, text in shown.data if text == "1,091"]
    assert len(totals) == 2
    assert totals[0] == pytest.approx(totals[1], rel=1e-12)
    assert "The sides balance" in shown.words


def test_an_account_that_does_not_close_says_by_how_much(typical: Any) -> None:
    ledger = typical.assessment.ledger.model_copy(update={"entered_mg": typical.assessment.ledger.entered_mg + 25.0})
    assessment = typical.assessment.model_copy(update={"ledger": ledger})
    words = Outline(render_fragment("account", assessment, typical.house, now=typical.now)).words
    assert "The sides do not balance: 25 mg are unexplained." in words


def test_air_that_got_cleaner_stands_on_the_side_of_what_was_there_before(typical: Any) -> None:
    change = {"stored_mg": -40.0, "carried_out_mg": typical.assessment.ledger.carried_out_mg + 41.2}
    ledger = typical.assessment.ledger.model_copy(update=change)
    assessment = typical.assessment.model_copy(update={"ledger": ledger})
    outline = Outline(render_fragment("account", assessment, typical.house, now=typical.now))
    assert "In the air from before" in outline.words
    assert "Still in the air" not in outline.words
    assert (40.0, "mg", "40") in outline.data
    assert "The sides balance" in outline.words


def test_tables_have_captions_and_scopes_and_pictures_have_names(cases: dict[str, Any]) -> None:
    outline = Outline(page(cases["typical"]))
    assert len(outline.all("table")) == len(outline.all("caption")) == 8
    assert all(attributes.get("scope") in {"row", "col"} for attributes in outline.all("th"))
    for attributes in outline.all("svg"):
        named = attributes.get("role") == "img"
        nested = "viewbox" in attributes and attributes.get("preserveaspectratio") == "none"
        assert named or nested or attributes.get("aria-hidden") == "true"
    pictures = sum(attributes.get("role") == "img" for attributes in outline.all("svg"))
    # One more title is the document's own.
    assert len(outline.all("title")) == pictures + 1


def test_the_page_can_be_skipped_through(cases: dict[str, Any]) -> None:
    outline = Outline(page(cases["typical"]))
    links = [attributes["href"] for attributes in outline.all("a")]
    assert links[0] == "#main"
    assert links[1 : 1 + len(CARDS)] == [f"#{name}" for name in CARDS]
    levels = [int(tag[1]) for tag, _ in outline.elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert all(below - above <= 1 for above, below in pairwise(levels))


def test_a_whole_page_with_its_files_weighs_less_than_150_kb(case: Any) -> None:
    static = sum(len(file.content) for file in STATIC_FILES.values())
    assert len(page(case).encode()) + static < 150_000


def test_a_name_that_is_no_card_is_refused(typical: Any) -> None:
    with pytest.raises(KeyError):
        render_card("dial", typical.assessment, typical.house, now=typical.now)
