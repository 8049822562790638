"""Announces the service on the local network, so that others find it: DNS-SD (RFC 6763) over multicast DNS (RFC 6762).

Two service types are announced: `_http._tcp`, for people who look for the page, and `_wot._tcp`, for programs that look
for the Thing Description (W3C, Web of Things Discovery, section "DNS-Based Service Discovery").
"""

import asyncio
import random
from collections.abc import Sequence
from contextlib import AsyncExitStack
from ipaddress import ip_address
from types import TracebackType
from typing import Self

import ifaddr
from zeroconf import DNSQuestionType, InterfaceChoice, ServiceInfo
from zeroconf import Error as ZeroconfError
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

from .settings import printable

_LONGEST_LABEL_BYTES = 63
_ROOM_FOR_A_NUMBER = 5
"""Bytes left free in an instance's name for what tells it from others of the same name, such as -1234."""
_MOST_NAMES = 20
_ASKED_FOR_MS = 1500.0
"""How long a name is asked for before it is taken: twice as long as RFC 6762 section 8.1 has it, as who has just told
a record to all does not repeat it within a second (section 6)."""
_AT_RANDOM_S = 0.25
"""How far apart those begin that start at once (section 8.1)."""


class Announcement:
    """The service as others may find it, for as long as the `async with` block lasts; then it says goodbye.

    `name` is the house's, `listen` the address that is listened on, `scheme` http or https. Names that another service
    has already taken are told apart by a number, as RFC 6762 section 9 asks; `number` is it, 1 for the name itself.
    """

    def __init__(self, name: str, listen: str, port: int, scheme: str = "http") -> None:
        self._name, self._at = name, (_addresses(listen), port, scheme)
        self._interfaces: InterfaceChoice | Sequence[str]
        self._interfaces = InterfaceChoice.All if ip_address(listen).is_unspecified else [listen]
        self._end = AsyncExitStack()
        self.number = 1

    async def __aenter__(self) -> Self:
        """Announce; raises OSError where there is no network to announce on, or none of the names tried is free."""
        async with AsyncExitStack() as started:
            zeroconf = await started.enter_async_context(AsyncZeroconf(interfaces=self._interfaces))
            started.push_async_callback(zeroconf.async_unregister_all_services)
            try:
                infos = await self._free(zeroconf)
                # Each has just been asked for; the library would ask again, in a way that misses some answers.
                announcing = (zeroconf.async_register_service(info, cooperating_responders=True) for info in infos)
                await asyncio.gather(*await asyncio.gather(*announcing))
            except ZeroconfError as error:
                raise OSError(f"its name cannot be announced ({type(error).__name__})") from error
            self._end = started.pop_all()
        return self

    @property
    def instance(self) -> str:
        """The name under which it is announced."""
        return _label(self._name, self.number)

    async def _free(self, zeroconf: AsyncZeroconf) -> Sequence[ServiceInfo]:
        """The records under the first name that nobody has; raises OSError."""
        await asyncio.sleep(random.uniform(0.0, _AT_RANDOM_S))  # noqa: S311  spreads, hides nothing
        for self.number in range(1, _MOST_NAMES + 1):
            infos = service_infos(self._name, *self._at, number=self.number)
            if not any(await asyncio.gather(*(_is_taken(zeroconf, info) for info in infos))):
                return infos
        raise OSError(f"{_MOST_NAMES} services on the network are called {self._name[:60]!r}; give it another name")

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the announcement back."""
        await self._end.aclose()


async def _is_taken(zeroconf: AsyncZeroconf, info: ServiceInfo) -> bool:
    """Whether somebody answers for a name.

    It is asked for so that the answer goes to all (RFC 6762 section 5.4): one that comes back to us alone is given to
    only one of the programs of a machine that share the port, and that may be another.
    """
    held = AsyncServiceInfo(info.type, info.name)
    await held.async_request(zeroconf.zeroconf, _ASKED_FOR_MS, question_type=DNSQuestionType.QM)
    return held.server is not None


def service_infos(
    name: str, addresses: Sequence[str], port: int, scheme: str, *, number: int = 1
) -> tuple[ServiceInfo, ServiceInfo]:
    """The records of both service types: an instance named after the house, at these addresses.

    `number` above 1 stands behind the name, and behind the host's, which two machines of one name share no more.
    """
    instance = _label(name, number)
    # The host's own name may be answered for by the system; a name of ours cannot clash with it.
    server = f"{_host_label(name, number)}.local."
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


def _label(name: str, number: int) -> str:
    """The name as one DNS label: UTF-8, no control characters, no dot, which would split it, and room for a number."""
    clean = printable(name).replace(".", " ")
    longest = _LONGEST_LABEL_BYTES - _ROOM_FOR_A_NUMBER
    cut = clean.encode("utf-8", "ignore")[:longest].decode("utf-8", "ignore").strip()
    return (cut or "Moteledger") + _behind(number)


def _host_label(name: str, number: int) -> str:
    letters = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return f"moteledger-{letters}"[: _LONGEST_LABEL_BYTES - _ROOM_FOR_A_NUMBER].rstrip("-") + _behind(number)


def _behind(number: int) -> str:
    return f"-{number}" if number > 1 else ""


def _addresses(listen: str) -> list[str]:
    """The addresses under which this machine is reached when it listens on `listen`."""
    address = ip_address(listen)
    if not address.is_unspecified:
        return [listen]
    of_version = (ip for adapter in ifaddr.get_adapters() for ip in adapter.ips if ip.is_IPv4 == (address.version == 4))
    # An address of version 6 comes with its flow and its scope.
    found = [ip.ip if isinstance(ip.ip, str) else ip.ip[0] for ip in of_version]
    return [each for each in found if not ip_address(each).is_loopback]
