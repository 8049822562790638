"""The service found by DNS-SD, asked with a resolver of another library (dnslib) as RFC 6762 section 6.7 allows.

What must be there: RFC 6763 sections 4.1 (PTR), 5 (SRV) and 6 (TXT); the Thing Description's place as in W3C, Web of
Things Discovery, section "DNS-Based Service Discovery" (from memory).
"""

import asyncio
import socket
import time
from collections.abc import Awaitable
from contextlib import suppress
from typing import Any
from uuid import uuid4

import pytest
from dnslib import QTYPE, DNSRecord
from hypothesis import given, settings
from hypothesis import strategies as st
from zeroconf.asyncio import AsyncServiceInfo

from moteledger.cli.listening import announce
from moteledger.discovery import Announcement, service_infos
from moteledger.settings import Network

RESPONDER = ("224.0.0.251", 5353)


def asked(name: str, kind: str, house: str, patience_s: float = 60.0) -> DNSRecord | None:
    """Legacy queries from a port of our own, which are answered straight to it, until this house answers; else None.

    Other houses on the network may answer too, and a datagram may be lost.
    """
    ends = time.monotonic() + patience_s
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        line.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
        line.settimeout(1)
        while time.monotonic() < ends:
            line.sendto(DNSRecord.question(name, kind).pack(), RESPONDER)
            with suppress(TimeoutError):
                while house.encode() not in (answer := line.recv(9000)):
                    pass
                return DNSRecord.parse(answer)
    return None


def record(message: DNSRecord, kind: int) -> Any:
    """The one record of a kind in an answer."""
    (found,) = (each.rdata for each in (*message.rr, *message.ar) if each.rtype == kind)
    return found


async def test_the_page_and_the_thing_description_are_found_until_the_service_ends(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    house = f"Wren House {uuid4().hex[:8]}"
    # Nobody else has that name: the first need not ask for long.
    monkeypatch.setattr("moteledger.discovery._ASKED_FOR_MS", 100.0)
    async with Announcement(house, "127.0.0.1", 8467):
        monkeypatch.undo()
        thing = await asyncio.to_thread(asked, "_wot._tcp.local.", "PTR", house)
        page = await asyncio.to_thread(asked, "_http._tcp.local.", "PTR", house)
        # A second service of that name on one machine: each program has the port, one of them gets what is sent to it.
        async with Announcement(house, "127.0.0.1", 8468) as second:
            assert second.instance == f"{house}-2"
            other = await asyncio.to_thread(asked, f"{house}-2._http._tcp.local.", "SRV", house)
    assert await asyncio.to_thread(asked, "_wot._tcp.local.", "PTR", house, 1.0) is None
    assert thing is not None
    assert page is not None
    assert other is not None
    assert record(thing, QTYPE.PTR).label.label[0] == house.encode()
    assert record(thing, QTYPE.SRV).port == 8467
    assert record(other, QTYPE.SRV).port == 8468
    assert record(other, QTYPE.SRV).target != record(thing, QTYPE.SRV).target
    assert set(record(thing, QTYPE.TXT).data) == {b"td=/.well-known/wot", b"type=Thing", b"scheme=http"}
    assert str(record(thing, QTYPE.A)) == "127.0.0.1"
    assert record(page, QTYPE.TXT).data == [b"path=/"]


@settings(max_examples=200)
@given(st.text(max_size=300))
def test_any_name_of_a_house_gives_records_that_can_be_sent(name: str) -> None:
    for info in service_infos(name, ["192.0.2.7"], 8467, "https"):
        instance = info.name.removesuffix("." + info.type)
        # A name that is taken already gets a number behind it.
        assert 0 < len(f"{instance}-1000".encode()) <= 63
        assert "." not in instance
        assert len(info.server.split(".")[0].encode()) <= 63
        assert info.dns_text().text is not None


async def test_a_name_that_others_hold_is_told_and_ends_nothing(monkeypatch: pytest.MonkeyPatch, caplog) -> None:
    held, announced = {"Wren House", "Wren House-2"}, []

    async def answered(zeroconf: object, info: AsyncServiceInfo) -> bool:
        return info.name.split(".")[0] in held

    async def register(zeroconf: object, info: AsyncServiceInfo, **_: object) -> Awaitable[None]:
        announced.append(info.name)
        return asyncio.sleep(0)

    async def told(words: str) -> None:
        announcing = asyncio.create_task(announce("Wren House", Network(), 8467))
        async with asyncio.timeout(60):
            while words not in caplog.text and not announcing.done():  # noqa: ASYNC110  a log has nothing to wait for
                await asyncio.sleep(0.01)
        assert not announcing.done()
        announcing.cancel()

    monkeypatch.setattr("moteledger.discovery._is_taken", answered)
    monkeypatch.setattr("zeroconf.asyncio.AsyncZeroconf.async_register_service", register)
    await told("another service on the network is called 'Wren House': this one is announced as 'Wren House-3'")
    assert announced == ["Wren House-3._http._tcp.local.", "Wren House-3._wot._tcp.local."]
    held.update(f"Wren House-{number}" for number in range(3, 21))
    await told("not announced on the network: 20 services on the network are called 'Wren House'")
    assert len(announced) == 2


def test_a_service_for_this_machine_only_is_not_announced() -> None:
    with pytest.raises(ValueError, match="only this machine"):
        Network(announce=True)
    assert Network(announce=True, listen="192.0.2.7").announce
