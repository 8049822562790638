"""What every table of a settings file has in common."""

from pydantic import BaseModel, ConfigDict


class Table(BaseModel):
    """Base of every table of a settings file: immutable, and a key it does not know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
