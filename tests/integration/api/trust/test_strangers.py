"""Pages of strangers, clients that ask too much, and what of an answer may be kept."""

import pytest

from moteledger.api.limits import MOST_CLIENTS, Rate, client_at
from moteledger.store import Reading, to_us

WISH = {"action": "rest", "minutes": 5}
OVERRIDE = "/v1/answer/fan/override"
BOARD = "https://board.home.arpa"


@pytest.mark.parametrize(
    "shown",
    [
        {"Origin": "https://stranger.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost.stranger.example"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
async def test_a_strange_page_changes_nothing(serving, guard, shown: dict[str, str]) -> None:
    client = await serving()
    for method, path, body in (
        ("PUT", OVERRIDE, WISH),
        ("DELETE", OVERRIDE, None),
        ("POST", "/v1/readings", {"time": "2026-01-31T14:00:00Z", "signal": "indoor.pm25", "value": 1}),
        ("PUT", "/v1/filter/change", {"on": "2026-01-30"}),
    ):
        response = await client.request(method, path, json=body, headers=shown)
        assert response.status == 403
        assert "allowed_origins" in (await response.json())["detail"]
        assert "Access-Control-Allow-Origin" not in response.headers
    assert guard.store.extent() is None


async def test_the_service_s_own_pages_and_programs_change_what_they_may(serving) -> None:
    client = await serving()
    own = f"http://{client.host}:{client.port}"
    for shown in ({}, {"Origin": own}, {"Sec-Fetch-Site": "same-origin", "Origin": own}, {"Sec-Fetch-Site": "none"}):
        assert (await client.put(OVERRIDE, json=WISH, headers=shown)).status == 200


async def test_only_listed_origins_may_read_across_and_never_with_a_cookie(serving) -> None:
    # The CORS protocol: Fetch Standard, section 3.2.
    client = await serving(allowed_origins=[BOARD])
    asking = {"Origin": BOARD, "Access-Control-Request-Method": "PUT", "Access-Control-Request-Headers": "content-type"}
    response = await client.options(OVERRIDE, headers=asking)
    assert response.status == 204
    assert response.headers["Access-Control-Allow-Origin"] == BOARD
    assert "PUT" in response.headers["Access-Control-Allow-Methods"]
    assert "Authorization" in response.headers["Access-Control-Allow-Headers"]
    response = await client.put(OVERRIDE, json=WISH, headers={"Origin": BOARD})
    assert response.status == 200
    assert response.headers["Access-Control-Allow-Origin"] == BOARD
    assert "Origin" in response.headers["Vary"]
    assert "Access-Control-Allow-Credentials" not in response.headers
    other = await client.options(OVERRIDE, headers=asking | {"Origin": "https://stranger.example"})
    assert other.status == 405
    assert "Access-Control-Allow-Origin" not in other.headers


async def test_a_preflight_needs_no_token_and_gives_none_away(serving) -> None:
    client = await serving(allowed_origins=[BOARD], tokens_required=True)
    asking = {"Origin": BOARD, "Access-Control-Request-Method": "GET"}
    assert (await client.options("/v1/air", headers=asking)).status == 204
    response = await client.get("/v1/air", headers={"Origin": BOARD})
    assert response.status == 401
    assert response.headers["Access-Control-Allow-Origin"] == BOARD, "the page may read why"


async def test_listed_pages_may_frame_the_cards_and_nothing_else(serving) -> None:
    # CSP Level 3, section 6.4.2: frame-ancestors.
    client = await serving(embed_origins=[BOARD])
    for path, ancestors in (("/cards/air", f"'self' {BOARD}"), ("/", "'self'"), ("/enter", "'self'")):
        policy = (await client.get(path)).headers["Content-Security-Policy"]
        assert policy.endswith(f"frame-ancestors {ancestors}"), path
    assert BOARD not in (await client.get("/v1/answer/fan")).headers["Content-Security-Policy"]


async def test_a_client_that_asks_too_often_is_put_off_with_the_time_to_wait(serving) -> None:
    # RFC 6585 section 4: 429, with Retry-After.
    client = await serving(requests_per_second=3)
    responses = [await client.get("/healthz") for _ in range(9)]
    assert [response.status for response in responses[:6]] == [200] * 6
    last = responses[-1]
    assert last.status == 429
    assert int(last.headers["Retry-After"]) == 1
    assert last.content_type == "application/problem+json"


def test_a_rate_is_kept_in_the_long_run_and_for_each_client_alone() -> None:
    clock = [0.0]
    rate = Rate(2.0, 4.0, lambda: clock[0])
    taken = 0
    for step in range(1000):
        clock[0] = step / 100
        if not rate.wait_s("a"):
            rate.count("a")
            taken += 1
    # A token bucket of 4, filled with 2 a second, in 10 s: 24 at most.
    assert 23 <= taken <= 24
    assert rate.wait_s("b") == 0
    wait_s = rate.wait_s("a")
    assert 0 < wait_s <= 0.5
    clock[0] += wait_s + 1e-9
    assert rate.wait_s("a") == 0


def test_the_clients_that_are_remembered_do_not_pile_up() -> None:
    clock = [0.0]
    rate = Rate(1.0, 5.0, lambda: clock[0])
    for number in range(3 * MOST_CLIENTS):
        clock[0] += 1e-4
        rate.count(f"client {number}")
    assert len(rate._due) <= MOST_CLIENTS


def test_the_addresses_of_one_host_are_one_client() -> None:
    # RFC 4291 section 2.5.4: a host has a /64 of its own; section 2.5.5.2: IPv4-mapped addresses.
    assert client_at("2001:db8:1:2::3") == client_at("2001:db8:1:2:ffff::9") != client_at("2001:db8:1:3::3")
    assert client_at("::ffff:192.0.2.7") == client_at("192.0.2.7") != client_at("192.0.2.8")
    assert client_at("fe80::1%eth0") == client_at("fe80::2")
    assert client_at("") == ""


READ = ["/v1/answer/fan", "/v1/readings?signal=duct.airflow", "/openapi.json", "/", "/cards/air", "/static/cards.css"]


@pytest.mark.parametrize("path", READ)
async def test_what_has_not_changed_is_not_sent_again(serving, guard, path: str) -> None:
    # RFC 9110 sections 8.8.3, 13.1.2, 15.4.5.
    client = await serving()
    first = await client.get(path)
    assert first.status == 200
    tag = first.headers["ETag"]
    assert tag.startswith('"') and "no-cache" in first.headers["Cache-Control"]
    for held in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        again = await client.get(path, headers={"If-None-Match": held})
        assert again.status == 304
        assert await again.read() == b""
        assert again.headers["ETag"] == tag
        assert again.headers["Cache-Control"] == first.headers["Cache-Control"]
        # RFC 9111 section 3.2: these take the place of what the client holds, so they must say the same.
        for name in ("X-Content-Type-Options", "Content-Security-Policy", "Referrer-Policy", "Vary"):
            assert again.headers[name] == first.headers[name]
    for held in ('"other"', "nonsense", '"', tag[:-2] + '"'):
        whole = await client.get(path, headers={"If-None-Match": held})
        assert whole.status == 200
        assert await whole.read() == await first.read()
    assert (await client.head(path, headers={"If-None-Match": tag})).status == 304


async def test_what_has_changed_is_sent_and_has_another_tag(serving, guard) -> None:
    client = await serving()
    path = "/v1/readings?signal=duct.airflow"
    before = (await client.get(path)).headers["ETag"]
    guard.store.append([Reading(to_us(guard.now), "duct.airflow", 900.0)])
    after = await client.get(path, headers={"If-None-Match": before})
    assert after.status == 200
    assert (await after.json())["value"] == [900.0]
    assert after.headers["ETag"] != before


async def test_what_changes_at_each_asking_or_went_wrong_is_not_to_be_kept(serving) -> None:
    client = await serving()
    for path in ("/healthz", "/v1/air", "/nowhere", "/enter"):
        response = await client.get(path)
        assert response.headers["Cache-Control"] == "no-store", path
        assert "ETag" not in response.headers
    response = await client.put(OVERRIDE, json=WISH, headers={"If-None-Match": "*"})
    assert response.status == 200 and response.headers["Cache-Control"] == "no-store"
