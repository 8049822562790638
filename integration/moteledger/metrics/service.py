"""The numbers of the service, and the route that gives them."""

import asyncio
from collections import Counter

from aiohttp import web

from ..api.guarded import add_routes
from ..api.live import BROADCASTER
from ..api.routing import SERVICE, Route, Service
from ..engine import Engine
from ..engine.newest import newest_now
from ..signals import SIGNALS
from ..store import to_us
from .exposition import MEDIA_TYPE, Family, Sample, exposition


def add_metrics(app: web.Application, engine: Engine) -> None:
    """Add `GET /metrics` to the service and count its answers from now on."""
    answers: Counter[int] = Counter()

    async def count(_: web.Request, response: web.StreamResponse) -> None:
        answers[response.status] += 1

    async def give(request: web.Request) -> web.StreamResponse:
        broadcaster = request.app.get(BROADCASTER)
        viewers = None if broadcaster is None else broadcaster.viewers
        service = request.app[SERVICE]
        text = await asyncio.to_thread(_text, service, engine, dict(answers), viewers)
        return web.Response(body=text.encode(), headers={"Content-Type": MEDIA_TYPE})

    app.on_response_prepare.append(count)
    media_type = MEDIA_TYPE.partition(";")[0]
    add_routes(
        app, [Route("GET", "/metrics", give, "How the service does, as OpenMetrics", None, media_type=media_type)]
    )


def _text(service: Service, engine: Engine, answers: dict[int, int], viewers: int | None) -> str:
    sources = service.arrivals.sources()
    kinds = sorted({source.kind for source in sources})

    def of_sources(name: str) -> tuple[Sample, ...]:
        return tuple(
            Sample(sum(getattr(source, name) for source in sources if source.kind == kind), (("way", kind),))
            for kind in kinds
        )

    now = service.clock()
    now_us = to_us(now)
    ages = tuple(
        Sample((now_us - reading.time_us) / 1e6, (("signal", name),))
        for name, reading in newest_now(service.store, now).items()
        # The names of rooms are their people's own; a forecast has no age.
        if name in SIGNALS and not SIGNALS[name].forecast_h
    )
    families = [
        Family("moteledger_readings_accepted", "counter", "Readings kept as new.", of_sources("accepted")),
        Family("moteledger_readings_repeated", "counter", "Readings that were there already.", of_sources("repeated")),
        Family(
            "moteledger_readings_differing",
            "counter",
            "Readings that were there already with another value.",
            of_sources("differing"),
        ),
        Family("moteledger_records_refused", "counter", "Records that could not be used.", of_sources("refused")),
        Family("moteledger_source_failures", "counter", "Attempts that failed.", of_sources("failures")),
        Family("moteledger_signal_age_seconds", "gauge", "Age of the newest reading.", ages, "seconds"),
        Family(
            "moteledger_store_size_bytes",
            "gauge",
            "Room the store takes on the disk.",
            (Sample(service.store.size_bytes()),),
            "bytes",
        ),
        Family(
            "moteledger_store_writable",
            "gauge",
            "1 while the disk takes what is to be kept, else 0.",
            (Sample(float(service.store.trouble() is None)),),
        ),
        Family(
            "moteledger_answers",
            "counter",
            "Answers to requests by status.",
            tuple(Sample(number, (("status", str(status)),)) for status, number in sorted(answers.items())),
        ),
        Family("moteledger_refreshes", "counter", "Assessments begun.", (Sample(engine.refreshes),)),
    ]
    if engine.last_refresh_s is not None:
        families.append(
            Family(
                "moteledger_refresh_duration_seconds",
                "gauge",
                "How long the last assessment took.",
                (Sample(engine.last_refresh_s),),
                "seconds",
            )
        )
    if viewers is not None:
        families.append(
            Family("moteledger_live_viewers", "gauge", "Streams of live readings that are open.", (Sample(viewers),))
        )
    return exposition(families)
