"""How much one client may ask for: a rate counted with one number a client, and the longest quiet are forgotten."""

import math
import time
from collections.abc import Callable
from functools import lru_cache
from http import HTTPStatus
from ipaddress import ip_address

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from .problems import ProblemError

MOST_CLIENTS = 4096
BURST_S = 2.0
"""How many seconds' worth of requests may come at once."""


class Rate:
    """At most `per_second` in the long run and `burst` at once, for each client.

    The generic cell rate algorithm (ITU-T I.371, from memory): each client has the time at which it will have used no
    more than its share; that time may lie at most `burst` requests ahead of now.
    """

    def __init__(self, per_second: float, burst: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._step_s = 1.0 / per_second
        self._ahead_s = burst / per_second
        self._clock = clock
        self._due: dict[str, float] = {}

    def wait_s(self, client: str) -> float:
        """How long the client must wait for its next one, 0 if it need not."""
        return max(0.0, self._due.get(client, 0.0) + self._step_s - self._ahead_s - self._clock())

    def count(self, client: str) -> None:
        """Count one of the client's."""
        now = self._clock()
        self._due[client] = max(now, self._due.pop(client, now)) + self._step_s
        if len(self._due) > MOST_CLIENTS:
            # Each that is counted moves to the end, so that the first is the one that has been quiet longest.
            del self._due[next(iter(self._due))]


def client_of(request: web.BaseRequest) -> str:
    """Whose request it is: the address it comes from, of which an IPv6 host has as many as it likes in one /64."""
    return client_at(request.remote or "")


@lru_cache(maxsize=MOST_CLIENTS)
def client_at(address: str) -> str:
    """The client that an IP address stands for."""
    try:
        ip = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if ip.version == 4:
        return str(ip)
    return str(ip.ipv4_mapped) if ip.ipv4_mapped else ip.exploded[:19]


def rate_guard(rate: Rate) -> Middleware:
    """A middleware that puts off a client that asks too often."""

    @web.middleware
    async def check_rate(request: web.Request, handler: Handler) -> web.StreamResponse:
        client = client_of(request)
        if wait_s := rate.wait_s(client):
            raise too_many(wait_s, "too many requests from this address")
        rate.count(client)
        return await handler(request)

    return check_rate


def too_many(wait_s: float, why: str) -> ProblemError:
    """The problem of asking too often (RFC 6585 section 4)."""
    seconds = math.ceil(wait_s)
    return ProblemError(HTTPStatus.TOO_MANY_REQUESTS, f"{why}; wait {seconds} s", headers={"Retry-After": str(seconds)})
