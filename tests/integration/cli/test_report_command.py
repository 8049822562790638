"""The report from a recording, from a store and from a running service: the same numbers by every way."""

import json
import re
import signal
import subprocess
import urllib.error
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from moteledger.intake import accept, read_recording
from moteledger.store import Reading, Store, to_us

Finished = subprocess.CompletedProcess[str]


def kept_in(path: Path, recording: Path) -> Path:
    """A store that holds the readings of a recording."""
    with Store.open(path) as store:
        accept(
            store,
            [
                Reading(int(time_us), name, float(value))
                for name, series in read_recording(recording).series.items()
                for time_us, value in zip(series.time_us, series.value, strict=True)
            ],
        )
    return path


def test_assess_report_store_and_recording_tell_the_same(
    run_all: Callable[..., dict[str, Finished]], house_file: Path, recording: Path, tmp_path: Path
) -> None:
    store = kept_in(tmp_path / "rook.db", recording)
    house = ("--house", house_file)
    done = run_all(
        {
            "assess": ("assess", recording, *house, "--report", tmp_path / "assess.html"),
            "recording": ("report", recording, *house, "--json", tmp_path / "r.json", "--html", tmp_path / "r.html"),
            "store": ("report", "--store", store, *house, "--json", tmp_path / "s.json", "--html", tmp_path / "s.html"),
            "empty": ("report", "--store", tmp_path / "none.db", *house, "--json", tmp_path / "n.json"),
            "both": ("report", recording, "--store", store, *house),
        }
    )
    for name in ("assess", "recording", "store"):
        assert (done[name].returncode, done[name].stderr) == (0, ""), name
    assert (tmp_path / "assess.html").read_text() == (tmp_path / "r.html").read_text()
    told = [json.loads((tmp_path / name).read_text()) for name in ("r.json", "s.json")]
    assert told[0] == told[1]
    assert "Rook House" in (tmp_path / "s.html").read_text()
    assert done["empty"].returncode == 1
    assert "no such file; give the store of a service" in done["empty"].stderr
    assert not (tmp_path / "n.json").exists()
    assert done["both"].returncode == 2


def test_a_service_gives_its_report_as_page_and_document_once_there_is_one(
    start_command: Callable[..., subprocess.Popen[str]], house_file: Path, tmp_path: Path
) -> None:
    file = tmp_path / "served.db"
    process = start_command("serve", "--house", house_file, "--store", file, "--port", "0")
    try:
        assert process.stdout is not None
        address = re.search(r"http://127\.0\.0\.1:\d+", process.stdout.readline())
        assert address is not None
        with pytest.raises(urllib.error.HTTPError) as early:
            urllib.request.urlopen(f"{address[0]}/report.json", timeout=150)
        with early.value:
            assert early.value.code == 503
            assert "no report yet" in json.loads(early.value.read())["detail"]
        now = datetime.now(UTC).replace(microsecond=0)
        with Store.open(file) as store:
            accept(
                store,
                [
                    Reading(to_us(now - timedelta(minutes=minute)), name, value)
                    for minute in range(1, 240)
                    for name, value in (("indoor.pm25", 5.0 + minute % 7), ("outdoor.pm25", 15.0 + minute % 11))
                ],
            )
        answers: dict[str, Any] = {}
        for path in ("/report", "/report.json"):
            with urllib.request.urlopen(address[0] + path, timeout=150) as answer:
                answers[path] = (answer.headers["Content-Type"], answer.read().decode(), answer.headers)
        held = urllib.request.Request(f"{address[0]}/report", headers={"If-None-Match": answers["/report"][2]["ETag"]})
        with pytest.raises(urllib.error.HTTPError) as unchanged:
            urllib.request.urlopen(held, timeout=150)
        unchanged.value.close()
        changed = urllib.request.Request(
            f"{address[0]}/v1/filter/change",
            data=json.dumps({"on": f"{now:%Y-%m-%d}"}).encode(),
            headers={"Content-Type": "application/json"},
            method="PUT",
        )
        urllib.request.urlopen(changed, timeout=60).close()
        with urllib.request.urlopen(f"{address[0]}/report.json", timeout=150) as answer:
            since_changed = json.loads(answer.read())
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=60)
    kind, page, headers = answers["/report"]
    assert kind == "text/html; charset=utf-8"
    assert "Rook House" in page
    # No script may run in it, whatever the words of the house are.
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert "script-src" not in headers["Content-Security-Policy"]
    # RFC 9111 section 3.2: a browser that comes back puts these headers in the place of those it holds.
    assert unchanged.value.code == 304
    assert unchanged.value.headers["Content-Security-Policy"] == headers["Content-Security-Policy"]
    assert answers["/report.json"][0].startswith("application/json")
    assert "Rook House" in json.dumps(json.loads(answers["/report.json"][1]))
    assert since_changed["assessment"]["filter"]["installed_on"] == f"{now:%Y-%m-%d}"
