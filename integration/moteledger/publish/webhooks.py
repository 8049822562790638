"""Webhooks: alarms that turn and changes of the fan's answer, sent to the addresses that the house file lists.

The store's own history is the queue: each webhook keeps how far it has come, and goes on from there after any outage or
restart, so that nothing is lost while the history holds it. What an address refuses for good is put aside as a dead
letter, and sent again only when a person says so. A message may come twice (the answer to the first may be lost, or the
clock be set back and the service restarted); its id tells.

Messages are signed by RFC 9421 (HTTP Message Signatures, hmac-sha256) over the body's digest (RFC 9530), the address
and the id; `created` tells how old a message is, so that an old one replayed can be refused.
"""

import asyncio
import base64
import hashlib
import hmac
import json
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime
from typing import NamedTuple

import aiohttp
from yarl import URL

from ..engine.alarm_watch import HISTORY
from ..engine.fan_control import DECISION
from ..intake import PACE, Pace, Refusal, Source, SourceError, keep_trying
from ..intake.hub_connection import asked_pause_s, session_to
from ..settings import Webhook
from ..store import Store, StoreError, to_us
from ..store.dead_letters import DeadLetter, DeadLetters

ID_HEADER = "Moteledger-Message"

_KINDS = {"alarm": HISTORY, "fan": DECISION}
_LOOK_EVERY_S = 1.0
_PATIENCE_S = 10.0
_MOST_REMEMBERED = 1000
_CLOCK_JITTER_US = 2_000_000
_SET_BACK_UNSEEN_US = 600_000_000
"""Longer than any pause after failures: so long ago, at most, a clock was set back when it is noticed here."""
_REFUSED_FOR_GOOD = frozenset({400, 403, 404, 405, 410, 413, 415, 422})


def signature_base(components: Mapping[str, str], parameters: str) -> str:
    """What is signed (RFC 9421, section 2.5): the covered components, one a line, and the parameters."""
    lines = [f'"{name}": {value}' for name, value in components.items()]
    return "\n".join([*lines, f'"@signature-params": {parameters}'])


def signature(secret: bytes, components: Mapping[str, str], parameters: str) -> str:
    """The signature by hmac-sha256 (RFC 9421, section 3.3.3), in base 64."""
    base = signature_base(components, parameters).encode()
    return base64.b64encode(hmac.new(secret, base, hashlib.sha256).digest()).decode()


def signed_headers(hook: Webhook, secret: bytes, message_id: str, body: bytes, created: int) -> dict[str, str]:
    """The headers by which an address knows who says this, of which body, and when."""
    digest = f"sha-256=:{base64.b64encode(hashlib.sha256(body).digest()).decode()}:"
    components = {
        "@method": "POST",
        "@target-uri": str(URL(hook.address)),
        "content-digest": digest,
        ID_HEADER.lower(): message_id,
    }
    covered = " ".join(f'"{name}"' for name in components)
    parameters = f'({covered});created={created};keyid="{hook.name}";alg="hmac-sha256"'
    return {
        "Content-Type": "application/json",
        "Content-Digest": digest,
        ID_HEADER: message_id,
        "Signature-Input": f"house={parameters}",
        "Signature": f"house=:{signature(secret, components, parameters)}:",
    }


class Sender:
    """Sends one webhook's messages in their order, each until it is taken or refused for good.

    `unkept` gives the alarms that a disk in trouble does not take: they are told all the same.
    """

    def __init__(
        self,
        hook: Webhook,
        store: Store,
        state: Source,
        clock: Callable[[], datetime],
        unkept: Callable[[], list[tuple[int, str]]] = list,
    ) -> None:
        self._hook, self._store, self._state, self._clock = hook, store, state, clock
        self._unkept = unkept
        self._letters = DeadLetters(store)
        self._kept = f"webhook:{hook.name}"
        self._sent_us: dict[str, int] = {}
        self._told: deque[str] = deque(maxlen=_MOST_REMEMBERED)

    async def run(self, pace: Pace = PACE) -> None:
        """Send until cancelled, however often the address goes away."""
        await keep_trying(self._state, self.once, lambda: to_us(self._clock()), every_s=_LOOK_EVERY_S, pace=pace)

    async def once(self) -> None:
        """Send all that waits; raises SourceError at the first message that could not be delivered yet."""
        again = await asyncio.to_thread(self._letters.wanted_again, self._hook.name)
        waiting = await asyncio.to_thread(self._waiting)
        if not again and not waiting:
            return
        secret = self._hook.secret.read().encode()
        async with session_to(self._hook.address, self._hook.tls, _PATIENCE_S) as session:
            for letter in again:
                message = _Message(letter.happened_us, letter.event, letter.document)
                if await self._taken(session, secret, message):
                    await asyncio.to_thread(self._letters.discard, self._hook.name, message.event, message.happened_us)
            for message in waiting:
                await self._taken(session, secret, message)
                self._sent_us[message.event] = max(self._sent_us[message.event], message.happened_us)
                self._told.append(message.id)
                await asyncio.to_thread(self._note)
        self._state.good(to_us(self._clock()))

    def _note(self) -> None:
        """Keep how far this has come; on a full disk memory knows, so that nothing is sent again and again."""
        with suppress(StoreError):
            self._store.keep_snapshot(self._kept, 0, json.dumps(self._sent_us))

    def _waiting(self) -> "list[_Message]":
        """What has not been sent yet, the oldest first; a webhook that is new begins with what comes from now on.

        Each event counts for itself: one of them may reach the disk after a later one of another.
        """
        self._come_so_far()
        # First what is not on the disk: asked for last, it might have got there in between.
        waiting = {_Message(time_us, "alarm", text) for time_us, text in self._unkept()}
        for event in self._hook.events:
            kept = self._store.snapshots_after(_KINDS[event], self._sent_us[event])
            waiting |= {_Message(time_us, event, document) for time_us, document in kept}
        return sorted(
            message
            for message in waiting
            if message.happened_us > self._sent_us.get(message.event, message.happened_us)
            and message.id not in self._told
        )

    def _come_so_far(self) -> None:
        """Up to when each event has been sent; a clock that was set back stamps what is new before that."""
        now_us = to_us(self._clock())
        if not self._sent_us:
            found = self._store.latest_snapshot(self._kept)
            kept = {} if found is None else json.loads(found[1])
            self._sent_us = {event: int(kept.get(event, kept.get("sent_us", now_us))) for event in self._hook.events}
            if found is None:
                self._note()
        for event, sent_us in self._sent_us.items():
            if sent_us > now_us + _CLOCK_JITTER_US:
                self._sent_us[event] = now_us - _SET_BACK_UNSEEN_US

    async def _taken(self, session: aiohttp.ClientSession, secret: bytes, message: "_Message") -> bool:
        """Whether the address took the message; one that it refuses for good is put aside.

        Raises SourceError where it may take it later.
        """
        body = f'{{"event":"{message.event}","id":"{message.id}","{message.event}":{message.document}}}'.encode()
        headers = signed_headers(self._hook, secret, message.id, body, int(self._clock().timestamp()))
        try:
            async with (
                asyncio.timeout(_PATIENCE_S),
                session.post(self._hook.address, data=body, headers=headers, allow_redirects=False) as answer,
            ):
                status, asked_s = answer.status, asked_pause_s(answer.headers)
        except (aiohttp.ClientError, TimeoutError, OSError) as error:
            raise SourceError(f"does not take messages ({type(error).__name__}); they wait") from None
        if status not in _REFUSED_FOR_GOOD and not 200 <= status < 300:
            raise SourceError(f"answers {status}; what is to be sent waits", wait_s=asked_s)
        if 200 <= status < 300:
            return True
        letter = DeadLetter(
            self._hook.name, message.event, message.happened_us, message.document, status, to_us(self._clock())
        )
        await asyncio.to_thread(self._letters.put_aside, letter)
        why = "was refused for good and put aside; see what the address asks for, then /v1/dead-letters"
        self._state.refused_document(Refusal(place=message.id, value=str(status), reason=why))
        return False


class _Message(NamedTuple):
    """What is told: when it happened, of what kind it is, and its JSON."""

    happened_us: int
    event: str
    document: str

    @property
    def id(self) -> str:
        """By which whoever gets it twice knows it again."""
        return f"{self.event}-{self.happened_us}"
