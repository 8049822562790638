"""Planning: when to run the fan, when to change the filter."""

from .change import Reach, first_reached, reach_by_age, reach_by_growth

__all__ = ["Reach", "first_reached", "reach_by_age", "reach_by_growth"]
