"""`[collector]`: a contractor's own collector, to which readings of the air handler are sent, stored until taken."""

from ipaddress import ip_address
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from ..signals import AIR_HANDLER_SIGNALS, signal_named
from .addresses import shown
from .quantities import Duration
from .secret import Secret
from .table import Table
from .tls import Tls

_SECOND_H = 1.0 / 3600.0


def _address(text: str) -> str:
    try:
        parts = urlsplit(text)
        whole = parts.scheme in ("http", "https") and parts.hostname and (parts.port is None or parts.port)
    except ValueError:
        whole = False
    plain = text.isprintable() and not any(mark in text for mark in " ?#@")
    if not whole or not plain:
        raise ValueError(f"{text!r} is not the address of a collector; write for example 'https://office.example:8467'")
    if parts.scheme == "http" and not _is_this_machine(str(parts.hostname)):
        raise ValueError(f"{text!r} would send the token over the network for all to read; write https://")
    return text.rstrip("/")


def _is_this_machine(host: str) -> bool:
    try:
        return host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False


def _signal(name: str) -> str:
    if signal_named(name).forecast_h:
        raise ValueError(f"{name!r} is a forecast and no reading of this house; leave it out")
    return name


class Collector(Table):
    """Where readings are sent, and which: those of the air handler, unless `signals` says otherwise.

    What comes in from the first start with this table on is sent, and of before that the last `history`. `every` is
    how often what is new is sent, `alarm_after` how long the collector may be out of reach before that is an alarm.
    `tls` is as for a hub. Nothing else is sent but how the air handler does: delivery, filter, alarms.
    """

    address: Annotated[str, Field(max_length=2000), AfterValidator(_address)]
    token: Secret
    signals: Annotated[tuple[Annotated[str, AfterValidator(_signal)], ...], Field(min_length=1, max_length=100)] = (
        tuple(sorted(AIR_HANDLER_SIGNALS))
    )
    history: Annotated[Duration, Field(gt=0, le=24 * 3660)] | None = None
    every: Annotated[Duration, Field(ge=0.999 * _SECOND_H, le=24)] = 5 * _SECOND_H
    alarm_after: Annotated[Duration, Field(ge=60 * _SECOND_H, le=24 * 30)] = 24.0
    tls: Tls = Tls()

    @property
    def history_us(self) -> int:
        """How far back is sent where forwarding begins, in microseconds."""
        return round((self.history or 0.0) * 3600e6)

    @property
    def shown_address(self) -> str:
        """The address as people are shown it."""
        return shown(self.address)
