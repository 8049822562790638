"""`[[webhook]]`: addresses that are told when an alarm turns or the fan's answer changes."""

from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from .addresses import shown
from .secret import Secret
from .table import Table
from .tls import Tls


def _address(text: str) -> str:
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.username or parts.fragment:
        raise ValueError(f"{text!r} is not an address to send to; write for example 'https://office.home.arpa/air'")
    return text


class Webhook(Table):
    """One address, what it is told, and the secret by which it knows that we say it."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
    address: Annotated[str, Field(max_length=2000), AfterValidator(_address)]
    events: Annotated[tuple[Literal["alarm", "fan"], ...], Field(min_length=1)] = ("alarm",)
    secret: Secret
    tls: Tls = Tls()

    @property
    def shown_address(self) -> str:
        """The address without its query, which may hold what is nobody's business."""
        return shown(self.address)
