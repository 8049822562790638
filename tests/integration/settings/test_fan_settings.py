"""How the fan may be run, as a house file says it."""

from datetime import timedelta

import pytest
from pydantic import ValidationError

from moteledger.engine.fan_control import LeastTimes
from moteledger.settings import House

SPEED = {"name": "low", "airflow": "500 cfm", "power": "80 W", "quiet": True}


def house(**fan: object) -> House:
    return House.model_validate({"name": "Rook House", "house": {"floor_area": "150 m2"}, "fan": fan})


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
    ],
)
def test_what_cannot_be_is_refused_by_its_name(fan: dict[str, object], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        house(**fan)
