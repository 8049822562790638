"""A house file says all that a survey knows, and every mistake in it is answered by key, value and fix."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from moteledger.settings import BlowerType, House, HouseFileError, Units, parse, read_house
from moteledger.settings.file import plain_message
from motemodel.units import Quantity

EXAMPLES = Path(__file__).parents[3] / "config_examples"
LEAST = 'name = "Tern Cottage"\n[house]\nfloor_area = "120 m2"\n'


def house_from(text: str, folder: Path) -> House:
    path = folder / "house.toml"
    path.write_text(text, encoding="utf-8")
    return read_house(path)


def problems_of(text: str, folder: Path) -> list[str]:
    with pytest.raises(HouseFileError) as caught:
        house_from(text, folder)
    return caught.value.problems


def test_a_name_and_a_floor_area_are_enough(tmp_path: Path) -> None:
    house = house_from(LEAST, tmp_path)
    assert house.house.volume_m3 == pytest.approx(120 * 2.44)
    assert house.units is Units.SI
    assert house.filter is None


def test_inch_pound_and_si_may_be_mixed() -> None:
    house = read_house(EXAMPLES / "tern_cottage.toml")
    # NIST SP 811 (2008), appendix B: 1 ft2 = 0.09290304 m2, 1 ft = 0.3048 m, 1 ft3/min = 1.699011 m3/h,
    # 1 inch of water (conventional) = 249.0889 Pa.
    assert house.house.floor_area == pytest.approx(1900 * 0.09290304)
    assert house.house.ceiling_height == pytest.approx(8 * 0.3048)
    assert house.air_handler.airflow == pytest.approx(1080 * 1.699011, rel=1e-6)
    assert house.air_handler.external_static == pytest.approx(0.62 * 249.0889, rel=1e-6)
    assert house.air_handler.blower is BlowerType.CONSTANT_TORQUE


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.toml")), ids=lambda path: path.stem)
def test_every_example_house_is_a_good_house_file(path: Path) -> None:
    assert path.is_file()
    if path.stem != "round" and not path.stem.endswith(("candidates", "collector")):
        read_house(path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('name = "x"\n[house]\nfloor_area = 120', ["house.floor_area", "120", "no unit", "m2"]),
        ('name = "x"\n[house]\nfloor_are = "120 m2"', ["house.floor_are", "did you mean 'floor_area'"]),
        ('name = "x"\n[house]\nfloor_area = "120 cfm"', ["house.floor_area", "120 cfm", "not a unit of area", "ft2"]),
        ('name = "x"\n[house]\nfloor_area = "-3 m2"', ["house.floor_area", "-3 m2", "at least 10 m2"]),
        ('name = "x"\n[house]\nfloor_area = "nan m2"', ["house.floor_area", "nan m2"]),
        ('name = "x"\n[house]\nfloor_area = true', ["house.floor_area", "with its unit"]),
        (LEAST + "[house.leakage]\n", ["house.leakage", "exactly one of", "air_changes_50"]),
        (LEAST + "[house.leakage]\nair_changes_50 = 5\ntightness = 'tight'\n", ["exactly one", "tightness"]),
        (LEAST + "[filter]\nmerv = 17\n", ["filter.merv", "17", "16"]),
        (LEAST + "[filter]\nface_area = '1 m2'\n", ["filter", "rating once"]),
        (LEAST + "[air_handler]\nblower = 'turbine'\n", ["air_handler.blower", "turbine", "constant-torque"]),
        (LEAST + "[[sensors]]\nsignal = 'indor.pm25'\n", ["sensors.0.signal", "indor.pm25", "'indoor.pm25'"]),
        (LEAST + "[[sensors]]\nsignal = 'fan.running'\ngain = 2\n", ["sensors.0", "fan.running", "levels only"]),
        ("time_zone = 'Mars'\n" + LEAST, ["time_zone", "Mars", "IANA"]),
        ("name = \n", ["not TOML", "line 1"]),
        ("", ["name: missing", "house: missing"]),
    ],
)
def test_a_mistake_is_answered_by_key_value_and_fix(text: str, words: list[str], tmp_path: Path) -> None:
    told = "; ".join(problems_of(text, tmp_path))
    for word in words:
        assert word in told


def test_nought_is_named_even_where_the_bound_has_a_nought_in_it(tmp_path: Path) -> None:
    (problem,) = problems_of(LEAST + "[filter]\nmerv = 8\nleast_efficiency = 0\n", tmp_path)
    assert problem.startswith("filter.least_efficiency: 0 given")


@pytest.mark.parametrize(
    ("table", "told"),
    [
        # The refrigeration ton is 3516.85 W and the international foot 0.3048 m (NIST SP 811, 2008, appendix B).
        ("[fan]\nleast_run = '0.1 min'", "fan.least_run: '0.1 min' given; write at least 1 min"),
        ("[fan]\nleast_run = '0.001 h'", "fan.least_run: '0.001 h' given; write at least 0.0167 h"),
        (
            "[filter]\nmerv = 8\nlongest_use = '100000 days'",
            "filter.longest_use: '100000 days' given; write at most 3650 days",
        ),
        (
            "[air_handler]\ncooling_capacity = '1000 ton'",
            "air_handler.cooling_capacity: '1000 ton' given; write at most 142 ton",
        ),
        # A rise of 60 K is one of 108 degF; a temperature of 60 degC would be 140 degF.
        (
            "[air_handler]\nmost_temperature_rise = '200 degF'",
            "air_handler.most_temperature_rise: '200 degF' given; write at most 108 degF",
        ),
        ("[site]\naltitude = '30000 ft'", "site.altitude: '30000 ft' given; write at most 18000 ft"),
        (
            "[filter]\nmerv = 8\nleast_efficiency = '1 %'",
            "filter.least_efficiency: '1 %' given; write at least 5 %",
        ),
        ("[filter]\nmerv = 33", "filter.merv: 33 given; write at most 16"),
        (
            "".join(f"[[fan.speeds]]\nname = '{name}'\nairflow = '900 cfm'\npower = '300 W'\n" for name in "abcde"),
            "fan.speeds: 5 are listed; list at most 4",
        ),
    ],
)
def test_a_bound_is_told_in_the_unit_that_was_written(table: str, told: str, tmp_path: Path) -> None:
    assert problems_of(f"{LEAST}{table}\n", tmp_path) == [told]


@given(number=st.floats(1e-4, 1e7), unit=st.sampled_from(["min", "h", "s", "d"]))
def test_the_bound_that_is_told_is_taken(number: float, unit: str) -> None:
    document = tomllib.loads(LEAST)
    try:
        House.model_validate(document | {"fan": {"least_run": f"{number} {unit}"}})
    except ValidationError as error:
        (detail,) = error.errors()
        bound = plain_message(detail, House).removeprefix("write at least ").removeprefix("write at most ")
        House.model_validate(document | {"fan": {"least_run": bound}})


def test_a_unit_that_both_systems_share_is_offered_once(tmp_path: Path) -> None:
    (problem,) = problems_of(LEAST + "[targets]\npm25 = '15'\n", tmp_path)
    assert problem.count("9 ug/m3") == 1


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    assert len(problems_of('name = ""\n[house]\nfloor_area = 3\n[filter]\nmerv = 0\n', tmp_path)) == 3


def test_a_sensor_listed_twice_is_refused(tmp_path: Path) -> None:
    twice = "[[sensors]]\nsignal = 'indoor.pm25'\n" * 2
    assert "listed more than once" in problems_of(LEAST + twice, tmp_path)[0]


def test_files_that_cannot_be_read_say_why(tmp_path: Path) -> None:
    with pytest.raises(HouseFileError, match="no such file"):
        read_house(tmp_path / "missing.toml")
    with pytest.raises(HouseFileError, match="cannot be read"):
        read_house(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b'name = "caf\xe9"')
    with pytest.raises(HouseFileError, match="UTF-8"):
        read_house(tmp_path / "latin.toml")
    (tmp_path / "huge.toml").write_text("#" * 1_000_001, encoding="utf-8")
    with pytest.raises(HouseFileError, match="larger than"):
        read_house(tmp_path / "huge.toml")


@given(st.text(max_size=40), st.sampled_from(list(Quantity)))
def test_any_text_is_a_quantity_or_a_clear_refusal(text: str, quantity: Quantity) -> None:
    try:
        assert isinstance(parse(text, quantity), float)
    except ValueError as error:
        assert str(error)


@given(text=st.text(max_size=300))
def test_any_text_is_a_house_or_a_clear_refusal(text: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.getbasetemp() / "typed.toml"
    path.write_text(text, encoding="utf-8", errors="surrogatepass")
    with pytest.raises(HouseFileError):
        read_house(path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            LEAST + "[air_handler]\nexternal_static = '100 Pa'\nfilter_drop = '120 Pa'\n",
            ["air_handler", "filter_drop", "120 Pa", "100 Pa", "measure both again"],
        ),
        (
            LEAST + "[air_handler]\nblower_table = [{ static = '100 Pa', airflow = '900 cfm' }]\n",
            ["air_handler", "blower_table", "two or more rows"],
        ),
        (
            LEAST
            + "[air_handler]\nblower_table = [{ static = '0 Pa', airflow = '900 cfm', power = '300 W' }, "
            + "{ static = '50 Pa', airflow = '800 cfm' }]\n",
            ["blower_table", "all rows or in none"],
        ),
        (LEAST + "[air_handler]\nmost_temperature_rise = '70'\n", ["most_temperature_rise", "70", "no unit"]),
        (LEAST + "[air_handler]\nreturn_leakage = 0.8\n", ["air_handler.return_leakage", "0.8", "0.5"]),
        (LEAST + "[outdoors]\ncoldest_month = '30 degC'\n", ["outdoors", "coldest_month", "exchange"]),
        (LEAST + "dust = 'filthy'\n", ["house.dust", "filthy", "dusty"]),
    ],
)
def test_what_a_survey_adds_for_comparing_is_checked_too(text: str, words: list[str], tmp_path: Path) -> None:
    told = "; ".join(problems_of(text, tmp_path))
    for word in words:
        assert word in told


def test_a_temperature_rise_is_a_difference(tmp_path: Path) -> None:
    # NIST SP 811 (2008), appendix B.8: a difference of 1.8 degF is one of 1 K.
    house = house_from(LEAST + "[air_handler]\nmost_temperature_rise = '63 degF'\n", tmp_path)
    assert house.air_handler.most_temperature_rise == pytest.approx(35.0)
    house = house_from(LEAST + "[air_handler]\nmost_temperature_rise = '35 K'\n", tmp_path)
    assert house.air_handler.most_temperature_rise == pytest.approx(35.0)
