"""A contractor's list: the houses that are looked after, each with its file and where its readings are."""

from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator

from .table import Table


class RoundStop(Table):
    """One house: its house file, and its store or a recording of it; paths count from the list's own folder."""

    house: Path
    store: Path | None = None
    recording: Path | None = None

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if (self.store is None) == (self.recording is None):
            raise ValueError("give either the store or a recording of the house")
        return self


class Round(Table):
    """The whole list: `[[houses]]`, one or more."""

    houses: Annotated[tuple[RoundStop, ...], Field(min_length=1, max_length=10_000)]
