"""Announces the service on the local network, so that others find it: DNS-SD (RFC 6763) over multicast DNS (RFC 6762).

Two service types are announced: `_http._tcp`, for people who look for the page, and `_wot._tcp`, for programs that look
for the Thing Description (W3C, Web of Things Discovery, section "DNS-Based Service Discovery").
"""

from collections.abc import Sequence
from contextlib import AsyncExitStack
from ipaddress import ip_address
from types import TracebackType
from typing import Self

import ifaddr
from zeroconf import Error as ZeroconfError
from zeroconf import InterfaceChoice, ServiceInfo
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

_LONGEST_LABEL_BYTES = 63
_ROOM_FOR_A_NUMBER = 5
"""Bytes left free in an instance's name for what tells it from others of the same name, such as -1234."""


class Announcement:
    """The service as others may find it, for as long as the `async with` block lasts; then it says goodbye.

    `name` is the house's, `listen` the address that is listened on, `scheme` http or https. Names that another service
    has already taken are told apart by a number, as RFC 6762 section 9 asks.
    """

    def __init__(self, name: str, listen: str, port: int, scheme: str = "http") -> None:
        self._infos = service_infos(name, _addresses(listen), port, scheme)
        self._interfaces: InterfaceChoice | Sequence[str]
        self._interfaces = InterfaceChoice.All if ip_address(listen).is_unspecified else [listen]
        self._end = AsyncExitStack()

    async def __aenter__(self) -> Self:
        """Announce; raises OSError where there is no network to announce on, or none of the names tried is free."""
        async with AsyncExitStack() as started:
            zeroconf = await started.enter_async_context(AsyncZeroconf(interfaces=self._interfaces))
            try:
                for info in self._infos:
                    await (await zeroconf.async_register_service(info, allow_name_change=True))
            except ZeroconfError as error:
                raise OSError(f"its name cannot be announced ({type(error).__name__})") from error
            started.push_async_callback(zeroconf.async_unregister_all_services)
            self._end = started.pop_all()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the announcement back."""
        await self._end.aclose()


def service_infos(name: str, addresses: Sequence[str], port: int, scheme: str) -> tuple[ServiceInfo, ServiceInfo]:
    """The records of both service types: an instance named after the house, at these addresses."""
    instance = _label(name)
    # The host's own name may be answered for by the system; a name of ours cannot clash with it.
    server = f"{_host_label(name)}.local."
    web = {"path": "/"}
    thing = {"td": "/.well-known/wot", "type": "Thing", "scheme": scheme}
    kinds = ((f"_{scheme}._tcp.local.", web), ("_wot._tcp.local.", thing))
    first, second = (
        AsyncServiceInfo(
            kind,
            f"{instance}.{kind}",
            port=port,
            parsed_addresses=list(addresses),
            properties=properties,
            server=server,
        )
        for kind, properties in kinds
    )
    return first, second


def _label(name: str) -> str:
    """The name as one DNS label: UTF-8, no control characters, no dot, which would split it, and room for a number."""
    clean = "".join(character if character.isprintable() and character != "." else " " for character in name)
    longest = _LONGEST_LABEL_BYTES - _ROOM_FOR_A_NUMBER
    cut = clean.encode("utf-8", "ignore")[:longest].decode("utf-8", "ignore").strip()
    return cut or "Moteledger"


def _host_label(name: str) -> str:
    letters = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return f"moteledger-{letters}"[:_LONGEST_LABEL_BYTES].rstrip("-")


def _addresses(listen: str) -> list[str]:
    """The addresses under which this machine is reached when it listens on `listen`."""
    address = ip_address(listen)
    if not address.is_unspecified:
        return [listen]
    of_version = (ip for adapter in ifaddr.get_adapters() for ip in adapter.ips if ip.is_IPv4 == (address.version == 4))
    # An address of version 6 comes with its flow and its scope.
    found = [ip.ip if isinstance(ip.ip, str) else ip.ip[0] for ip in of_version]
    return [each for each in found if not ip_address(each).is_loopback]
