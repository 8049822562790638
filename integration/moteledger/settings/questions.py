"""What a first run asks of a house: one table of questions, and the house file that their answers make."""

import json
import os
import re
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from .file import plain_message
from .house import House, Units


@dataclass(frozen=True)
class Question:
    """One question: the key it answers, its words, why it is asked, and a default or example in either system.

    `unit` is added to a bare number; `choices` are all there are; one that is `needed` has no empty answer.
    """

    key: str
    asks: str
    explains: str
    default: str = ""
    units: tuple[str, str] = ("", "")
    choices: tuple[str, ...] = ()
    needed: bool = False
    is_number: bool = False

    def unit(self, system: Units) -> str:
        """The unit of a bare number in a system."""
        return self.units[system is Units.INCH_POUND]


QUESTIONS = (
    Question("name", "What is the house called?", "It heads every page.", "My house", needed=True),
    Question(
        "units", "Which units do you work in?", "The other stand beside them.", "inch-pound", choices=tuple(Units)
    ),
    Question("time_zone", "Which time zone?", "A name of the IANA database; the fan's hours are local.", "UTC"),
    Question(
        "house.floor_area",
        "Conditioned floor area?",
        "With the height it gives the air to clean.",
        "",
        ("m2", "ft2"),
        needed=True,
    ),
    Question("house.ceiling_height", "Ceiling height?", "Usual is 2.44 m or 8 ft.", "", ("m", "ft")),
    Question(
        "house.leakage.air_changes_50",
        "Blower-door result, air changes an hour at 50 Pa?",
        "How fast outdoor air gets in. Leave it empty if nobody tested.",
        is_number=True,
    ),
    Question(
        "air_handler.airflow",
        "Airflow of the air handler?",
        "Measured, else from the nameplate: usually 400 cfm (680 m3/h) a ton.",
        "",
        ("m3/h", "cfm"),
    ),
    Question(
        "air_handler.external_static",
        "Total external static at that airflow?",
        "From it: how airflow falls as the filter loads.",
        "",
        ("Pa", "in.w.c."),
    ),
    Question("filter.merv", "MERV of the filter?", "1 to 16, on its frame.", is_number=True),
)


LONGEST_ANSWER = 200


class AnswerError(ValueError):
    """An answer that cannot be used; the message says why and what to answer instead."""


def house_file(answers: Mapping[str, str]) -> str:
    """The commented house file of the answers, by key; raises AnswerError where they make no sound house."""
    chosen = answers.get("units", "").strip() or Units.SI
    if chosen not in tuple(Units):
        raise AnswerError(f"units: answer one of {', '.join(Units)}")
    system = Units(chosen)
    tables: dict[str, list[str]] = {}
    for question in QUESTIONS:
        answer = answers.get(question.key, "").strip()
        if not answer:
            continue
        table, _, name = question.key.rpartition(".")
        unit = question.unit(system)
        written = f"{answer} {unit}" if unit and re.fullmatch(r"[-+.\d]+", answer) else answer
        value = answer if question.is_number and re.fullmatch(r"-?\d+(\.\d+)?", answer) else json.dumps(written)
        tables.setdefault(table, []).append(f"# {question.asks} {question.explains}\n{name} = {value}")
    parts = ["\n".join(lines) if not table else f"[{table}]\n" + "\n".join(lines) for table, lines in tables.items()]
    text = "# A house file of moteledger. Every quantity is written with its unit.\n" + "\n\n".join(parts) + "\n"
    try:
        House.model_validate(tomllib.loads(text))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise AnswerError(f"{key}: {plain_message(first, House)}") from None
    except tomllib.TOMLDecodeError:
        raise AnswerError("a character in the answers cannot stand in a file; write plain text") from None
    return text


_ANY_AREA = "150 m2"


def answer_problems(answers: Mapping[str, str]) -> dict[str, str]:
    """What is wrong with each answer, by the key of its question; empty where they make a sound house together."""
    found = {}
    system = answers.get("units", "").strip()
    base = {"name": "house", "house.floor_area": _ANY_AREA, "units": system if system in tuple(Units) else Units.SI}
    for question in QUESTIONS:
        answer = answers.get(question.key, "").strip()
        if not answer:
            if question.needed:
                found[question.key] = "This one is needed."
            continue
        if len(answer) > LONGEST_ANSWER:
            found[question.key] = f"This is longer than {LONGEST_ANSWER} characters; write it shorter."
            continue
        try:
            house_file({**base, question.key: answer})
        except AnswerError as error:
            key, _, why = str(error).partition(": ")
            found[question.key] = why[0].upper() + why[1:] if key == question.key and why else str(error)
    if not found:
        try:
            house_file(answers)
        except AnswerError as error:
            found[QUESTIONS[0].key] = str(error)
    return found


def write_new(path: Path, text: str) -> None:
    """Write a house file whole or not at all, and never over one that is there.

    Raises FileExistsError where there is one by now, another OSError where it cannot be written.
    """
    number, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(number, "w", encoding="utf-8") as beside:
            beside.write(text)
            beside.flush()
            os.fsync(beside.fileno())
        # A link, unlike a renaming, is refused where the name is taken.
        path.hardlink_to(name)
    finally:
        Path(name).unlink()
