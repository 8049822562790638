"""The command line: `moteledger demo | serve | assess | report | compare | prove | check | backup | token` and more."""

import argparse
import asyncio
import logging
import os
import sys
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory

from ..engine import WANTED_HALF_WIDTH, AssessmentError, ComparisonError, Engine, Ranking, assess, compare, guide, prove
from ..intake import RecordingError, accept, read_recording
from ..settings import SettingsFileError, TlsError, doubts, missing_keys, read_candidates, read_house, read_round
from ..store import Store, StoreError
from .asked_service import AskedService, AskingError, add_token_option, loopback_address
from .asking import ask_for_house
from .backfilling import add_backfill_command
from .collecting import collect
from .first_run import add_init_command
from .following import Follower, follow
from .looking import add_live_options, live_report, live_text, works
from .output import OutputError, write_whole
from .progress import progress_bar
from .proving import guide_text, proof_text
from .reporting import add_report_command, write_report_page
from .service import ClosedDoorError, PortError, now, run_service
from .storing import backup_text, store_text
from .summary import summary, volume_text
from .tokens import TokenError, add_token_command

DONE, UNUSABLE, WRONG_USAGE, INTERRUPTED = 0, 1, 2, 130
_PORT = 8467
_DEMO_DAYS = 14
_DEMO_LIVES_EVERY_S = 10.0


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns 0 when done, 1 when data or house file are unusable; exits with 2 on wrong usage."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a character shows a mark in its place rather than ending the command.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    given = _parser().parse_args(arguments)
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    try:
        code: int = given.run(given)
        if sys.stdout is not None:
            sys.stdout.flush()
    except (
        SettingsFileError,
        RecordingError,
        AssessmentError,
        ComparisonError,
        StoreError,
        PortError,
        ClosedDoorError,
        TokenError,
        TlsError,
        AskingError,
        OutputError,
    ) as error:
        print(f"moteledger {given.command}: {error}", file=sys.stderr)
        return UNUSABLE
    except BrokenPipeError:
        # The reader of a pipe has seen enough.
        _drop_output()
        return DONE
    except OSError as error:
        _drop_output()
        place = error.filename or "standard output"
        print(f"moteledger {given.command}: {place}: {error.strerror}; check the disk and the path", file=sys.stderr)
        return UNUSABLE
    except KeyboardInterrupt:
        return INTERRUPTED
    return code


def _drop_output() -> None:
    """Send what is still to be printed nowhere: the interpreter flushes once more at its end and would fail again."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="moteledger", description="Keeps the books on the particles in a house's air.", allow_abbrev=False
    )
    parser.add_argument("--version", action="version", version=f"moteledger {version('moteledger')}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    demo = commands.add_parser("demo", help="a simulated house on measured outdoor air, with its page")
    demo.add_argument("--once", action="store_true", help="print the assessment and exit")
    demo.add_argument("--port", type=_port, default=_PORT, help=f"port on this machine ({_PORT}; 0 takes a free one)")
    demo.add_argument("--recording", type=_out_file, metavar="OUT.csv", help="write the house's readings and exit")
    demo.set_defaults(run=_demo)

    serve = commands.add_parser("serve", help="the service for a house: readings in, page and answers out")
    serve.add_argument("--house", type=Path, metavar="FILE", help="the house file; a page asks for a new one")
    serve.add_argument("--store", type=Path, metavar="FILE", help="where the readings are kept")
    serve.add_argument(
        "--collect", type=Path, metavar="FILE", help="a contractor's collector of many houses, in place of a house"
    )
    serve.add_argument("--port", type=_port, default=_PORT, help=f"port on this machine ({_PORT}; 0 takes a free one)")
    serve.set_defaults(run=_serve, wrong_usage=serve.error)

    assessing = commands.add_parser("assess", help="assess a house from a recording")
    assessing.add_argument("recording", type=Path, metavar="RECORDING", help="CSV, long or wide, plain or gzip")
    assessing.add_argument("--house", type=Path, required=True, metavar="FILE", help="the house file")
    assessing.add_argument("--json", type=_out_file, metavar="OUT", help="write the assessment as JSON")
    assessing.add_argument("--report", type=_out_file, metavar="OUT.html", help="write the report for the client")
    assessing.set_defaults(run=_assess)

    add_report_command(commands)
    add_init_command(commands)

    comparing = commands.add_parser("compare", help="compare filter assemblies on a surveyed house")
    comparing.add_argument("--house", type=Path, required=True, metavar="FILE", help="the house file")
    comparing.add_argument("--candidates", type=Path, required=True, metavar="FILE", help="the candidates file")
    comparing.add_argument(
        "--rank",
        choices=[ranking.value for ranking in Ranking],
        default=Ranking.CLEAN_AIR.value,
        help=f"what comes first ({Ranking.CLEAN_AIR.value})",
    )
    comparing.add_argument("--json", type=_out_file, metavar="OUT", help="write the comparison as JSON")
    comparing.add_argument("--html", type=_out_file, metavar="OUT.html", help="write the page for the client")
    comparing.set_defaults(run=_compare)

    proving = commands.add_parser("prove", help="the fan-off / fan-on test: its plan, or what a recording of it shows")
    source = proving.add_mutually_exclusive_group()
    source.add_argument(
        "recording", type=Path, nargs="?", metavar="RECORDING", help="CSV; without it the plan is printed"
    )
    source.add_argument("--live", type=loopback_address, metavar="URL", help="follow a service on this machine")
    add_token_option(proving)
    proving.add_argument("--house", type=Path, required=True, metavar="FILE", help="the house file")
    proving.add_argument(
        "--within",
        type=_per_cent,
        default=WANTED_HALF_WIDTH,
        metavar="PERCENT",
        help=f"how closely the clean air delivered is to be known ({100 * WANTED_HALF_WIDTH:.0f})",
    )
    proving.add_argument("--json", type=_out_file, metavar="OUT", help="write the plan or the result as JSON")
    proving.set_defaults(run=_prove)

    check = commands.add_parser("check", help="say what is wrong with a house file or a store, or missing from it")
    checked = check.add_mutually_exclusive_group(required=True)
    checked.add_argument("--house", type=Path, metavar="FILE", help="the house file")
    checked.add_argument("--store", type=Path, metavar="FILE", help="the store, which may be in use")
    add_live_options(check)
    check.set_defaults(run=_check, wrong_usage=check.error)

    add_backfill_command(commands)
    add_token_command(commands)

    _add_looking_after(commands)
    bench = commands.add_parser("bench", help="measure how fast this machine does the work")
    bench.add_argument("rows", nargs="*", metavar="ROW", help="only these rows, by name (all)")
    bench.set_defaults(run=_bench)
    return parser


def _add_looking_after(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """The commands for those who look after stores and houses."""
    backup = commands.add_parser("backup", help="copy a store, which may be in use, and verify the copy")
    backup.add_argument("--store", type=Path, required=True, metavar="FILE", help="the store")
    backup.add_argument("to", type=_out_file, metavar="TO", help="the file to make")
    backup.add_argument("--overwrite", action="store_true", help="replace TO if it exists")
    backup.set_defaults(run=_backup)

    fleet = commands.add_parser("fleet", help="many houses at once, those whose delivery has slipped furthest first")
    fleet.add_argument("--round", type=Path, required=True, metavar="FILE", help="the list of houses")
    fleet.add_argument("--json", type=_out_file, metavar="OUT", help="write the table as JSON")
    fleet.set_defaults(run=_fleet)


def _port(text: str) -> int:
    port = int(text) if text.isdecimal() else -1
    if not 0 <= port <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is not a port; give a whole number from 0 to 65535")
    return port


def _per_cent(text: str) -> float:
    try:
        share = float(text.removesuffix("%")) / 100.0
    except ValueError:
        share = 0.0
    if not 0.05 <= share <= 0.5:
        raise argparse.ArgumentTypeError(f"{text!r} is not a percentage from 5 to 50; give for example 15")
    return share


def _out_file(text: str) -> Path:
    if not Path(text).name:
        raise argparse.ArgumentTypeError(f"{text!r} is not a file; give the name of a file to write")
    return Path(text)


def _assess(given: argparse.Namespace) -> int:
    house = read_house(given.house)
    with progress_bar("reading") as progress:
        recording = read_recording(given.recording, progress)
    assessment = assess(house, recording.series)
    if given.json is not None:
        write_whole(given.json, assessment.model_dump_json(indent=1) + "\n")
    if given.report is not None:
        write_report_page(given.report, house, recording.series)
    print(summary(assessment, house))
    return DONE


def _compare(given: argparse.Namespace) -> int:
    from ..report import render_comparison  # noqa: PLC0415  only this command pays for loading it
    from .comparison import comparison_table  # noqa: PLC0415  only this command pays for loading it

    house = read_house(given.house)
    comparison = compare(house, read_candidates(given.candidates), Ranking(given.rank))
    if given.json is not None:
        write_whole(given.json, comparison.model_dump_json(indent=1) + "\n")
    if given.html is not None:
        made_on = datetime.now(house.zone).date()
        write_whole(given.html, render_comparison(comparison, house, made_on=made_on))
    print(comparison_table(comparison, house))
    return DONE


def _prove(given: argparse.Namespace) -> int:
    house = read_house(given.house)
    if given.recording is None and given.live is None:
        planned = guide(house, wanted=given.within)
        if given.json is not None:
            write_whole(given.json, planned.model_dump_json(indent=1) + "\n")
        print(guide_text(planned, house))
        return DONE
    if given.live is not None:
        try:
            service = AskedService(given.live, house.network, given.token_file)
            proof = follow(Follower(service), house, _tell, wanted=given.within)
        except KeyboardInterrupt:
            _tell("Stopped; the service goes on, and so can the test.")
            return DONE
    else:
        with progress_bar("reading") as progress:
            recording = read_recording(given.recording, progress)
        proof = prove(house, recording.series, wanted=given.within)
    if proof is None:
        raise AssessmentError("no readings came that could be evaluated; the lines above say what is missing")
    if given.json is not None:
        write_whole(given.json, proof.model_dump_json(indent=1) + "\n")
    print(proof_text(proof, house))
    return DONE


def _check(given: argparse.Namespace) -> int:
    if given.store is not None:
        if given.live is not None:
            given.wrong_usage("--live asks the sources of a house file; give --house")
        print(store_text(given.store))
        return DONE
    house = read_house(given.house)
    print(f"{given.house}: good. {house.name}, {volume_text(house)} of air.")
    for doubt in doubts(house, now()):
        print(f"  {doubt}.")
    for missing in missing_keys(house):
        print(f"  {missing.key} is not given; it would tell {missing.would_tell}")
    if given.live is not None:
        report = live_report(house, given.live, given.seconds, given.token_file)
        print(live_text(report))
        return DONE if works(report) else UNUSABLE
    return DONE


def _backup(given: argparse.Namespace) -> int:
    print(backup_text(given.store, given.to, overwrite=given.overwrite))
    return DONE


def _fleet(given: argparse.Namespace) -> int:
    from .fleet import fleet_table, look_at  # noqa: PLC0415  only this command pays for loading it

    stops = read_round(given.round)
    with progress_bar("houses") as progress:
        fleet = look_at(stops, given.round.parent, now(), progress)
    if given.json is not None:
        write_whole(given.json, fleet.model_dump_json(indent=1) + "\n")
    print(fleet_table(fleet))
    return UNUSABLE if all(house.problem is not None for house in fleet.houses) else DONE


def _bench(given: argparse.Namespace) -> int:
    from ..bench import named, run_all, table  # noqa: PLC0415  only this command pays for loading it

    try:
        benches = named(given.rows)
    except ValueError as error:
        print(f"moteledger bench: {error}", file=sys.stderr)
        return WRONG_USAGE
    for row in run_all(benches):
        print(table([row]), end="\n\n", flush=True)
    return DONE


def _serve(given: argparse.Namespace) -> int:
    port = given.port
    if given.collect is not None:
        if given.house is not None or given.store is not None:
            given.wrong_usage("--collect stands alone: its file says where the houses' readings are kept")
        return collect(given.collect, port, _tell_address)
    if given.house is None or given.store is None:
        given.wrong_usage("give --house and --store, or --collect")
    if not os.path.lexists(given.house) and os.access(given.house.parent, os.W_OK | os.X_OK):
        asked = asyncio.run(ask_for_house(given.house, port, partial(_tell_asking, given.house)))
        if asked is None:
            return DONE
        house, port = asked
    else:
        house = read_house(given.house)
    with Store.open(given.store) as store:
        engine = Engine(house, store, now)
        asyncio.run(run_service(house, store, engine, port=port, banner="", ready=_tell_address))
    return DONE


def _demo(given: argparse.Namespace) -> int:
    from ..demo import (  # noqa: PLC0415  only this command pays for loading it
        ATTRIBUTION,
        HOUSE_FILE,
        ORIGIN_OF_THE_AIR,
        SimulatedHouse,
        write_recording,
    )

    house = read_house(HOUSE_FILE)
    simulated = SimulatedHouse()
    end = datetime.now(UTC).replace(microsecond=0)
    readings = simulated.readings(end - timedelta(days=_DEMO_DAYS), end)
    if given.recording is not None:
        try:
            count = write_recording(readings, given.recording)
        except OSError as error:
            raise _not_written(given.recording, error) from None
        print(f"{given.recording}: {count} readings of {house.name}. {ORIGIN_OF_THE_AIR} {ATTRIBUTION}")
        return DONE
    with TemporaryDirectory(prefix="moteledger-demo-") as folder, Store.open(Path(folder) / "demo.db") as store:
        accept(store, readings)
        del readings  # a fortnight of them, which nobody needs again
        engine = Engine(house, store, now)
        assessment = engine.refresh()
        if given.once:
            if assessment is None:
                raise AssessmentError("the demo's readings could not be assessed; the log above says why")
            print(summary(assessment, house))
            print(f"\n{ORIGIN_OF_THE_AIR}\n{ATTRIBUTION}")
            return DONE

        async def live_on() -> None:
            while True:
                await asyncio.sleep(_DEMO_LIVES_EVERY_S)
                fresh = await asyncio.to_thread(simulated.advance, now())
                await asyncio.to_thread(accept, store, fresh)

        asyncio.run(
            run_service(
                house, store, engine, port=given.port, banner=ORIGIN_OF_THE_AIR, ready=_tell_address, beside=live_on
            )
        )
    return DONE


def _tell_asking(path: Path, address: str) -> None:
    print(f"{path}: no such file yet; the page at {address} asks for it (stop with Ctrl-C).", flush=True)


def _tell_address(address: str) -> None:
    print(f"The page is at {address} (stop with Ctrl-C).", flush=True)


def _tell(line: str) -> None:
    print(line, flush=True)


def _not_written(path: Path, error: OSError) -> OutputError:
    return OutputError(f"{path}: cannot be written ({error.strerror}); check the folder and its permissions")
