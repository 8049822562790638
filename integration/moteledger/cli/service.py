"""Running the service: the store, the engine's periodic work and the pages on the address of the house file."""

import asyncio
import ctypes
import logging
import os
import signal
import sys
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime

from ..engine import Engine
from ..engine.alarm_watch import AlarmWatch
from ..engine.alarms import watched_of
from ..intake import Arrivals, run_sources
from ..settings import House, Mqtt, Webhook
from ..store import Store, StoreError, tend, to_us
from ..store.tokens import Tokens

REFRESH_EVERY_S = 60.0
FIRST_REFRESH_EVERY_S = 2.0
"""While there is no assessment yet: the first readings of a new house should show on its page soon."""

TEND_EVERY_S = 600.0
WATCH_EVERY_S = 1.0

_NOT_TENDED = "the store is not tended now, the next time will do: %s"
_NO_WATCH = "no watch is kept while the readings cannot be read: %s"

_log = logging.getLogger(__name__)


class PortError(OSError):
    """The service cannot listen on the port; the message says which and what to do."""


class ClosedDoorError(Exception):
    """The house file asks for tokens, but there is none that anybody could show."""


def now() -> datetime:
    """The time now, in UTC."""
    return datetime.now(UTC)


async def run_service(
    house: House,
    store: Store,
    engine: Engine,
    *,
    port: int,
    banner: str,
    ready: Callable[[str], None],
    beside: Callable[[], Awaitable[None]] | None = None,
) -> None:
    """Serve until interrupted; `ready` is told the address; `beside` runs along, for instance a simulated house.

    Raises PortError when the port is taken or not allowed, ClosedDoorError when nobody could ask for anything.
    """
    from aiohttp import web  # noqa: PLC0415  only a service pays for loading it

    from ..api import WatchedRunner, add_pages, create_app  # noqa: PLC0415  likewise
    from ..metrics import add_metrics  # noqa: PLC0415  likewise

    network = house.network
    tls = network.tls()
    if network.needs_tokens and not Tokens(store).any_usable(to_us(now())):
        raise ClosedDoorError(
            f"[network] asks for a token at every request, and {store.path} holds none that is good; make one with "
            f"moteledger token new --store {store.path} --name NAME --scope view"
        )
    if tls is None and not network.on_loopback:
        _log.warning("tokens cross the network unencrypted; give certificate_file and key_file in [network]")
    arrivals = Arrivals(house)
    alarms = AlarmWatch(watched_of(house), store, engine.current, now)
    app = create_app(store, engine, fan=engine.fan, arrivals=arrivals, alarms=alarms, clock=now, network=network)
    add_pages(app, house, banner=banner)
    add_metrics(app, engine)
    runner = WatchedRunner(app, network)
    await runner.setup()
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    tasks: list[asyncio.Task[None]] = []
    try:
        try:
            site = web.TCPSite(runner, network.listen, port, ssl_context=tls)
            await site.start()
        except OSError as error:
            # asyncio wraps the system's words in its own; the number still tells them.
            why = os.strerror(error.errno).lower() if error.errno else str(error)
            raise PortError(f"port {port} on {network.listen}: {why}; choose another with --port") from None
        works = [
            _refresh_forever(engine),
            run_sources(house, store, arrivals, lambda: to_us(now())),
            _every(TEND_EVERY_S, lambda: tend(store, to_us(now()), house.store.keep_raw_us), _NOT_TENDED),
            _every(WATCH_EVERY_S, alarms.look, _NO_WATCH),
            *(_tell(hook, store, arrivals, alarms) for hook in house.webhook),
        ]
        if house.mqtt is not None and house.mqtt.publish_below is not None:
            works.append(_publish(house.mqtt, house.mqtt.publish_below, engine, arrivals))
        if network.announce:
            works.append(_announce(house, runner.addresses[0][1], "http" if tls is None else "https"))
        tasks.extend(asyncio.create_task(work) for work in works)
        if beside is not None:
            tasks.append(asyncio.ensure_future(beside()))
        host, bound = runner.addresses[0][:2]
        ready(f"{'http' if tls is None else 'https'}://{f'[{host}]' if ':' in host else host}:{bound}/")
        waiting = asyncio.create_task(stop.wait())
        done, _ = await asyncio.wait([waiting, *tasks], return_when=asyncio.FIRST_COMPLETED)
        for task in done - {waiting}:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
        await runner.cleanup()


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


async def _every(pause_s: float, work: Callable[[], object], failed: str) -> None:
    """Do `work` again and again; what the store refuses is told with `failed` and tried the next time."""
    while True:
        try:
            await asyncio.to_thread(work)
        except StoreError as error:
            _log.warning(failed, error)
        await asyncio.sleep(pause_s)


async def _publish(settings: Mqtt, root: str, engine: Engine, arrivals: Arrivals) -> None:
    from ..publish import Twin  # noqa: PLC0415  only a house with a broker pays for loading it

    state = arrivals.source("state", "mqtt, written", settings.shown_address)
    await Twin(settings, root, engine.fan, engine, state, now).run()


async def _tell(hook: Webhook, store: Store, arrivals: Arrivals, alarms: AlarmWatch) -> None:
    from ..publish import Sender  # noqa: PLC0415  only a house with webhooks pays for loading it

    state = arrivals.source(hook.name, "webhook", hook.shown_address)
    await Sender(hook, store, state, now, alarms.unkept).run()


async def _announce(house: House, port: int, scheme: str) -> None:
    from ..discovery import Announcement  # noqa: PLC0415  only a service that is announced pays for loading it

    try:
        async with Announcement(house.name, house.network.listen, port, scheme):
            await asyncio.Event().wait()
    except OSError as error:
        _log.warning("the service is not announced on the network: %s", error)
        await asyncio.Event().wait()
