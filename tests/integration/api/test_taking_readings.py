"""`POST /v1/readings`: kept before it is answered, kept once, and refused by place."""

import asyncio
import gzip
import io
import json
import sqlite3
import zlib

import pytest

from moteledger.api import BODY_LIMIT
from moteledger.intake import MOST_ROOMS
from moteledger.store import Reading

READING = {"time": "2026-01-31T14:00:00Z", "signal": "indoor.pm25", "value": 8.5}
TIME_US = 1_769_868_000_000_000  # date -u -d 2026-01-31T14:00:00Z +%s


async def problem(response, status: int) -> dict:
    """The problem in an answer, checked against RFC 9457 section 3.1."""
    assert response.status == status
    assert response.content_type == "application/problem+json"
    document = await response.json()
    assert document["type"] == "about:blank"
    assert document["status"] == status
    assert document["title"] == response.reason
    assert document["detail"]
    return document


async def test_a_reading_is_on_the_disk_when_it_is_answered(service) -> None:
    response = await service.post("/v1/readings", json=READING)
    assert response.status == 200
    assert await response.json() == {
        "accepted": 1,
        "repeated": 0,
        "differing": 0,
        "too_late": 0,
        "refused": 0,
        "refusals": [],
    }
    connection = sqlite3.connect(f"file:{service.store.path}?mode=ro", uri=True)
    assert connection.execute("SELECT time, value FROM reading").fetchall() == [(TIME_US, 8.5)]
    connection.close()


async def test_repeating_changes_nothing_and_the_first_value_stays(service) -> None:
    await service.post("/v1/readings", json=READING)
    body = [READING, READING | {"value": 9.0}, READING | {"signal": "outdoor.pm25"}]
    response = await service.post("/v1/readings", json={"readings": body})
    assert await response.json() == {
        "accepted": 1,
        "repeated": 1,
        "differing": 1,
        "too_late": 0,
        "refused": 0,
        "refusals": [],
    }
    assert service.store.latest("indoor.pm25") == Reading(TIME_US, "indoor.pm25", 8.5)


async def test_senml_is_taken_under_its_own_media_type_and_as_json(service) -> None:
    pack = [
        {"bn": "indoor.", "bt": TIME_US / 1e6, "n": "temperature", "u": "Cel", "v": 21.0},
        {"n": "humidity", "u": "%RH", "t": -60, "v": 40.0},
    ]
    for media, counts in (("application/senml+json", (2, 0)), ("application/json; charset=utf-8", (0, 2))):
        response = await service.post("/v1/readings", data=json.dumps(pack), headers={"Content-Type": media})
        answer = await response.json()
        assert (answer["accepted"], answer["repeated"]) == counts
    assert service.store.latest("indoor.humidity") == Reading(TIME_US - 60_000_000, "indoor.humidity", 40.0)


async def test_refused_records_are_told_by_place_and_the_others_are_kept(service) -> None:
    body = [READING, READING | {"value": "x"}, READING | {"signal": "indoor.pm2"}, READING | {"unit": "Pa"}]
    response = await service.post("/v1/readings", json=body)
    answer = await response.json()
    assert response.status == 200
    assert (answer["accepted"], answer["refused"]) == (1, 3)
    assert [refusal["place"] for refusal in answer["refusals"]] == ["/1/value", "/2/signal", "/3/unit"]
    assert answer["refusals"][1]["value"] == '"indoor.pm2"'
    assert "did you mean" in answer["refusals"][1]["reason"]


async def test_a_house_has_so_many_rooms_and_no_more_however_many_are_named(service) -> None:
    def of(rooms: range, minute: int = 0) -> list[dict]:
        time = f"2026-01-31T14:{minute:02}:00Z"
        return [READING | {"time": time, "signal": f"room:{number}.pm25"} for number in rooms]

    first = await (await service.post("/v1/readings", json=of(range(MOST_ROOMS - 1)))).json()
    assert (first["accepted"], first["refused"]) == (MOST_ROOMS - 1, 0)
    more = await (await service.post("/v1/readings", json=[*of(range(90, 93)), READING, *of(range(1), 1)])).json()
    assert (more["accepted"], more["refused"]) == (3, 2), "those that are known, and what is no room, are still kept"
    assert more["refusals"][0] == {
        "place": "/1",
        "value": '"room:91.pm25"',
        "reason": "is one room more than the 64 kept; check its name",
    }
    senml = [{"n": "room:93.pm25", "v": 3.0, "t": TIME_US // 1_000_000}]
    refused = await problem(await service.post("/v1/readings", json=senml), 422)
    assert '/0: "room:93.pm25" is one room more' in refused["detail"]
    assert len(service.store.signals()) == MOST_ROOMS + 1


async def test_if_all_are_refused_the_answer_is_a_problem(service) -> None:
    response = await service.post("/v1/readings", json=[READING | {"value": "x"}, READING | {"time": "now"}])
    document = await problem(response, 422)
    assert [refusal["place"] for refusal in document["refusals"]] == ["/0/value", "/1/time"]
    assert document["detail"].startswith("none of the 2 records can be used, the first: /0/value: ")
    assert service.store.extent() is None


@pytest.mark.parametrize(
    ("body", "status", "place", "detail"),
    [
        (b'{"hello": "world"}', 422, "", "holds neither SenML nor plain readings; send {"),
        (b"time,signal,value", 400, "", "is not JSON at line 1 column 1"),
        (b"", 400, "", "is not JSON"),
        (b'[{"bn": 5, "v": 1}]', 422, "/0/bn", "5 is not text"),
    ],
)
async def test_json_of_neither_form_is_a_problem_with_place_and_fix(
    service, body: bytes, status: int, place: str, detail: str
) -> None:
    response = await service.post("/v1/readings", data=body, headers={"Content-Type": "application/json"})
    document = await problem(response, status)
    assert document["place"] == place
    assert detail in document["detail"]
    assert service.store.extent() is None


@pytest.mark.parametrize("media", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""])
async def test_what_a_web_form_could_send_across_sites_is_refused(service, media: str) -> None:
    response = await service.post("/v1/readings", data=json.dumps(READING), headers={"Content-Type": media})
    document = await problem(response, 415)
    assert "send application/json or application/senml+json" in document["detail"]
    assert response.headers["Accept-Post"] == "application/json, application/senml+json"
    assert service.store.extent() is None


@pytest.mark.parametrize("chunked", [False, True], ids=["known-length", "chunked"])
async def test_a_body_of_10_mb_is_refused_naming_the_limit(service, chunked: bool) -> None:
    big = b"[" + b" " * 10_000_000 + b"]"

    async def chunks():
        for start in range(0, len(big), 65_536):
            yield big[start : start + 65_536]

    response = await service.post(
        "/v1/readings", data=chunks() if chunked else io.BytesIO(big), headers={"Content-Type": "application/json"}
    )
    document = await problem(response, 413)
    assert str(BODY_LIMIT) in document["detail"]
    assert (await service.post("/v1/readings", json=READING)).status == 200


async def test_a_body_that_says_it_is_too_large_is_refused_before_it_is_sent(service) -> None:
    reader, writer = await asyncio.open_connection(service.client.host, service.client.port)
    head = "POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
    writer.write(f"{head}Content-Length: 10000000\r\nExpect: 100-continue\r\n\r\n".encode())
    assert await reader.readline() == b"HTTP/1.1 413 Request Entity Too Large\r\n"
    writer.close()
    reader, writer = await asyncio.open_connection(service.client.host, service.client.port)
    body = json.dumps(READING).encode()
    writer.write(f"{head}Content-Length: {len(body)}\r\nExpect: 100-continue\r\n\r\n".encode())
    assert await reader.readuntil(b"\r\n\r\n") == b"HTTP/1.1 100 Continue\r\n\r\n"
    writer.write(body)
    assert await reader.readline() == b"HTTP/1.1 200 OK\r\n"
    writer.close()
    response = await service.post("/v1/readings", json=READING, headers={"Expect": "a-miracle"})
    await problem(response, 417)


@pytest.mark.parametrize(("coding", "pack"), [("gzip", gzip.compress), ("deflate", zlib.compress)])
async def test_packed_bodies_are_unpacked_and_counted_by_what_they_unpack_to(service, coding: str, pack) -> None:
    async def send(body: bytes):
        headers = {"Content-Type": "application/json", "Content-Encoding": coding}
        return await service.post("/v1/readings", data=body, headers=headers)

    assert (await send(pack(json.dumps(READING).encode()))).status == 200
    bomb = pack(b"[" + b" " * 50_000_000 + b"]")
    assert len(bomb) < BODY_LIMIT
    await problem(await send(bomb), 413)
    await problem(await send(b"this was never packed"), 400)


@pytest.mark.parametrize("coding", ["compress", "gzip, gzip", "x-gzip"])
async def test_a_body_packed_in_another_way_is_refused_with_the_ways_that_are_known(service, coding: str) -> None:
    # RFC 9110 sections 12.5.3 and 15.5.16.
    headers = {"Content-Type": "application/json", "Content-Encoding": coding}
    response = await service.post("/v1/readings", data=json.dumps(READING).encode(), headers=headers)
    await problem(response, 415)
    assert response.headers["Accept-Encoding"] == "gzip, deflate"


async def test_a_store_that_fails_is_told_as_come_back_later(service, caplog: pytest.LogCaptureFixture) -> None:
    service.store.close()
    response = await service.post("/v1/readings", json=READING)
    document = await problem(response, 503)
    assert int(response.headers["Retry-After"]) > 0
    assert str(service.store.path) not in json.dumps(document)
    assert "is closed" in caplog.text


async def test_many_clients_at_once_lose_nothing(service) -> None:
    async def send(number: int) -> int:
        time = f"2026-01-31T13:{number // 60:02d}:{number % 60:02d}Z"
        response = await service.post("/v1/readings", json=READING | {"time": time})
        return (await response.json())["accepted"]

    assert sum(await asyncio.gather(*(send(number) for number in range(300)))) == 300
    assert len(service.store.series("indoor.pm25", 0, 2**62)) == 300
