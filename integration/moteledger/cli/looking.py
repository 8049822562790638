"""`moteledger check --live`: signal by signal what arrives from each source, how it is converted, what is missing."""

import argparse
import asyncio
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from pydantic import ValidationError

from ..intake import Arrivals, SourceReport, SourcesReport, keep_trying, run_sources
from ..intake.arrivals import SignalArrival
from ..settings import House, printable
from ..signals import Kind, signal_named
from ..store import Store, to_us
from .asked_service import AskedService, add_token_option, loopback_address
from .service import now

LOOK_AT_MOST_S = 20.0

_LARGEST_ANSWER = 4 << 20


def service_or_sources(text: str) -> str:
    """The argument of --live: the address of a running service, or nothing for the sources themselves."""
    return loopback_address(text) if text else ""


def add_live_options(check: argparse.ArgumentParser) -> None:
    """Register --live, --for and --token-file."""
    check.add_argument(
        "--live",
        nargs="?",
        const="",
        type=service_or_sources,
        metavar="URL",
        help="ask the sources of the house file, or the service on this machine, what arrives and how it is converted",
    )
    check.add_argument(
        "--for",
        dest="seconds",
        type=_seconds,
        default=LOOK_AT_MOST_S,
        metavar="SECONDS",
        help=f"how long to wait for the sources at most ({LOOK_AT_MOST_S:g})",
    )
    add_token_option(check)


def live_report(house: House, address: str, seconds: float, token_file: Path | None = None) -> SourcesReport:
    """What arrives: asked of the service at `address`, else of the sources for at most `seconds`.

    The sources are read beside a running service without taking anything away from it: no reading is kept, and the
    broker is asked under a name of its own. Raises AskingError where the service does not answer as such.
    """
    if address:
        return _of_service(AskedService(address, house.network, token_file))
    return asyncio.run(_of_sources(house, seconds))


def works(report: SourcesReport) -> bool:
    """Whether every source answers and every mapped signal has come."""
    return all(
        source.state != "failing" and all(signal.value is not None for signal in source.signals)
        for source in report.sources
    )


def live_text(report: SourcesReport) -> str:
    """The report as people read it; what others named or sent cannot steer the terminal."""
    return "\n".join(printable(line, "?") for line in _lines(report))


def _lines(report: SourcesReport) -> Iterator[str]:
    shown = [source for source in report.sources if source.kind != "http" or source.documents]
    if not shown:
        yield "No source: the house file names no hub and no broker, and nothing was pushed."
    for source in shown:
        yield f"{source.name} ({source.kind}, {source.address}): {_state(source)}"
        for signal in source.signals:
            yield f"  {signal.signal:<24} {_arrival(signal)}"
        yield (
            f"  {source.documents} documents: {source.accepted} readings new, {source.repeated} repeated, "
            f"{source.differing} differing, {source.refused} refused"
        )
        if source.waiting or source.put_aside:
            yield f"  {source.waiting} readings wait here for it, {source.put_aside} that it refused are kept here"
    for missing in report.missing:
        names = " or ".join(missing.any_of)
        state = "is mapped, but nothing came" if missing.mapped else "is missing"
        yield f"{names} {state}; it would tell {missing.would_tell}"
    if not report.missing:
        yield "Nothing is missing."


def _state(source: SourceReport) -> str:
    if source.error is not None:
        return f"FAILING: {source.error} (next try {source.next_try})"
    return f"good, last at {source.last_good}" if source.last_good else "nothing yet"


def _arrival(signal: SignalArrival) -> str:
    parts = []
    if signal.value is not None:
        known = signal_named(signal.signal)
        unit = "" if known.kind is Kind.STATE else f" {known.unit}"
        raw = f"{signal.raw} {signal.raw_unit or ''}".rstrip() + " -> " if signal.raw is not None else ""
        parts.append(f"{raw}{signal.value:g}{unit} at {signal.time}")
    elif not signal.refused:
        parts.append("nothing came" + (": the document has no such place" if signal.absent else ""))
    if signal.refused and signal.last_refusal is not None:
        why = signal.last_refusal
        parts.append(f"{signal.refused} REFUSED, the last: {why.place or 'the document'} {why.value} {why.reason}")
    return "; ".join(parts)


async def _of_sources(house: House, seconds: float) -> SourcesReport:
    arrivals = Arrivals(house)

    def clock() -> int:
        return to_us(now())

    with TemporaryDirectory(prefix="moteledger-look-") as folder, Store.open(Path(folder) / "look.db") as store:
        reading = asyncio.gather(
            run_sources(house, store, arrivals, clock, keep_session=False), _look_at_collector(house, arrivals)
        )
        try:
            async with asyncio.timeout(seconds):
                await asyncio.sleep(0)
                # Once in a while is enough for a person who looks on.
                while not all(_told(source) for source in arrivals.sources() if source.kind != "http"):  # noqa: ASYNC110
                    await asyncio.sleep(0.05)
        except TimeoutError:
            pass
        finally:
            reading.cancel()
            await asyncio.gather(reading, return_exceptions=True)
    return arrivals.report((), clock())


async def _look_at_collector(house: House, arrivals: Arrivals) -> None:
    """Ask the collector, if there is one, whether it would take what this house has; nothing is sent."""
    if house.collector is None:
        return
    from ..publish import look_at  # noqa: PLC0415  only a house with a collector pays for loading it

    link, state = house.collector, arrivals.source("collector", "collector", house.collector.shown_address)
    await keep_trying(state, lambda: look_at(link, state, now), lambda: to_us(now()), every_s=LOOK_AT_MOST_S)


def _told(source: SourceReport) -> bool:
    """Whether there is nothing to wait for: every signal has come, or is known not to, or the source fails again."""
    if not source.signals:
        return source.failures >= 2 or source.last_good is not None
    return source.failures >= 2 or all(
        signal.value is not None or signal.refused or signal.absent for signal in source.signals
    )


def _of_service(service: AskedService) -> SourcesReport:
    try:
        return SourcesReport.model_validate_json(service.get("/v1/sources", _LARGEST_ANSWER))
    except ValidationError:
        raise service.strange("/v1/sources") from None


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0.5 <= seconds <= 3600.0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of seconds from 0.5 to 3600")
    return seconds
