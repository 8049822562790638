"""Field results as published, measured again: a house with the published rates is made by scipy's general integrator,
read by a noisy sensor, and the room's own method has to give the published figure within its stated uncertainty.

What is checked is the method of measurement (does the decay test, does the identification return what the study
returned), not the physics of the houses, which the studies themselves supply; two results are foretold from others of
the same study. Records: tests/reference/estimate.json. The studies, and how many results of each:

- Howard-Reed, Wallace & Emmerich (2003), one townhouse, decays with and without the central fan: three;
- Singer et al. (2017), one house, in/out ratios with and without filters in the central unit: two;
- the 39 houses of a record of the US EPA, tracer gas with and without the central system: two;
- Dal Porto et al. (2022), decays with and without a fan box of filters: two;
- Ozkaynak et al. (1996), 178 homes, in/out samples, no central fan: three, from memory.

The duct leakage that goes with the third, and the second by the model of a whole house, are checked in
tests/model/envelope/test_exchange.py and tests/model/plan/test_life.py.
"""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from motemodel.estimate import Estimate, HouseRecord, Identification, decay_test, identify
from motemodel.filters import curve_from_merv, pm25_efficiency

REFERENCE = {
    record["id"]: record
    for record in json.loads((Path(__file__).parents[2] / "reference" / "estimate.json").read_text(encoding="utf-8"))
}
STEP_H = 2.0 / 60.0
VOLUME_M3 = 340.0


def read_house(
    *,
    days: float,
    air_change: float,
    penetration: float,
    deposition: float,
    fan_loss: float = 0.0,
    fan_entry: float = 0.0,
    meals_per_day: int = 2,
    cooking_ug_m3_h: float = 150.0,
    fan_cycle_h: tuple[float, float] = (12.0, 6.0),
    seed: int = 11,
) -> HouseRecord:
    """A house of constant rates (1/h), the fan on for the second part of each cycle, cooking `meals_per_day` times."""
    count = round(days * 24.0 / STEP_H)
    middles = (np.arange(count) + 0.5) * STEP_H
    outdoor = 16.0 + 8.0 * np.sin(middles / 4.3) + 4.0 * np.sin(middles / 1.3)
    fan = ((middles % fan_cycle_h[0]) >= fan_cycle_h[1]).astype(float)
    spacing = 24.0 / max(meals_per_day, 1)
    cooking = ((middles % spacing > 3.0) & (middles % spacing < 3.4)) * (cooking_ug_m3_h if meals_per_day else 0.0)
    entry = air_change * penetration + fan * fan_entry
    loss = air_change + deposition + fan * fan_loss

    def rate(t: float, c: np.ndarray) -> np.ndarray:
        k = min(int(t / STEP_H), count - 1)
        return entry[k] * outdoor[k] + cooking[k] - loss[k] * c

    exact = solve_ivp(rate, (0.0, middles[-1] + STEP_H), [6.0], t_eval=middles, rtol=1e-6, max_step=STEP_H)
    noise = np.random.default_rng(seed).normal(0.0, 0.4, count)
    return HouseRecord(STEP_H, VOLUME_M3, outdoor, np.maximum(np.round(exact.y[0] + noise, 1), 0.0), fan)


def published(name: str) -> float:
    return float(REFERENCE[name]["expected"])


def within(name: str) -> float:
    return float(REFERENCE[name]["tolerance"].removeprefix("+-"))


@pytest.fixture(scope="module")
def townhouse() -> HouseRecord:
    """The townhouse of Howard-Reed et al. (2003): deposition 0.3 1/h, doubled by the fan, air change 0.5 1/h."""
    return read_house(days=4, air_change=0.5, penetration=0.9, deposition=0.3, fan_loss=0.3)


def test_fan_off_deposition_of_fine_particles_is_that_of_the_townhouse_study(townhouse: HouseRecord) -> None:
    # hr_dep_small: 0.3 +- 0.1 1/h; the study, too, took the air change by tracer off the measured decay.
    off = decay_test(townhouse, entry_per_h=Estimate(0.45, 0.40, 0.50)).loss_fan_off_per_h
    assert isinstance(off, Estimate)
    assert off.value - 0.5 == pytest.approx(published("hr_dep_small"), abs=within("hr_dep_small"))
    assert off.low <= 0.5 + published("hr_dep_small") <= off.high


def test_the_running_fan_doubles_the_deposition_of_fine_particles(townhouse: HouseRecord) -> None:
    # hr_fan: a ratio of 2 +- 0.3 of the rates without air change.
    found = decay_test(townhouse, entry_per_h=Estimate(0.45, 0.40, 0.50))
    assert isinstance(found.loss_fan_on_per_h, Estimate)
    assert isinstance(found.loss_fan_off_per_h, Estimate)
    ratio = (found.loss_fan_on_per_h.value - 0.5) / (found.loss_fan_off_per_h.value - 0.5)
    assert ratio == pytest.approx(published("hr_fan"), abs=within("hr_fan"))


def test_the_fan_alone_lowers_the_level_by_a_quarter_to_a_half(townhouse: HouseRecord) -> None:
    # hr_red: 25 to 50 %; hr_chk: 27 % by arithmetic. Here from what ordinary days, not decays, tell.
    found = identify(townhouse)
    assert isinstance(found.loss_fan_off_per_h, Estimate)
    assert isinstance(found.clean_air_delivered_m3h, Estimate)
    extra = found.clean_air_delivered_m3h.value / VOLUME_M3
    reduction = extra / (extra + found.loss_fan_off_per_h.value)
    low, high = (percent / 100.0 for percent in REFERENCE["hr_red"]["expected"])
    assert low <= reduction <= high
    assert reduction == pytest.approx(published("hr_chk"), abs=0.04)


@pytest.fixture(scope="module")
def new_house() -> HouseRecord:
    """The house of Singer et al. (2017): without filtration 70 % below outdoors, with it 93 to 98 %.

    Exhaust ventilation. Unfiltered 0.3 = P a / (a + k), a = 0.3 1/h; a central unit with a MERV 13 to 16 adds 3 1/h.
    """
    return read_house(days=6, air_change=0.3, penetration=0.6, deposition=0.3, fan_loss=3.0, meals_per_day=1)


def test_without_filtration_the_house_stands_70_percent_below_outdoors(new_house: HouseRecord) -> None:
    found = identify(new_house)
    assert isinstance(found.outdoor_entry_per_h, Estimate)
    assert isinstance(found.loss_fan_off_per_h, Estimate)
    below = 100.0 * (1.0 - found.outdoor_entry_per_h.value / found.loss_fan_off_per_h.value)
    assert below == pytest.approx(published("singer_base"), abs=within("singer_base"))


def test_with_the_central_filter_it_stands_93_to_98_percent_below(new_house: HouseRecord) -> None:
    found = identify(new_house)
    assert isinstance(found.outdoor_entry_per_h, Estimate)
    assert isinstance(found.loss_fan_off_per_h, Estimate)
    assert isinstance(found.clean_air_delivered_m3h, Estimate)
    loss = found.loss_fan_off_per_h.value + found.clean_air_delivered_m3h.value / VOLUME_M3
    low, high = REFERENCE["singer_recirc"]["expected"]
    assert low <= 100.0 * (1.0 - found.outdoor_entry_per_h.value / loss) <= high


def test_ducts_that_leak_as_in_39_houses_show_as_extra_entry_while_the_fan_runs() -> None:
    # epa_inf_abs, epa_inf_ratio: 0.33 1/h more and 1.8 times the infiltration on average while the system runs.
    added, ratio = published("epa_inf_abs"), REFERENCE["epa_inf_ratio"]["expected"][0]
    resting = added / (ratio - 1.0)
    leaky = read_house(
        days=7, air_change=resting, penetration=0.8, deposition=0.2, fan_entry=0.8 * added, fan_loss=added + 1.0
    )
    found = identify(leaky)
    assert isinstance(found.fan_extra_entry_per_h, Estimate)
    assert isinstance(found.outdoor_entry_per_h, Estimate)
    assert found.fan_extra_entry_per_h.low > 0.0
    told = 1.0 + found.fan_extra_entry_per_h.value / found.outdoor_entry_per_h.value
    assert told == pytest.approx(ratio, abs=0.25)
    # The leak dilutes too, and that is not delivery: 1.0 1/h of the extra loss is.
    assert isinstance(found.clean_air_delivered_m3h, Estimate)
    assert found.clean_air_delivered_m3h.low <= 1.0 * VOLUME_M3 <= found.clean_air_delivered_m3h.high


def test_the_filters_rating_foretells_the_filtered_house_from_the_unfiltered_one() -> None:
    """70 % below outdoors is 0.3 = entry / loss. What MERV 13 to 16 then adds to the loss brings it to 93 to 98 %.

    Air change and deposition of 0.3 1/h each; the central unit moves 5 to 9 house volumes an hour (common practice, no
    source); ratings as the weaker MERV 13 at 5 and the stronger MERV 16 at 9.
    """
    loss = 0.3 + 0.3
    entry = (1.0 - published("singer_base") / 100.0) * loss
    low, high = REFERENCE["singer_recirc"]["expected"]
    below = [
        100.0 * (1.0 - entry / (loss + passes * pm25_efficiency(curve_from_merv(merv))))
        for merv, passes in ((13, 5.0), (16, 9.0))
    ]
    assert low <= below[0] < below[1] <= high + 0.5


@pytest.mark.parametrize("speed", [0, 1])
def test_a_box_of_filters_delivers_what_its_decays_showed(speed: int) -> None:
    # cr_box: 600 and 850 cfm at low and high speed, +- 5 %, told from decays with the box off and on.
    delivered = REFERENCE["cr_box"]["expected"][speed] * 1.699
    house = read_house(
        days=3,
        air_change=0.4,
        penetration=0.8,
        deposition=0.3,
        fan_loss=delivered / VOLUME_M3,
        meals_per_day=4,
    )
    found = decay_test(house, entry_per_h=Estimate(0.32, 0.25, 0.39)).clean_air_delivered_m3h
    assert isinstance(found, Estimate)
    assert found.value == pytest.approx(delivered, rel=0.05)
    assert found.low <= delivered <= found.high


@pytest.fixture(scope="module")
def many_homes() -> Identification:
    """A home of the mean rates of Ozkaynak et al. (1996) at an air change of 0.8 1/h: P = 1, k = 0.39 1/h; cooking."""
    emission = published("pteam_cooking") * 60.0 * 1000.0 / VOLUME_M3
    return identify(
        read_house(
            days=4,
            air_change=0.8,
            penetration=published("pteam_p"),
            deposition=published("pteam_k"),
            fan_loss=1.0,
            cooking_ug_m3_h=emission,
        )
    )


def test_penetration_and_deposition_of_178_homes_come_out_of_ordinary_days(many_homes: Identification) -> None:
    # pteam_p, pteam_k: 1.0 +- 0.11 and 0.39 +- 0.16 1/h, the air change taken from tracer gas as there.
    entry, loss = many_homes.outdoor_entry_per_h, many_homes.loss_fan_off_per_h
    assert isinstance(entry, Estimate)
    assert isinstance(loss, Estimate)
    assert entry.value / 0.8 == pytest.approx(published("pteam_p"), abs=within("pteam_p"))
    assert loss.value - 0.8 == pytest.approx(published("pteam_k"), abs=within("pteam_k"))


def test_what_cooking_emits_comes_out_of_the_events(many_homes: Identification) -> None:
    # pteam_cooking: 1.7 +- 1.0 mg/min, here over 24 minutes, eight times in four days.
    meals = [event for event in many_homes.events if event.emitted_mg.value > 10.0]
    assert len(meals) == 8
    rates = [event.emitted_mg.value / (0.4 * 60.0) for event in meals]
    assert np.mean(rates) == pytest.approx(published("pteam_cooking"), rel=0.15)
    held = [event.emitted_mg.low <= 24.0 * published("pteam_cooking") <= event.emitted_mg.high for event in meals]
    assert np.mean(held) >= 0.75
