"""Running the service: the store, the engine's periodic work and the pages on the address of the house file."""

import asyncio
import ctypes
import logging
import sys
from collections.abc import Callable, Coroutine, Iterable
from concurrent.futures import ThreadPoolExecutor

from ..engine import Engine
from ..engine.alarm_watch import AlarmWatch
from ..engine.alarms import watched_of
from ..engine.link_watch import LinkWatch
from ..intake import Arrivals, run_sources
from ..settings import Collector, House, Mqtt, Webhook
from ..store import Store, outbox, tend, to_us
from .listening import ClosedDoorError, PortError, announce, every, listen_until_stopped, now, refuse_closed_door

REFRESH_EVERY_S = 60.0
FIRST_REFRESH_EVERY_S = 2.0
"""While there is no assessment yet: the first readings of a new house should show on its page soon."""

TEND_EVERY_S = 600.0
WATCH_EVERY_S = 1.0

_NOT_TENDED = "the store is not tended now, the next time will do: %s"
_NO_WATCH = "no watch is kept while the readings cannot be read: %s"

__all__ = ["ClosedDoorError", "PortError", "now", "run_service"]

_log = logging.getLogger(__name__)


async def run_service(
    house: House,
    store: Store,
    engine: Engine,
    *,
    port: int,
    banner: str,
    ready: Callable[[str], None],
    beside: Callable[[], Coroutine[None, None, None]] | None = None,
) -> None:
    """Serve until interrupted; `ready` is told the address; `beside` runs along, for instance a simulated house.

    Raises PortError when the port is taken or not allowed, ClosedDoorError when nobody could ask for anything.
    """
    from ..api import add_pages, create_app  # noqa: PLC0415  only a service pays for loading it
    from ..metrics import add_metrics  # noqa: PLC0415  likewise

    refuse_closed_door(house.network, store)
    link = house.collector
    if link is not None:
        # Before the first reading can come in: whatever is taken in from now on is to be sent.
        outbox.forward(store, link.signals, to_us(now()), link.history_us)
    elif waiting := outbox.stop_forwarding(store):
        _log.warning("%d readings wait for a collector that the house file no longer names", waiting)
    arrivals = Arrivals(house)
    watched = watched_of(house) if link is None else (*watched_of(house), _link_watch(link, store))
    alarms = AlarmWatch(watched, store, engine.current, now)
    app = create_app(store, engine, fan=engine.fan, arrivals=arrivals, alarms=alarms, clock=now, network=house.network)
    add_pages(app, house, banner=banner)
    add_metrics(app, engine)

    def works(port: int) -> Iterable[Coroutine[None, None, None]]:
        yield _refresh_forever(engine)
        yield run_sources(house, store, arrivals, lambda: to_us(now()))
        yield every(TEND_EVERY_S, lambda: tend(store, to_us(now()), house.store.keep_raw_us), _NOT_TENDED)
        yield every(WATCH_EVERY_S, alarms.look, _NO_WATCH)
        for hook in house.webhook:
            yield _tell(hook, store, arrivals, alarms)
        if link is not None:
            yield _forward(house, link, store, engine, arrivals, alarms)
        if house.mqtt is not None and house.mqtt.publish_below is not None:
            yield _publish(house.mqtt, house.mqtt.publish_below, engine, arrivals)
        if house.network.announce:
            yield announce(house.name, house.network, port)
        if beside is not None:
            yield beside()

    await listen_until_stopped(app, house.network, port, works, ready)


async def _refresh_forever(engine: Engine) -> None:
    # The allocator keeps what a thread has freed for that thread: if refreshes went round the common threads, each of
    # these would hold on to the working memory of a whole one.
    refresher = ThreadPoolExecutor(1, thread_name_prefix="refresh")
    try:
        while True:
            await asyncio.get_running_loop().run_in_executor(refresher, _refresh, engine)
            await asyncio.sleep(REFRESH_EVERY_S if engine.current() else FIRST_REFRESH_EVERY_S)
    finally:
        # The store must stay open until a refresh that is under way has ended.
        await asyncio.to_thread(refresher.shutdown)


def _refresh(engine: Engine) -> None:
    engine.refresh()
    # The GNU C library keeps freed memory until it is told to give it back to the system; other libraries have no such
    # call.
    if sys.platform == "linux" and (give_back := getattr(ctypes.CDLL(None), "malloc_trim", None)) is not None:
        give_back(0)


async def _publish(settings: Mqtt, root: str, engine: Engine, arrivals: Arrivals) -> None:
    from ..publish import Twin  # noqa: PLC0415  only a house with a broker pays for loading it

    state = arrivals.source("state", "mqtt, written", settings.shown_address)
    await Twin(settings, root, engine.fan, engine, state, now).run()


async def _tell(hook: Webhook, store: Store, arrivals: Arrivals, alarms: AlarmWatch) -> None:
    from ..publish import Sender  # noqa: PLC0415  only a house with webhooks pays for loading it

    state = arrivals.source(hook.name, "webhook", hook.shown_address)
    await Sender(hook, store, state, now, alarms.unkept).run()


async def _forward(
    house: House, link: Collector, store: Store, engine: Engine, arrivals: Arrivals, alarms: AlarmWatch
) -> None:
    from ..engine.standing import Standing, standing_of  # noqa: PLC0415  only a house with a collector pays for it
    from ..publish import Forwarder  # noqa: PLC0415  likewise

    def standing(waits: outbox.Forwarding) -> Standing:
        return standing_of(
            house.name, engine.current(), alarms.standing(), waiting=waits.waiting, put_aside=waits.put_aside
        )

    state = arrivals.source("collector", "collector", link.shown_address)
    await Forwarder(link, store, state, standing, now).run()


def _link_watch(link: Collector, store: Store) -> LinkWatch:
    return LinkWatch(link, lambda: outbox.settled_us(store))
