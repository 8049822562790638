"""What a house file does not say, what saying it would make known, and what it says that can hardly be meant."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from .house import House


@dataclass(frozen=True)
class Missing:
    """A key that is not given, and what it would tell."""

    key: str
    would_tell: str


_ASKED: tuple[tuple[str, Callable[[House], object], str], ...] = (
    (
        "house.leakage",
        lambda house: house.house.leakage,
        "how fast outdoor particles are expected to enter; until then an average house is assumed",
    ),
    ("filter", lambda house: house.filter, "what the assembly should deliver, and when the filter is due"),
    (
        "filter.rated_drop",
        lambda house: house.filter is None or house.filter.rated_drop,
        "the clean resistance, which the measured drop is compared with",
    ),
    (
        "filter.rated_drop at other airflows",
        lambda house: house.filter is None or len(house.filter.rated_drop) != 1,
        "how the drop goes with the airflow, and so the filter's day; its test report has four",
    ),
    (
        "filter.final_drop",
        lambda house: house.filter is None or house.filter.final_drop,
        "the pressure at which the filter is spent; until then twice the clean drop is taken, as it was read when it "
        "went in (common practice)",
    ),
    (
        "filter.installed",
        lambda house: house.filter is None or house.filter.installed,
        "the filter's age, which limits its use",
    ),
    (
        "air_handler.airflow",
        lambda house: house.air_handler.airflow,
        "the clean air to expect and the as-installed efficiency; without it neither can be told",
    ),
    (
        "air_handler.external_static",
        lambda house: house.air_handler.external_static,
        "the duct's resistance, and so how airflow falls as the filter loads",
    ),
    (
        "air_handler.fan_power",
        lambda house: house.air_handler.fan_power,
        "energy and cost of running the fan; until then a usual figure for the blower type is taken",
    ),
    (
        "air_handler.cooling_capacity",
        lambda house: house.air_handler.cooling_capacity,
        "whether the airflow is enough for the coil",
    ),
    (
        "air_handler.filter_drop",
        lambda house: house.air_handler.filter_drop,
        "what the ducts alone hold back, for comparing filters; until then the filter is taken as clean at the survey",
    ),
    (
        "air_handler.rated_static",
        lambda house: house.air_handler.rated_static,
        "how much the blower may be asked for, for comparing filters; until then 0.5 in. w.c. only warns",
    ),
    (
        "house.dust",
        lambda house: house.house.dust,
        "how long a filter lasts; until then a home of median dust is taken",
    ),
    ("tariff.per_kwh", lambda house: house.tariff.per_kwh, "the cost of running the fan"),
    ("sensors", lambda house: house.sensors, "where each sensor hangs and how it must be corrected"),
)


def missing_keys(house: House) -> tuple[Missing, ...]:
    """The keys that are worth adding, the most telling first."""
    return tuple(Missing(key, would_tell) for key, given, would_tell in _ASKED if not given(house))


def doubts(house: House, now: datetime) -> tuple[str, ...]:
    """What the house file says that can hardly be meant at this time, each with its key, its value and the fix.

    It is no error: a clock that lost the time, or readings that stand still, would else keep a good file from use.
    """
    today = now.astimezone(house.zone).date()
    installed = None if house.filter is None else house.filter.installed
    if installed is None or installed <= today:
        return ()
    return (
        f"filter.installed: {installed} is still to come, and today is {today} here; write the day on which the filter "
        "went in, or set this computer's clock. Until then the filter counts as new",
    )
