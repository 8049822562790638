"""Trying again ends when it is told to, whatever goes wrong at that moment."""

import asyncio

import pytest

from moteledger.intake import Arrivals, Pace, SourceError, keep_trying


@pytest.mark.parametrize("outcome", [SourceError("refused; check the password"), None])
async def test_an_attempt_that_ends_at_the_moment_of_the_cancellation_is_the_last(outcome: SourceError | None) -> None:
    # The documentation of asyncio: a cancelled task ends unless it suppresses that itself; wait_for did, up to 3.11.
    coming: asyncio.Future[None] = asyncio.get_running_loop().create_future()
    attempts = 0

    async def attempt() -> None:
        nonlocal attempts
        attempts += 1
        await asyncio.wait_for(asyncio.shield(coming) if attempts > 1 else coming, timeout=60)

    source = Arrivals().source("broker", "mqtt", "mqtt://broker", ())
    trying = asyncio.create_task(keep_trying(source, attempt, lambda: 0, pace=Pace(0.0, 0.0)))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert attempts == 1
    if outcome is None:
        coming.set_result(None)
    else:
        coming.set_exception(outcome)
    trying.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(trying, timeout=5)
    assert attempts == 1
