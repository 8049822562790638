"""Every route, asked in every way its own description allows and in many it does not, by a seeded hand.

Nothing fails inside, every answer is one of those described, and memory does not grow.
"""

import asyncio
import gc
import json
import random
import string
import tracemalloc
from typing import Any
from urllib.parse import quote, urlencode

import jsonschema
import pytest
from aiohttp.test_utils import TestClient, TestServer
from yarl import URL

from moteledger.api import add_pages, create_app
from moteledger.engine import AssessmentError
from moteledger.settings import House, Network

SIGNALS = ["indoor.pm25", "fan.running", "room:bed.pm25", "duct.airflow", "nonsense"]
MOMENTS = ["2026-01-31T14:00:00Z", "2026-01-31T09:00:00-05:00", "0001-01-01T00:00:00Z", "2026-02-30T00:00:00Z"]
FITTING = {
    "time": MOMENTS[:2],
    "signal": SIGNALS[:4],
    "n": SIGNALS[:4],
    "value": [0.0, 1.0],
    "v": [0, 1.0],
    "unit": [None],
    "signals": ["indoor.pm25,fan.running", "duct.airflow"],
    "from": ["2026-01-31T00:00:00Z"],
    "to": ["2026-02-01T00:00:00Z"],
    "resolution": ["1h", "600s"],
}
STRANGE = [
    "",
    "\x00",
    "\ud800",
    "%00",
    "../..",
    "9" * 400,
    "-0",
    "1e999",
    "NaN",
    "💨" * 40,
    "' OR 1=1 --",
    "null",
    "{}",
]
NUMBERS = [0, -1, 1, 0.5, 1e308, -1e308, 10**30, 2**63, 5e-324, 1_769_868_300, True, None, "1"]


class Hand:
    """Draws values that a JSON Schema allows, and now and then one that it does not."""

    def __init__(self, seed: int, document: dict[str, Any]) -> None:
        self.chance = random.Random(seed)
        self.document = document

    def draw(self, schema: dict[str, Any], depth: int = 0) -> Any:  # noqa: PLR0911  a case for each type
        if self.chance.random() < 0.06:
            return self.anything(depth)
        if "$ref" in schema:
            return self.draw(self.document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[-1]], depth)
        for choice in ("anyOf", "oneOf", "allOf"):
            if choice in schema:
                return self.draw(self.chance.choice(schema[choice]), depth)
        if "enum" in schema:
            return self.chance.choice(schema["enum"])
        if "const" in schema:
            return schema["const"]
        match schema.get("type"):
            case "object":
                wanted = schema.get("properties", {})
                required = schema.get("required", ())
                names = [name for name in wanted if name in required or self.chance.random() < 0.4]
                return {name: self.named(name, wanted[name], depth + 1) for name in names}
            case "array":
                return [self.draw(schema.get("items", {}), depth + 1) for _ in range(self.chance.randrange(4))]
            case "integer":
                return self.chance.randint(int(schema.get("minimum", -3)), int(schema.get("maximum", 2000)))
            case "number":
                return self.chance.choice([self.chance.uniform(0, 100), *NUMBERS])
            case "boolean":
                return self.chance.random() < 0.5
            case "null":
                return None
            case _:
                return self.text()

    def named(self, name: str, schema: dict[str, Any], depth: int) -> Any:
        """Often what a field of that name is for, so that some requests get past the first check."""
        if name in FITTING and self.chance.random() < 0.7:
            return self.chance.choice(FITTING[name])
        return self.draw(schema, depth)

    def text(self) -> str:
        letters = "".join(self.chance.choices(string.printable, k=self.chance.randrange(12)))
        return self.chance.choice([*SIGNALS, *MOMENTS, "1h", "2026-01-30", letters, self.chance.choice(STRANGE)])

    def anything(self, depth: int) -> Any:
        if depth > 3 or self.chance.random() < 0.7:
            return self.chance.choice([self.text(), self.chance.choice(NUMBERS)])
        if self.chance.random() < 0.5:
            return [self.anything(depth + 1) for _ in range(self.chance.randrange(4))]
        return {self.text(): self.anything(depth + 1) for _ in range(self.chance.randrange(4))}

    def path(self, path: str, operation: dict[str, Any]) -> str:
        """The path, with something in the place of each name in braces."""
        for each in operation.get("parameters", ()):
            if each["in"] == "path":
                known = each["description"].removeprefix("One of ").removesuffix(".").split(", ")
                value = self.chance.choice(known) if self.chance.random() < 0.5 else self.text()
                path = path.replace(f"{{{each['name']}}}", quote(_sendable(value) or " ", safe=""))
        return path

    def query(self, operation: dict[str, Any]) -> list[tuple[str, str]]:
        pairs = [
            (each["name"], str(self.named(each["name"], each["schema"], 0)))
            for each in operation.get("parameters", ())
            if each["in"] == "query" and (each["required"] or self.chance.random() < 0.4)
        ]
        if self.chance.random() < 0.1:
            pairs.append((self.text(), self.text()))
        return [(_sendable(name), _sendable(value)) for name, value in pairs]

    def body(self, operation: dict[str, Any]) -> tuple[bytes | None, str]:
        if "requestBody" not in operation:
            return None, ""
        media, content = self.chance.choice(sorted(operation["requestBody"]["content"].items()))
        drawn = self.draw(content["schema"])
        if media == "application/x-www-form-urlencoded" and isinstance(drawn, dict):
            body = urlencode({_sendable(name): _sendable(str(value)) for name, value in drawn.items()}).encode()
        else:
            body = json.dumps(drawn).encode()
        match self.chance.randrange(20):
            case 0:
                return body[: self.chance.randrange(len(body) + 1)], media
            case 1:
                return self.chance.randbytes(30), media
            case 2:
                return b"[" * 5000, media
            case 3:
                return body, self.chance.choice(["text/plain", "application/json; charset=utf-16", "x"])
        return body, media


def _sendable(text: str) -> str:
    return text.encode("utf-8", "replace").decode()


class Round:
    """Asks each operation of the description a number of times and checks each answer against it."""

    def __init__(self, client: TestClient, document: dict[str, Any]) -> None:
        self.client = client
        self.document = document
        self.statuses: dict[str, set[int]] = {}
        self.checks: dict[str, jsonschema.Draft202012Validator] = {}

    async def go(self, seed: int, times: int, *, pages: bool = False) -> int:
        hand, asked = Hand(seed, self.document), 0
        for path, item in self.document["paths"].items():
            for method, operation in item.items():
                takes = "parameters" in operation or "requestBody" in operation
                if not pages and "303" in operation["responses"]:
                    continue
                # What takes nothing is asked the same each time.
                for _ in range(times if takes else max(1, times // 10)):
                    await self.ask(hand, method.upper(), path, operation)
                    asked += 1
        return asked

    async def ask(self, hand: Hand, method: str, path: str, operation: dict[str, Any]) -> None:
        path = hand.path(path, operation)
        body, media = hand.body(operation)
        headers = {"Content-Type": media} if media else {}
        query = hand.query(operation)
        about = (method, path, query, body)
        # The test client itself would keep every response.
        asking = self.client.session.request(
            method,
            URL(f"{self.client.make_url('')}".rstrip("/") + path, encoded=True),
            params=query,
            data=body,
            headers=headers,
            allow_redirects=False,
        )
        async with asyncio.timeout(60), asking as response:
            # The stream would go on for ever: its beginning is enough, and then the viewer leaves.
            endless = response.content_type == "text/event-stream"
            content = await (response.content.readany() if endless else response.read())
        assert response.status != 500, about
        assert str(response.status) in operation["responses"], (*about, response.status)
        described = operation["responses"][str(response.status)].get("content", {"": {}})
        media = "*/*" if "*/*" in described else response.content_type if content else ""
        assert media in described, about
        told = json.loads(content) if media.endswith("json") else content.decode()
        self.checked(described[media].get("schema", {})).validate(told)
        self.statuses.setdefault(f"{method} {path}", set()).add(response.status)

    def checked(self, schema: dict[str, Any]) -> jsonschema.Draft202012Validator:
        key = json.dumps(schema)
        if key not in self.checks:
            self.checks[key] = jsonschema.Draft202012Validator(
                {**schema, "components": self.document["components"]},
                format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER,
            )
        return self.checks[key]


async def no_report(*_: object) -> None:
    raise AssessmentError("too young")


@pytest.fixture
async def rounds(guard, assessment, monkeypatch):
    # The ring of news is as long as it may become at once, so that its filling is no growth.
    monkeypatch.setattr("moteledger.api.broadcast.RING_SIZE", 10)
    # A report takes a process of its own and seconds; it has tests of its own.
    monkeypatch.setattr("moteledger.api.reporting._in_a_process", no_report)

    class Known:
        def current(self):
            return assessment

    with guard.store:
        app = create_app(guard.store, Known(), clock=guard.clock, network=Network(requests_per_second=100_000))
        add_pages(app, House.model_validate({"name": "Mill", "house": {"floor_area": "120 m2"}}))
        async with TestClient(TestServer(app, access_log=None)) as client:
            document = await (await client.get("/openapi.json")).json()
            yield Round(client, document)


async def test_no_request_fails_inside_and_every_answer_is_one_of_those_described(rounds) -> None:
    assert await rounds.go(seed=7, times=40, pages=True) > 600
    # The hand is no blunt one: what takes something was now and then given what it takes, and now and then not.
    for operation in ("POST /v1/readings", "GET /v1/readings", "GET /v1/live", "PUT /v1/answer/fan/override"):
        assert 200 in rounds.statuses[operation], operation
        assert {400, 422} & rounds.statuses[operation], operation


async def test_memory_does_not_grow_with_the_number_of_requests(rounds) -> None:
    # The same requests each time: caches fill, and only what is kept of each request goes on growing.
    tracemalloc.start()
    try:
        for _ in range(12):
            await rounds.go(2, times=2)
        grown = []
        for _ in range(4):
            gc.collect()
            before, _ = tracemalloc.get_traced_memory()
            asked = sum([await rounds.go(2, times=2) for _ in range(2)])
            gc.collect()
            grown.append((tracemalloc.get_traced_memory()[0] - before) / asked)
    finally:
        tracemalloc.stop()
    # One small object kept of each request would come to more in every stretch; a cache that fills does so in one.
    assert min(grown) < 80, grown
