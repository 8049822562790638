"""A service that is killed and started again: least times, a person's wish, tokens and alarms are as they were."""

import json
import re
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

HOUSE = """
name = "Dunlin House"
[house]
floor_area = "100 m2"
[fan]
least_run = "30 min"
[[alarm]]
name = "dusty"
signal = "indoor.pm25"
above = "50 ug/m3"
lasting = "0.1 s"
[network]
tokens_required = true
"""


class Asked:
    """A running service, asked with a token."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+", line)
        assert found is not None, line
        self.address = found[0]

    def ask(self, token: str, method: str, path: str, body: object = None) -> tuple[int, Any]:
        headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self.address + path, data, headers, method=method)
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.load(error)

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate(timeout=60)


def test_kill_9_and_a_new_start_change_nothing_of_least_times_tokens_and_alarms(
    run_all: Callable, start_command: Callable, tmp_path: Path
) -> None:
    house, store = tmp_path / "dunlin.toml", tmp_path / "dunlin.sqlite"
    house.write_text(HOUSE)
    new = ("token", "new", "--store", store, "--name")
    made = run_all(
        {
            "good": (*new, "hall", "--scope", "view", "--scope", "automate", "--scope", "contribute"),
            "lost": (*new, "lost", "--scope", "view"),
        }
    )
    good, lost = (made[name].stdout.split()[0] for name in ("good", "lost"))
    serve = ("serve", "--house", house, "--store", store, "--port", "0")

    before = Asked(start_command(*serve))
    try:
        assert before.ask(lost, "GET", "/healthz")[0] == 200
        # Revoked beside the running service.
        run_all({"revoke": ("token", "revoke", lost.split("_")[1], "--store", store)})
        assert before.ask(lost, "GET", "/healthz")[0] == 401
        reading = {"time": datetime.now(UTC).isoformat(), "signal": "indoor.pm25", "value": 80.0}
        assert before.ask(good, "POST", "/v1/readings", reading)[1]["accepted"] == 1
        wish = before.ask(good, "PUT", "/v1/answer/fan/override", {"action": "run", "minutes": 60, "note": "smoke"})[1]
        assert wish["action"] == "run"
        ends = time.monotonic() + 60.0
        while not (alarms := before.ask(good, "GET", "/v1/alarms")[1]["standing"]) and time.monotonic() < ends:
            time.sleep(0.05)
        status, seen = before.ask(good, "PUT", "/v1/alarms/acknowledged", {"name": "dusty"})
        assert (status, alarms[0]["name"]) == (200, "dusty")
    finally:
        before.kill()

    after = Asked(start_command(*serve))
    try:
        assert after.ask(lost, "GET", "/healthz")[0] == 401
        answer = after.ask(good, "GET", "/v1/answer/fan")[1]
        assert (answer["action"], answer["override"]) == ("run", wish["override"])
        assert after.ask(good, "GET", "/v1/alarms")[1]["standing"] == [seen]
        # A run that began before the kill is not cut short before its half hour: another wish waits for it.
        rest = after.ask(good, "PUT", "/v1/answer/fan/override", {"action": "rest", "minutes": 60})[1]
        assert (rest["action"], rest["reason_code"]) == ("leave", "least_run_time")
        assert after.ask(good, "GET", "/v1/readings?signal=indoor.pm25")[1]["value"] == [80.0]
    finally:
        after.kill()
