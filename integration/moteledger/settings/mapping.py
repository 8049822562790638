"""The declared mapping, the same for every source: which place of a JSON document is which signal, in which unit."""

from enum import StrEnum
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from ..signals import Kind, signal_named
from .pointer import tokens_of
from .table import Table


def _pointer(text: str) -> str:
    tokens_of(text)
    return text


def _signal(name: str) -> str:
    return signal_named(name).name


Pointer = Annotated[str, Field(max_length=500), AfterValidator(_pointer)]
Scalar = bool | int | float | str


class TimeUnit(StrEnum):
    """What a time written as a number counts since 1970 UTC."""

    SECONDS = "s"
    MILLISECONDS = "ms"


class MappedSignal(Table):
    """One signal of a JSON document: value = scale * what stands at `pointer` + offset, in `unit`.

    `pointer` is a JSON Pointer (RFC 6901); empty is the whole document, as where a message is a bare number. `unit` is
    that of the scaled value (default: the signal's own); `unit_at` points to where the document itself tells it.
    `states` gives words their value from 0 to 1, such as `{ on = 1, off = 0 }`, and takes them as they are, unscaled.
    `time` points to the reading's time, as RFC 3339 text or as a number counting `time_in` since 1970; without it the
    time is that of arrival. `only_where` limits the mapping to documents with the given values at the given places.

    A fan tells its runtime in one of three ways: `fan.running` as a state, `fan.runtime` as the seconds run since the
    reading before, or `fan.runtime_total` as a counter that goes up while it runs and may start again at nought; what
    ran between the two readings about a new start is then not known.
    """

    signal: Annotated[str, AfterValidator(_signal)]
    pointer: Pointer = ""
    unit: str | None = None
    unit_at: Pointer | None = None
    scale: Annotated[float, Field(ge=-1e9, le=1e9)] = 1.0
    offset: Annotated[float, Field(ge=-1e9, le=1e9)] = 0.0
    states: dict[Annotated[str, Field(max_length=60)], Annotated[float, Field(ge=0, le=1)]] = Field({})
    time: Pointer | None = None
    time_in: TimeUnit = TimeUnit.SECONDS
    only_where: dict[Pointer, Scalar] = Field({})

    @model_validator(mode="after")
    def _fits_the_signal(self) -> Self:
        signal = signal_named(self.signal)
        if self.unit is not None and self.unit_at is not None:
            raise ValueError("give unit or unit_at, not both")
        signal.converted(0.0, self.unit)
        if self.states and signal.kind is not Kind.STATE:
            raise ValueError(f"{self.signal} is not a state; states belong to signals such as fan.running")
        if self.scale == 0.0:
            raise ValueError("scale: 0 makes every reading the same; give another factor")
        return self

    @property
    def is_dated(self) -> bool:
        """Whether the document tells the reading's time."""
        return self.time is not None

    @property
    def is_state(self) -> bool:
        """Whether the signal is a state, which holds until the next reading."""
        return signal_named(self.signal).kind is Kind.STATE
