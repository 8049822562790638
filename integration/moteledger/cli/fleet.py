"""`moteledger fleet`: many houses at once, those whose delivery has slipped furthest first.

A house that cannot be assessed is a line of its own at the end and stops no other; the command fails only if none can.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from ..engine import AssessmentError, assess
from ..engine.alarm_watch import last_standing
from ..engine.alarms import Alarm
from ..engine.assessment import Assessment, Known, Verdict
from ..engine.filter_change import with_filter_since
from ..engine.on_record import OnRecord
from ..engine.service import SPAN
from ..intake import RecordingError, read_recording
from ..settings import House, Round, RoundStop, SettingsFileError, read_house
from ..store import Store, StoreError, to_us

_SLIPPED = {Verdict.SHORT: 0, Verdict.CANNOT_TELL: 1, Verdict.DELIVERS: 2}
_WORDS = {Verdict.SHORT: "short", Verdict.CANNOT_TELL: "cannot tell", Verdict.DELIVERS: "delivers"}
_HEADINGS = ("house", "delivery", "of expected", "drop / limit", "filter due", "alarms", "data")


class FleetHouse(BaseModel):
    """One house of the list; `problem` says why it could not be assessed, and then the rest is not known."""

    model_config = ConfigDict(frozen=True)

    house: str
    file: str
    verdict: Verdict | None = None
    reason: str | None = None
    share_of_expected: float | None = None
    drop_pa: float | None = None
    drop_limit_pa: float | None = None
    due_on: str | None = None
    newest: str | None = None
    age_h: float | None = None
    alarms: tuple[str, ...] = ()
    worth_a_drive: bool = False
    problem: str | None = None


class Fleet(BaseModel):
    """All houses of the list, those whose delivery has slipped furthest first."""

    time: str
    houses: list[FleetHouse]


@dataclass(frozen=True)
class _Looked:
    house: House
    assessment: Assessment


def look_at(stops: Round, folder: Path, now: datetime, progress: Callable[[float], None]) -> Fleet:
    """Assess every house of the list, one after the other."""
    found = []
    for number, stop in enumerate(stops.houses):
        progress(number / len(stops.houses))
        found.append(_house(stop, folder, now))
    progress(1.0)
    return Fleet(time=f"{now:%Y-%m-%dT%H:%M:%SZ}", houses=sorted(found, key=_slipped))


def fleet_table(fleet: Fleet) -> str:
    """The houses as a table, then the problems, a line each."""
    good = [house for house in fleet.houses if house.problem is None]
    rows = [_HEADINGS, *(_row(house) for house in good)] if good else []
    widths = [max(len(row[column]) for row in rows) for column in range(len(_HEADINGS))] if rows else []
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    lines += [f"{house.house}: {house.problem}" for house in fleet.houses if house.problem is not None]
    return "\n".join(lines)


def _slipped(house: FleetHouse) -> tuple[bool, int, float, str]:
    rank = _SLIPPED[house.verdict] if house.verdict is not None else len(_SLIPPED)
    share = house.share_of_expected if house.share_of_expected is not None else 1.0
    return house.problem is not None, rank, share, house.house


def _house(stop: RoundStop, folder: Path, now: datetime) -> FleetHouse:
    path = folder / stop.house
    name = stop.house.stem
    try:
        house = read_house(path)
        name = house.name
        assessment, alarms = _assessed(house, stop, folder, now)
    except (SettingsFileError, AssessmentError, StoreError, RecordingError) as error:
        return FleetHouse(house=name, file=str(stop.house), problem=str(error))
    share, drop = assessment.delivery.share_of_expected, assessment.filter.drop_at_reference_pa
    newest = assessment.period.end
    due = assessment.filter.change_on
    return FleetHouse(
        house=house.name,
        file=str(stop.house),
        verdict=assessment.delivery.verdict,
        reason=assessment.delivery.reason,
        share_of_expected=share.value if isinstance(share, Known) else None,
        drop_pa=drop.value if isinstance(drop, Known) else None,
        drop_limit_pa=assessment.filter.drop_limit_pa,
        due_on=None if due is None else due.isoformat(),
        newest=f"{newest:%Y-%m-%dT%H:%M:%SZ}",
        age_h=(now - newest) / timedelta(hours=1),
        alarms=tuple(alarm.name for alarm in alarms),
        worth_a_drive=any(alarm.worth_a_drive for alarm in alarms),
    )


def _assessed(house: House, stop: RoundStop, folder: Path, now: datetime) -> tuple[Assessment, tuple[Alarm, ...]]:
    if stop.recording is not None:
        return assess(house, read_recording(folder / stop.recording).series), ()
    assert stop.store is not None
    path = folder / stop.store
    if not path.is_file():
        raise StoreError(path, "no such file; give the store of the house")
    with Store.open(path) as store:
        extent = store.extent()
        # The newest readings, however old they are: a house that fell silent is told by its age.
        end_us = min(to_us(now), extent[1] if extent is not None else 0) + 1
        record = OnRecord.of(store, house, end_us, SPAN)
        house = with_filter_since(house, record.changed_on)
        return assess(house, record.readings, filter_before=record.filter_before), last_standing(store)


def _row(house: FleetHouse) -> tuple[str, ...]:
    share, drop, limit = house.share_of_expected, house.drop_pa, house.drop_limit_pa
    age = house.age_h or 0.0
    return (
        house.house,
        _WORDS[house.verdict] if house.verdict is not None else "",
        "not known" if share is None else f"{100 * share:.0f} %",
        f"{'not known' if drop is None else f'{drop:.0f}'} / {'not known' if limit is None else f'{limit:.0f} Pa'}",
        house.due_on or "not known",
        f"{len(house.alarms) or 'none'}{', worth a drive' if house.worth_a_drive else ''}",
        f"{age:.0f} h old" if age < 48 else f"{age / 24:.0f} d old",
    )
