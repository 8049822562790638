"""Listening on the address of a settings file, with works running beside, until somebody stops it."""

import asyncio
import logging
import os
import signal
from collections.abc import Callable, Coroutine, Iterable
from contextlib import suppress
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from ..settings import Network
from ..store import Store, StoreError, to_us
from ..store.tokens import Tokens

if TYPE_CHECKING:
    from aiohttp import web

Works = Callable[[int], Iterable[Coroutine[None, None, None]]]
"""What runs beside a service that listens on a port; if any of it ends, the service does."""

_log = logging.getLogger(__name__)


class PortError(OSError):
    """The service cannot listen on the port; the message says which and what to do."""


class ClosedDoorError(Exception):
    """Tokens are asked for, but there is none that anybody could show."""


def now() -> datetime:
    """The time now, in UTC."""
    return datetime.now(UTC)


def refuse_closed_door(network: Network, store: Store) -> None:
    """Raise ClosedDoorError where every request must show a token and the store holds none that is good."""
    if network.needs_tokens and not Tokens(store).any_usable(to_us(now())):
        raise ClosedDoorError(
            f"[network] asks for a token at every request, and {store.path} holds none that is good; make one with "
            f"moteledger token new --store {store.path} --name NAME --scope view"
        )


async def listen_until_stopped(
    app: "web.Application", network: Network, port: int, works: Works, ready: Callable[[str], None]
) -> None:
    """Serve until interrupted; `ready` is told the address once it is listened on.

    Raises PortError when the port is taken or not allowed, TlsError for a certificate that cannot be used, and what a
    work fails of.
    """
    from aiohttp import web  # noqa: PLC0415  only a service pays for loading it

    from ..api import WatchedRunner  # noqa: PLC0415  likewise

    tls = network.tls()
    if tls is None and not network.on_loopback:
        _log.warning("tokens cross the network unencrypted; give certificate_file and key_file in [network]")
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
        host, bound = runner.addresses[0][:2]
        tasks.extend(asyncio.create_task(work) for work in works(bound))
        ready(f"{'http' if tls is None else 'https'}://{f'[{host}]' if ':' in host else host}:{bound}/")
        waiting = asyncio.create_task(stop.wait())
        done, _ = await asyncio.wait([waiting, *tasks], return_when=asyncio.FIRST_COMPLETED)
        for task in done - {waiting}:
            task.result()
    finally:
        # Works take a while to end; who asks meanwhile is told of the end, and a work that publishes still can.
        await app.shutdown()
        for task in tasks:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
        await runner.cleanup()


async def every(pause_s: float, work: Callable[[], object], failed: str) -> None:
    """Do `work` again and again; what the store refuses is told with `failed` and tried the next time.

    Whatever else fails is logged, once while it fails alike: a service goes on answering without what it lacks.
    """
    failed_by: type[Exception] | None = None
    while True:
        try:
            await asyncio.to_thread(work)
            failed_by = None
        except StoreError as error:
            _log.warning(failed, error)
        except Exception as error:
            if failed_by is not type(error):
                _log.exception(failed, type(error).__name__)
            failed_by = type(error)
        await asyncio.sleep(pause_s)


async def announce(name: str, network: Network, port: int) -> None:
    """Let others on the network find the service by DNS-SD, if its settings say so."""
    from ..discovery import Announcement  # noqa: PLC0415  only a service that is announced pays for loading it

    scheme = "http" if network.certificate_file is None else "https"
    try:
        async with Announcement(name, network.listen, port, scheme) as announced:
            if announced.number > 1:
                _log.warning(
                    "another service on the network is called %r: this one is announced as %r; give it another name in "
                    "its settings file",
                    name,
                    announced.instance,
                )
            await asyncio.Event().wait()
    except OSError as error:
        _log.warning("the service is not announced on the network: %s", error)
        await asyncio.Event().wait()
