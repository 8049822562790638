"""`/.well-known/security.txt` (RFC 9116): whom to tell of a hole in the service, where the house file names somebody.

The file is made anew each day, so that it never claims to hold for longer than a month.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from http import HTTPStatus

from aiohttp import web

from ..settings import Network
from .problems import ProblemError
from .routing import Route

CONTACT_PATH = "/.well-known/security.txt"
GOOD_FOR = timedelta(days=30)
"""RFC 9116 section 2.5.5 wants less than a year."""


def contact_route(network: Network, clock: Callable[[], datetime]) -> Route:
    """The route of the contact that `network` names; without one it says how to name one."""

    async def give(_: web.Request) -> web.StreamResponse:
        if network.security_contact is None:
            raise ProblemError(
                HTTPStatus.NOT_FOUND,
                "no contact is named; whoever runs this service may name one as security_contact in [network]",
            )
        today = clock().astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        expires = (today + GOOD_FOR).strftime("%Y-%m-%dT%H:%M:%SZ")
        text = f"Contact: {network.security_contact}\nExpires: {expires}\n"
        return web.Response(text=text, content_type="text/plain", charset="utf-8")

    return Route(
        "GET",
        CONTACT_PATH,
        give,
        "Whom to tell of a hole in the service (RFC 9116)",
        None,
        media_type="text/plain",
        problems=(HTTPStatus.NOT_FOUND,),
    )
