"""JSON from outside, read once and carefully: UTF-8, finite numbers, no nesting that would exhaust the stack."""

import json
from typing import NoReturn

_LONGEST_PROBLEM = 100
_LONGEST_SHOWN = 60


class DocumentError(ValueError):
    """Bytes that are no JSON document; the message says where and why."""


def json_document(body: bytes) -> object:
    """The parsed document; raises DocumentError, and nothing else, for bytes that are none."""
    try:
        return json.loads(body.decode("utf-8-sig"), parse_constant=_no_constant)
    except UnicodeDecodeError as error:
        raise DocumentError(f"byte {error.start} is not UTF-8; send JSON in UTF-8") from None
    except json.JSONDecodeError as error:
        raise DocumentError(f"is not JSON at line {error.lineno} column {error.colno} ({error.msg})") from None
    except RecursionError:
        raise DocumentError("is nested too deeply") from None
    except ValueError as error:
        raise DocumentError(f"is not JSON ({str(error)[:_LONGEST_PROBLEM]})") from None


def message_document(payload: bytes) -> object:
    """The document of a message that may be a bare word such as `on`; raises DocumentError if it is not even text."""
    try:
        return json_document(payload)
    except DocumentError:
        try:
            text = payload.decode("utf-8").strip()
        except UnicodeDecodeError as error:
            raise DocumentError(f"byte {error.start} is not UTF-8; send JSON or text in UTF-8") from None
        if not text or text[0] in "{[":
            raise
        return text


def as_json(value: object) -> str:
    """A value as people are shown it: as JSON writes it, not too long, and containers by their size alone."""
    if isinstance(value, (dict, list)):
        return f"an object of {len(value)} members" if isinstance(value, dict) else f"a list of {len(value)}"
    text = json.dumps(value, ensure_ascii=False).encode("utf-8", "replace").decode("utf-8")
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON number")
