"""`moteledger backfill`: old readings into the store of a house."""

import argparse
from pathlib import Path

from ..intake import backfill
from ..store import Store, from_us, to_us
from .progress import progress_bar
from .service import now


def add_backfill_command(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Register the command."""
    command = commands.add_parser(
        "backfill", help="bring a recording into a store; interrupted, it goes on where it was"
    )
    command.add_argument("recording", type=Path, metavar="RECORDING", help="CSV, long or wide, plain or gzip")
    command.add_argument("--store", type=Path, required=True, metavar="FILE", help="where the readings are kept")
    command.set_defaults(run=_backfill)


def _backfill(given: argparse.Namespace) -> int:
    with Store.open(given.store) as store, progress_bar("bringing in") as progress:
        done = backfill(given.recording, store, to_us(now()), progress)
        extent = store.extent()
    new, repeated, differing, too_late = done.appended
    told = [f"{new} readings are new"]
    if repeated:
        told.append(f"{repeated} were there already")
    if differing:
        told.append(f"{differing} differ from what was there, which stays")
    if too_late:
        told.append(f"{too_late} are of hours that have been thinned and were left out")
    print(f"{given.recording}: {'; '.join(told)}.")
    if extent is not None:
        first, last = (f"{from_us(moment):%Y-%m-%d %H:%M}" for moment in extent)
        print(f"{given.store} now reaches from {first} to {last} UTC.")
    return 0
