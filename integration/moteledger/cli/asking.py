"""Serving the page that asks for a house, until its file is written or somebody stops it."""

import asyncio
import os
import signal
from collections.abc import Callable
from pathlib import Path

from ..settings import House, Network
from .service import PortError


async def ask_for_house(path: Path, port: int, ready: Callable[[str], None]) -> tuple[House, int] | None:
    """The house whose file was written from the page, and the port it was asked on; None when stopped before.

    Raises PortError when the port is taken or not allowed.
    """
    from aiohttp import web  # noqa: PLC0415  only a service pays for loading it

    from ..api import WatchedRunner, create_first_run  # noqa: PLC0415  likewise

    done: asyncio.Future[House | None] = asyncio.get_running_loop().create_future()

    def end(house: House | None) -> None:
        if not done.done():
            done.set_result(house)

    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, end, None)
    network = Network()
    runner = WatchedRunner(create_first_run(path, end), network)
    await runner.setup()
    try:
        try:
            await web.TCPSite(runner, network.listen, port).start()
        except OSError as error:
            why = os.strerror(error.errno).lower() if error.errno else str(error)
            raise PortError(f"port {port} on {network.listen}: {why}; choose another with --port") from None
        host, bound = runner.addresses[0][:2]
        ready(f"http://{host}:{bound}/")
        house = await done
    finally:
        await runner.cleanup()
    return None if house is None else (house, bound)
