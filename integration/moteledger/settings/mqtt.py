"""`[mqtt]`: the broker of the house, and the topics that are read by mapping."""

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from .mapping import MappedSignal
from .quantities import Duration
from .secret import Secret
from .table import Table
from .tls import Tls

_SECOND_H = 1.0 / 3600.0
_LONGEST_TOPIC_BYTES = 65_535


def topic_filter(text: str) -> str:
    """A topic filter of MQTT (version 5, section 4.7), wildcards allowed; raises ValueError."""
    levels = text.split("/")
    if not text or len(text.encode("utf-8", "replace")) > _LONGEST_TOPIC_BYTES or not text.isprintable():
        raise ValueError(f"{text!r} is not a topic; write for example 'house/air/hall'")
    if any("#" in level and level != "#" for level in levels) or "#" in levels[:-1]:
        raise ValueError(f"{text!r}: '#' stands alone at the end, as in 'house/#'; correct the topic")
    if any("+" in level and level != "+" for level in levels):
        raise ValueError(f"{text!r}: '+' stands alone for one level, as in 'house/+/air'; correct the topic")
    return text


def topic_name(text: str) -> str:
    """A topic that is written to: no wildcards, and not the broker's own `$`; raises ValueError."""
    topic_filter(text)
    if "#" in text or "+" in text or text.startswith("$") or text.endswith("/"):
        raise ValueError(f"{text!r} cannot be written below; write for example 'house/moteledger', without + # or $")
    return text


class MqttTopic(Table):
    """Messages of one topic or topic filter, JSON or a bare value, and the signals in them.

    `qos` 1 has the broker keep what comes while nobody listens and give it until it is acknowledged. Left out, it is 1,
    but 0 where a reading that is no state bears no time: such a reading that comes late would be dated wrongly.
    """

    topic: Annotated[str, AfterValidator(topic_filter)]
    qos: Literal[0, 1] | None = None
    signals: Annotated[tuple[MappedSignal, ...], Field(min_length=1, max_length=200)]

    @property
    def subscribed_qos(self) -> Literal[0, 1]:
        """The quality of service asked of the broker."""
        if self.qos is not None:
            return self.qos
        return 1 if all(mapped.is_dated or mapped.is_state for mapped in self.signals) else 0


class Mqtt(Table):
    """The connection to a broker, which reading and publishing share, and the topics that are read.

    `version` is that of the protocol. `client_id` names our session at the broker, which it keeps for `session`
    while we are away (version 5; a broker of 3.1.1 decides by itself); `patience` is how long it may take to
    answer. `tls = {}` asks for TLS with the machine's own authorities. `publish_below` is the root topic under
    which the service writes its own state; without one it writes nothing.
    """

    host: Annotated[str, Field(max_length=253, pattern=r"^[A-Za-z0-9_.:-]+$")]
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    version: Literal["3.1.1", "5"] = "5"
    client_id: Annotated[str, Field(max_length=60, pattern=r"^[A-Za-z0-9_-]+$")] = "moteledger"
    username: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    password: Secret | None = None
    tls: Tls | None = None
    keepalive: Annotated[Duration, Field(ge=_SECOND_H, le=1)] = 30 * _SECOND_H
    patience: Annotated[Duration, Field(ge=0.1 * _SECOND_H, le=300 * _SECOND_H)] = 10 * _SECOND_H
    session: Annotated[Duration, Field(ge=0, le=24 * 365)] = 24.0 * 7
    topics: Annotated[tuple[MqttTopic, ...], Field(max_length=200)] = ()
    publish_below: Annotated[str, AfterValidator(topic_name)] | None = None

    @model_validator(mode="after")
    def _a_name_for_the_password(self) -> Self:
        if self.password is not None and self.username is None:
            raise ValueError("a password needs its name; add username")
        return self

    @property
    def used_port(self) -> int:
        """The port: as given, else that registered for MQTT, 8883 with TLS and 1883 without."""
        return self.port or (8883 if self.tls is not None else 1883)

    @property
    def shown_address(self) -> str:
        """The broker as people are told of it."""
        return f"{'mqtts' if self.tls is not None else 'mqtt'}://{self.host}:{self.used_port}"
