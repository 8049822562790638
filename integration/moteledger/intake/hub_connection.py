"""Connections to one listed address and nowhere else, with answers of bounded size and time."""

import asyncio
import zlib
from collections.abc import AsyncIterator, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from email.utils import parsedate_to_datetime

import aiohttp
from aiohttp.client_reqrep import ClientRequest
from aiohttp.connector import Connection
from aiohttp.tracing import Trace
from yarl import URL

from ..settings import Hub, Tls
from .retrying import SourceError

LARGEST_DOCUMENT = 1 << 20
_SECONDS = 3600.0
_MOST_DIGITS = 9


class _ListedOnly(aiohttp.TCPConnector):
    """Opens connections to one origin; whatever else a request or a redirect names is refused before it is asked."""

    def __init__(self, address: URL, tls: Tls) -> None:
        # Reading the machine's authorities takes a while; what speaks no TLS need not wait for it.
        super().__init__(ssl=tls.context() if address.scheme in ("https", "wss") else True, limit=2)
        self._listed = address.origin()

    async def connect(
        self,
        req: ClientRequest,
        traces: list[Trace],
        timeout: aiohttp.ClientTimeout,  # noqa: ASYNC109  the library's own signature
    ) -> Connection:
        """A connection for `req`; raises SourceError if it leads off the listed address or to what is no name."""
        if req.url.origin() != self._listed:
            raise SourceError(f"was led to {req.url.origin()}, which the house file does not list; not followed")
        try:
            return await super().connect(req, traces, timeout)
        except UnicodeError:
            # So the system's look-up refuses a name with an empty part, or with one of more than 63 characters.
            host = str(req.url.host)[:80]
            raise SourceError(f"cannot be reached ({host!r} cannot be a host's name); check its address") from None


def patience_s(hub: Hub) -> float:
    """How long an answer may take."""
    return hub.patience * _SECONDS


@asynccontextmanager
async def session_to(address: str, tls: Tls, connect_s: float) -> AsyncIterator[aiohttp.ClientSession]:
    """A client session for one listed address alone: its trust, no proxy, no cookies, nothing unpacked unseen."""
    session = aiohttp.ClientSession(
        connector=_ListedOnly(URL(address), tls),
        cookie_jar=aiohttp.DummyCookieJar(),
        trust_env=False,
        auto_decompress=False,
        timeout=aiohttp.ClientTimeout(total=None, sock_connect=connect_s),
    )
    try:
        yield session
    finally:
        await session.close()


def headers_of(hub: Hub, **others: str) -> dict[str, str]:
    """The headers of a request, the secret ones read now; raises SecretError."""
    return {"User-Agent": "moteledger", **others, **{header.name: header.written() for header in hub.headers}}


def told(hub: Hub) -> AbstractAsyncContextManager[None]:
    """Tell what goes wrong with a hub's connection as a SourceError, in words that help."""
    return told_within(patience_s(hub))


@asynccontextmanager
async def told_within(patience_s: float) -> AsyncIterator[None]:
    """Tell what goes wrong with a connection as a SourceError, in words that help; what else goes wrong is not its."""
    try:
        yield
    except aiohttp.ClientConnectorCertificateError as error:
        why = getattr(error.certificate_error, "verify_message", "") or str(error.certificate_error)
        raise SourceError(
            f"its certificate is not trusted ({why}); give the right ca_file, or its right name"
        ) from None
    except aiohttp.ClientSSLError as error:
        raise SourceError(f"cannot speak TLS with it ({_brief(error)}); check https and the port") from None
    except aiohttp.ClientConnectorError as error:
        raise SourceError(f"cannot be reached ({_brief(error.os_error)}); check its address and that it runs") from None
    except TimeoutError:
        raise SourceError(f"did not answer within {patience_s:g} s; check it, or give it more patience") from None
    except aiohttp.ClientPayloadError:
        raise SourceError("cut its answer short; check it and the network") from None
    except (aiohttp.ClientError, OSError, asyncio.IncompleteReadError) as error:
        raise SourceError(f"broke off ({_brief(error)}); check it and the network") from None


def number_asked(text: str) -> int | None:
    """The whole number that a server asks for, None for anything but ASCII digits; nine digits pass any pause."""
    if not (text.isascii() and text.isdecimal()):
        return None
    return int(text.lstrip("0")[:_MOST_DIGITS] or "0")


def asked_pause_s(headers: Mapping[str, str]) -> float:
    """How long the answer asks to be left alone (Retry-After, RFC 9110 section 10.2.3), 0 where it asks for nothing.

    It is a number of seconds, or a date that is taken by the answer's own Date: our clocks need not agree.
    """
    asked = headers.get("Retry-After", "").strip()
    number = number_asked(asked)
    if number is not None:
        return float(number)
    try:
        waiting = parsedate_to_datetime(asked) - parsedate_to_datetime(headers.get("Date", ""))
    except (TypeError, ValueError, OverflowError):
        return 0.0
    return max(0.0, waiting.total_seconds())


def refuse_status(response: aiohttp.ClientResponse, *good: int) -> None:
    """Raise SourceError, with the fix, for an answer of another status."""
    status = response.status
    if status in good:
        return
    if 300 <= status < 400 and "Location" in response.headers:
        # What follows a question mark may be nobody's business.
        elsewhere = response.headers["Location"].partition("?")[0][:200]
        raise SourceError(
            f"answered {status} and points to {elsewhere}; it is not followed, "
            "write the right address into the house file"
        )
    if status in (401, 403):
        raise SourceError(f"answered {status}: it wants to know who asks; check [[hub.headers]] and the secret")
    told = f"answered {status} {response.reason or ''}; check its address and the hub".replace(" ;", ";")
    raise SourceError(told, wait_s=asked_pause_s(response.headers))


async def body_of(response: aiohttp.ClientResponse) -> bytes:
    """The whole body, unpacked, of at most a megabyte both packed and unpacked; raises SourceError."""
    body = bytearray()
    async for piece in response.content.iter_any():
        body += piece
        if len(body) > LARGEST_DOCUMENT:
            raise SourceError(f"answered with more than {LARGEST_DOCUMENT} bytes; map a smaller document")
    return unpacked(bytes(body), response.headers.get("Content-Encoding", "identity"))


def unpacked(body: bytes, encoding: str) -> bytes:
    """The body without its gzip or deflate; stops at a megabyte, however far it would unfold; raises SourceError."""
    encoding = encoding.strip().lower()
    if encoding in ("", "identity"):
        return body
    if encoding not in ("gzip", "x-gzip", "deflate"):
        raise SourceError(f"answered in the encoding {encoding[:40]!r}, which was not asked for")
    unpacking = zlib.decompressobj(zlib.MAX_WBITS | 32)
    try:
        whole = unpacking.decompress(body, LARGEST_DOCUMENT + 1)
    except zlib.error:
        raise SourceError(f"answered in a damaged {encoding}; check the hub") from None
    if len(whole) > LARGEST_DOCUMENT:
        raise SourceError(f"answered with more than {LARGEST_DOCUMENT} bytes once unpacked; map a smaller document")
    if not unpacking.eof:
        raise SourceError("cut its answer short; check the hub and the network")
    return whole


def _brief(error: BaseException) -> str:
    if isinstance(error, aiohttp.ClientResponseError):
        # Its own text holds the whole address, query and all.
        return f"answered {error.status}, {error.message}"[:200]
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__)[:200]
