"""The alarm of a contractor's link: the collector has been out of reach for long."""

from collections.abc import Callable
from datetime import timedelta

from ..settings import Collector
from ..store import StoreError, from_us
from .alarms import Finding, Sight, Watched


class LinkWatch(Watched):
    """The collector has not answered as it should for longer than the house file allows.

    It must hold for a while without a break, so that a service that was off for days has its try first.
    """

    name, title = "collector-away", "The contractor's collector takes no readings"
    next_step = "See whether this house is on the internet, and ask the contractor; /v1/sources says what is wrong."
    lasting = timedelta(minutes=10)

    def __init__(self, settings: Collector, settled_us: Callable[[], int]) -> None:
        self._settings, self._settled_us = settings, settled_us

    def judge(self, sight: Sight, *, raised: bool) -> Finding:
        """Whether the collector last answered longer ago than that; a store that fails tells nothing."""
        try:
            at = from_us(self._settled_us())
        except StoreError:
            # That is an alarm of its own, and must not be kept from being one.
            return Finding(None)
        away = sight.now - at > timedelta(hours=self._settings.alarm_after)
        waits = "What it has not taken waits here and will be sent."
        return Finding(away, f"{self._settings.shown_address} last answered {at:%Y-%m-%d %H:%M} UTC. {waits}")
