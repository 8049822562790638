"""What came from each source, told by the service."""

from moteledger.store import Reading


async def test_what_is_pushed_is_counted_and_shown_with_what_is_missing(service) -> None:
    await service.post(
        "/v1/readings",
        json=[
            {"time": "2026-01-31T14:00:00Z", "signal": "indoor.pm25", "value": 0.0085, "unit": "mg/m3"},
            {"time": "2026-01-31T14:00:00Z", "signal": "indoor.pm25", "value": "much"},
            {"time": "2026-01-31T15:00:00Z", "signal": "indoor.pm25", "value": 9},
            {"time": "2026-01-31T14:00:00Z", "signal": "indoor.pm25", "value": 9, "unit": "Pa"},
        ],
    )
    service.store.append([Reading(0, "outdoor.pm25", 8.0)])
    answer = await (await service.get("/v1/sources")).json()
    (push,) = answer["sources"]
    assert (push["name"], push["state"], push["accepted"], push["refused"]) == ("push", "good", 1, 3)
    reasons = [refusal["reason"] for refusal in push["refusals"]]
    for reason, told in zip(reasons, ("is not a number", "ahead of the clock", "is not a unit"), strict=True):
        assert told in reason
    (signal,) = push["signals"]
    assert (signal["signal"], signal["value"], signal["kept"]) == ("indoor.pm25", 8.5, 1)
    missing = [entry["any_of"][0] for entry in answer["missing"]]
    assert "fan.running" in missing
    assert "indoor.pm25" not in missing
    assert "outdoor.pm25" not in missing
