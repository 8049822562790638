"""The service on a disk that fills up: a real small file system, mounted for the test where that is allowed."""

import contextlib
import json
import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import add_pages, create_app
from moteledger.engine.alarm_watch import HISTORY, AlarmWatch
from moteledger.engine.alarms import StoreWatch
from moteledger.intake import Arrivals
from moteledger.publish.webhooks import Sender
from moteledger.settings import House, Webhook
from moteledger.store import Reading, Store, StoreError, back_up, problems_of

NOON = datetime(2026, 1, 31, 12, tzinfo=UTC)
HOUSE = House.model_validate({"name": "Wren House", "house": {"floor_area": "120 m2"}})


class Nobody:
    def current(self) -> None:
        return None


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Two megabytes of memory as a file system of their own."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = shutil.which("mount")
    made = mount and subprocess.run(
        [mount, "-t", "tmpfs", "-o", "size=2m", "moteledger-test", str(folder)],
        capture_output=True,
        check=False,
        timeout=60,
    )
    if not made or made.returncode:
        pytest.skip("NOT TESTED on a full disk: mounting a small file system is not allowed here (needs root)")
    yield folder
    subprocess.run(["umount", str(folder)], check=True, timeout=60)


def batch(first: int, count: int) -> dict[str, object]:
    return {
        "readings": [
            {
                "time": f"2026-01-{1 + n // 86_400:02}T{n // 3600 % 24:02}:{n // 60 % 60:02}:{n % 60:02}Z",
                "signal": "duct.static_pressure",
                "value": n % 100,
            }
            for n in range(first, first + count)
        ]
    }


async def test_a_full_disk_refuses_whole_batches_answers_on_and_takes_them_once_there_is_room(small_disk: Path) -> None:
    path = small_disk / "house.sqlite"
    filler = small_disk / "filler"
    filler.write_bytes(bytes(600_000))
    size = 2000
    with Store.open(path) as store:
        async with TestClient(TestServer(create_app(store, Nobody()))) as client:
            statuses = []
            taken = 0
            for n in range(60):
                answer = await client.post("/v1/readings", json=batch(n * size, size))
                statuses.append(answer.status)
                if answer.status != 200:
                    break
                taken += 1
            assert statuses[-1] == 507, "the disk never filled up"
            told = json.loads(await answer.text())
            assert told["status"] == 507 and "disk of the service is full" in told["detail"]
            assert answer.headers["Retry-After"]
            described = (await (await client.get("/openapi.json")).json())["paths"]["/v1/readings"]["post"]
            assert "507" in described["responses"]
            # Nothing half-written, and reading goes on.
            assert len(store.series("duct.static_pressure", 0, 2**62)) == taken * size
            assert (await client.get("/healthz")).status == 200
            asked = "/v1/readings?signal=duct.static_pressure&from=2026-01-01T00:00:00Z&to=2026-01-02T00:00:00Z"
            assert (await client.get(asked + "&resolution=1h")).status == 200
            with pytest.raises(StoreError, match=r"full|cannot be written|cannot be copied"):
                back_up(path, small_disk / "copy.sqlite")
            assert not (small_disk / "copy.sqlite").exists()
            filler.unlink()
            answer = await client.post("/v1/readings", json=batch(taken * size, size))
            assert answer.status == 200
            assert (await answer.json())["accepted"] == size
    assert problems_of(path) == ()
    with Store.open(path) as store:
        assert len(store.series("duct.static_pressure", 0, 2**62)) == (taken + 1) * size


def test_a_store_opens_and_is_read_on_a_disk_without_any_room(small_disk: Path) -> None:
    path = small_disk / "house.sqlite"
    with Store.open(path) as store:
        store.append([Reading(1, "indoor.pm25", 1.0)])
    with contextlib.suppress(OSError), (small_disk / "filler").open("wb", buffering=0) as filler:
        while filler.write(bytes(65_536)):
            pass
    room_for_the_index = 40_000
    with (small_disk / "filler").open("r+b") as filler:
        filler.truncate((small_disk / "filler").stat().st_size - room_for_the_index)
    with Store.open(path) as store:
        assert store.latest("indoor.pm25") == Reading(1, "indoor.pm25", 1.0)
        with pytest.raises(StoreError) as caught:
            store.append([Reading(n, "outdoor.pm25", 1.0) for n in range(5000)])
        assert caught.value.disk_is_full


def filled_up(folder: Path) -> Path:
    """A file that takes what room is left."""
    filler = folder / "filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while file.write(bytes(4096)):
            pass
    return filler


async def test_a_full_disk_is_an_alarm_that_is_seen_and_sent_while_it_lasts(small_disk: Path, monkeypatch) -> None:
    monkeypatch.setattr("moteledger.store.writer.QUIET_S", 0.0)
    monkeypatch.setenv("OFFICE_SECRET", "a secret of the house")
    told: list[dict[str, object]] = []
    clock = [NOON]

    async def take(request: web.Request) -> web.Response:
        told.append(await request.json())
        return web.Response(status=204)

    office = web.Application()
    office.router.add_post("/air", take)
    async with TestServer(office) as server:
        with Store.open(small_disk / "house.sqlite") as store:
            watch = AlarmWatch([StoreWatch()], store, lambda: None, lambda: clock[0])
            address = str(server.make_url("/air"))
            hook = Webhook.model_validate(
                {"name": "office", "address": address, "secret": {"environment": "OFFICE_SECRET"}}
            )
            state = Arrivals().source("office", "webhook", "")
            sender = Sender(hook, store, state, lambda: clock[0], watch.unkept)
            await sender.once()
            app = create_app(store, Nobody(), alarms=watch, clock=lambda: clock[0])
            add_pages(app, HOUSE)
            async with TestClient(TestServer(app)) as client:
                filler = filled_up(small_disk)
                assert (await client.post("/v1/readings", json=batch(0, 10_000))).status == 507
                clock[0] += timedelta(seconds=1)
                watch.look()
                (alarm,) = watch.standing()
                assert alarm.name == "store-not-written" and "disk is full" in alarm.text
                assert store.latest_snapshot(HISTORY) is None, "there is no room to keep it"
                health = await (await client.get("/healthz")).json()
                assert health["status"] == "warn" and "disk is full" in health["store_trouble"]
                seen = await (await client.get("/v1/alarms")).json()
                assert [each["name"] for each in seen["standing"]] == ["store-not-written"]
                assert len(seen["past"]) == 1
                assert "disk is full" in await (await client.get("/cards/alarms")).text()
                await sender.once()
                await sender.once()
                assert [each["alarm"]["phase"] for each in told] == ["raised"], "told at once, and once"
                clock[0] += timedelta(seconds=1)
                watch.look()
                assert watch.standing(), "writing next to nothing is refused too"
                filler.unlink()
                clock[0] += timedelta(seconds=1)
                watch.look()
                assert watch.standing() == ()
                assert (await (await client.get("/healthz")).json())["status"] == "ok"
                assert len(store.snapshots(HISTORY, newest=9)) == 2, "what could not be kept is kept now"
                await sender.once()
                assert [each["alarm"]["phase"] for each in told] == ["raised", "clear"]
