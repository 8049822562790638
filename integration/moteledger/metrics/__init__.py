"""`GET /metrics`: how the service does, as OpenMetrics text for whatever watches over services.

It tells of the service, never of the house: no value of any reading, no name of house, room, source or person.
"""

from .exposition import MEDIA_TYPE, Family, Sample, exposition
from .service import add_metrics

__all__ = ["MEDIA_TYPE", "Family", "Sample", "add_metrics", "exposition"]
