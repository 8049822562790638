"""Connections, watched: how many at once, how long a request's head or a reader may take, and what is told of bad HTTP.

The HTTP library itself answers what it cannot read, quotes it and logs it, and it waits for the rest of a head as long
as it takes. What it cannot read may hold a token; so here it is neither quoted nor logged.
"""

import asyncio
import logging
from collections import Counter
from http import HTTPStatus
from typing import Any

from aiohttp import web
from aiohttp.http_exceptions import ContentEncodingError

from ..settings import Network
from .guard import bare_headers
from .limits import client_at
from .problems import ProblemError, packed_strangely

HEAD_PATIENCE_S = 10.0
"""For the head of a request from its first byte on, and for that byte on a new connection."""

READER_PATIENCE_S = 30.0
"""For a client that takes nothing of what it asked for."""

KEEP_ALIVE_S = 75.0

_OF_THE_CLIENT = (web.RequestPayloadError, ConnectionError)
"""Errors of whoever asks: anybody can make them, so that they must not fill the log."""

_log = logging.getLogger(__name__)


class Connection(web.RequestHandler):
    """One client's connection."""

    __slots__ = ("_alarm", "_answering", "_client", "_refused", "_watched")

    def __init__(self, server: "WatchedServer", **options: Any) -> None:
        super().__init__(server, **options)
        self._watched = server
        self._client = ""
        self._refused = False
        self._answering = False
        self._alarm: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Count it, and send it away if there are too many."""
        peer = transport.get_extra_info("peername")
        self._client = client_at(str(peer[0]) if peer else "")
        self._refused = not self._watched.admit(self._client)
        if self._refused:
            assert isinstance(transport, asyncio.Transport)
            transport.write(_TOO_MANY)
            transport.close()
            return
        super().connection_made(transport)
        self._give(self._watched.head_patience_s)

    def connection_lost(self, exc: BaseException | None) -> None:
        """Make room for another."""
        self._give(None)
        if not self._refused:
            self._watched.leave(self._client)
            super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what comes; from the first byte of a head on, the clock runs."""
        if self._refused:
            return
        if data and self._alarm is None and not self._answering:
            self._give(self._watched.head_patience_s)
        super().data_received(data)

    def pause_writing(self) -> None:
        """The client does not take what it is sent: wait, but not for ever."""
        super().pause_writing()
        self._give(self._watched.reader_patience_s)

    def resume_writing(self) -> None:
        """The client takes it again."""
        self._give(None)
        super().resume_writing()

    def answering(self, begins: bool) -> None:
        """A whole head has come and is being answered, or has been."""
        self._answering = begins
        if begins or not self.writing_paused:
            self._give(None)

    def handle_error(
        self,
        request: web.BaseRequest,
        status: int = HTTPStatus.INTERNAL_SERVER_ERROR,
        exc: BaseException | None = None,
        message: str | None = None,
    ) -> web.StreamResponse:
        """Answer what the library could not read or what broke outside of all handlers, quoting nothing of it."""
        if status < HTTPStatus.INTERNAL_SERVER_ERROR:
            _log.debug("a request that is no HTTP came from %s", self._client)
        else:
            _log.error("a request failed outside of its handler: %s", type(exc).__name__)
        if request.writer.output_size > 0:
            raise ConnectionError("the answer has begun and cannot be taken back")
        problem = packed_strangely() if isinstance(exc, ContentEncodingError) else _unread(status)
        response = problem.response()
        response.headers.update(bare_headers())
        response.force_close()
        return response

    def log_exception(self, *_: Any, **about: Any) -> None:
        """Log the kind of an error in the library, not its words, which may quote the request."""
        error = about.get("exc_info")
        level = logging.DEBUG if isinstance(error, _OF_THE_CLIENT) else logging.ERROR
        _log.log(level, "a connection from %s failed: %s", self._client, type(error).__name__)

    def _give(self, seconds: float | None) -> None:
        """Let the clock run for so long; None stops it."""
        if self._alarm is not None:
            self._alarm.cancel()
        self._alarm = None if seconds is None else asyncio.get_running_loop().call_later(seconds, self._end)

    def _end(self) -> None:
        self._alarm = None
        if self.transport is not None:
            # Closing would wait for the client to take what is written; one that does not would never go.
            self.transport.abort()


class WatchedServer(web.Server):
    """Makes a `Connection` for each client and knows how many there are."""

    def __init__(
        self, handler: Any, network: Network, *, head_patience_s: float, reader_patience_s: float, **options: Any
    ) -> None:
        super().__init__(self._answer, **options)
        self._options = {name: value for name, value in options.items() if name not in ("request_factory", "loop")}
        self._inner = handler
        self._most = network.connections
        self._most_each = network.most_connections_per_client
        self._open: Counter[str] = Counter()
        self.head_patience_s = head_patience_s
        self.reader_patience_s = reader_patience_s

    def __call__(self) -> web.RequestHandler:
        """A connection that is about to be made."""
        return Connection(self, loop=asyncio.get_running_loop(), **self._options)

    def admit(self, client: str) -> bool:
        """Count one more connection of the client, unless there are too many of its or of all."""
        if self._open.total() >= self._most or self._open[client] >= self._most_each:
            return False
        self._open[client] += 1
        return True

    def leave(self, client: str) -> None:
        """Count one less."""
        self._open[client] -= 1
        if self._open[client] <= 0:
            del self._open[client]

    async def _answer(self, request: web.BaseRequest) -> web.StreamResponse:
        connection = request.protocol
        assert isinstance(connection, Connection)
        connection.answering(True)
        try:
            answer: web.StreamResponse = await self._inner(request)
        finally:
            connection.answering(False)
        return answer


class WatchedRunner(web.AppRunner):
    """Runs the service with watched connections; the limits are those of `network`."""

    def __init__(
        self,
        app: web.Application,
        network: Network,
        *,
        head_patience_s: float = HEAD_PATIENCE_S,
        reader_patience_s: float = READER_PATIENCE_S,
        shutdown_timeout_s: float = 2.0,
    ) -> None:
        super().__init__(app, access_log=None, keepalive_timeout=KEEP_ALIVE_S, shutdown_timeout=shutdown_timeout_s)
        self._network = network
        self._patience = {"head_patience_s": head_patience_s, "reader_patience_s": reader_patience_s}

    async def _make_server(self) -> web.Server:
        plain = await super()._make_server()
        return WatchedServer(
            plain.request_handler,
            self._network,
            request_factory=plain.request_factory,
            access_log=None,
            keepalive_timeout=KEEP_ALIVE_S,
            **self._patience,
        )


def _unread(status: int) -> ProblemError:
    if status < HTTPStatus.INTERNAL_SERVER_ERROR:
        return ProblemError(HTTPStatus.BAD_REQUEST, "this cannot be read as an HTTP request; check the client")
    return ProblemError(HTTPStatus.INTERNAL_SERVER_ERROR, "something went wrong here; the service's log says what")


def _too_many() -> bytes:
    """A whole answer, for a connection that gets no more than that."""
    problem = ProblemError(
        HTTPStatus.SERVICE_UNAVAILABLE, "too many connections; close some", headers={"Retry-After": "10"}
    ).response()
    body = problem.body
    assert isinstance(body, bytes)
    headers = {**problem.headers, **bare_headers(), "Content-Length": str(len(body)), "Connection": "close"}
    head = "".join(f"{name}: {value}\r\n" for name, value in headers.items())
    return f"HTTP/1.1 503 {HTTPStatus.SERVICE_UNAVAILABLE.phrase}\r\n{head}\r\n".encode() + body


_TOO_MANY = _too_many()
