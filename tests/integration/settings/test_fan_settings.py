"""How the fan may be run, as a house file says it."""

from datetime import timedelta

import pytest
from pydantic import ValidationError

from moteledger.engine.fan_least_times import LeastTimes
from moteledger.settings import House

SPEED = {"name": "low", "airflow": "500 cfm", "power": "80 W", "quiet": True}


NOISE = [{"start": "18:00", "end": "22:00", "per_h": 0.3}]


def house(tariff: dict[str, object] | None = None, **fan: object) -> House:
    tables = {"name": "Rook House", "house": {"floor_area": "150 m2"}, "fan": fan, "tariff": tariff or {}}
    return House.model_validate(tables)


def test_least_times_reach_the_answer() -> None:
    least = LeastTimes.of(house(least_run="10 min", least_rest="0.5 h"))
    assert (least.run, least.rest) == (timedelta(minutes=10), timedelta(minutes=30))


def test_a_speed_is_written_with_its_units() -> None:
    speed = house(speeds=[SPEED]).fan.speeds[0]
    assert speed.airflow == pytest.approx(500.0 * 1.699011, rel=1e-4)
    assert speed.power == 80.0


@pytest.mark.parametrize(
    ("fan", "told"),
    [
        ({"speeds": [SPEED, SPEED]}, "same name"),
        ({"least_run": "3 h"}, "least_run"),
        ({"margin": 0.9}, "margin"),
        ({"noise": NOISE}, "add tariff.per_kwh"),
        ({"wear_per_h": 0.01}, "add tariff.per_kwh"),
        ({"money_per_day": 0.5}, "add tariff.per_kwh"),
        ({"energy_per_day": "2 kWh", "money_per_day": 0.5}, "leave out one of them"),
        ({"energy_per_day": "2 kWh", "noise": NOISE}, "quiet_hours"),
        ({"energy_per_day": 2.0}, 'write for example "1.5 kWh"'),
        ({"energy_per_day": "0 kWh"}, "energy_per_day"),
        ({"noise": [{"start": "18:00", "end": "22:00", "per_h": 0.0}]}, "per_h"),
    ],
)
def test_what_cannot_be_is_refused_by_its_name(fan: dict[str, object], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        house(**fan)


def test_noise_wear_and_budgets_are_read_with_a_tariff_to_weigh_them_by() -> None:
    fan = house({"per_kwh": 0.25}, noise=NOISE, wear_per_h=0.01, wear_per_start=0.02).fan
    assert (fan.noise[0].per_h, fan.wear_per_h, fan.wear_per_start) == (0.3, 0.01, 0.02)
    assert house(energy_per_day="1500 Wh").fan.energy_per_day == pytest.approx(1.5)
    assert house({"per_kwh": 0.25}, money_per_day=0.5).fan.money_per_day == 0.5
