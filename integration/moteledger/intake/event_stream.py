"""Server-sent events as the HTML standard (WHATWG, section 9.2 "Server-sent events") has them parsed."""

import codecs
from collections.abc import Iterator
from typing import NamedTuple

from .hub_connection import LARGEST_DOCUMENT, number_asked
from .retrying import SourceError


class Event(NamedTuple):
    """One event: its data, and the last event ID once it is dispatched."""

    data: str
    last_id: str


class EventParser:
    """Bytes in, whole events out; `retry_s` is the pause before coming back that the server asked for last."""

    def __init__(self, last_id: str = "") -> None:
        self.last_id = last_id
        self.retry_s = 0.0
        self._decoder = codecs.getincrementaldecoder("utf-8-sig")("replace")
        self._rest = ""
        self._after_return = False
        self._data: list[str] = []
        self._size = 0

    def feed(self, piece: bytes) -> Iterator[Event]:
        """The events that this piece completes; raises SourceError for one larger than a megabyte."""
        text = self._decoder.decode(piece)
        if self._after_return and text:
            text = text.removeprefix("\n")
            self._after_return = False
        if text.endswith("\r"):
            self._after_return = True
        *lines, self._rest = (self._rest + text).replace("\r\n", "\n").replace("\r", "\n").split("\n")
        for line in lines:
            event = self._line(line)
            if event is not None:
                yield event
        if self._size + len(self._rest) > LARGEST_DOCUMENT:
            raise SourceError(f"sent an event of more than {LARGEST_DOCUMENT} characters; map a smaller one")

    def _line(self, line: str) -> Event | None:
        if not line:
            data, self._data, self._size = self._data, [], 0
            return Event("\n".join(data), self.last_id) if data else None
        name, _, value = line.partition(":")
        value = value.removeprefix(" ")
        if name == "data":
            self._data.append(value)
            self._size += len(value) + 1
        elif name == "id" and "\0" not in value:
            self.last_id = value
        elif name == "retry" and (pause_ms := number_asked(value)) is not None:
            self.retry_s = pause_ms / 1000.0
        return None
