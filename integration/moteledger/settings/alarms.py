"""`[[alarm]]`: limits of a household's or a contractor's own, beside those that every house has."""

from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from ..signals import Kind, signal_named
from .quantities import Duration, parse
from .table import Table

BUILT_IN_ALARMS = frozenset(
    {
        "store-not-written",
        "wrong-tokens",
        "collector-away",
        "filter-open",
        "filter-drop",
        "filter-due",
        "delivery-short",
    }
)

_LONGEST_DELAY_H = 31 * 24
_MINUTE_H = 1.0 / 60.0


def _named(text: str) -> str:
    return signal_named(text).name


class AlarmRule(Table):
    """An alarm on one signal: raised once it has been `above` or `below` a limit for all of `lasting`.

    It ends when the signal has come back by `back`, so that a value at the limit raises it once. With
    `only_while_running` it watches only while the fan runs, from `settle` after its start on. `next_step` says what to
    do, `worth_a_drive` whether a contractor should come for it. Limits and `back` are written with their unit.
    """

    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
    signal: Annotated[str, AfterValidator(_named)]
    above: str | None = None
    below: str | None = None
    back: str | None = None
    lasting: Annotated[Duration, Field(le=_LONGEST_DELAY_H)] = 10 * _MINUTE_H
    only_while_running: bool = False
    settle: Annotated[Duration, Field(le=24)] = _MINUTE_H
    next_step: Annotated[str, Field(max_length=300)] = ""
    worth_a_drive: bool = False

    @model_validator(mode="after")
    def _one_limit(self) -> Self:
        if (self.above is None) == (self.below is None):
            raise ValueError("give one limit, either above or below")
        if signal_named(self.signal).kind not in (Kind.LEVEL, Kind.STATE):
            raise ValueError(f"{self.signal} counts time and has no limit; choose another signal")
        if self.back_by < 0:
            raise ValueError(f"back: {self.back!r} is below zero; give how far the value must come back")
        assert self.limit is not None
        return self

    @property
    def limit(self) -> float:
        """The limit in the signal's own unit."""
        return self._inside(self.above if self.above is not None else str(self.below))

    @property
    def back_by(self) -> float:
        """How far the value must come back, in the signal's own unit."""
        return 0.0 if self.back is None else self._inside(self.back)

    def _inside(self, written: str) -> float:
        signal = signal_named(self.signal)
        if signal.kind is Kind.STATE:
            return float(written)
        return parse(written, signal.quantity)
