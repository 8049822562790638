"""`[store]`: how long readings are kept one by one."""

from typing import Annotated

from pydantic import Field

from .quantities import Duration
from .table import Table


class Storage(Table):
    """`keep_raw`: the age at which readings are dropped; the figures of their hours and the ledger stay for ever.

    Left out, all readings stay for ever.
    """

    keep_raw: Annotated[Duration, Field(ge=24 * 30)] | None = None

    @property
    def keep_raw_us(self) -> int | None:
        """The same in microseconds."""
        return None if self.keep_raw is None else round(self.keep_raw * 3600e6)
