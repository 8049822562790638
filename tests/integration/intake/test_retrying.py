"""Trying again ends when it is told to, whatever goes wrong at that moment."""

import asyncio
from itertools import chain, repeat

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


async def test_what_goes_wrong_every_second_is_logged_once_until_another_thing_does(caplog) -> None:
    ended = SourceError("ended the stream; connecting again")
    told = chain([ended] * 5, [SourceError("said nothing for 60 s")] * 2, [KeyError("a defect")] * 3, repeat(ended))
    now_us, attempts = 0, 0
    source = Arrivals().source("cellar", "events", "http://cellar", ())

    async def attempt() -> None:
        nonlocal now_us, attempts
        now_us, attempts = now_us + 1_000_000, attempts + 1
        # Each time the stream is taken up again, and breaks again.
        source.good(now_us)
        raise next(told)

    async def attempted(more: int) -> list[str]:
        caplog.clear()
        until = attempts + more
        async with asyncio.timeout(60):
            while attempts < until:  # noqa: ASYNC110  a source tells nobody
                await asyncio.sleep(0)
        return [record.getMessage() for record in caplog.records if record.levelname != "INFO"]

    trying = asyncio.create_task(keep_trying(source, attempt, lambda: now_us, pace=Pace(0.0, 0.0)))
    assert await attempted(20) == [
        "cellar: ended the stream; connecting again",
        "cellar: said nothing for 60 s",
        "cellar: failed unexpectedly (KeyError); the log says more",
    ]
    assert "a defect" in caplog.text
    now_us += 2 * 3_600_000_000
    assert await attempted(5) == ["cellar: ended the stream; connecting again"]
    trying.cancel()
