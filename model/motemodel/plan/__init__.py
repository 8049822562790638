"""Planning: when to run the fan, when to change the filter, what a filter does over its life.

Parts: `fan` (ways to run it on one outlook), `fan_schedule` (the cheapest that holds the target, or the cleanest within
a budget; `fan_steps`, `fan_bound`, `fan_polish` do its work), `forecast` (outdoor air and calls ahead), `change`
(limits of a filter), `household` (the house round it), `life` (years of it there), `day` (one unchanging day with it).
"""

from .change import Reach, first_reached, reach_by_age, reach_by_growth
from .day import steady_air
from .fan import ALWAYS_ON, THERMOSTAT_ONLY, FanPlan, HouseRates, Outlook, best_plan, planned, simple_plans
from .fan_schedule import PLANNED, Schedule, best_air, best_schedule
from .fan_steps import AirTarget, Costs, Dwell, Speed, calendar_days
from .forecast import Forecast, outdoor_forecast, usual_share_by_hour
from .household import PM25_BINS, Household, Outdoors, Runtime
from .life import Life, simulate_life

__all__ = [
    "ALWAYS_ON",
    "PLANNED",
    "PM25_BINS",
    "THERMOSTAT_ONLY",
    "AirTarget",
    "Costs",
    "Dwell",
    "FanPlan",
    "Forecast",
    "HouseRates",
    "Household",
    "Life",
    "Outdoors",
    "Outlook",
    "Reach",
    "Runtime",
    "Schedule",
    "Speed",
    "best_air",
    "best_plan",
    "best_schedule",
    "calendar_days",
    "first_reached",
    "outdoor_forecast",
    "planned",
    "reach_by_age",
    "reach_by_growth",
    "simple_plans",
    "simulate_life",
    "steady_air",
    "usual_share_by_hour",
]
