"""`moteledger init`: a house file from a few questions, each with its reason."""

import argparse
import sys
from pathlib import Path

from ..settings import read_house
from ..settings.connecting import USUAL_ADDRESS, push_line, to_connect
from ..settings.questions import QUESTIONS, AnswerError, Question, house_file
from .output import OutputError, write_whole


def add_init_command(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Register the command."""
    init = commands.add_parser("init", help="write a house file by answering a few questions")
    init.add_argument("--out", type=Path, default=Path("house.toml"), metavar="FILE", help="where (house.toml)")
    init.add_argument("--replace", action="store_true", help="write over a file that is there")
    init.add_argument(
        "--answer", action="append", default=[], metavar="KEY=VALUE", help="answer beforehand; no question is asked"
    )
    init.set_defaults(run=_init)


def _init(given: argparse.Namespace) -> int:
    if given.out.exists() and not given.replace:
        raise OutputError(f"{given.out}: is there already; choose another with --out or add --replace")
    answers = _answered(given.answer) if given.answer else _asked()
    try:
        text = house_file(answers)
    except AnswerError as error:
        raise OutputError(str(error)) from None
    write_whole(given.out, text)
    print(f"{given.out}: written. See what more would tell: moteledger check --house {given.out}")
    print(f"Start it: moteledger serve --house {given.out} --store readings.db\n\nConnect next:")
    for connection in to_connect(read_house(given.out)):
        print(f"  {connection.signal:<21} {connection.makes_known}")
    print(f"One reading is pushed by\n  {push_line(USUAL_ADDRESS)}")
    return 0


def _answered(pairs: list[str]) -> dict[str, str]:
    answers = dict(pair.partition("=")[::2] for pair in pairs)
    unknown = set(answers) - {question.key for question in QUESTIONS}
    if unknown:
        known = ", ".join(question.key for question in QUESTIONS)
        raise OutputError(f"--answer: {', '.join(sorted(unknown))} is not asked; asked are {known}")
    return answers


def _asked() -> dict[str, str]:
    if not sys.stdin.isatty():
        raise OutputError("no terminal to ask at; answer with --answer name='My house' --answer house.floor_area=1900")
    answers = {"house.floor_area": "150 m2"}
    try:
        for question in QUESTIONS:
            answers[question.key] = _answer(question, answers)
    except EOFError:
        raise OutputError("the answers ended before the questions; nothing was written") from None
    return answers


def _answer(question: Question, before: dict[str, str]) -> str:
    """Ask until the answer makes a sound house with those before it."""
    print(f"\n{question.asks}\n  {question.explains}")
    while True:
        hint = f" ({' or '.join(question.choices)})" if question.choices else ""
        default = f" [{question.default}]" if question.default else "" if question.needed else " [not known]"
        answer = input(f"  {hint}{default}: ").strip() or question.default
        if question.needed and not answer:
            print("  This one is needed.")
            continue
        if question.choices and answer not in question.choices:
            print(f"  Answer one of: {', '.join(question.choices)}.")
            continue
        try:
            house_file({"name": "house", **before, question.key: answer})
        except AnswerError as error:
            print(f"  {error}")
            continue
        return answer
