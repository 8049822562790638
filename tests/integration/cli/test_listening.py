"""How a service ends: what it answers to those who still ask, and in what order."""

import asyncio
from collections.abc import Iterable

from aiohttp import web

from moteledger.cli.listening import listen_until_stopped
from moteledger.settings import Network


async def test_whoever_asks_is_told_of_the_end_before_the_works_have_taken_their_time_over_it() -> None:
    order: list[str] = []
    app = web.Application()

    async def tell(_: web.Application) -> None:
        order.append("told")

    async def slow() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            await asyncio.sleep(0.05)
            order.append("work ended")

    async def ended() -> None:
        await asyncio.sleep(0)

    def works(_: int) -> Iterable:
        yield slow()
        yield ended()

    app.on_shutdown.append(tell)
    await listen_until_stopped(app, Network(), 0, works, lambda address: order.append(address[:16]))
    assert order[:3] == ["http://127.0.0.1", "told", "work ended"]
