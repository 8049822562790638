"""Two sensors compared side by side: the ratio is that of their readings in the same air."""

from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
import pytest
from pydantic import ValidationError

from moteledger.engine import assess
from moteledger.engine.assessment import Known
from moteledger.engine.grid import gridded
from moteledger.engine.sensor_gain import gain_prior, gain_told
from moteledger.settings import House
from moteledger.store import Series
from motemodel.estimate import Estimate, Unknown

GAIN, ENTRY = 1.3, 0.3
SPELL_H = 24.0

LivedIn = Callable[..., dict[str, Series]]


@pytest.fixture(scope="module")
def readings(lived_in: LivedIn) -> dict[str, Series]:
    """Six days of an indoor sensor that reads 1.3 times the outdoor one, the first day beside it."""
    made = lived_in(6, entry=ENTRY, loss=0.8, clean_air_per_h=2.0)
    indoor, outdoor = made["indoor.pm25"], made["outdoor.pm25"]
    beside = indoor.time_us <= indoor.time_us[0] + int(SPELL_H * 3.6e9)
    same_air = np.interp(indoor.time_us, outdoor.time_us, outdoor.value)
    air = np.where(beside, same_air, indoor.value)
    return made | {"indoor.pm25": Series(indoor.time_us, np.round(GAIN * air, 1))}


def compared(house: Callable[..., House], begin: datetime, end: datetime, **tables: str) -> House:
    return house(sensors=[{"signal": "indoor.pm25", "beside_outdoors": [begin, end]}], **tables)


def test_a_day_side_by_side_tells_the_ratio_and_where_it_comes_from(
    house: Callable[..., House], readings: dict[str, Series], start: datetime
) -> None:
    found = assess(compared(house, start, start + timedelta(hours=SPELL_H)), readings)
    ratio, entry = found.estimates.sensor_gain_ratio, found.estimates.outdoor_entry_per_h
    assert isinstance(ratio, Known)
    assert ratio.value == pytest.approx(GAIN, rel=0.01)
    assert ratio.low <= GAIN <= ratio.high
    assert isinstance(entry, Known)
    assert entry.low <= ENTRY <= entry.high
    assert "sensor gain ratio: from the spell with both sensors side by side" in found.data_quality.remarks


def test_local_times_are_those_of_the_house(
    house: Callable[..., House], readings: dict[str, Series], start: datetime
) -> None:
    local = start.replace(tzinfo=None) - timedelta(hours=7)
    there = compared(house, local, local + timedelta(hours=SPELL_H), time_zone="Etc/GMT+7")
    told = gain_told(there, gridded(there, readings))
    assert isinstance(told, Estimate)
    assert told.value == pytest.approx(GAIN, rel=0.01)


def test_too_short_a_spell_is_told_as_such_and_none_is_no_matter(
    house: Callable[..., House], readings: dict[str, Series], start: datetime
) -> None:
    hasty = compared(house, start, start + timedelta(hours=2))
    told = gain_told(hasty, gridded(hasty, readings))
    assert isinstance(told, Unknown)
    assert told.reason.startswith("only 1.8 h of both sensors in the same air")
    assert gain_prior(told) is None
    assert gain_told(house(), gridded(house(), readings)) is None


def test_a_spell_that_is_none_is_refused_by_name(house: Callable[..., House], start: datetime) -> None:
    with pytest.raises(ValidationError, match="is no spell"):
        compared(house, start, start)
    with pytest.raises(ValidationError, match="has no outdoor sensor"):
        house(sensors=[{"signal": "indoor.humidity", "beside_outdoors": [start, start + timedelta(hours=1)]}])
