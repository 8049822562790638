"""Tokens as they are shown: by programs at every request, by browsers once at the door."""

import asyncio
from datetime import timedelta
from http.cookies import SimpleCookie

import pytest

from moteledger.api.alarms import ALARM_WATCH
from moteledger.api.auth import DOORKEEPER
from moteledger.engine.alarms import WrongTokensWatch
from moteledger.store import to_us
from moteledger.store.tokens import Scope

HTML = {"Accept": "text/html,*/*"}


async def test_a_wrong_token_is_told_from_none_and_from_one_that_opens_something_else(guarded) -> None:
    # RFC 6750 section 3.1: invalid_token with 401, insufficient_scope with 403, no code where nothing was shown.
    response = await guarded.client.get("/v1/air")
    assert response.status == 401
    assert response.headers["WWW-Authenticate"] == 'Bearer realm="moteledger"'
    response = await guarded.client.get("/v1/air", headers={"Authorization": "Bearer mote_00000000_x"})
    assert response.status == 401
    assert 'error="invalid_token"' in response.headers["WWW-Authenticate"]
    response = await guarded.client.get("/v1/air", headers=guarded.bearer(Scope.CONTRIBUTE))
    assert response.status == 403
    assert 'error="insufficient_scope"' in response.headers["WWW-Authenticate"]
    assert response.content_type == "application/problem+json"


@pytest.mark.parametrize("header", ["Basic YTpi", "Bearer", "Bearer ", "bearer x y", "mote_1_2", "Bearer \x80\xff", ""])
async def test_no_other_header_opens_anything(guarded, header: str) -> None:
    assert (await guarded.client.get("/v1/air", headers={"Authorization": header})).status == 401


async def test_revoking_and_ending_take_effect_at_the_next_request(guarded) -> None:
    headers = guarded.bearer(Scope.CONTRACTOR)
    assert (await guarded.client.get("/v1/filter", headers=headers)).status == 503
    guarded.now += timedelta(days=1)
    assert (await guarded.client.get("/v1/filter", headers=headers)).status == 401
    _, text = token = guarded.new(Scope.VIEW)
    headers = {"Authorization": f"Bearer {text}"}
    assert (await guarded.client.get("/healthz", headers=headers)).status == 200
    guarded.tokens.revoke(token[0].id, 1)
    assert (await guarded.client.get("/healthz", headers=headers)).status == 401


async def test_the_last_use_is_on_record(guarded) -> None:
    await guarded.client.get("/healthz", headers=guarded.bearer(Scope.AUTOMATE))

    def used(scope: Scope) -> int | None:
        return {token.id: token.used_us for token in guarded.tokens.all()}[guarded.made[scope][0].id]

    async with asyncio.timeout(60):
        while used(Scope.AUTOMATE) is None:  # noqa: ASYNC110  it is written down after the answer
            await asyncio.sleep(0.01)
    assert used(Scope.VIEW) is None


async def enter(client, text: str, **headers: str):
    return await client.post("/enter", json={"token": text}, headers=headers)


async def test_a_link_becomes_a_cookie_once_and_the_cookie_is_kept_from_scripts_and_strange_pages(guarded) -> None:
    _, link = guarded.new(Scope.CONTRACTOR, lasts=timedelta(days=2), browsers=1)
    response = await enter(guarded.client, link)
    assert response.status == 200
    assert await response.json() == {"goes_to": "/contractor"}
    # RFC 6265bis: HttpOnly, SameSite; it ends with the token.
    cookie = SimpleCookie(response.headers["Set-Cookie"])["moteledger"]
    assert cookie["httponly"] and cookie["samesite"] == "Strict" and cookie["path"] == "/"
    assert int(cookie["max-age"]) == 2 * 86_400
    assert response.headers["Referrer-Policy"] == "no-referrer"
    assert response.headers["Cache-Control"] == "no-store"
    assert link not in response.headers["Set-Cookie"]
    shown = {"Cookie": f"moteledger={cookie.value}"}
    assert (await guarded.client.get("/contractor", headers=shown)).status == 200
    assert (await guarded.client.get("/cards/trace", headers=shown)).status == 403
    assert (await enter(guarded.client, link)).status == 401
    guarded.now += timedelta(days=2)
    guarded.client.session.cookie_jar.clear()
    assert (await guarded.client.get("/contractor", headers=shown)).status == 401


async def test_a_link_is_no_token_for_programs(guarded) -> None:
    _, link = guarded.new(Scope.VIEW, browsers=1)
    assert (await guarded.client.get("/v1/air", headers={"Authorization": f"Bearer {link}"})).status == 401


async def test_a_browser_without_a_token_is_shown_the_door_and_a_program_is_told(guarded) -> None:
    response = await guarded.client.get("/", headers=HTML, allow_redirects=False)
    assert (response.status, response.headers["Location"]) == (303, "/enter")
    page = await guarded.client.get("/enter")
    assert page.status == 200
    assert "Mill Cottage" not in await page.text()
    assert (await guarded.client.get("/v1/air")).status == 401


async def test_a_page_of_another_origin_can_neither_enter_for_a_reader_nor_use_the_cookie_to_change_things(
    guarded,
) -> None:
    _, text = guarded.new(Scope.AUTOMATE)
    assert (await enter(guarded.client, text, Origin="https://stranger.example")).status == 403
    assert (await enter(guarded.client, text)).status == 200
    wish = {"action": "run", "minutes": 5}
    headers = {"Origin": "https://stranger.example"}
    assert (await guarded.client.put("/v1/answer/fan/override", json=wish, headers=headers)).status == 403
    assert (await guarded.client.put("/v1/answer/fan/override", json=wish)).status == 200


async def test_wrong_tokens_are_soon_not_listened_to_and_right_ones_are_again_after_a_while(serving, guard) -> None:
    client = await serving(tokens_required=True)
    wrong = {"Authorization": "Bearer mote_00000000_guess"}
    statuses = [(await client.get("/healthz", headers=wrong)).status for _ in range(12)]
    assert statuses == [401] * 10 + [429] * 2
    response = await client.post("/enter", json={"token": "mote_00000000_guess"})
    assert response.status == 429
    assert 0 < int(response.headers["Retry-After"]) <= 10


async def test_wrong_tokens_silence_no_right_one_that_comes_from_the_same_address(serving, guard) -> None:
    client = await serving(tokens_required=True)
    known, text = guard.new(Scope.VIEW)
    _, new = guard.new(Scope.VIEW)

    async def status(token: str) -> int:
        return (await client.get("/healthz", headers={"Authorization": f"Bearer {token}"})).status

    assert await status(text) == 200
    assert [await status("mote_00000000_guess\udcff") for _ in range(11)] == [401] * 10 + [429]
    assert await status(text) == 200
    assert await status(new) == 429, "whose first word comes now must wait, as one cannot know it is right"
    await asyncio.to_thread(guard.tokens.revoke, known.id, to_us(guard.now))
    assert [await status(text) for _ in range(2)] == [401, 429]


async def test_on_this_machine_no_token_is_needed_but_one_that_is_shown_counts(serving, guard) -> None:
    client = await serving()
    assert (await client.get("/v1/answer/fan")).status == 200
    assert (await client.put("/v1/answer/fan/override", json={"action": "run", "minutes": 5})).status == 200
    _, text = guard.new(Scope.VIEW)
    headers = {"Authorization": f"Bearer {text}"}
    assert (await client.get("/v1/answer/fan", headers=headers)).status == 200
    assert (await client.put("/v1/answer/fan/override", json={}, headers=headers)).status == 403
    assert (await client.get("/healthz", headers={"Authorization": "Bearer mote_0_0"})).status == 401
    assert (await client.get("/healthz", headers={"Cookie": "moteledger=stale_cookie"})).status == 200


async def test_many_wrong_tokens_are_an_alarm_until_they_stop(guarded, monkeypatch) -> None:
    watch = guarded.client.app[ALARM_WATCH]
    watch._watched = (WrongTokensWatch(),)
    _, ended = guarded.new(Scope.VIEW, lasts=timedelta(seconds=1))
    guarded.now += timedelta(minutes=1)
    doorkeeper = guarded.client.app[DOORKEEPER]
    for number in range(20):
        watch.look()
        assert watch.standing() == (), number
        # Each from another address, since one alone is soon not listened to.
        monkeypatch.setattr("moteledger.api.auth.client_of", lambda _, number=number: f"10.0.0.{number}")
        answer = await guarded.client.get("/v1/air", headers={"Authorization": f"Bearer {ended}"})
        assert answer.status == 401
        guarded.now += timedelta(minutes=1)
    assert (await guarded.client.get("/v1/air", headers=guarded.bearer(Scope.VIEW))).status == 503
    watch.look()
    (alarm,) = watch.standing()
    assert alarm.text == "20 in the last hour were wrong, had ended or were revoked."
    assert ended not in alarm.model_dump_json()
    guarded.now += timedelta(minutes=54)
    watch.look()
    assert doorkeeper.wrong_in_last_hour() == 5
    assert watch.standing()
    guarded.now += timedelta(minutes=1)
    watch.look()
    assert watch.standing() == ()
