"""The inks stand out from their papers as WCAG 2.2 asks: 4.5 to 1 for text (1.4.3), 3 to 1 for marks (1.4.11)."""

import re
from pathlib import Path

import pytest

from moteledger.cards import STATIC_FILES

CSS = STATIC_FILES["cards.css"].content.decode()
TEXT = [
    ("ink", "paper"),
    ("ink-soft", "paper"),
    ("margin", "paper"),
    ("in", "paper"),
    ("out", "paper"),
    ("ink", "paper-edge"),
    ("ink-soft", "paper-edge"),
    ("alert", "alert-ground"),
]
MARKS = [
    ("ink", "paper"),
    ("ink", "paper-edge"),
    ("in", "paper"),
    ("out", "paper"),
    ("margin", "paper"),
    ("margin", "paper-edge"),
    ("rule-strong", "paper"),
    ("reckoned", "paper"),
    ("ink", "reckoned"),
    ("focus", "paper"),
    ("alert", "alert-ground"),
]


def colours(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block))


def palettes() -> dict[str, dict[str, str]]:
    light_block, dark_block, *_ = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)
    print_block = re.findall(r"@media print \{\s*:root \{(.*?)\}", CSS, re.DOTALL)[0]
    light = colours(light_block)
    return {"light": light, "dark": light | colours(dark_block), "print": light | colours(print_block)}


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two sRGB colours: WCAG 2.2, definitions of "contrast ratio" and "relative luminance"."""

    def luminance(colour: str) -> float:
        channels = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_formula_gives_the_published_ratios() -> None:
    """Black on white is 21:1 by definition; #767676 is the lightest grey that passes on white, 4.54:1 (from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
@pytest.mark.parametrize(("ink", "paper"), TEXT)
def test_text_can_be_read(scheme: str, ink: str, paper: str) -> None:
    palette = palettes()[scheme]
    assert contrast(palette[ink], palette[paper]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
@pytest.mark.parametrize(("ink", "paper"), MARKS)
def test_marks_that_carry_meaning_can_be_seen(scheme: str, ink: str, paper: str) -> None:
    palette = palettes()[scheme]
    assert contrast(palette[ink], palette[paper]) >= 3.0


def test_the_dark_palette_sets_every_colour_anew() -> None:
    light_block, dark_block, *_ = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)
    assert colours(dark_block).keys() == colours(light_block).keys()


def test_in_the_dark_nothing_changes_but_colours() -> None:
    """So an audit in the second scheme need only look at them."""
    dark = re.findall(r"@media screen and \(prefers-color-scheme: dark\) \{(.*?)\n\}", CSS, re.DOTALL)
    assert [re.sub(r"--[\w-]+: #[0-9a-f]{6};", "", each).split() for each in dark] == [[":root", "{", "}"]]
    assert not any(b"color-scheme" in file.content for name, file in STATIC_FILES.items() if name != "cards.css"), (
        "nothing else knows of it"
    )


def test_no_colour_is_written_outside_the_palettes() -> None:
    outside = re.sub(r":root \{.*?\}", "", CSS, flags=re.DOTALL)
    assert re.findall(r"#[0-9a-fA-F]{3,8}\b|\brgb|\bhsl", outside) == []


def ratio(scheme: str, ink: str, paper: str) -> float:
    palette = palettes()[scheme]
    return contrast(palette[ink], palette[paper])


def test_the_ratios_that_the_developers_page_lists_are_those_of_the_palette() -> None:
    """Every pair that is held to a ratio stands in its table, once, with its three ratios to a tenth."""
    told = (Path(__file__).parents[3] / "DEVELOPERS.md").read_text("utf-8")
    row = r"^\| `([\w-]+)` on `([\w-]+)` \|[^|]*\| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \|$"
    rows = re.findall(row, told, re.MULTILINE)
    listed = {(ink, paper): tuple(map(float, ratios)) for ink, paper, *ratios in rows}
    assert len(listed) == len(rows)
    assert set(listed) == {*TEXT, *MARKS}
    for (ink, paper), ratios in listed.items():
        expected = tuple(round(ratio(scheme, ink, paper), 1) for scheme in ("light", "dark", "print"))
        assert ratios == expected, (ink, paper)
    inks = dict(re.findall(r"^\| `--([\w-]+)` \| `(#[0-9a-f]{6})` \|", told, re.MULTILINE))
    assert inks == palettes()["light"]
    dark = dict(re.findall(r"^\| `--([\w-]+)` \| `#[0-9a-f]{6}` \| `(#[0-9a-f]{6})` \|", told, re.MULTILINE))
    assert dark == palettes()["dark"]


def test_the_type_scale_of_the_developers_page_is_that_of_the_style() -> None:
    """The sizes of letters in the style are the steps of the listed scale and no others."""
    told = (Path(__file__).parents[3] / "DEVELOPERS.md").read_text("utf-8")
    scale = set(re.findall(r"^\| ([\d.]+) rem \|", told, re.MULTILINE))
    used = re.findall(r"font-size: ([\d.]+)rem", CSS) + re.findall(r"font: (?:\d+ )?([\d.]+)rem", CSS)
    assert set(used) <= scale
    assert scale <= {*used, "1"}
