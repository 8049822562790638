"""A span of every day, by the clock on the wall."""

from datetime import time
from typing import Self

from pydantic import model_validator

from .table import Table


class DailySpan(Table):
    """A daily span, local time, from `start` up to `end`; one that ends before it starts goes over midnight."""

    start: time
    end: time

    @model_validator(mode="after")
    def _is_a_span(self) -> Self:
        if self.start.tzinfo is not None or self.end.tzinfo is not None:
            raise ValueError(
                f"{self.start} to {self.end} is not local time; write times without an offset, as 22:30:00"
            )
        if self.start == self.end:
            raise ValueError(
                f"start and end are both {self.start}, which may be no time or all day; leave the span out, or write "
                "00:00:00 to 23:59:59 for all day"
            )
        return self

    def holds(self, moment: time) -> bool:
        """Whether a local time lies in it."""
        if self.start < self.end:
            return self.start <= moment < self.end
        return moment >= self.start or moment < self.end
