"""The service of a house that has no file yet: one page that asks for what the file must say, and writes it.

It answers on the loopback address only and shows nothing of a house. The form needs no script; it holds a token that
only a page of this process could have read (see `forms`), and the guards of names and origins stand before it.
"""

import asyncio
import hmac
import secrets
from collections.abc import Callable
from http import HTTPStatus
from pathlib import Path
from urllib.parse import parse_qs

from aiohttp import web

from ..cards import render_connecting, render_first_run
from ..settings import House, HouseFileError, Network, read_house
from ..settings.questions import QUESTIONS, answer_problems, house_file, write_new
from .auth import check_declared
from .bodies import read_body
from .forms import FORM_MEDIA_TYPE
from .guard import expect_continue, host_guard, origin_guard, security_headers
from .pages import give_static
from .problems import answer_with_problems

FIRST_RUN_FORM = "/first-run"
_BODY_LIMIT = 64 * 1024
_MOST_FIELDS = 3 * len(QUESTIONS)


def create_first_run(path: Path, written: Callable[[House], None]) -> web.Application:
    """The page that asks, as an application; `written` is told the house once its file is at `path`."""
    network = Network()
    asking = _Asking(path, written)
    app = web.Application(
        middlewares=[answer_with_problems, host_guard(network.names), origin_guard(())], client_max_size=_BODY_LIMIT
    )
    app.router.add_get("/", asking.give)
    app.router.add_post(FIRST_RUN_FORM, asking.take, expect_handler=expect_continue)
    app.router.add_get("/static/{name}", give_static)
    app.on_response_prepare.append(security_headers(network))
    app.on_startup.append(check_declared)
    return app


class _Asking:
    def __init__(self, path: Path, written: Callable[[House], None]) -> None:
        self._path, self._written = path, written
        self._token = secrets.token_hex(32)

    async def give(self, _: web.Request) -> web.StreamResponse:
        return _html(render_first_run(self._token, {}, {}, action=FIRST_RUN_FORM))

    async def take(self, request: web.Request) -> web.StreamResponse:
        body = await read_body(request, FORM_MEDIA_TYPE)
        try:
            found = parse_qs(body.decode(), keep_blank_values=True, max_num_fields=_MOST_FIELDS)
        except ValueError:
            return self._again({}, HTTPStatus.BAD_REQUEST, "What came is no form of this page. Send it from here.")
        answers = {question.key: found[question.key][-1] for question in QUESTIONS if question.key in found}
        token = found.get("token", [""])[-1].encode()
        if not hmac.compare_digest(token, self._token.encode()):
            why = "The page was older than the service behind it. Look through the answers and send them once more."
            return self._again(answers, HTTPStatus.FORBIDDEN, why)
        problems = answer_problems(answers)
        if problems:
            page = render_first_run(self._token, answers, problems, action=FIRST_RUN_FORM)
            return _html(page, HTTPStatus.UNPROCESSABLE_ENTITY)
        try:
            await asyncio.to_thread(write_new, self._path, house_file(answers))
            house = await asyncio.to_thread(read_house, self._path)
        except FileExistsError:
            why = f"{self._path} is there by now and was left as it is. Stop the service and start it anew to use it."
            return self._again(answers, HTTPStatus.CONFLICT, why)
        except (OSError, HouseFileError) as error:
            why = f"{self._path} cannot be written ({error}). Check the folder and its permissions, then send it again."
            return self._again(answers, HTTPStatus.SERVICE_UNAVAILABLE, why)
        page = render_connecting(house, str(self._path), f"{request.scheme}://{request.host}/")
        answer = _html(page)
        answer.force_close()
        # The reader has it whole before this server makes way for the house's own.
        await answer.prepare(request)
        await answer.write_eof()
        self._written(house)
        return answer

    def _again(self, answers: dict[str, str], status: HTTPStatus, trouble: str) -> web.Response:
        return _html(render_first_run(self._token, answers, {}, action=FIRST_RUN_FORM, trouble=trouble), status)


def _html(text: str, status: HTTPStatus = HTTPStatus.OK) -> web.Response:
    # What was typed may hold what UTF-8 cannot carry.
    return web.Response(
        body=text.encode("utf-8", "replace"),
        status=status,
        content_type="text/html",
        charset="utf-8",
        headers={"Referrer-Policy": "same-origin"},
    )
