"""Reading topics of an MQTT broker by mapping; a message is acknowledged only once its readings are on the disk.

What may be lost: with QoS 1 nothing that the broker keeps for our session. A broker that itself forgets the session
(restarted without a disk to persist on, or after `session` has passed) forgets what waited in it. With QoS 0 every
message sent while we are away is lost. What is delivered twice is kept once where messages bear their time.
"""

import asyncio
import logging
from collections.abc import Sequence

import aiomqtt
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ..settings import Mqtt, MqttTopic
from ..store import Store
from .accept import accept_converted
from .arrivals import Clock, Source
from .documents import DocumentError, message_document
from .hub_connection import LARGEST_DOCUMENT
from .mapping import Arrived, Converted, Refused, converted
from .records import Refusal
from .retrying import PACE, Pace, SourceError, keep_trying, stop_if_cancelled

_log = logging.getLogger(f"{__name__}.connection")
# One line for each dropped message would drown the one that says so.
_log.setLevel(logging.ERROR)

_SECONDS = 3600.0
_LARGEST_GROUP = 200
_MOST_WAITING = 10_000
"""Messages in memory. A broker should not send so many before they are acknowledged; one that does is left, and on the
next connection it gives again what was dropped of QoS 1."""
_LONGEST_SESSION_S = 0xFFFF_FFFE


class _Waiting(asyncio.Queue[aiomqtt.Message]):
    """Messages that have come and were not looked at; remembers whether one was dropped for want of room."""

    overflowed = False

    def put_nowait(self, item: aiomqtt.Message) -> None:
        if self.full():
            self.overflowed = True
        super().put_nowait(item)


def broker(
    settings: Mqtt, *, client_id: str, keep_session: bool = True, will: aiomqtt.Will | None = None
) -> aiomqtt.Client:
    """A client for the broker of the house file, not yet connected; raises SecretError or TlsError.

    With `keep_session` the broker keeps what comes for this client ID while it is away.
    """
    version = aiomqtt.ProtocolVersion.V5 if settings.version == "5" else aiomqtt.ProtocolVersion.V311
    five = version is aiomqtt.ProtocolVersion.V5
    properties = None
    if five:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = 2 * LARGEST_DOCUMENT
        properties.ReceiveMaximum = _LARGEST_GROUP
        if keep_session:
            properties.SessionExpiryInterval = min(round(settings.session * _SECONDS), _LONGEST_SESSION_S)
    return aiomqtt.Client(
        settings.host,
        settings.used_port,
        username=settings.username,
        password=settings.password.read() if settings.password else None,
        identifier=client_id,
        protocol=version,
        clean_session=None if five else not keep_session,
        clean_start=not keep_session if five else MQTT_CLEAN_START_FIRST_ONLY,
        properties=properties,
        keepalive=max(1, round(settings.keepalive * _SECONDS)),
        tls_context=settings.tls.context() if settings.tls is not None else None,
        timeout=settings.patience * _SECONDS,
        max_queued_incoming_messages=_MOST_WAITING,
        queue_type=_Waiting,
        logger=_log,
        will=will,
    )


class Subscription:
    """The topics of one house at its broker."""

    def __init__(
        self, settings: Mqtt, store: Store, source: Source, clock: Clock, *, keep_session: bool = True
    ) -> None:
        self._settings, self._store, self._source, self._clock = settings, store, source, clock
        self._keep_session = keep_session

    async def run(self, pace: Pace = PACE) -> None:
        """Subscribe and read for ever."""
        await keep_trying(self._source, self.once, self._clock, pace=pace)

    async def once(self) -> None:
        """Connect, subscribe and read until the connection breaks; raises SourceError then, StoreError for the disk."""
        # A session of its own name: one that only looks must not take the messages of the one that keeps them.
        client_id = self._settings.client_id + ("" if self._keep_session else "-look")
        client = broker(self._settings, client_id=client_id, keep_session=self._keep_session)
        # The library acknowledges as soon as a message has arrived; here only the disk decides.
        client._client.manual_ack_set(True)
        try:
            async with client:
                await self._subscribe(client)
                self._source.good(self._clock())
                while True:
                    stop_if_cancelled()
                    await self._take(client, await self._group(client))
                    if not len(client.messages) and getattr(client._queue, "overflowed", False):
                        raise SourceError("sent faster than the disk keeps; connecting again for what was dropped")
        except aiomqtt.MqttError as error:
            raise SourceError(
                f"{str(error)[:200] or 'the connection broke'}; check the broker, name and password"
            ) from None

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        for topic in self._settings.topics:
            (answer,) = await client.subscribe(topic.topic, qos=topic.subscribed_qos)
            granted = answer if isinstance(answer, int) else answer.value
            if granted > 2:
                raise SourceError(f"refuses the topic {topic.topic!r} (code {granted}); check what this user may read")
            if granted < topic.subscribed_qos:
                raise SourceError(f"grants {topic.topic!r} no QoS 1; set qos = 0 for it, knowing what may be lost")

    async def _group(self, client: aiomqtt.Client) -> list[aiomqtt.Message]:
        """The next message and all that have come with it, so that they share one flush of the disk."""
        group = [await anext(client.messages)]
        while len(group) < _LARGEST_GROUP and len(client.messages):
            group.append(await anext(client.messages))
        return group

    async def _take(self, client: aiomqtt.Client, group: Sequence[aiomqtt.Message]) -> None:
        now_us = self._clock()
        found = Converted()
        # What was waiting comes at one moment: of a fan that went on and off meanwhile, both are told, in their order.
        for place, message in enumerate(group):
            found.add(self._converted(message, now_us + place))
        found.absent.clear()
        await asyncio.to_thread(accept_converted, self._store, self._source, found, now_us, documents=len(group))
        for message in group:
            if message.qos:
                client._client.ack(message.mid, message.qos)
        self._source.good(now_us)

    def _converted(self, message: aiomqtt.Message, now_us: int) -> Converted:
        topics = [topic for topic in self._settings.topics if message.topic.matches(topic.topic)]
        payload = message.payload if isinstance(message.payload, bytes) else b""
        try:
            if len(payload) > LARGEST_DOCUMENT:
                raise DocumentError(f"is larger than {LARGEST_DOCUMENT} bytes")
            document = message_document(payload)
        except DocumentError as error:
            refusal = Refusal(place=str(message.topic), value=f"{len(payload)} bytes", reason=f"the message {error}")
            return Converted(refused=[Refused(mapped.signal, refusal) for topic in topics for mapped in topic.signals])
        found = Converted()
        for topic in topics:
            found.add(_of_topic(topic, message, document, now_us))
        return found


def _of_topic(topic: MqttTopic, message: aiomqtt.Message, document: object, now_us: int) -> Converted:
    """The readings of a message; a retained one that bears no time tells a state, which holds, but no level of now."""
    found = converted(topic.signals, document, now_us)
    if not message.retain:
        return found
    undated = {mapped.signal for mapped in topic.signals if not mapped.is_dated and not mapped.is_state}
    kept = Converted(absent=found.absent, refused=list(found.refused))
    for each in found.arrived:
        if each.reading.signal in undated:
            kept.refused.append(Refused(each.reading.signal, _retained(message, each)))
        else:
            kept.arrived.append(each)
    return kept


def _retained(message: aiomqtt.Message, each: Arrived) -> Refusal:
    reason = "was retained by the broker and bears no time: it may be old; map its time, or wait for the next one"
    return Refusal(place=str(message.topic), value=each.raw, reason=reason)
