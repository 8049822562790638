"""JSON Pointer (RFC 6901): where in a JSON document a value stands, such as `/rooms/0/pm25`."""

import re

_ESCAPES = re.compile(r"~(?![01])")
_INDEX = re.compile(r"0|[1-9][0-9]*", re.ASCII)
_LONGEST_INDEX = 9


class NoSuchPlaceError(LookupError):
    """The document has nothing at the place a pointer names."""


def tokens_of(pointer: str) -> tuple[str, ...]:
    """The reference tokens of a pointer, unescaped (RFC 6901 sections 3 and 4); raises ValueError for anything else.

    >>> tokens_of("/air/pm2~15")
    ('air', 'pm2/5')
    """
    if pointer and not pointer.startswith("/"):
        raise ValueError(
            f"{pointer!r} is not a JSON Pointer; start it with '/', or leave it empty for all of the document"
        )
    if _ESCAPES.search(pointer):
        raise ValueError(f"{pointer!r} is not a JSON Pointer; write '~' as '~0' and '/' in a name as '~1'")
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:])


def value_at(document: object, pointer: str) -> object:
    """The value that `pointer` names in a parsed JSON document; raises NoSuchPlaceError if there is none.

    >>> value_at({"rooms": [{"pm25": 8.5}]}, "/rooms/0/pm25")
    8.5
    """
    here = document
    for token in tokens_of(pointer):
        if isinstance(here, dict) and token in here:
            here = here[token]
        elif (
            isinstance(here, list)
            and _INDEX.fullmatch(token)
            and len(token) <= _LONGEST_INDEX
            and int(token) < len(here)
        ):
            here = here[int(token)]
        else:
            raise NoSuchPlaceError(pointer)
    return here
