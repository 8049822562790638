"""Planning: when to run the fan, when to change the filter, what a filter does over its life.

Parts: `fan` (what a way to run it comes to), `fan_rules` (simple ways), `fan_problem` (what is planned for),
`fan_schedule` (the cheapest that holds the target, or the cleanest within a budget; `fan_steps`, `fan_bound`,
`fan_polish` do its work), `fan_wary` (one that can still hold it if the air turns), `fan_smoke` (when filtering
cannot), `forecast` (outdoor air and calls ahead), `change` (limits of a filter), `season` (the year's running ahead),
`clogging` (when a drop meets its limit), `fading` (when too few fine particles are taken), `household` (the house round
it), `life` (years of it there), `day` (one unchanging day with it), `proof` (the fan-off / fan-on test).
"""

from .change import Reach, first_reached, reach_by_age, reach_by_cost, reach_by_filling, reach_by_growth
from .clogging import DropHistory, LoadAhead, reach_by_clogging
from .day import steady_air
from .fading import Filling, reach_by_fading
from .fan import FanPlan, HouseRates, Outlook, barred_after_cooling, planned
from .fan_problem import FanProblem
from .fan_rules import ALWAYS_ON, THERMOSTAT_ONLY, above_indoors, best_plan, minutes_of_each_hour, simple_plans
from .fan_schedule import PLANNED, Schedule, best_air, best_air_by_days, best_schedule
from .fan_smoke import intake_shut_gain, room_cleaner_m3h, without_intake
from .fan_steps import AirTarget, Costs, Dwell, Speed, calendar_days
from .fan_wary import wary_schedule
from .forecast import (
    CallHabit,
    Forecast,
    call_habit,
    outdoor_forecast,
    temperature_forecast,
    usual_share_by_hour,
)
from .household import PM25_BINS, Household, Outdoors, Runtime
from .life import Life, simulate_life
from .proof import (
    MIXING_H,
    ProofConditions,
    ProofPlan,
    SensorNoise,
    loss_half_width,
    narrowed_by,
    peak_from_release,
    plan_proof,
    start_needed,
)
from .season import (
    TEMPERATE,
    Climate,
    RunningAhead,
    RunningHabit,
    Season,
    running_ahead,
    running_habit,
    usual_season,
)

__all__ = [
    "ALWAYS_ON",
    "MIXING_H",
    "PLANNED",
    "PM25_BINS",
    "TEMPERATE",
    "THERMOSTAT_ONLY",
    "AirTarget",
    "CallHabit",
    "Climate",
    "Costs",
    "DropHistory",
    "Dwell",
    "FanPlan",
    "FanProblem",
    "Filling",
    "Forecast",
    "HouseRates",
    "Household",
    "Life",
    "LoadAhead",
    "Outdoors",
    "Outlook",
    "ProofConditions",
    "ProofPlan",
    "Reach",
    "RunningAhead",
    "RunningHabit",
    "Runtime",
    "Schedule",
    "Season",
    "SensorNoise",
    "Speed",
    "above_indoors",
    "barred_after_cooling",
    "best_air",
    "best_air_by_days",
    "best_plan",
    "best_schedule",
    "calendar_days",
    "call_habit",
    "first_reached",
    "intake_shut_gain",
    "loss_half_width",
    "minutes_of_each_hour",
    "narrowed_by",
    "outdoor_forecast",
    "peak_from_release",
    "plan_proof",
    "planned",
    "reach_by_age",
    "reach_by_clogging",
    "reach_by_cost",
    "reach_by_fading",
    "reach_by_filling",
    "reach_by_growth",
    "room_cleaner_m3h",
    "running_ahead",
    "running_habit",
    "simple_plans",
    "simulate_life",
    "start_needed",
    "steady_air",
    "temperature_forecast",
    "usual_season",
    "usual_share_by_hour",
    "wary_schedule",
    "without_intake",
]
