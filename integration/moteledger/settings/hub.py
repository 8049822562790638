"""`[[hub]]`: a hub on the local network that is asked for JSON, or that sends it as it comes."""

from enum import StrEnum
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from .addresses import shown
from .mapping import MappedSignal
from .quantities import Duration
from .secret import Secret
from .table import Table
from .tls import Tls

_SECOND_H = 1.0 / 3600.0


class Way(StrEnum):
    """How a hub's documents come: asked for every so often, or sent by it as server-sent events or over a WebSocket."""

    POLLING = "polling"
    EVENTS = "events"
    WEBSOCKET = "websocket"


def _address(text: str) -> str:
    if "@" in text.partition("?")[0]:
        # Of a type of its own, so that the error does not show what was written.
        raise PydanticCustomError(
            "secret", "the address holds a name or a password; put it into [[hub.headers]], from environment or file"
        )
    try:
        parts = urlsplit(text)
        whole = parts.scheme in ("http", "https", "ws", "wss") and parts.hostname and (parts.port is None or parts.port)
    except ValueError:
        whole = False
    if not whole or any(character.isspace() or not character.isprintable() for character in text):
        raise ValueError(f"{text!r} is not an address; write for example 'http://192.168.1.20:8080/air.json'")
    if parts.fragment:
        raise ValueError(f"{text!r} has a fragment (#), which is never sent; leave it out")
    return text


def _header_name(text: str) -> str:
    if text.lower() in ("host", "content-length", "transfer-encoding", "connection", "accept-encoding"):
        raise ValueError(f"{text!r} is set by the connection itself; leave it out")
    return text


class Header(Secret):
    """A header sent with each request: `prefix` and then the secret, as in "Authorization: Bearer ..."."""

    name: Annotated[
        str, Field(max_length=60, pattern=r"^[A-Za-z0-9!#$%&'*+.^_`|~-]+$"), AfterValidator(_header_name)
    ] = "Authorization"
    prefix: Annotated[str, Field(max_length=60, pattern=r"^[ -~]*$")] = ""

    def written(self) -> str:
        """The header's value; raises SecretError."""
        return self.prefix + self.read()


class Hub(Table):
    """One address that gives JSON. It alone is asked: redirects are not followed, and no proxy is used.

    `every` is how often it is polled; `patience` how long an answer may take; `silence` how long a stream may say
    nothing before it is taken as broken; `first_messages` what is sent when a WebSocket opens, to ask for the news.
    """

    name: Annotated[str, Field(max_length=40, pattern=r"^[\w -]+$")]
    address: Annotated[str, Field(max_length=2000), AfterValidator(_address)]
    way: Way = Way.POLLING
    every: Annotated[Duration, Field(ge=0.999 * _SECOND_H, le=24)] = 60 * _SECOND_H
    patience: Annotated[Duration, Field(ge=0.1 * _SECOND_H, le=300 * _SECOND_H)] = 10 * _SECOND_H
    silence: Annotated[Duration, Field(ge=_SECOND_H, le=24)] = 300 * _SECOND_H
    headers: tuple[Header, ...] = ()
    tls: Tls = Tls()
    first_messages: tuple[Annotated[str, Field(max_length=10_000)], ...] = ()
    signals: Annotated[tuple[MappedSignal, ...], Field(min_length=1, max_length=200)]

    @model_validator(mode="after")
    def _the_way_fits(self) -> Self:
        scheme = urlsplit(self.address).scheme
        if self.way is not Way.WEBSOCKET and scheme in ("ws", "wss"):
            raise ValueError(f'address: {scheme}:// is a WebSocket; add way = "websocket" or write http(s)://')
        if self.first_messages and self.way is not Way.WEBSOCKET:
            raise ValueError('first_messages belong to way = "websocket"; leave them out')
        return self

    @property
    def shown_address(self) -> str:
        """The address without its query, which may hold what is nobody's business."""
        return shown(self.address)
