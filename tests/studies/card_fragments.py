"""How long each card takes to draw with a year of readings in the store: `python tests/studies/card_fragments.py`.

A year of three signals at a reading a minute, the demo's house over the last two weeks, and of each card the median and
the slowest of seven: what the store is asked for, and the drawing.
"""

import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from typing import Any, cast

from moteledger.api.pages import _shown
from moteledger.cards import CARDS, Forms, ready_templates, render_card
from moteledger.demo import HOUSE_FILE, SimulatedHouse
from moteledger.engine import Engine
from moteledger.intake import accept
from moteledger.settings import read_house
from moteledger.store import Reading, Store, to_us

SIGNALS = ("indoor.pm25", "filter.pressure_drop", "duct.static_pressure")
MINUTE_US = 60_000_000
BATCH = 50_000


def fill(store: Store, start_us: int, end_us: int) -> int:
    """A reading a minute of each signal; how many there are."""
    for signal in SIGNALS:
        for first in range(start_us, end_us, BATCH * MINUTE_US):
            moments = range(first, min(first + BATCH * MINUTE_US, end_us), MINUTE_US)
            store.append(Reading(moment, signal, 10.0 + moment // MINUTE_US % 7) for moment in moments)
    return len(SIGNALS) * len(range(start_us, end_us, MINUTE_US))


def main() -> None:
    """Measure and print."""
    ready_templates()  # as the service does when it starts
    house, end = read_house(HOUSE_FILE), datetime.now(UTC).replace(microsecond=0)
    recent = end - timedelta(days=14)
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "year.db") as store:
        count = fill(store, to_us(end - timedelta(days=365)), to_us(recent))
        accept(store, SimulatedHouse().readings(recent, end))
        engine = Engine(house, store, lambda: end)
        assessment = engine.refresh()
        service = cast(Any, SimpleNamespace(store=store, fan=engine.fan, clock=lambda: end))
        sys.stdout.write(f"{count:,} readings and two weeks of the demo's\n")
        for name in CARDS:
            took_ms, text = [], ""
            for _ in range(7):
                began = time.perf_counter()
                found = _shown(service, Forms("a", "b"), (), assessment)
                text = render_card(name, assessment, house, now=end, answer=found.answer, beside=found.beside)
                took_ms.append(1000.0 * (time.perf_counter() - began))
            middle, slowest = sorted(took_ms)[3], max(took_ms)
            sys.stdout.write(
                f"{name:9} median {middle:4.1f} ms, slowest {slowest:4.1f} ms, {len(text) / 1000:3.0f} kB (aim 30 ms)\n"
            )


if __name__ == "__main__":
    main()
