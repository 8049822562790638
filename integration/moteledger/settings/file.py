"""Reading the files that people write, every error naming the key, the value and the fix."""

import re
import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from .candidates import Candidate, CandidatesFile
from .collecting import Collecting
from .house import House
from .limits import told_limit
from .rounds import Round

_LARGEST_FILE = 1_000_000
_TO_MAKE_A_HOUSE = (
    ", or let a new one be written: moteledger init asks at the terminal, "
    "moteledger serve --house NEW.toml --store FILE asks in the browser"
)

Model = TypeVar("Model", bound=BaseModel)


class SettingsFileError(ValueError):
    """A file is unusable; `problems` holds one line for each thing wrong, the message all of them."""

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.path = path
        self.problems = problems
        super().__init__(f"{path}: " + "; ".join(problems))


class HouseFileError(SettingsFileError):
    """The house file is unusable."""


class CandidatesFileError(SettingsFileError):
    """The candidates file is unusable."""


class RoundFileError(SettingsFileError):
    """The contractor's list is unusable."""


class CollectingFileError(SettingsFileError):
    """The collector's file is unusable."""


def read_house(path: Path) -> House:
    """Read and check a house file (TOML); raises HouseFileError listing everything wrong with it."""
    return _read(path, House, HouseFileError, "--house", _TO_MAKE_A_HOUSE)


def read_candidates(path: Path) -> tuple[Candidate, ...]:
    """Read and check a candidates file (TOML); raises CandidatesFileError listing everything wrong with it."""
    return _read(path, CandidatesFile, CandidatesFileError, "--candidates").candidates


def read_round(path: Path) -> Round:
    """Read and check a contractor's list (TOML); raises RoundFileError listing everything wrong with it."""
    return _read(path, Round, RoundFileError, "--round")


def read_collecting(path: Path) -> Collecting:
    """Read and check a collector's file (TOML); raises CollectingFileError listing everything wrong with it."""
    return _read(path, Collecting, CollectingFileError, "--collect")


def _read(
    path: Path, model: type[Model], failure: type[SettingsFileError], option: str, to_make_one: str = ""
) -> Model:
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise failure(path, [f"is larger than {_LARGEST_FILE} bytes; such a file is a page of text"])
        document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise failure(path, [f"no such file; check the path given after {option}{to_make_one}"]) from None
    except OSError as error:
        raise failure(path, [f"cannot be read ({error.strerror}); check the path and its permissions"]) from None
    except UnicodeDecodeError as error:
        raise failure(path, [f"byte {error.start} is not UTF-8; save the file as UTF-8 text"]) from None
    except tomllib.TOMLDecodeError as error:
        raise failure(path, [f"is not TOML: {error}; correct that line"]) from None
    try:
        return model.model_validate(document, context={"folder": path.parent})
    except ValidationError as error:
        raise failure(path, [_problem(detail, model) for detail in _causes(error)]) from None


def _causes(error: ValidationError) -> list[Any]:
    """The errors without those that follow from others: a list is too short because its bad items were left out."""
    details: list[Any] = list(error.errors())
    above_others = {detail["loc"][:depth] for detail in details for depth in range(len(detail["loc"]))}
    return [detail for detail in details if detail["type"] != "too_short" or detail["loc"] not in above_others]


def plain_message(detail: Any, model: type[BaseModel]) -> str:
    """What is wrong with a value of a file, and the fix, by an error's detail."""
    location = _location(detail)
    field = _fields_at(model, location[:-1]).get(str(location[-1])) if location else None
    return told_limit(detail, field) or str(detail["msg"]).removeprefix("Value error, ")


def _location(detail: Any) -> list[Any]:
    return [part for part in detail["loc"] if not str(part).startswith("function-")]


def _problem(detail: Any, model: type[BaseModel]) -> str:
    location = _location(detail)
    key = ".".join(str(part) for part in location) or "the file as a whole"
    if detail["type"] == "extra_forbidden":
        known = list(_fields_at(model, location[:-1]))
        near = get_close_matches(str(location[-1]), known, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"known keys here: {', '.join(known)}"
        return f"{key}: no such key; {hint}"
    if detail["type"] == "missing":
        return f"{key}: missing; add it"
    if detail["type"] == "too_short":
        return f"{key}: empty; add at least {detail['ctx']['min_length']}"
    message = plain_message(detail, model)
    value = detail["input"]
    # 0 is not told by a message that says 0.05.
    in_message = re.search(rf"(?<![\w.]){re.escape(repr(value))}(?![\w.])", message) is not None
    told = isinstance(value, (dict, list)) or in_message or detail["type"] == "secret"
    return f"{key}: {message}" if told else f"{key}: {value!r} given; {message[0].lower()}{message[1:]}"


def _fields_at(model: type[BaseModel], location: list[Any]) -> dict[str, FieldInfo]:
    """The keys that a table of the file may hold; none where there is no table."""
    here: Any = model
    for part in location:
        if isinstance(part, str) and here is not None:
            here = _table_in(here.model_fields[part].annotation)
    return {} if here is None else dict(here.model_fields)


def _table_in(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    tables = [_table_in(argument) for argument in getattr(annotation, "__args__", ())]
    return next((table for table in tables if table is not None), None)
