"""`moteledger report`: the document that a contractor hands to the client."""

import argparse
from collections.abc import Mapping
from datetime import date, datetime, timedelta
from pathlib import Path

from ..engine.on_record import OnRecord
from ..intake import read_recording
from ..settings import House, read_house
from ..store import Series, Store, StoreError
from .output import write_whole
from .progress import progress_bar

_STORE_DAYS = 14


def add_report_command(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Register the command."""
    reporting = commands.add_parser("report", help="the report for a client, as a page, a PDF or JSON")
    source = reporting.add_mutually_exclusive_group(required=True)
    source.add_argument("recording", type=Path, nargs="?", metavar="RECORDING", help="CSV, long or wide, plain or gzip")
    source.add_argument("--store", type=Path, metavar="FILE", help="the readings that a service keeps")
    reporting.add_argument("--house", type=Path, required=True, metavar="FILE", help="the house file")
    reporting.add_argument(
        "--days", type=_days, metavar="N", help=f"only the last N days (all of a recording; {_STORE_DAYS} of a store)"
    )
    reporting.add_argument(
        "--changed", type=_day, metavar="DATE", help="the day on which the assembly was fitted, for before and after"
    )
    reporting.add_argument("--html", type=Path, metavar="OUT.html", help="write the page")
    reporting.add_argument("--pdf", type=Path, metavar="OUT.pdf", help="write the PDF")
    reporting.add_argument("--json", type=Path, metavar="OUT", help="write what the report says as JSON")
    reporting.set_defaults(run=_report)


def write_report_page(path: Path, house: House, readings: Mapping[str, Series]) -> None:
    """Write the report's page alone."""
    from ..report import client_report, render_report_html  # noqa: PLC0415  only a report pays for loading it

    made_on = datetime.now(house.zone).date()
    write_whole(path, render_report_html(client_report(house, OnRecord(readings), made_on=made_on), house))


def _report(given: argparse.Namespace) -> int:
    from ..report import client_report, render_report_html, render_report_pdf  # noqa: PLC0415  as above

    house = read_house(given.house)
    record = _stored(given, house) if given.store is not None else OnRecord(_recorded(given))
    made_on = datetime.now(house.zone).date()
    report = client_report(house, record, made_on=made_on, changed_on=given.changed)
    # Without a wish for another form, the page is written beside the recording.
    page = given.html
    if not (given.html or given.pdf or given.json):
        page = Path(f"{(given.recording or given.store).name.split('.')[0]}_report.html")
    if page is not None:
        write_whole(page, render_report_html(report, house))
    if given.pdf is not None:
        write_whole(given.pdf, render_report_pdf(report, house))
    if given.json is not None:
        write_whole(given.json, report.model_dump_json(indent=1) + "\n")
    for path in (page, given.pdf, given.json):
        if path is not None:
            print(f"{path}: written")
    return 0


def _recorded(given: argparse.Namespace) -> Mapping[str, Series]:
    with progress_bar("reading") as progress:
        series = read_recording(given.recording, progress).series
    if given.days is None:
        return series
    last_us = max((int(each.time_us[-1]) for each in series.values() if len(each)), default=0)
    since_us = last_us - timedelta(days=given.days) // timedelta(microseconds=1)
    return {
        name: Series(each.time_us[kept], each.value[kept])
        for name, each in series.items()
        if (kept := each.time_us >= since_us).any()
    }


def _stored(given: argparse.Namespace, house: House) -> OnRecord:
    if not given.store.exists():
        raise StoreError(given.store, "no such file; give the store of a service")
    with Store.open(given.store) as store:
        extent = store.extent()
        if extent is None:
            raise StoreError(given.store, "holds no readings yet; let the service take some first")
        return OnRecord.of(store, house, extent[1] + 1, timedelta(days=given.days or _STORE_DAYS))


def _days(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 1096:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of days from 1 to 1096; give for example 30")
    return int(text)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a day; write it as 2026-05-01") from None
