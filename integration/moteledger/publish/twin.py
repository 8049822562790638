"""The service's state at the house's broker: retained, the same documents as over HTTP, under one root.

`ROOT/answer/fan` is the automation's. Its silence is safe in three ways: the last will of the connection puts `leave`
in its place when the service is lost; with MQTT 5 the broker drops it once it has lapsed; and it says until when it
holds, for those who get neither. The other topics tell in their period how old they are.
"""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ..api.routing import AssessmentSource
from ..api.sections import PUBLISHED_SECTIONS
from ..engine.fan_answer import FanAnswer, ReasonCode
from ..engine.fan_control import FanControl
from ..intake import PACE, Pace, Source, SourceError, keep_trying, stop_if_cancelled
from ..intake.mqtt import broker
from ..settings import Mqtt
from ..store import to_us

ANSWER = "answer/fan"

_LOOK_EVERY_S = 1.0
_GOODBYE_PATIENCE_S = 2.0
_LOST = "The service cannot be reached, so nothing is asked of the fan."


class Twin:
    """Keeps the retained state at the broker in step with the service; `root` is the topic above all of it."""

    def __init__(
        self,
        settings: Mqtt,
        root: str,
        fan: FanControl,
        assessments: AssessmentSource,
        state: Source,
        clock: Callable[[], datetime],
    ) -> None:
        self._settings, self._root, self._fan = settings, root, fan
        self._assessments, self._state, self._clock = assessments, state, clock
        # Told last: at first by the process before this one, whose run, if it was not over, was taken up.
        self._told = fan.answer()

    async def run(self, pace: Pace = PACE) -> None:
        """Publish until cancelled, however often the broker goes away."""
        await keep_trying(self._state, self.once, lambda: to_us(self._clock()), pace=pace)

    async def once(self) -> None:
        """Connect and publish what changes until the connection breaks; raises SourceError then."""
        will = aiomqtt.Will(f"{self._root}/{ANSWER}", _lost(self._clock()).model_dump_json(), qos=1, retain=True)
        client = broker(self._settings, client_id=f"{self._settings.client_id}-state", keep_session=False, will=will)
        try:
            async with client:
                self._state.good(to_us(self._clock()))
                if self._told.action == "run":
                    # The last will has said `leave` since: whoever listens has let the fan stop.
                    await asyncio.to_thread(self._fan.called_off)
                try:
                    await self._keep_in_step(client)
                finally:
                    # A farewell in order is no loss to the broker: it sends no will, so the word is given here.
                    with suppress(aiomqtt.MqttError, TimeoutError):
                        async with asyncio.timeout(_GOODBYE_PATIENCE_S):
                            await self._publish_answer(client, _lost(self._clock()))
        except aiomqtt.MqttError as error:
            what = str(error)[:200] or "the connection broke"
            raise SourceError(f"{what}; check the broker, name and password") from None

    async def _keep_in_step(self, client: aiomqtt.Client) -> None:
        is_first, told_assessment = True, None
        while True:
            stop_if_cancelled()
            answer = await asyncio.to_thread(self._fan.answer)
            if is_first or answer != self._told:
                await self._publish_answer(client, answer)
                is_first, self._told = False, answer
            assessment = self._assessments.current()
            if assessment is not None and assessment is not told_assessment:
                for name, section in PUBLISHED_SECTIONS.items():
                    await client.publish(f"{self._root}/{name}", section(assessment).model_dump_json(), 1, True)
                told_assessment = assessment
            # Nothing is subscribed to, so this only waits; and it raises when the connection is lost.
            with suppress(TimeoutError):
                async with asyncio.timeout(_LOOK_EVERY_S):
                    await anext(client.messages)

    async def _publish_answer(self, client: aiomqtt.Client, answer: FanAnswer) -> None:
        await client.publish(
            f"{self._root}/{ANSWER}",
            answer.model_dump_json(),
            qos=1,
            retain=True,
            properties=self._expiry(answer),
        )

    def _expiry(self, answer: FanAnswer) -> Properties | None:
        """With MQTT 5, an answer other than `leave` goes from the broker once it has lapsed."""
        if self._settings.version != "5" or answer.action == "leave":
            return None
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.MessageExpiryInterval = max(1, int((answer.valid_until - self._clock()).total_seconds()))
        return properties


def _lost(now: datetime) -> FanAnswer:
    return FanAnswer(
        action="leave", reason_code=ReasonCode.SHUTDOWN, reason=_LOST, since=now, valid_until=now, confidence=0.0
    )
