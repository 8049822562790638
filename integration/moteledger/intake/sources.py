"""All sources of a house file, running side by side; one that fails is tried again and stops nothing."""

import asyncio
from collections.abc import Awaitable, Callable

from ..settings import House, Hub, Mqtt, Way
from ..store import Store
from .arrivals import Arrivals, Clock
from .retrying import PACE, Pace


async def run_sources(
    house: House, store: Store, arrivals: Arrivals, clock: Clock, *, pace: Pace = PACE, keep_session: bool = True
) -> None:
    """Read every hub and the broker that the house file names, until cancelled; returns at once never."""
    runs = [_hub(hub, store, arrivals, clock) for hub in house.hub]
    if house.mqtt is not None and house.mqtt.topics:
        runs.append(_mqtt(house.mqtt, store, arrivals, clock, keep_session))
    async with asyncio.TaskGroup() as group:
        for run in runs:
            group.create_task(_until_cancelled(run, pace))
        await asyncio.Event().wait()


Run = Callable[[Pace], Awaitable[None]]


async def _until_cancelled(run: Run, pace: Pace) -> None:
    await run(pace)


def _hub(hub: Hub, store: Store, arrivals: Arrivals, clock: Clock) -> Run:
    # Loaded where it is needed: most houses have one kind of source, and each library costs time and memory.
    source = arrivals.source(hub.name, hub.way.value, hub.shown_address, (mapped.signal for mapped in hub.signals))
    if hub.way is Way.POLLING:
        from .polling import Poll  # noqa: PLC0415

        return Poll(hub, store, source, clock).run
    from .streams import Stream  # noqa: PLC0415

    return Stream(hub, store, source, clock).run


def _mqtt(settings: Mqtt, store: Store, arrivals: Arrivals, clock: Clock, keep_session: bool) -> Run:
    from .mqtt import Subscription  # noqa: PLC0415

    signals = (mapped.signal for topic in settings.topics for mapped in topic.signals)
    source = arrivals.source("broker", "mqtt", settings.shown_address, signals)
    return Subscription(settings, store, source, clock, keep_session=keep_session).run
