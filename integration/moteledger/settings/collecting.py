"""The collector's file: a contractor's own service, to which the houses that are looked after send their readings."""

from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field

from .house import Clock, Units, known_zone
from .network import Network
from .secret import FileName
from .storage import Storage
from .table import Table


def _tokens_always(network: Network) -> Network:
    if network.tokens_required is False:
        raise ValueError("tokens_required = false, but a collector tells houses apart by their tokens; leave it out")
    return network.model_copy(update={"tokens_required": True})


class Collecting(Table):
    """A whole collector's file; `folder` is where the houses' readings are kept, a store for each."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    folder: Annotated[FileName, Field(validate_default=True)] = Path("clients")
    units: Units = Units.SI
    clock: Clock = Clock.H24
    time_zone: Annotated[str, AfterValidator(known_zone)] = "UTC"
    store: Storage = Storage()
    network: Annotated[Network, AfterValidator(_tokens_always)] = Network(tokens_required=True)
